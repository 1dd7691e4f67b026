//! MIDI files (MIDI Manufacturers Association, "Standard MIDI Files 1.0"): chunks with a length, and in each track one
//! event behind the other up to its end.

use crate::bytes::{array, be_u16, be_u32, to_u64, to_usize, u8_at};
use crate::content::formats::{Format, MOST_AT_ONCE, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] = &[Format { name: "MIDI", endings: &["mid", "midi", "kar"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.starts_with(b"MThd\0\0\0")
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head = subject.bytes(0, 14)?;
    let tracks = be_u16(&head, 10).unwrap_or_default();
    let mut at = u64::from(be_u32(&head, 4).unwrap_or_default()).saturating_add(8);
    let mut found = 0_u16;
    while found < tracks {
        let head = subject.up_to(at, 8)?;
        let Some((kind, length)) = array::<4>(&head, 0).zip(be_u32(&head, 4)) else {
            return broken(subject.size(), format!("{found} of {tracks} tracks are there"));
        };
        let body = at.saturating_add(8);
        let end = body.saturating_add(u64::from(length));
        if !kind.is_ascii() || kind.contains(&0) {
            return broken(at, "a track does not begin where the one before it ends");
        }
        if end > subject.size() {
            return broken(subject.size(), "the file ends within a track");
        }
        // Chunks of other kinds are allowed, and skipped.
        if kind == *b"MTrk" {
            found = found.saturating_add(1);
            let Some(length) = to_usize(u64::from(length)).filter(|length| *length <= MOST_AT_ONCE) else {
                return unchecked("a track is too long to be looked at");
            };
            track(&subject.bytes(body, length)?, body)?;
        }
        at = end;
    }
    Ok(Strength::Structure)
}

/// A number in seven bits a byte, highest first, at most four bytes; moves past it.
fn number(bytes: &[u8], at: &mut usize) -> Option<usize> {
    let mut value = 0_usize;
    for _ in 0..4 {
        let byte = u8_at(bytes, *at)?;
        *at = at.checked_add(1)?;
        value = (value << 7) | usize::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// The events of one track.
fn track(bytes: &[u8], base: u64) -> Step<()> {
    let mut at = 0_usize;
    let mut running = None;
    while at < bytes.len() {
        let place = base.saturating_add(to_u64(at));
        match event(bytes, &mut at, &mut running) {
            Some(Event::End) => return Ok(()),
            Some(Event::Other) if at <= bytes.len() => {}
            _ => return broken(place, "an event of a track is damaged"),
        }
    }
    Ok(())
}

enum Event {
    Other,
    End,
}

fn event(bytes: &[u8], at: &mut usize, running: &mut Option<u8>) -> Option<Event> {
    number(bytes, at)?;
    let first = u8_at(bytes, *at)?;
    let status = if first & 0x80 != 0 {
        *at = at.checked_add(1)?;
        first
    } else {
        (*running)?
    };
    match status {
        0xff => {
            let kind = u8_at(bytes, *at)?;
            *at = at.checked_add(1)?;
            let length = number(bytes, at)?;
            *at = at.checked_add(length)?;
            if kind == 0x2f {
                return Some(Event::End);
            }
        }
        0xf0 | 0xf7 => {
            let length = number(bytes, at)?;
            *at = at.checked_add(length)?;
        }
        0x80..=0xef => {
            *running = Some(status);
            let length = if matches!(status >> 4, 0xc | 0xd) { 1 } else { 2 };
            let end = at.checked_add(length)?;
            if bytes.get(*at..end)?.iter().any(|byte| byte & 0x80 != 0) {
                return None;
            }
            *at = end;
        }
        _ => return None,
    }
    Some(Event::Other)
}
