//! What follows a picture in its file: nothing, zeros, more pictures, or what a maker of cameras is known to put there.
//!
//! CIPA DC-007 ("Multi-Picture Format") has further pictures behind the first, and an index of them in an APP2 segment.
//! Telephones put a short film behind a picture, in boxes as ISO/IEC 14496-12 has them, and one maker of telephones ends
//! its additions with the letters `SEFT` (both from memory; no source).

use super::{Picture, Tables, picture};
use crate::bytes::{array, be_u32, le_u32, slice};
use crate::content::formats::pictures::trailing::{not_zero, only_padding};
use crate::content::formats::{Step, Strength, Subject, broken};

/// Checks everything behind the first picture. A film there is walked and not decoded.
pub(super) fn check(subject: &Subject<'_>, first: &Picture) -> Step<Strength> {
    check_index(subject, first)?;
    let mut at = first.end;
    while let Some(start) = not_zero(subject, at)? {
        let head = subject.up_to(start, 8)?;
        if head.starts_with(&[0xff, 0xd8, 0xff]) {
            at = picture(subject, start, subject.size(), Tables::default())?.end;
            continue;
        }
        let ending: [u8; 4] = subject.array(subject.size().saturating_sub(4))?;
        if ending == *b"SEFT" {
            return Ok(Strength::Structure);
        }
        // The size of a box begins with zeros, which were passed.
        let film = start.checked_sub(3).filter(|film| *film >= first.end);
        for start in film.into_iter().chain([start]) {
            if slice(&subject.up_to(start, 8)?, 4, 4) == Some(b"ftyp") {
                boxes(subject, start)?;
                return Ok(Strength::Structure);
            }
        }
        only_padding(subject, start)?;
        return Ok(Strength::Decoded);
    }
    Ok(Strength::Decoded)
}

/// A film behind a picture: its boxes have to end where the file does.
fn boxes(subject: &Subject<'_>, mut at: u64) -> Step<()> {
    while at < subject.size() {
        let head = subject.up_to(at, 8)?;
        // Makers put words of their own behind the film.
        if !slice(&head, 4, 4).is_some_and(|name| name.iter().all(u8::is_ascii_lowercase)) {
            return only_padding(subject, at);
        }
        let size = match be_u32(&head, 0).unwrap_or(0) {
            0 => return Ok(()),
            1 => u64::from_be_bytes(subject.array(at.saturating_add(8))?),
            size => size.into(),
        };
        if size < 8 {
            return broken(at, "a part of the film behind the picture has no size");
        }
        at = at.saturating_add(size);
    }
    if at > subject.size() { broken(subject.size(), "the film behind the picture ends too early") } else { Ok(()) }
}

/// Checks that the pictures that an index names are there. Programs that change a picture leave the index as it was,
/// so it counts only if the size that it gives for the first picture is right.
fn check_index(subject: &Subject<'_>, first: &Picture) -> Step<()> {
    let Some((start, length)) = first.index else { return Ok(()) };
    let segment = subject.bytes(start, length)?;
    let Some(entries) = segment.get(4..).and_then(entries) else { return Ok(()) };
    let base = start.saturating_add(4);
    let place = |(size, offset): (u32, u32)| (base.saturating_add(offset.into()), u64::from(size));
    let mut entries = entries.into_iter();
    if entries.next().is_none_or(|(size, offset)| u64::from(size) != first.end || offset != 0) {
        return Ok(());
    }
    for (start, size) in entries.map(place) {
        if start.saturating_add(size) > subject.size() {
            return broken(subject.size(), "the file ends before a picture that its index names");
        }
        let opening: [u8; 2] = subject.array(start)?;
        if size > 0 && opening != [0xff, 0xd8] {
            return broken(start, "no picture where the index names one");
        }
    }
    Ok(())
}

/// Size and offset of each picture of an index (CIPA DC-007, 5.2: tag B002 of its first directory).
fn entries(index: &[u8]) -> Option<Vec<(u32, u32)>> {
    let little = index.starts_with(b"II");
    let long = |at: usize| if little { le_u32(index, at) } else { be_u32(index, at) };
    let short = |at: usize| array(index, at).map(if little { u16::from_le_bytes } else { u16::from_be_bytes });
    let directory = usize::try_from(long(4)?).ok()?;
    let count = usize::from(short(directory)?);
    for number in 0..count {
        let entry = directory.checked_add(2)?.checked_add(number.checked_mul(12)?)?;
        if short(entry)? != 0xb002 {
            continue;
        }
        let bytes = usize::try_from(long(entry.checked_add(4)?)?).ok()?;
        let start = usize::try_from(long(entry.checked_add(8)?)?).ok()?;
        let list = slice(index, start, bytes)?;
        let first = |at: usize| start.checked_add(at);
        let each = (0..list.len() / 16).map(|number| {
            let at = first(number.checked_mul(16)?)?;
            Some((long(at.checked_add(4)?)?, long(at.checked_add(8)?)?))
        });
        return each.collect();
    }
    None
}
