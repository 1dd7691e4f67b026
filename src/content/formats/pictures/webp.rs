//! WebP (RFC 9649, "WebP Image Format"; RFC 6386 for VP8): a chain of chunks that has to fill the file, and frames whose
//! headers and partitions fit into their chunks. The pixels are not decoded.

use std::ops::Range;

use super::trailing::only_padding;
use crate::bytes::{array, le_u16, le_u32, slice, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken};

pub(in crate::content::formats) const FORMATS: &[Format] = &[Format { name: "WebP", endings: &["webp"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.starts_with(b"RIFF") && slice(head, 8, 4) == Some(b"WEBP")
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 12] = subject.array(0)?;
    let end = u64::from(le_u32(&head, 4).unwrap_or(0)).saturating_add(8);
    if end > subject.size() {
        return broken(subject.size(), "the file is shorter than it says");
    }
    let mut seen = Seen::default();
    chunks(subject, 12..end, &mut seen, true)?;
    if seen.pictures == 0 {
        return broken(end, "it ends before its first picture");
    }
    only_padding(subject, end)?;
    Ok(Strength::Structure)
}

#[derive(Default)]
struct Seen {
    first: bool,
    /// Width and height by the long header.
    canvas: Option<(u32, u32)>,
    moving: bool,
    pictures: u32,
}

/// Walks the chunks of a range.
fn chunks(subject: &Subject<'_>, range: Range<u64>, seen: &mut Seen, outside: bool) -> Step<()> {
    let mut at = range.start;
    while at < range.end {
        let head: [u8; 8] = subject.array(at)?;
        let kind: [u8; 4] = array(&head, 0).unwrap_or_default();
        let length = u64::from(le_u32(&head, 4).unwrap_or(0));
        let data = at.saturating_add(8);
        let end = data.saturating_add(length);
        if end > range.end || !kind.iter().all(|byte| (0x20..0x7f).contains(byte)) {
            return broken(at, "no chunk where one has to be");
        }
        let first = !std::mem::replace(&mut seen.first, true);
        match &kind {
            b"VP8X" if first => {
                let bytes: [u8; 10] = subject.array(data)?;
                let side = |at: usize| bytes.get(at..).and_then(le_u24).map(|side| side.saturating_add(1));
                seen.canvas = side(4).zip(side(7));
                seen.moving = bytes[0] & 2 != 0;
            }
            b"VP8 " | b"VP8L" => {
                let size = if kind == *b"VP8 " { lossy(subject, data, length)? } else { lossless(subject, data)? };
                seen.pictures = seen.pictures.saturating_add(1);
                if outside && seen.canvas.is_some_and(|canvas| canvas != size) {
                    return broken(data, "a picture of another size than the header says");
                }
            }
            b"ANMF" if outside && seen.moving => {
                let before = seen.pictures;
                chunks(subject, data.saturating_add(16)..end, seen, false)?;
                if seen.pictures == before {
                    return broken(at, "a frame without a picture");
                }
            }
            _ if first => return broken(at, "the first chunk is no picture"),
            _ => {}
        }
        at = end.saturating_add(length % 2);
        // A last chunk of odd length is filled up, but not by every program.
        if at > range.end && end != range.end {
            return broken(range.end, "a chunk that is not filled up");
        }
    }
    Ok(())
}

fn le_u24(bytes: &[u8]) -> Option<u32> {
    let [one, two, three] = array(bytes, 0)?;
    Some(u32::from_le_bytes([one, two, three, 0]))
}

/// A VP8 key frame (RFC 6386, section 9.1 and 9.5): its size, with its partitions inside the chunk.
fn lossy(subject: &Subject<'_>, at: u64, length: u64) -> Step<(u32, u32)> {
    let head: [u8; 10] = subject.array(at)?;
    let tag = le_u24(&head).unwrap_or(0);
    let (width, height) = (le_u16(&head, 6).unwrap_or(0) & 0x3fff, le_u16(&head, 8).unwrap_or(0) & 0x3fff);
    if tag & 1 != 0 || slice(&head, 3, 3) != Some(&[0x9d, 0x01, 0x2a]) || width == 0 || height == 0 {
        return broken(at, "a picture that does not begin as one");
    }
    let first = u64::from(tag >> 5);
    if first.saturating_add(10) >= length {
        return broken(at, "a picture whose first part does not fit");
    }
    Ok((width.into(), height.into()))
}

/// The header of a lossless picture (RFC 9649, section 3.4): its size.
fn lossless(subject: &Subject<'_>, at: u64) -> Step<(u32, u32)> {
    let head: [u8; 5] = subject.array(at)?;
    let bits = le_u32(&head, 1).unwrap_or(0);
    if u8_at(&head, 0) != Some(0x2f) || bits >> 29 != 0 {
        return broken(at, "a picture that does not begin as one");
    }
    Ok(((bits & 0x3fff).saturating_add(1), (bits >> 14 & 0x3fff).saturating_add(1)))
}
