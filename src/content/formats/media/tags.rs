//! What programs hang before and behind sound: names of songs and pictures of their sleeves.
//!
//! ID3v2 says its length in seven bits a byte (id3.org, "ID3 tag version 2.4.0 — Main Structure", 3.1); ID3v1 is the
//! last 128 bytes and opens with `TAG`; APEv2 has a footer that opens with `APETAGEX` and says its length at 12; Lyrics3
//! ends with its length in six digits and `LYRICS200` (all: common practice, from memory).

use crate::bytes::{array, le_u32, to_u64, u8_at};
use crate::content::formats::{Step, Subject};

/// How long an ID3v2 tag at the beginning is, with its head and foot.
pub(super) fn id3v2_length(head: &[u8]) -> Option<u64> {
    if !head.starts_with(b"ID3") {
        return None;
    }
    let (version, flags) = (u8_at(head, 3)?, u8_at(head, 5)?);
    let size = array::<4>(head, 6)?;
    if version >= 0x10 || size.iter().any(|byte| byte & 0x80 != 0) {
        return None;
    }
    let body = size.iter().fold(0_u64, |sum, byte| (sum << 7) | u64::from(*byte));
    Some(body.saturating_add(if flags & 0x10 == 0 { 10 } else { 20 }))
}

/// The most tags at the end; each program leaves the others' alone.
const MOST: usize = 8;

/// Where sound ends and what is hung behind it begins.
pub(super) fn sound_end(subject: &Subject<'_>, start: u64) -> Step<u64> {
    let mut end = subject.size();
    for _ in 0..MOST {
        let Some(shorter) = without_last(subject, end)?.filter(|shorter| *shorter >= start) else { break };
        end = shorter;
    }
    Ok(end)
}

fn without_last(subject: &Subject<'_>, end: u64) -> Step<Option<u64>> {
    let back = |length: u64| end.checked_sub(length);
    if let Some(at) = back(128)
        && subject.bytes(at, 3)? == b"TAG"
    {
        // The extended form stands before the plain one.
        let extended = match at.checked_sub(227) {
            Some(before) => (subject.bytes(before, 4)? == b"TAG+").then_some(before),
            None => None,
        };
        return Ok(Some(extended.unwrap_or(at)));
    }
    if let Some(at) = back(32) {
        let footer = subject.bytes(at, 32)?;
        if footer.starts_with(b"APETAGEX") {
            let length = u64::from(le_u32(&footer, 12).unwrap_or_default());
            let header = le_u32(&footer, 20).unwrap_or_default() >> 31 == 1;
            return Ok(back(length.saturating_add(if header { 32 } else { 0 })));
        }
    }
    if let Some(at) = back(15) {
        let footer = subject.bytes(at, 15)?;
        if footer.ends_with(b"LYRICS200") {
            let digits = footer.get(..6).and_then(|digits| std::str::from_utf8(digits).ok()?.parse::<u64>().ok());
            return Ok(digits.and_then(|length| back(length.saturating_add(15))));
        }
        if footer.ends_with(b"LYRICSEND") {
            // The old form has no length, and at most 5,100 letters between its two words.
            let from = end.saturating_sub(5_200);
            let bytes = subject.up_to(from, 5_200)?;
            let found = bytes.windows(11).rposition(|window| window == b"LYRICSBEGIN");
            return Ok(found.map(|index| from.saturating_add(to_u64(index))));
        }
    }
    if let Some(at) = back(10) {
        let footer = subject.bytes(at, 10)?;
        if footer.starts_with(b"3DI") {
            let mut head = footer.clone();
            head.splice(..3, *b"ID3");
            return Ok(id3v2_length(&head).and_then(back));
        }
    }
    Ok(None)
}
