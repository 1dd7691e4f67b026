//! What one boot sector claims of its volume, and whether the volume's structures stand where it says: what a search
//! for volumes asks of every boot sector that it meets. The readers know the formats; each has an `anchor` of its own.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::{exfat, fat, ntfs};
use crate::error::Result;
use crate::source::Source;

/// The filesystems that have a reader.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Format {
    Ntfs,
    Fat12,
    Fat16,
    Fat32,
    ExFat,
}

/// A structure that shows a volume.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Structure {
    /// The boot sector or superblock at the volume's start.
    FirstCopy,
    /// A copy of it elsewhere.
    BackupCopy,
    /// NTFS: $MFT's own record, where the boot sector says, and it says the same place.
    FileTable,
    /// NTFS: its mirror.
    FileTableMirror,
    /// FAT and exFAT: the allocation table's first entries.
    AllocationTable,
    /// The root folder's list.
    RootFolder,
    /// The bitmap of clusters or blocks in use.
    AllocationBitmap,
    /// A checksum over the copy, or over the region that it stands in.
    Checksum,
    /// Another structure of the format, at the place that the copy names.
    Neighbour,
    /// The place on the drive that the volume states of itself is where it was found.
    StatedPlace,
}

impl Structure {
    /// What it is, for tables.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::FirstCopy => "first copy",
            Self::BackupCopy => "backup copy",
            Self::FileTable => "file table",
            Self::FileTableMirror => "mirror of the file table",
            Self::AllocationTable => "allocation table",
            Self::RootFolder => "root folder",
            Self::AllocationBitmap => "bitmap",
            Self::Checksum => "checksum",
            Self::Neighbour => "further structures",
            Self::StatedPlace => "its own word for its place",
        }
    }
}

/// What was seen where a structure should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It stands there.
    Stands,
    /// The place was read, and it does not.
    Absent,
    /// The place, or a part of it, was not read.
    Unread,
}

/// One piece of evidence for or against a volume.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Evidence {
    /// The structure.
    pub structure: Structure,
    /// Absolute byte offset in the image at which it stands, or should.
    pub offset: u64,
    /// What was seen there.
    pub verdict: Verdict,
}

/// What one boot sector claims, whichever copy it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Anchor {
    pub(crate) format: Format,
    /// Bytes of the volume's partition, the backup behind the last cluster included.
    pub(crate) length: u64,
    /// The byte of the volume at which a copy of the sector stands.
    pub(crate) backup: Option<u64>,
    /// How many bytes of the drive lie before the volume, where it says so.
    pub(crate) before: Option<u64>,
}

/// Reads a sector as a boot sector; `None` if it is none that a reader would take.
pub(crate) fn anchor(sector: &[u8]) -> Option<Anchor> {
    ntfs::anchor::anchor(sector).or_else(|| exfat::anchor::anchor(sector)).or_else(|| fat::anchor::anchor(sector))
}

/// Which FAT's allocation table a sector opens, by itself.
pub(crate) fn opens_fat(sector: &[u8]) -> Option<Format> {
    fat::anchor::opens_some_table(sector)
}

/// Whether the structures stand in `volume` where its boot sector says. A place outside the image says nothing.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub(crate) fn evidence(sector: &[u8], format: Format, volume: &Source) -> Result<Vec<Evidence>> {
    let mut all = Vec::new();
    match format {
        Format::Ntfs => ntfs::anchor::evidence(sector, volume, &mut all)?,
        Format::ExFat => exfat::anchor::evidence(sector, volume, &mut all)?,
        Format::Fat12 | Format::Fat16 | Format::Fat32 => fat::anchor::evidence(sector, volume, &mut all)?,
    }
    Ok(all)
}

/// The volumes, in bytes of `window`, that begin behind its start by a boot sector or a backup of one at `offset` and
/// whose allocation table stands where that says. What lies in them is no other volume's.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub(super) fn later_volumes(window: &Source, offset: u64, sector: &[u8]) -> Result<Vec<Range<u64>>> {
    let Some(anchor) = anchor(sector).filter(|anchor| anchor.format != Format::Ntfs) else { return Ok(Vec::new()) };
    let mut volumes = Vec::new();
    for back in [Some(0), anchor.backup].into_iter().flatten() {
        let Some(start) = offset.checked_sub(back).filter(|start| *start > 0) else { continue };
        let stands = evidence(sector, anchor.format, &window.window(start, anchor.length))?;
        let is_table = |one: &Evidence| one.structure == Structure::AllocationTable && one.verdict == Verdict::Stands;
        if stands.iter().any(is_table) {
            volumes.push(start..start.saturating_add(anchor.length));
        }
    }
    Ok(volumes)
}

/// Reads `length` bytes of a volume and lets `check` say whether they are the structure; `check` may abstain.
pub(super) fn look(
    volume: &Source,
    structure: Structure,
    offset: u64,
    length: usize,
    check: impl FnOnce(&[u8]) -> Option<bool>,
    all: &mut Vec<Evidence>,
) -> Result<()> {
    let verdict = match volume.read_real(offset, length)? {
        None => Some(Verdict::Unread),
        Some((bytes, _)) => check(&bytes).map(|stands| if stands { Verdict::Stands } else { Verdict::Absent }),
    };
    all.extend(verdict.map(|verdict| Evidence { structure, offset: volume.image_offset(offset), verdict }));
    Ok(())
}
