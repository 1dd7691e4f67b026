//! RAR archives, version 4 (technote.txt of that version, from memory) and 5 (RAR 5.0 archive format): blocks, each with a
//! checksum of its header.

use super::Format;
use crate::bytes::{at_most, le_u16, le_u32, slice, to_u64};
use crate::content::formats::{Step, Stop, Strength, Subject, broken};

pub(super) const FORMAT: Format = Format {
    name: "RAR archive",
    endings: &["rar"],
    opens: |head| head.starts_with(OLD) || head.starts_with(NEW),
    check,
};

const OLD: &[u8] = b"Rar!\x1A\x07\x00";
const NEW: &[u8] = b"Rar!\x1A\x07\x01\x00";

/// The longest header of version 5 (its length has three bytes at the most).
const LONGEST_HEADER: u64 = 1 << 21;

fn protected<T>() -> Step<T> {
    Err(Stop::Protected { why: "files in it are encrypted".to_string() })
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    if subject.up_to(0, NEW.len())?.starts_with(NEW) { check_new(subject) } else { check_old(subject) }
}

/// Block types and flags of version 4.
const OLD_MAIN: u8 = 0x73;
const OLD_FILE: u8 = 0x74;
const OLD_SERVICE: u8 = 0x7A;
const OLD_END: u8 = 0x7B;
const OLD_HEADERS_ENCRYPTED: u16 = 0x0080;
const OLD_ENCRYPTED: u16 = 0x0004;
const OLD_LARGE: u16 = 0x0100;
const OLD_HAS_DATA: u16 = 0x8000;

const OLD_MAIN_COMMENT: u16 = 0x0002;
const OLD_FILE_COMMENT: u16 = 0x0008;

/// Whether a header of version 4 fits its sum. Very old programs put comments and more into headers, behind what is summed;
/// how long that is depends on the kind (common practice, no source), so there any length will do.
fn sum_fits(header: &[u8], is_old: bool) -> bool {
    let said = le_u16(header, 0).map(u32::from);
    let summed = header.get(2..).unwrap_or_default();
    let shortest = if is_old { SHORTEST_SUM } else { summed.len() };
    let mut sum = crc32fast::Hasher::new();
    let (first, rest) = summed.split_at_checked(shortest).unwrap_or((summed, &[]));
    sum.update(first);
    let mut fits = said == Some(sum.clone().finalize() & 0xFFFF);
    for byte in rest {
        sum.update(&[*byte]);
        fits |= said == Some(sum.clone().finalize() & 0xFFFF);
    }
    fits
}

/// Short data behind such a header may be summed with it.
const OLD_DATA: usize = 64;

/// What every header has behind its sum: kind, flags, length.
const SHORTEST_SUM: usize = 5;

fn check_old(subject: &Subject<'_>) -> Step<Strength> {
    let (mut at, mut locked) = (to_u64(OLD.len()), false);
    while at < subject.size() {
        let head: [u8; 7] = subject.array(at)?;
        let (kind, flags, length) =
            (head[2], le_u16(&head, 3).unwrap_or_default(), le_u16(&head, 5).unwrap_or_default());
        if length < 7 {
            return broken(at, "a header of it is broken");
        }
        let mut header = subject.bytes(at, length.into())?;
        let is_old = matches!(kind, 0x75..=0x79)
            || kind == OLD_MAIN && flags & OLD_MAIN_COMMENT != 0
            || kind == OLD_FILE && flags & OLD_FILE_COMMENT != 0;
        if is_old {
            header.extend(subject.up_to(at.saturating_add(length.into()), OLD_DATA)?);
        }
        if !sum_fits(&header, is_old) {
            return broken(at, "a header of it contradicts its checksum");
        }
        if kind == OLD_MAIN && flags & OLD_HEADERS_ENCRYPTED != 0 {
            return protected();
        }
        let is_file = kind == OLD_FILE || kind == OLD_SERVICE;
        locked |= is_file && flags & OLD_ENCRYPTED != 0;
        let mut data = 0;
        if flags & OLD_HAS_DATA != 0 || is_file {
            data = u64::from(le_u32(&header, 7).unwrap_or_default());
            if is_file && flags & OLD_LARGE != 0 {
                data |= u64::from(le_u32(&header, 0x20).unwrap_or_default()).wrapping_shl(32);
            }
        }
        let next = at.saturating_add(length.into()).saturating_add(data);
        if next > subject.size() {
            return broken(subject.size(), "the file ends within what is packed in it");
        }
        if kind == OLD_END {
            return if locked { protected() } else { Ok(Strength::Structure) };
        }
        at = next;
    }
    // Archives of old programs have no end mark.
    if locked { protected() } else { Ok(Strength::Structure) }
}

/// Block types and flags of version 5.
const NEW_FILE: u64 = 2;
const NEW_SERVICE: u64 = 3;
const NEW_ENCRYPTION: u64 = 4;
const NEW_END: u64 = 5;
const NEW_HAS_EXTRA: u64 = 1;
const NEW_HAS_DATA: u64 = 2;
/// A record of a file that says how it is encrypted.
const NEW_RECORD_ENCRYPTION: u64 = 1;

/// A number of seven bits a byte, lowest first, taken from the front.
fn number(bytes: &mut &[u8]) -> Option<u64> {
    let mut value = 0_u64;
    for place in 0..10_u32 {
        let (byte, rest) = bytes.split_first()?;
        *bytes = rest;
        value |= u64::from(byte & 0x7F).checked_shl(place.checked_mul(7)?)?;
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// What a header of version 5 says.
struct Block {
    kind: u64,
    data: u64,
    locked: bool,
}

impl Block {
    fn from_bytes(mut header: &[u8]) -> Option<Self> {
        let (kind, flags) = (number(&mut header)?, number(&mut header)?);
        let extra = if flags & NEW_HAS_EXTRA == 0 { 0 } else { number(&mut header)? };
        let data = if flags & NEW_HAS_DATA == 0 { 0 } else { number(&mut header)? };
        // Records stand at the end.
        let mut records = header.get(header.len().checked_sub(usize::try_from(extra).ok()?)?..)?;
        let mut locked = false;
        while !records.is_empty() {
            let length = usize::try_from(number(&mut records)?).ok()?;
            let mut record = slice(records, 0, length)?;
            records = records.get(length..)?;
            let is_encryption = number(&mut record)? == NEW_RECORD_ENCRYPTION;
            locked |= is_encryption && matches!(kind, NEW_FILE | NEW_SERVICE);
        }
        Some(Self { kind, data, locked })
    }
}

fn check_new(subject: &Subject<'_>) -> Step<Strength> {
    let (mut at, mut locked) = (to_u64(NEW.len()), false);
    loop {
        if at >= subject.size() {
            return broken(subject.size(), "its end is missing");
        }
        let head = subject.up_to(at, 14)?;
        let mut rest = head.get(4..).unwrap_or_default();
        let before = rest.len();
        let Some(length) = number(&mut rest).filter(|length| *length <= LONGEST_HEADER) else {
            return broken(at, "a header of it is broken");
        };
        let length_bytes = before.saturating_sub(rest.len());
        let length = at_most(length, usize::MAX);
        let summed = subject.bytes(at.saturating_add(4), length.saturating_add(length_bytes))?;
        if le_u32(&head, 0) != Some(crc32fast::hash(&summed)) {
            return broken(at, "a header of it contradicts its checksum");
        }
        let Some(block) = Block::from_bytes(summed.get(length_bytes..).unwrap_or_default()) else {
            return broken(at, "a header of it is broken");
        };
        if block.kind == NEW_ENCRYPTION {
            return protected();
        }
        locked |= block.locked;
        let next = at.saturating_add(4).saturating_add(to_u64(summed.len())).saturating_add(block.data);
        if next > subject.size() {
            return broken(subject.size(), "the file ends within what is packed in it");
        }
        if block.kind == NEW_END {
            return if locked { protected() } else { Ok(Strength::Structure) };
        }
        at = next;
    }
}
