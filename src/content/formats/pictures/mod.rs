//! Pictures.

mod bmp;
mod gif;
mod jpeg;
mod lzw;
mod packbits;
mod png;
mod psd;
mod tiff;
mod trailing;
mod webp;

use super::{Format, Step, Subject};

/// The formats of this folder.
pub(super) const FORMATS: &[&[Format]] =
    &[jpeg::FORMATS, png::FORMATS, gif::FORMATS, webp::FORMATS, psd::FORMATS, bmp::FORMATS, tiff::FORMATS];

/// Decodes a JPEG picture that stands inside a file of another format, from `start` to before `end`.
pub(super) fn jpeg_inside(subject: &Subject<'_>, start: u64, end: u64) -> Step<()> {
    jpeg::picture(subject, start, end, jpeg::Tables::default()).map(|_| ())
}

#[cfg(test)]
mod tests;
