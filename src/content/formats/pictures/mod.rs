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

use super::Format;

/// The formats of this folder.
pub(super) const FORMATS: &[&[Format]] =
    &[jpeg::FORMATS, png::FORMATS, gif::FORMATS, webp::FORMATS, psd::FORMATS, bmp::FORMATS, tiff::FORMATS];

#[cfg(test)]
mod tests;
