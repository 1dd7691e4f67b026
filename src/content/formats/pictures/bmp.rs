//! BMP (Microsoft, "Bitmap Storage", `BITMAPFILEHEADER`, `BITMAPINFOHEADER`, "Bitmap Compression"): a header, colours,
//! and rows of a fixed length, or runs that have to end with their end mark.

use crate::bytes::{le_u16, le_u32, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(in crate::content::formats) const FORMATS: &[Format] = &[Format { name: "BMP", endings: &["bmp"], opens, check }];

/// Where the second header begins.
const SECOND: u64 = 14;

fn opens(head: &[u8]) -> bool {
    // BITMAPFILEHEADER, and the sizes of second headers that Microsoft and IBM defined.
    head.starts_with(b"BM") && matches!(le_u32(head, 0x0e), Some(12 | 16 | 40 | 52 | 56 | 64 | 108 | 124))
}

/// What the second header says.
struct Header {
    width: u64,
    height: u64,
    bits: u64,
    packing: u32,
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 14] = subject.array(0)?;
    let start = u64::from(le_u32(&head, 10).unwrap_or(0));
    let [length] = [u32::from_le_bytes(subject.array(SECOND)?)];
    let second = subject.bytes(SECOND, usize::try_from(length).unwrap_or(0))?;
    let header = header(&second)?;
    if start < SECOND.saturating_add(length.into()) {
        return broken(10, "the rows would begin inside the header");
    }
    if start > subject.size() {
        return broken(subject.size(), "the file ends before its first row");
    }
    let said = u64::from(le_u32(&head, 2).unwrap_or(0));
    match header.packing {
        // Some programs write no size; a size that is too large means a file that was cut.
        0 | 3 | 6 => {
            let row = header.width.saturating_mul(header.bits).div_ceil(32).saturating_mul(4);
            if start.saturating_add(row.saturating_mul(header.height)) > subject.size() {
                return broken(subject.size(), "the file ends before its last row");
            }
        }
        1 | 2 if length > 12 => runs(subject, start, &header)?,
        _ => return unchecked("it is packed in a way that is not decoded"),
    }
    if said > subject.size() {
        return broken(subject.size(), "the file is shorter than it says");
    }
    Ok(Strength::Structure)
}

fn header(second: &[u8]) -> Step<Header> {
    let old = second.len() == 12;
    let (width, height, planes, bits) = if old {
        let short = |at| le_u16(second, at).map(i32::from);
        (short(4), short(6), le_u16(second, 8), le_u16(second, 10))
    } else {
        let long = |at| le_u32(second, at).map(u32::cast_signed);
        (long(4), long(8), le_u16(second, 12), le_u16(second, 14))
    };
    let (width, height, bits) = (width.unwrap_or(0), height.unwrap_or(0), bits.unwrap_or(0));
    let packing = if second.len() >= 20 { le_u32(second, 16).unwrap_or(0) } else { 0 };
    if width <= 0 || height == 0 || planes != Some(1) {
        return broken(SECOND, "a header that does not hold together");
    }
    // Embedded JPEG and PNG say 0.
    let embedded = bits == 0 && matches!(packing, 4 | 5);
    if !embedded && !matches!(bits, 1 | 2 | 4 | 8 | 16 | 24 | 32 | 64) {
        return broken(SECOND, "a header with an impossible kind of pixel");
    }
    if matches!((packing, bits), (1, 0..=7 | 9..) | (2, 0..=3 | 5..)) {
        return broken(SECOND, "runs of an impossible kind of pixel");
    }
    Ok(Header { width: width.unsigned_abs().into(), height: height.unsigned_abs().into(), bits: bits.into(), packing })
}

/// Runs of 8 or 4 bits ("Bitmap Compression"): pairs of bytes, up to the one that ends the picture.
fn runs(subject: &Subject<'_>, start: u64, header: &Header) -> Step<()> {
    let (mut at, mut column, mut row) = (start, 0_u64, 0_u64);
    loop {
        let pair: [u8; 2] = subject.array(at)?;
        let (count, value) = (u8_at(&pair, 0).unwrap_or(0), u8_at(&pair, 1).unwrap_or(0));
        let here = at;
        at = at.saturating_add(2);
        match (count, value) {
            (0, 1) => return Ok(()),
            (0, 0) => (column, row) = (0, row.saturating_add(1)),
            (0, 2) => {
                let step: [u8; 2] = subject.array(at)?;
                at = at.saturating_add(2);
                column = column.saturating_add(step[0].into());
                row = row.saturating_add(step[1].into());
            }
            (0, count) => {
                let bytes = u64::from(count).saturating_mul(header.bits).div_ceil(8);
                at = at.saturating_add(bytes).saturating_add(bytes % 2);
                column = column.saturating_add(count.into());
            }
            (count, _) => column = column.saturating_add(count.into()),
        }
        // A run may end in the half byte that fills a row up.
        if column > header.width.saturating_add(1) || row > header.height {
            return broken(here, "a run that leaves the picture");
        }
    }
}
