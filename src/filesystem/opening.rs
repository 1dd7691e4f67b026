//! Which reader opens a volume: by a boot sector, by a copy of one, and by what else is left where all of those are lost.

use super::Filesystem;
use super::exfat::ExFat;
use super::fat::{self, Fat};
use super::ntfs::Ntfs;
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::source::Source;

/// Why nothing is called whole on a volume that may be left over from before another was made in its place.
const CONTESTED: &str = "another format shows itself here, too, and which of them was made last can't be told";

/// The same where the partition was meant for something else.
const TYPE_DIFFERS: &str = "only a backup of the boot sector shows it, and the partition's type says something else";

/// A volume that may have been opened by less than its first boot sector.
pub(super) trait Contestable: Filesystem {
    /// Whether what its files are placed by is proven.
    fn is_proven(&self) -> bool;

    /// Takes the good word from everything: another volume may have been made over this one.
    fn contest(&mut self, why: &'static str);

    /// Whether only the backup of the boot sector is left.
    fn is_by_backup(&self) -> bool {
        self.findings().count(FindingKind::BackupBootUsed) > 0
    }
}

/// Opens a volume with the reader that knows it by a boot sector, or by a copy of one; `None` if no reader does.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn open(source: &Source) -> Result<Option<Box<dyn Filesystem>>> {
    open_as(source, Formats::ALL)
}

/// The same in a partition whose type allows for `formats`: one of another format counts by its own boot sector, and is
/// doubted if only the backup of that is left.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn open_as(source: &Source, formats: Formats) -> Result<Option<Box<dyn Filesystem>>> {
    let ntfs = Ntfs::open(source)?;
    let by_backup = match ntfs {
        Some(volume) if !volume.is_by_backup() => return Ok(Some(Box::new(volume))),
        other => other,
    };
    // Their copies stand near the start, in sectors that formatting as NTFS writes over ($Boot): where one is left, an
    // NTFS backup at the volume's end is from before.
    if let Some(mut volume) = Fat::open(source)? {
        if volume.is_by_backup() && !formats.fat {
            volume.contest(TYPE_DIFFERS);
        }
        return Ok(Some(Box::new(volume)));
    }
    if let Some(mut volume) = ExFat::open(source)? {
        if volume.is_by_backup() && !formats.exfat {
            volume.contest(TYPE_DIFFERS);
        }
        // Its backup stands in sectors that making FAT32 does not write, so it may outlive its volume.
        if volume.is_by_backup() && fat::headless::shows(source, &volume.tables())? {
            volume.contest(CONTESTED);
        }
        return Ok(Some(Box::new(volume)));
    }
    let Some(mut volume) = by_backup else { return Ok(None) };
    if !formats.ntfs {
        volume.contest(TYPE_DIFFERS);
    }
    // If those copies are lost, too, or there are none (FAT12 and FAT16), which of the two was made last can't be told.
    if ExFat::open_headless(source)?.is_some() || fat::headless::shows(source, &[])? {
        volume.contest(CONTESTED);
    }
    Ok(Some(Box::new(volume)))
}

/// As what a volume may be opened whose first boot sector is lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Formats {
    /// NTFS.
    pub ntfs: bool,
    /// FAT12, FAT16 and FAT32.
    pub fat: bool,
    /// exFAT.
    pub exfat: bool,
}

impl Formats {
    /// Anything.
    pub const ALL: Self = Self { ntfs: true, fat: true, exfat: true };
    /// Nothing that is read.
    pub const NONE: Self = Self { ntfs: false, fat: false, exfat: false };
}

/// Opens a volume whose boot sectors are lost by what else describes its files; `None` if that shows none, or one of
/// another format than `formats` allow. To be asked when no reader and no signature knows what is there. Where several
/// formats show themselves, all but one are left over from before, and which one is not can't be told: the likeliest is
/// opened, and nothing in it is called whole.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn open_without_head(source: &Source, formats: Formats) -> Result<Option<Box<dyn Filesystem>>> {
    let mut found: Vec<(bool, Box<dyn Contestable>)> = Vec::new();
    if let Some(volume) = ExFat::open_headless(source)? {
        found.push((formats.exfat, Box::new(volume)));
    }
    if let Some(volume) = Fat::open_headless(source)? {
        found.push((formats.fat, Box::new(volume)));
    }
    if let Some(volume) = Ntfs::open_without_head(source)? {
        found.push((formats.ntfs, Box::new(volume)));
    }
    // The proven ones first; the sort keeps the order of equals.
    found.sort_by_key(|(_, volume)| !volume.is_proven());
    if found.len() > 1 {
        for (_, volume) in &mut found {
            volume.contest(CONTESTED);
        }
    }
    let best = found.into_iter().find(|(allowed, _)| *allowed);
    Ok(best.map(|(_, volume)| -> Box<dyn Filesystem> { volume }))
}
