//! PSD and PSB (Adobe, "Photoshop File Formats Specification"): four parts with their lengths, and the flattened picture
//! as the last, whose rows have to fill the file exactly.

use super::packbits;
use crate::bytes::{be_u16, be_u32, to_u64};
use crate::content::formats::{Format, Step, Strength, Subject, broken};

pub(in crate::content::formats) const FORMATS: &[Format] =
    &[Format { name: "PSD", endings: &["psd", "psb"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.starts_with(b"8BPS") && matches!(be_u16(head, 4), Some(1 | 2))
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 26] = subject.array(0)?;
    let large = be_u16(&head, 4) == Some(2);
    let (channels, depth) = (be_u16(&head, 12).unwrap_or(0), be_u16(&head, 22).unwrap_or(0));
    let (height, width) = (be_u32(&head, 14).unwrap_or(0), be_u32(&head, 18).unwrap_or(0));
    let sides = 1..=300_000;
    let sound = (1..=56).contains(&channels) && sides.contains(&height) && sides.contains(&width);
    if !sound || !matches!(depth, 1 | 8 | 16 | 32) {
        return broken(12, "a header that does not hold together");
    }
    let colours = part(subject, 26, false)?;
    let resources = part(subject, colours, false)?;
    self::resources(subject, colours.saturating_add(4), resources)?;
    let layers = part(subject, resources, large)?;
    let packing = u16::from_be_bytes(subject.array(layers)?);
    let start = layers.saturating_add(2);
    let rows = u64::from(height).saturating_mul(channels.into());
    let row = u64::from(width).saturating_mul(depth.into()).div_ceil(8);
    let end = match packing {
        0 => start.saturating_add(rows.saturating_mul(row)),
        1 => packed(subject, start, rows, row, large)?,
        // Packed as ZIP does it, which has no length of its own.
        2 | 3 => subject.size(),
        _ => return broken(layers, "a picture that is packed in an unknown way"),
    };
    if end > subject.size() {
        return broken(subject.size(), "the file ends before its last row");
    }
    super::trailing::only_padding(subject, end)?;
    Ok(Strength::Structure)
}

/// The end of a part that begins with its length.
fn part(subject: &Subject<'_>, at: u64, large: bool) -> Step<u64> {
    let end = if large {
        u64::from_be_bytes(subject.array(at)?).saturating_add(8)
    } else {
        u64::from(u32::from_be_bytes(subject.array(at)?)).saturating_add(4)
    };
    let end = at.saturating_add(end);
    if end > subject.size() { broken(subject.size(), "the file ends inside one of its parts") } else { Ok(end) }
}

/// The resources: each has its mark, a number, a name and its length, and is filled up to even.
fn resources(subject: &Subject<'_>, mut at: u64, end: u64) -> Step<()> {
    while at < end {
        let head: [u8; 7] = subject.array(at)?;
        // Marks of other programs exist; they are letters and digits, too.
        if !head.iter().take(4).all(u8::is_ascii_alphanumeric) {
            return broken(at, "no resource where one has to be");
        }
        let name = u64::from(head[6]).saturating_add(1);
        let size = at.saturating_add(6).saturating_add(name).saturating_add(name % 2);
        let length = u64::from(u32::from_be_bytes(subject.array(size)?));
        at = size.saturating_add(4).saturating_add(length).saturating_add(length % 2);
    }
    if at > end.saturating_add(1) { broken(end, "a resource that does not fit") } else { Ok(()) }
}

/// Rows in PackBits behind a table of their lengths.
fn packed(subject: &Subject<'_>, start: u64, rows: u64, row: u64, large: bool) -> Step<u64> {
    let width = if large { 4 } else { 2 };
    let mut at = start.saturating_add(rows.saturating_mul(width));
    if at > subject.size() {
        return broken(subject.size(), "the file ends before its first row");
    }
    for number in 0..rows {
        let entry = start.saturating_add(number.saturating_mul(width));
        let length = if large {
            usize::try_from(u32::from_be_bytes(subject.array(entry)?)).unwrap_or(usize::MAX)
        } else {
            u16::from_be_bytes(subject.array(entry)?).into()
        };
        let bytes = subject.bytes(at, length)?;
        if packbits::unpacked(&bytes) != Some(row) {
            return broken(at, "a row of a wrong length");
        }
        at = at.saturating_add(to_u64(length));
    }
    Ok(at)
}
