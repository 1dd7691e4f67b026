//! The second reader: independent implementations of the same filesystems read every file again, behind the fence, and
//! what they give is compared with what our own reader gave, by size and SHA-256.
//!
//! Two programs that share no code and agree on every byte are a far stronger statement than one. But such a reader has
//! limits of its own: those are named as such ([`Limit`]), and are neither agreement nor our fault. A file with gaps is
//! never asked about: nobody may agree with the zeros that stand for them.

#[cfg(feature = "second-reader")]
mod book;
#[cfg(feature = "second-reader")]
mod fat;
#[cfg(feature = "second-reader")]
mod ntfs;
mod outcome;
#[cfg(feature = "second-reader")]
mod questions;
mod report;

pub use outcome::{Difference, Limit, Outcome, Totals};
pub use report::{Differing, MOST_DIFFERING, Report};

use crate::catalog::{Catalog, Distrust, ObjectId};
use crate::error::Result;
use crate::filesystem::Filesystem;
use crate::progress::Progress;

/// What our own reader gave of a file or stream.
#[derive(Debug, Clone, Copy)]
pub struct Ours {
    /// Which.
    pub object: ObjectId,
    /// What was read; `None` if nothing was.
    pub read: Option<Read>,
}

/// What was read.
#[derive(Debug, Clone, Copy)]
pub struct Read {
    /// SHA-256 of the bytes.
    pub sha256: [u8; 32],
    /// How many there are.
    pub size: u64,
    /// Whether some of them only stand for what is not there.
    pub gaps: bool,
}

/// Has every file of a volume read again, and compares. The outcomes stand in the order of `files`.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn compare(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    files: &[Ours],
    progress: &dyn Progress,
) -> Result<Vec<Outcome>> {
    let total = files.iter().filter_map(|file| file.read).map(|read| read.size).fold(0, u64::saturating_add);
    progress.begin("asking the second reader", total, crate::progress::Unit::Bytes);
    let outcomes = files.iter().map(|file| not_asked(catalog, file).map(Outcome::NotCheckable)).collect();
    let outcomes = ask(filesystem, catalog, files, outcomes, progress)?;
    progress.end();
    Ok(outcomes.into_iter().map(|outcome| outcome.unwrap_or(Outcome::NotCheckable(Limit::NotRun))).collect())
}

/// Why there is nothing to be asked.
fn not_asked(catalog: &Catalog, file: &Ours) -> Option<Limit> {
    let facts = &catalog.object(file.object).facts;
    match file.read {
        _ if facts.encrypted => Some(Limit::Encrypted),
        None => Some(Limit::NothingRead),
        Some(read) if read.gaps => Some(Limit::Gaps),
        Some(_) if facts.distrust.contains(Distrust::Deleted) => Some(Limit::Deleted),
        Some(_) => None,
    }
}

#[cfg(not(feature = "second-reader"))]
fn ask(
    _: &dyn Filesystem,
    _: &Catalog,
    _: &[Ours],
    outcomes: Vec<Option<Outcome>>,
    _: &dyn Progress,
) -> Result<Vec<Option<Outcome>>> {
    let none = || Some(Outcome::NotCheckable(Limit::NotBuiltIn));
    Ok(outcomes.into_iter().map(|outcome| outcome.or_else(none)).collect())
}

#[cfg(feature = "second-reader")]
fn ask(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    files: &[Ours],
    outcomes: Vec<Option<Outcome>>,
    progress: &dyn Progress,
) -> Result<Vec<Option<Outcome>>> {
    let mut book = book::Book::new(filesystem, catalog, files, outcomes);
    match filesystem.facts().filesystem {
        "NTFS" => ntfs::ask(&mut book, progress)?,
        "FAT12" | "FAT16" | "FAT32" => fat::ask(&mut book, progress)?,
        _ => book.note_rest(Limit::NoSecondReader),
    }
    book.close()
}

#[cfg(test)]
mod tests;
