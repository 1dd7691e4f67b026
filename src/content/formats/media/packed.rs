//! Packed single files: GZIP (RFC 1952), XZ (The .xz File Format 1.1.0), BZIP2 (opening only: the format has no
//! published text).

use std::io::{BufRead as _, Read as _};

use flate2::bufread::GzDecoder;

use crate::bytes::{array, le_u32, to_u64, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] = &[
    Format { name: "GZIP", endings: &["gz", "tgz", "svgz", "emz", "wmz"], opens: opens_as_gzip, check: gzip },
    Format { name: "XZ", endings: &["xz", "txz"], opens: opens_as_xz, check: xz },
    Format { name: "BZIP2", endings: &["bz2", "tbz", "tbz2"], opens: opens_as_bzip2, check: bzip2 },
];

/// How much is unpacked at a time.
const PIECE: usize = 1 << 16;

/// What a member costs besides its content, in bytes: a file may have any number of empty ones.
const MEMBER: u64 = 1 << 15;

/// The most zeros behind a stream of XZ, in bytes: tapes have blocks of so many.
const MOST_PADDING: u64 = 1 << 16;

fn opens_as_gzip(head: &[u8]) -> bool {
    // Only the method "deflate" is defined, and three bits of the flags are kept at 0.
    head.starts_with(&[0x1f, 0x8b, 8]) && u8_at(head, 3).is_some_and(|flags| flags & 0xe0 == 0)
}

/// Every member is unpacked; its CRC and its length have to be right. Zeros may stand behind the last one: tapes fill
/// with them.
fn gzip(subject: &Subject<'_>) -> Step<Strength> {
    let mut at = 0_u64;
    let mut piece = vec![0; PIECE];
    while at < subject.size() && opens_as_gzip(&subject.up_to(at, 4)?) {
        subject.spend(MEMBER)?;
        let mut decoder = GzDecoder::new(subject.reader(at..subject.size()));
        loop {
            match decoder.read(&mut piece) {
                Ok(0) => break,
                Ok(count) => subject.spend(to_u64(count))?,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => {
                    let early = error.kind() == std::io::ErrorKind::UnexpectedEof;
                    let why = if early { "the file ends too early" } else { "what is packed in it is damaged" };
                    return Err(decoder.get_mut().stop(why));
                }
            }
        }
        let reader = decoder.get_mut();
        // An empty piece that failed is told apart by the reader.
        if reader.fill_buf().is_err() {
            return Err(reader.stop("the file ends too early"));
        }
        let next = reader.position();
        if next <= at {
            break;
        }
        at = next;
    }
    // What is no further member has no checksum, unless nothing is there.
    let mut rest = subject.reader(at..subject.size());
    loop {
        let zeros = match rest.fill_buf() {
            Ok([]) => return Ok(Strength::Checksum),
            Ok(piece) if piece.iter().all(|byte| *byte == 0) => piece.len(),
            Ok(_) => return unchecked("it is sound up to its last member, and something of an unknown kind follows"),
            Err(_) => return Err(rest.stop("it can't be read")),
        };
        rest.consume(zeros);
    }
}

fn opens_as_xz(head: &[u8]) -> bool {
    head.starts_with(&[0xfd, b'7', b'z', b'X', b'Z', 0])
}

/// Header, footer and index of each stream, from the last to the first. Nothing is unpacked.
fn xz(subject: &Subject<'_>) -> Step<Strength> {
    let mut end = subject.size();
    while end > 0 {
        // Streams may be filled up with zeros, four at a time (2.2).
        let padded = end;
        while end >= 4
            && padded.saturating_sub(end) < MOST_PADDING
            && subject.array::<4>(end.saturating_sub(4))? == [0; 4]
        {
            end = end.saturating_sub(4);
        }
        let Some(at) = end.checked_sub(12) else {
            return broken(subject.size(), "the file ends too early");
        };
        let footer = subject.bytes(at, 12)?;
        let right = le_u32(&footer, 0) == footer.get(4..10).map(crc32fast::hash) && footer.ends_with(b"YZ");
        if !right {
            return broken(at, "its last bytes are not those of a complete file");
        }
        let index = u64::from(le_u32(&footer, 4).unwrap_or_default()).saturating_add(1).saturating_mul(4);
        let Some(index_at) = at.checked_sub(index) else {
            return broken(at, "its index would begin before the file");
        };
        let packed = index_length(subject, index_at, index)?;
        let Some(start) = index_at.checked_sub(packed).and_then(|start| start.checked_sub(12)) else {
            return broken(index_at, "its index speaks of more bytes than there are");
        };
        let header = subject.bytes(start, 12)?;
        let right = opens_as_xz(&header)
            && le_u32(&header, 8) == header.get(6..8).map(crc32fast::hash)
            && header.get(6..8) == footer.get(8..10);
        if !right {
            return broken(start, "its beginning and its end do not belong together");
        }
        end = start;
    }
    Ok(Strength::Structure)
}

/// The bytes of all blocks by an index (4), whose CRC has to be right.
fn index_length(subject: &Subject<'_>, at: u64, length: u64) -> Step<u64> {
    let bytes = subject.bytes(at, crate::bytes::at_most(length, usize::MAX))?;
    let damaged = || broken(at, "its index is damaged");
    let Some((fields, crc)) = bytes.len().checked_sub(4).and_then(|split| bytes.split_at_checked(split)) else {
        return damaged();
    };
    if array::<4>(crc, 0).map(u32::from_le_bytes) != Some(crc32fast::hash(fields)) || fields.first() != Some(&0) {
        return damaged();
    }
    let mut place = 1_usize;
    let Some(count) = number(fields, &mut place) else { return damaged() };
    let mut sum = 0_u64;
    for _ in 0..count {
        let Some((unpadded, _)) = number(fields, &mut place).zip(number(fields, &mut place)) else { return damaged() };
        sum = sum.saturating_add(crate::bytes::round_up(unpadded, 4));
    }
    Ok(sum)
}

/// A number in seven bits a byte, lowest first (1.2); moves past it.
fn number(bytes: &[u8], at: &mut usize) -> Option<u64> {
    let mut value = 0_u64;
    for shift in (0..63).step_by(7) {
        let byte = u8_at(bytes, *at)?;
        *at = at.checked_add(1)?;
        value |= u64::from(byte & 0x7f).checked_shl(shift)?;
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

fn opens_as_bzip2(head: &[u8]) -> bool {
    let mark = array::<6>(head, 4);
    // A block, or the end of an empty file: the digits of pi, and of its root.
    head.starts_with(b"BZh")
        && u8_at(head, 3).is_some_and(|size| matches!(size, b'1'..=b'9'))
        && matches!(mark, Some([0x31, 0x41, 0x59, 0x26, 0x53, 0x59] | [0x17, 0x72, 0x45, 0x38, 0x50, 0x90]))
}

fn bzip2(_: &Subject<'_>) -> Step<Strength> {
    Ok(Strength::Opening)
}
