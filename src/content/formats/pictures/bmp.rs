//! BMP (Microsoft, "Bitmap Storage"): a header that knows the file's size, then rows of a fixed length.

use crate::bytes::{le_u16, le_u32};
use crate::content::formats::{Format, Step, Strength, Subject, broken};

pub(in crate::content::formats) const FORMATS: &[Format] =
    &[Format { name: "BMP", endings: &["bmp", "dib"], opens, check }];

fn opens(head: &[u8]) -> bool {
    // BITMAPFILEHEADER and a header size that Microsoft defined.
    head.starts_with(b"BM") && matches!(le_u32(head, 0x0e), Some(12 | 40 | 52 | 56 | 64 | 108 | 124))
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head = subject.bytes(0, 14)?;
    let (size, start) = (le_u32(&head, 2).unwrap_or_default(), le_u32(&head, 10).unwrap_or_default());
    if u64::from(size) > subject.size() {
        return broken(subject.size(), "the file ends before its last row");
    }
    if u64::from(start) > subject.size() || le_u16(&head, 6) != Some(0) {
        return broken(10, "the rows would begin after the file's end");
    }
    Ok(Strength::Structure)
}
