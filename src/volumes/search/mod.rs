//! Searching for volumes where the partition table is gone, blank or lies.
//!
//! [`search`] walks the image once and notes every sector that may be the head of a volume, or a copy of one. Each is
//! then held against the volume's own structures: does the file table, the allocation table or the root folder stand
//! where it says? Volumes that have lost every copy of their boot sector are found by what else is left: NTFS by its file
//! records, FAT and exFAT by their tables and folders. First and backup copies that say the same are one [`Candidate`].
//! Which of them become numbered volumes, and whose files may be trusted, is decided when the image is opened
//! ([`Standing`]), beside the table.

mod arrange;
mod candidate;
mod checksums;
mod doubted;
mod headless;
mod merge;
mod pass;
mod saved;
mod superblocks;

pub use arrange::{Located, Standing};
pub use candidate::{Candidate, Found, Place, Proof};
pub use saved::{Misfit, Saved};

pub(super) use arrange::{Neighbour, arrange};
pub(super) use doubted::{Doubts, doubted};

use crate::error::Result;
use crate::progress::Progress;
use crate::source::Source;

/// Walks the whole image for volumes. Nothing of the partition table is asked.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn search(source: &Source, progress: &dyn Progress) -> Result<Found> {
    let pass = pass::walk(source, progress)?;
    merge::merge(source, pass)
}

#[cfg(test)]
mod tests;
