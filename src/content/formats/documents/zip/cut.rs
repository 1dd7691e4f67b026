//! What is left of a ZIP archive whose list is lost: its members from the front.

use super::member::{DEFLATED, DESCRIBED_BEHIND, DESCRIPTOR, Member, Own, STORED};
use crate::bytes::{le_u32, to_u64};
use crate::content::formats::documents::inflate::{Ended, inflate};
use crate::content::formats::{Step, Stop, Subject};

/// So many members are looked at: enough to say what is left, and no day's work.
const MOST: usize = 100_000;

/// How many members from the front are whole, and up to which byte.
pub(super) fn whole(subject: &Subject<'_>) -> Step<(usize, u64)> {
    let (mut count, mut at) = (0_usize, 0_u64);
    while count < MOST {
        match next(subject, at) {
            Ok(Some(end)) if end > at => at = end,
            Err(Stop::Failed(error)) => return Err(Stop::Failed(error)),
            _ => break,
        }
        count = count.saturating_add(1);
    }
    Ok((count, at))
}

/// Where the member at `at` ends, if it is whole.
fn next(subject: &Subject<'_>, at: u64) -> Step<Option<u64>> {
    let Some(own) = Own::read(subject, at, subject.size())? else { return Ok(None) };
    if !matches!(own.method, STORED | DEFLATED) || own.flags & 1 != 0 {
        return Ok(None);
    }
    if own.flags & DESCRIBED_BEHIND == 0 {
        let member = Member {
            name: 0..0,
            flags: own.flags,
            method: own.method,
            crc: own.crc,
            packed: own.packed,
            size: own.size,
            header: at,
        };
        member.unpack(subject, &own.name, own.header_end, &mut |_| {})?;
        return Ok(own.header_end.checked_add(own.packed));
    }
    if own.method == STORED {
        return Ok(None);
    }
    let mut reader = subject.reader(own.header_end..subject.size());
    let mut crc = crc32fast::Hasher::new();
    let ended = inflate(&mut reader, &mut |piece| {
        crc.update(piece);
        subject.spend(to_u64(piece.len()))
    })?;
    let end = reader.position();
    let behind = subject.up_to(end, 24)?;
    let signed = behind.starts_with(&DESCRIPTOR);
    let record = behind.strip_prefix(&DESCRIPTOR).unwrap_or(&behind);
    if ended != Ended::Whole || le_u32(record, 0) != Some(crc.finalize()) {
        return Ok(None);
    }
    let packed = end.saturating_sub(own.header_end);
    let narrow = le_u32(record, 4).map(u64::from) == Some(packed) && le_u32(record, 8) != Some(0);
    let length = match (signed, narrow) {
        (true, true) => 16,
        (true, false) => 24,
        (false, true) => 12,
        (false, false) => 20,
    };
    Ok(end.checked_add(length))
}
