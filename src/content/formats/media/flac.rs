//! FLAC (RFC 9639): blocks of facts, then frames of sound, each with a CRC over its header and one over all of it.
//!
//! A frame does not say how long it is. So the CRC runs from its beginning, and it ends where the CRC comes out right and
//! a header with a right CRC follows that carries the next number, or where the sound ends.

use std::io::{BufRead as _, Read as _};

use super::checksums::Crc;
use super::tags;
use crate::bytes::{at_most, be_u16, be_u32, be_u64, to_u64, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken};

pub(super) const FORMATS: &[Format] = &[Format { name: "FLAC", endings: &["flac"], opens, check }];

/// The longest frame that is looked for: 65,535 samples of eight channels in 32 bits, and then some.
const LONGEST_FRAME: u64 = 1 << 22;

fn opens(head: &[u8]) -> bool {
    let start = tags::id3v2_length(head).unwrap_or_default();
    head.get(at_most(start, usize::MAX)..).is_some_and(|rest| rest.starts_with(b"fLaC"))
}

/// STREAMINFO (8.2): how many samples there are; 0 if that is not known.
struct Info {
    samples: u64,
    /// Samples of a frame, if all but the last have the same.
    block: u16,
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut at = tags::id3v2_length(&subject.up_to(0, 16)?).unwrap_or_default().saturating_add(4);
    let mut info = None;
    loop {
        let head = subject.bytes(at, 4)?;
        let word = be_u32(&head, 0).unwrap_or_default();
        let (last, kind, length) = (word >> 31 == 1, (word >> 24) & 0x7f, word & 0x00ff_ffff);
        let body = at.saturating_add(4);
        match (kind, &info) {
            (0, None) => {
                let facts = subject.bytes(body, 34)?;
                let samples = be_u64(&facts, 10).unwrap_or_default() & 0x000f_ffff_ffff;
                info = Some(Info { samples, block: be_u16(&facts, 2).unwrap_or_default() });
            }
            (0, Some(_)) | (127, _) | (_, None) => return broken(at, "the facts about the sound are damaged"),
            _ => {}
        }
        at = body.saturating_add(u64::from(length));
        if at > subject.size() {
            return broken(subject.size(), "the file ends before the sound begins");
        }
        if last {
            break;
        }
    }
    let info = info.unwrap_or(Info { samples: 0, block: 0 });
    frames(subject, at, &info)?;
    Ok(Strength::Checksum)
}

/// A frame's header.
struct Header {
    /// Whether all frames have the same length, and the number is the frame's; else it is the first sample's.
    fixed: bool,
    number: u64,
    samples: u64,
    length: usize,
}

impl Header {
    fn of(bytes: &[u8]) -> Option<Self> {
        let sync = be_u16(bytes, 0)?;
        let (sizes, kind) = (u8_at(bytes, 2)?, u8_at(bytes, 3)?);
        if sync & 0xfffe != 0xfff8 || sizes & 15 == 15 || sizes >> 4 == 0 || kind >> 4 > 10 || kind & 1 != 0 {
            return None;
        }
        let (number, mut length) = coded_number(bytes.get(4..)?)?;
        length = length.checked_add(4)?;
        let samples = match sizes >> 4 {
            1 => 192,
            code @ 2..=5 => 144_u64.checked_shl(u32::from(code))?,
            6 => {
                let samples = u64::from(u8_at(bytes, length)?).checked_add(1)?;
                length = length.checked_add(1)?;
                samples
            }
            7 => {
                let samples = u64::from(be_u16(bytes, length)?).checked_add(1)?;
                length = length.checked_add(2)?;
                samples
            }
            code => 1_u64.checked_shl(u32::from(code))?,
        };
        length = length.checked_add(match sizes & 15 {
            12 => 1,
            13 | 14 => 2,
            _ => 0,
        })?;
        let crc = u8_at(bytes, length)?;
        (Crc::eight().of(bytes.get(..length)?) == u32::from(crc)).then_some(Self {
            fixed: sync & 1 == 0,
            number,
            samples,
            length: length.checked_add(1)?,
        })
    }

    fn follows(&self, before: &Self) -> bool {
        let step = if before.fixed { 1 } else { before.samples };
        self.fixed == before.fixed && self.number == before.number.saturating_add(step)
    }
}

/// A number coded as UTF-8 does, of up to 36 bits (9.1.5), and how many bytes it took.
fn coded_number(bytes: &[u8]) -> Option<(u64, usize)> {
    let (first, rest) = bytes.split_first()?;
    let ones = first.leading_ones();
    if ones == 0 {
        return Some((u64::from(*first), 1));
    }
    if !(2..=7).contains(&ones) {
        return None;
    }
    let mut value = u64::from(*first) & (0x7f_u64 >> ones);
    let more = usize::try_from(ones).ok()?.checked_sub(1)?;
    for byte in rest.get(..more)? {
        if byte & 0xc0 != 0x80 {
            return None;
        }
        value = (value << 6) | u64::from(byte & 0x3f);
    }
    Some((value, more.checked_add(1)?))
}

/// Walks from frame to frame.
fn frames(subject: &Subject<'_>, start: u64, info: &Info) -> Step<()> {
    let end = tags::sound_end(subject, start)?;
    let mut at = start;
    let mut heard = 0_u64;
    let mut before: Option<Header> = None;
    while at < end {
        let bytes = subject.up_to(at, 16)?;
        let Some(header) = Header::of(&bytes) else {
            return broken(at, "a frame of sound does not open");
        };
        if before.as_ref().is_some_and(|before| !header.follows(before)) {
            return broken(at, "a frame of sound is missing");
        }
        let Some(next) = frame_end(subject, at, end, &header)? else {
            return broken(at, "a frame of sound does not agree with its checksum");
        };
        heard = heard.saturating_add(header.samples);
        before = Some(header);
        at = next;
    }
    // A length that was never written is 0.
    if info.samples > heard {
        let missing = info.samples.saturating_sub(heard);
        return broken(at, format!("the last {missing} samples of the sound are missing (of {})", info.samples));
    }
    if info.samples == 0 && before.is_none() && info.block > 0 {
        return broken(at, "there is no sound in it");
    }
    Ok(())
}

/// Where a frame ends.
fn frame_end(subject: &Subject<'_>, start: u64, end: u64, header: &Header) -> Step<Option<u64>> {
    let mut reader = subject.reader(start..end.min(start.saturating_add(LONGEST_FRAME)));
    let mut crc = Crc::sixteen(0);
    let mut head = vec![0; header.length];
    if reader.read_exact(&mut head).is_err() {
        return Err(reader.stop("the file ends within a frame of sound"));
    }
    crc.add(&head);
    loop {
        let at = reader.position();
        let piece = match reader.fill_buf() {
            Ok(piece) => piece,
            Err(_) => return Err(reader.stop("")),
        };
        if piece.is_empty() {
            return Ok((at == end && crc.value() == 0).then_some(at));
        }
        let length = piece.len();
        for (index, byte) in piece.iter().enumerate() {
            if crc.value() == 0 && *byte == 0xff {
                let place = at.saturating_add(to_u64(index));
                let next = Header::of(&subject.up_to(place, 16)?);
                if next.is_some_and(|next| next.follows(header)) {
                    return Ok(Some(place));
                }
            }
            crc.add(std::slice::from_ref(byte));
        }
        reader.consume(length);
    }
}
