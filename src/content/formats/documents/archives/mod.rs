//! Archives besides ZIP: their headers, whose checksums most of them have. What is packed in them is not unpacked.

mod cabinet;
mod disc;
mod rar;
mod seven;
mod tar;

use super::Format;

/// The formats.
pub(super) const FORMATS: &[Format] = &[seven::FORMAT, rar::FORMAT, cabinet::FORMAT, disc::FORMAT, tar::FORMAT];

/// Whether a cabinet by its ending is another kind of archive.
pub(super) fn is_no_cabinet(named: &Format, head: &[u8]) -> bool {
    named.name == cabinet::FORMAT.name && cabinet::is_another(head)
}

#[cfg(test)]
mod tests;
