//! One reader per filesystem; each fills a catalog.
//!
//! Readers are sweeps, not path walks: they read the tables that describe files from front to back and build the tree
//! from what each file says of its folder, so that a folder whose own list lies in a hole still shows its files.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

pub(crate) mod anchor;
mod bitmap;
mod claims;
mod codepage;
pub mod exfat;
pub mod fat;
mod first_look;
mod gaps;
mod hole_use;
mod needs;
pub mod ntfs;
mod opening;

use std::collections::BTreeMap;
use std::ops::Range;

use serde::Serialize;

pub use anchor::{Evidence, Structure, Verdict};
pub use codepage::CodePage;
pub use gaps::{Damage, damage};
pub use hole_use::{HoleUse, Use, UseBytes};
pub use needs::{Chosen, Need, NeededStructure, Needs};
pub use opening::{Formats, open, open_as, open_without_head};

use crate::catalog::{Catalog, Extents, Findings, ObjectId, Timestamp};
use crate::error::Result;
use crate::progress::Progress;
use crate::source::Source;

/// A number of bytes that is not known for sure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ByteRange {
    /// At least so many.
    pub at_least: u64,
    /// At most so many.
    pub at_most: u64,
}

/// What a sweep looks for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct SweepOptions {
    /// Deleted files, too; never better than `doubtful`.
    pub deleted: bool,
    /// Hold folders' own lists against the records also where nothing is lost.
    pub cross_check: bool,
    /// In which code page short names are written, where they don't say it themselves (FAT).
    pub codepage: CodePage,
}

/// Facts about a volume.
#[derive(Debug, Clone, Default, Serialize)]
pub struct VolumeFacts {
    /// The filesystem, as in `NTFS`.
    pub filesystem: &'static str,
    /// Its version, as in `3.1`.
    pub version: Option<String>,
    /// The name that the user gave the volume.
    pub label: Option<String>,
    /// Its serial number or UUID.
    pub serial: Option<String>,
    /// The identifier that the volume was given beside it.
    pub guid: Option<String>,
    /// Bytes in a cluster.
    pub cluster_size: u64,
    /// Bytes in a logical sector, as the volume says.
    pub sector_size: u64,
    /// Bytes of the volume.
    pub total_bytes: u64,
    /// Whether the volume was not closed properly; `None` if nothing says.
    pub dirty: Option<bool>,
    /// Whether an operating system sleeps on it; `None` if nothing says.
    pub hibernated: Option<bool>,
    /// When it was formatted, in RFC 3339.
    pub created: Option<String>,
    /// Bytes in use by the volume's own bitmap; known after the sweep, `None` if the bitmap can't be had.
    pub used_bytes: Option<ByteRange>,
    /// Bytes in use that nothing found explains; a file of which not even the name is left, for one.
    pub unexplained_bytes: Option<ByteRange>,
}

impl VolumeFacts {
    /// Notes when the volume was formatted.
    pub(crate) fn set_created(&mut self, time: Option<Timestamp>) {
        self.created = time.and_then(Timestamp::rfc3339);
    }
}

/// What a sweep brings.
#[derive(Debug)]
pub struct Swept {
    /// The files and folders.
    pub catalog: Catalog,
    /// The volume; some facts stand in its own files.
    pub facts: VolumeFacts,
    /// For deleted files: ranges of them whose clusters a live object or the bitmap claims now, the first
    /// [`MOST_CLAIMED`] of each.
    pub claimed: BTreeMap<ObjectId, Vec<Range<u64>>>,
    /// What the bytes are for that the drive did not give.
    pub holes: HoleUse,
}

/// How many claimed ranges of a deleted file are kept.
pub const MOST_CLAIMED: usize = 1000;

/// A reader of one volume.
pub trait Filesystem: Send + Sync {
    /// The bytes of the volume.
    fn source(&self) -> &Source;

    /// What the first look showed: facts and findings before the sweep.
    fn facts(&self) -> &VolumeFacts;

    /// Findings of the first look.
    fn findings(&self) -> &Findings;

    /// Reads all that describes files, and makes the catalog.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read; [`crate::Error::Limit`] past a bound. Damage is
    /// no error: it is in the catalog.
    fn sweep(&self, options: SweepOptions, progress: &dyn Progress) -> Result<Swept>;

    /// Where the bytes of a file, stream or link lie, read again from its record.
    ///
    /// # Errors
    /// [`crate::Error::Unreadable`], [`crate::Error::Corrupt`] or [`crate::Error::Unsupported`] if nothing of it can
    /// be placed (its state is `unlocated` then); [`crate::Error::ImageIo`] when the image file can't be read.
    fn extents(&self, catalog: &Catalog, object: ObjectId) -> Result<Extents>;

    /// Where a link points, as stored: recorded and never followed. `None` if that can't be told.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    fn link_target(&self, catalog: &Catalog, object: ObjectId) -> Result<Option<String>>;

    /// Which metadata is not there that chosen files and folders depend on: once it is read, each of them is placed and
    /// each folder complete, as far as can be told now. What changes nothing for them is left out, and of two copies
    /// of one thing only the better one is asked for.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    fn needs(&self, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs>;
}
