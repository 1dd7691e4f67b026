//! Pictures.

mod bmp;

use super::Format;

/// The formats of this folder.
pub(super) const FORMATS: &[&[Format]] = &[bmp::FORMATS];
