//! TAR archives (POSIX.1-2017, pax, "ustar Interchange Format"; GNU tar manual, "Basic Tar Format"): headers with a sum.

use super::Format;
use crate::bytes::{at_most, be_u64, slice, to_u64};
use crate::content::formats::{Step, Strength, Subject, broken};

pub(super) const FORMAT: Format =
    Format { name: "TAR archive", endings: &["tar"], opens: |head| is_header(head), check };

const BLOCK: usize = 512;

/// The longest list of a member's properties that is read.
const LONGEST_LIST: usize = 1 << 20;

/// Digits of base 8, with blanks around.
fn octal(field: &[u8]) -> Option<u64> {
    let digits: Vec<u8> = field.iter().copied().filter(|byte| *byte != b' ' && *byte != 0).collect();
    if digits.is_empty() {
        return Some(0);
    }
    u64::from_str_radix(std::str::from_utf8(&digits).ok()?, 8).ok()
}

/// A size: digits, or in the first bit a mark that a binary number follows (GNU).
fn size(field: &[u8]) -> Option<u64> {
    match field.first()? {
        byte if byte & 0x80 != 0 => be_u64(field, 4),
        _ => octal(field),
    }
}

/// Whether a block's sum is right. Old programs summed bytes with a sign.
fn is_header(block: &[u8]) -> bool {
    let Some(block) = slice(block, 0, BLOCK) else { return false };
    let Some(said) = slice(block, 148, 8).and_then(octal) else { return false };
    let (mut sum, mut signed) = (0_i64, 0_i64);
    for (at, byte) in block.iter().enumerate() {
        let byte = if (148..156).contains(&at) { b' ' } else { *byte };
        sum = sum.saturating_add(byte.into());
        signed = signed.saturating_add(byte.cast_signed().into());
    }
    // A block of blanks or zeros is no header.
    said != 0 && [sum, signed].contains(&i64::try_from(said).unwrap_or(-1))
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut at = 0_u64;
    let mut long_size = None;
    loop {
        if at == subject.size() {
            return broken(at, "its end is missing");
        }
        let block: [u8; BLOCK] = subject.array(at)?;
        if block == [0; BLOCK] {
            return Ok(Strength::Structure);
        }
        let Some(said) = slice(&block, 124, 12).and_then(size).filter(|_| is_header(&block)) else {
            return broken(at, "a header of it contradicts its sum");
        };
        let kind = block[156];
        let mut data_at = at.saturating_add(to_u64(BLOCK));
        let mut length = said;
        match kind {
            b'x' => {
                let list = subject.up_to(data_at, at_most(said, LONGEST_LIST))?;
                long_size = property(&list, b"size").or(long_size);
            }
            b'g' | b'L' | b'K' => {}
            _ => {
                let size = long_size.take().unwrap_or(said);
                // Links, folders and devices have no data, whatever their size says.
                length = if matches!(kind, b'1'..=b'6') { 0 } else { size };
            }
        }
        if kind == b'S' {
            data_at = after_holes(subject, &block, data_at)?;
        }
        let end = data_at.saturating_add(length);
        if end > subject.size() {
            return broken(subject.size(), "the file ends within a file in it");
        }
        at = crate::bytes::round_up(end, to_u64(BLOCK));
        if at > subject.size() {
            return broken(subject.size(), "its end is missing");
        }
    }
}

/// Behind the blocks that list a sparse file's parts (GNU): each says whether another follows.
fn after_holes(subject: &Subject<'_>, header: &[u8; BLOCK], at: u64) -> Step<u64> {
    let (mut at, mut more) = (at, header[482] != 0);
    while more {
        let block: [u8; BLOCK] = subject.array(at)?;
        more = block[504] != 0;
        at = at.saturating_add(to_u64(BLOCK));
    }
    Ok(at)
}

/// A number from a list of properties: length, blank, name, `=`, value, line end.
fn property(list: &[u8], name: &[u8]) -> Option<u64> {
    list.split(|byte| *byte == b'\n').find_map(|line| {
        let line = line.get(line.iter().position(|byte| *byte == b' ')?.checked_add(1)?..)?;
        let value = line.strip_prefix(name)?.strip_prefix(b"=")?;
        std::str::from_utf8(value).ok()?.parse().ok()
    })
}
