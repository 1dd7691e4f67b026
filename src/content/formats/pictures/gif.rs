//! GIF (CompuServe, "Graphics Interchange Format", versions 87a and 89a): a chain of blocks up to its trailer, and in it
//! frames whose pixels are counted as they unpack.

use super::lzw::{Flavour, Lzw};
use super::trailing::only_padding;
use crate::bytes::{le_u16, to_u64, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(in crate::content::formats) const FORMATS: &[Format] = &[Format { name: "GIF", endings: &["gif"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.starts_with(b"GIF87a") || head.starts_with(b"GIF89a")
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 13] = subject.array(0)?;
    let mut at = 13_u64.saturating_add(colours(head[10]));
    let mut frames = 0_u32;
    loop {
        if at == subject.size() && frames > 0 {
            // Some programs of old leave the trailer out, and it shows nothing.
            return unchecked("its frames are sound, and its end mark is missing");
        }
        let [kind] = subject.array(at)?;
        at = at.saturating_add(1);
        at = match kind {
            0x3b => break,
            0x21 => blocks(subject, at.saturating_add(1), &mut |_, _| Ok(()))?,
            0x2c => {
                frames = frames.saturating_add(1);
                frame(subject, at)?
            }
            _ => return broken(at.saturating_sub(1), "no block where one has to begin"),
        };
    }
    if frames == 0 {
        return broken(at, "it ends before its first frame");
    }
    only_padding(subject, at)?;
    Ok(Strength::Decoded)
}

/// Bytes of a table of colours, by the field that says whether there is one.
fn colours(field: u8) -> u64 {
    if field & 0x80 != 0 { 3_u64 << u32::from(field & 7).saturating_add(1) } else { 0 }
}

/// Walks a chain of data blocks, and says what follows it.
fn blocks(subject: &Subject<'_>, mut at: u64, each: &mut dyn FnMut(u64, &[u8]) -> Step<()>) -> Step<u64> {
    loop {
        let [length] = subject.array(at)?;
        at = at.saturating_add(1);
        if length == 0 {
            return Ok(at);
        }
        let block = subject.bytes(at, length.into())?;
        each(at, &block)?;
        at = at.saturating_add(to_u64(block.len()));
    }
}

/// A frame (section 20 to 22).
fn frame(subject: &Subject<'_>, at: u64) -> Step<u64> {
    let head: [u8; 9] = subject.array(at)?;
    let (width, height) = (le_u16(&head, 4).unwrap_or(0), le_u16(&head, 6).unwrap_or(0));
    let start = at.saturating_add(9).saturating_add(colours(u8_at(&head, 8).unwrap_or(0)));
    let [bits] = subject.array(start)?;
    if !(1..=8).contains(&bits) {
        return broken(start, "a frame with an impossible size of codes");
    }
    let pixels = u64::from(width).saturating_mul(height.into());
    let mut lzw = Lzw::new(Flavour::Gif, bits.into());
    let end = blocks(subject, start.saturating_add(1), &mut |at, block| {
        if lzw.ended {
            return broken(at, "a frame that goes on behind its end");
        }
        match lzw.take(block, pixels) {
            Ok(()) => Ok(()),
            Err(_) => broken(at, "a frame whose pixels can't be unpacked"),
        }
    })?;
    if lzw.unpacked != pixels {
        return broken(end, "a frame with too few pixels");
    }
    Ok(end)
}
