//! Archives besides ZIP: their headers, whose checksums most of them have. What is packed in them is not unpacked.

mod cabinet;
mod disc;
mod rar;
mod seven;
mod tar;

use super::Format;

/// The formats.
pub(super) const FORMATS: &[Format] = &[seven::FORMAT, rar::FORMAT, cabinet::FORMAT, disc::FORMAT, tar::FORMAT];

#[cfg(test)]
mod tests;
