//! What is in each place: the table's partitions, or one filesystem that fills the image, as numbered volumes.
//!
//! Where the table is gone or lies, [`search`] finds volumes by themselves, and they are numbered after the table's.
//!
//! A volume is either readable, or recognised with one plain sentence and what to ask the customer for, or unknown
//! with the reason. Volumes have the numbers of their partitions; a filesystem in the whole image is volume 1.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

pub mod address;
mod found;
mod kind;
mod probe;
mod recognise;
mod role;
pub mod search;
mod signatures;

use std::fmt;
use std::sync::Arc;

pub use kind::{Class, Kind};
pub use recognise::{Recognised, Unknown};
pub use role::Role;
use serde::Serialize;

use crate::catalog::FindingKind;
use crate::error::Result;
use crate::filesystem::{self, Filesystem, Formats};
use crate::partition::{self, Partition, Purpose, Scheme, Table, TypeCode};
use crate::source::Source;
use probe::Probe;

/// A whole-image filesystem that is known only by its backup boot sector must fill the image up to this many bytes:
/// otherwise it is the last partition of a drive whose table is lost.
const WHOLE_IMAGE_SLACK: u64 = 64 << 10;

/// What a volume holds.
pub enum Content {
    /// A filesystem that is read.
    Readable(Box<dyn Filesystem>),
    /// Something that is known, and not read.
    Recognised(Recognised),
    /// Nothing that is known, and why.
    Unknown(Unknown),
}

impl Content {
    /// What it is, as a noun with its article, for tables and messages.
    #[must_use]
    pub fn what(&self) -> &'static str {
        match self {
            Self::Readable(filesystem) => filesystem.facts().filesystem,
            Self::Recognised(recognised) => recognised.what,
            Self::Unknown(Unknown::ByDesign) => "no filesystem by design",
            Self::Unknown(Unknown::PastEnd) => "a place after the image's end",
            Self::Unknown(Unknown::FirstSectorsUnread | Unknown::PartlyUnread) => {
                "a volume whose first sectors were not read"
            }
            Self::Unknown(Unknown::Blank) => "a blank volume",
            Self::Unknown(Unknown::NoSignature) => "a volume that is not recognised",
        }
    }
}

impl fmt::Debug for Content {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Readable(filesystem) => f.debug_tuple("Readable").field(filesystem.facts()).finish(),
            Self::Recognised(recognised) => f.debug_tuple("Recognised").field(&recognised.kind).finish(),
            Self::Unknown(why) => f.debug_tuple("Unknown").field(why).finish(),
        }
    }
}

/// On whose word a volume lies where it does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// The partition table names it.
    Table,
    /// A filesystem fills the image.
    WholeImage,
    /// No table names it: a search found it by itself.
    Found,
    /// The caller named the place, and a volume begins there by its own word.
    Asked,
}

/// One volume.
#[derive(Debug)]
pub struct Volume {
    /// Its partition's number; 1 for a filesystem that fills the image; found volumes have the numbers after those.
    pub number: u32,
    /// What it is for.
    pub role: Role,
    /// The table's entry; `None` for a filesystem that fills the image, and for found ones.
    pub partition: Option<Partition>,
    /// On whose word it lies there.
    pub origin: Origin,
    /// First byte, relative to the image.
    pub start: u64,
    /// Length in bytes; it may reach past the image's end.
    pub length: u64,
    /// What it holds.
    pub content: Content,
}

impl Volume {
    /// The filesystem, if it is read.
    #[must_use]
    pub fn filesystem(&self) -> Option<&dyn Filesystem> {
        match &self.content {
            Content::Readable(filesystem) => Some(filesystem.as_ref()),
            Content::Recognised(_) | Content::Unknown(_) => None,
        }
    }
}

/// How to open an image.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// The drive's logical sector size in bytes, where the caller knows better than the image.
    pub sector_size: Option<u64>,
    /// What a search of this image found, under this map.
    pub found: Option<Arc<search::Found>>,
}

/// What a search found, beside the table.
#[derive(Debug, Clone, Serialize)]
pub struct Search {
    /// All places, in the order of the image.
    pub places: Vec<search::Located>,
    /// Bytes that were looked at.
    pub bytes_read: u64,
    /// Bytes in which a volume's head may stand unseen.
    pub bytes_not_read: u64,
    /// How many places and lookalikes were left out.
    pub left_out: u64,
}

/// A drive's image, opened.
#[derive(Debug)]
pub struct Disk {
    /// The image, its holes grown to the drive's sectors.
    pub source: Source,
    /// The partition table.
    pub table: Table,
    /// By number.
    pub volumes: Vec<Volume>,
    /// Whether no volume can be missing.
    pub complete: bool,
    /// What a search found; `None` if nobody searched.
    pub search: Option<Search>,
}

impl Disk {
    /// The volume with this number.
    #[must_use]
    pub fn volume(&self, number: u32) -> Option<&Volume> {
        self.volumes.iter().find(|volume| volume.number == number)
    }

    /// What [`address::choose`] needs to know of the volumes.
    #[must_use]
    pub fn candidates(&self) -> Vec<address::Candidate> {
        self.volumes
            .iter()
            .map(|volume| address::Candidate {
                number: volume.number,
                role: volume.role,
                readable: volume.filesystem().is_some(),
                what: volume.content.what(),
            })
            .collect()
    }
}

/// Reads the partition table and takes a first look at every volume.
///
/// # Errors
/// [`crate::Error::Usage`] for a sector size that drives don't have; [`crate::Error::ImageIo`] when the image file
/// can't be read.
pub fn open(source: &Source, options: Options) -> Result<Disk> {
    let table = partition::read(source, options.sector_size)?;
    let source = source.with_sector_size(table.sector_size);
    let mut volumes = Vec::new();
    for partition in &table.partitions {
        if matches!(partition.code.purpose(), Purpose::Extended | Purpose::Protective) {
            continue;
        }
        let mut window = source.window(partition.start, partition.length);
        if !table.is_vouched_for(partition, &source) {
            window = window.unvouched();
        }
        let content = if partition.start >= source.length() {
            Content::Unknown(Unknown::PastEnd)
        } else {
            look(&window, Some(partition.code))?
        };
        volumes.push(Volume {
            number: partition.number,
            role: role::by_type(Some(partition)),
            partition: Some(partition.clone()),
            origin: Origin::Table,
            start: partition.start,
            length: partition.length,
            content,
        });
    }
    let mut complete = table.complete;
    if table.partitions.is_empty()
        && table.scheme != Scheme::Gpt
        && let Some(content) = whole_image(&source)?
    {
        // A filesystem that opens the image leaves no room for a table; one without its head does not open it.
        let opens = !matches!(&content, Content::Readable(filesystem) if is_rebuilt(filesystem.as_ref()));
        complete |= opens
            && table.scheme == Scheme::None
            && source.reality(0, table.sector_size.min(source.length())).is_all_there();
        volumes.push(Volume {
            number: 1,
            role: Role::Main,
            partition: None,
            origin: Origin::WholeImage,
            start: 0,
            length: source.length(),
            content,
        });
    }
    let search = match &options.found {
        Some(found) => {
            let places = found::add(&source, &table, found, &mut volumes)?;
            let too_many = |one: &search::Located| matches!(one.standing, search::Standing::LeftOut);
            // A table that names nothing proves nothing; what was looked at in full has no other volume with a head.
            let named = table.complete && !table.partitions.is_empty();
            let whole_image = complete && volumes.iter().any(|one| one.origin == Origin::WholeImage);
            complete = (named || whole_image || found.is_complete()) && !places.iter().any(too_many);
            Some(Search {
                places,
                bytes_read: found.bytes_read,
                bytes_not_read: found.bytes_not_read,
                left_out: found.left_out,
            })
        }
        None => None,
    };
    role::find_windows_start(&mut volumes);
    Ok(Disk { source, table, volumes, complete, search })
}

/// What a volume holds. A reader that knows its volume by a backup copy goes before leftovers of other formats, and
/// after everything that stands at the volume's start. Without a partition's `code` it is the whole drive, whose end
/// belongs to its last partition.
fn look(window: &Source, code: Option<TypeCode>) -> Result<Content> {
    if let Some(kind) = recognise::by_type(code) {
        return Ok(Content::Recognised(kind.into()));
    }
    let probe = Probe::read(window)?;
    let opening = recognise::by_opening(&probe);
    if opening.is_none_or(is_read)
        && let Some(filesystem) = filesystem::open_as(window, formats(code))?
    {
        return Ok(Content::Readable(filesystem));
    }
    let by_design = role_is_reserved(code);
    let ending = || code.and_then(|_| recognise::by_ending(&probe));
    let kind = opening.or_else(|| recognise::by_copies(&probe)).or_else(ending);
    // Nothing else may be here: old file records outlive the volume that they were made for.
    if kind.is_none_or(is_read)
        && formats(code) != Formats::NONE
        && let Some(filesystem) = filesystem::open_without_head(window, formats(code))?
    {
        return Ok(Content::Readable(filesystem));
    }
    Ok(match kind {
        Some(kind) => Content::Recognised(kind.into()),
        None => Content::Unknown(recognise::why_unknown(&probe, window.length_in_image(), by_design)),
    })
}

/// Whether there is a reader for volumes of a kind.
fn is_read(kind: Kind) -> bool {
    matches!(kind, Kind::Ntfs | Kind::Fat12 | Kind::Fat16 | Kind::Fat32 | Kind::ExFat)
}

/// What a partition of this type may hold: its type says so, or leaves it open.
fn formats(code: Option<TypeCode>) -> Formats {
    let Some(code) = code else { return Formats::ALL };
    let Some(name) = code.name() else { return Formats::ALL };
    let anything = name == "Windows data";
    Formats {
        ntfs: anything || name.contains("NTFS") || code.purpose() == Purpose::Recovery,
        exfat: anything || name.contains("exFAT"),
        // `exFAT` holds `FAT`, too: a stick's type is not changed by formatting it as the other.
        fat: anything || name.contains("FAT") || matches!(code.purpose(), Purpose::Start | Purpose::Recovery),
    }
}

fn role_is_reserved(code: Option<TypeCode>) -> bool {
    code.is_some_and(|code| code.purpose() == Purpose::Reserved)
}

/// Whether a volume was found without any of its boot sectors.
fn is_rebuilt(filesystem: &dyn Filesystem) -> bool {
    filesystem.findings().count(FindingKind::HeadRebuilt) > 0
}

/// A filesystem that fills the image; `None` if nothing shows one.
fn whole_image(source: &Source) -> Result<Option<Content>> {
    Ok(match look(source, None)? {
        Content::Readable(filesystem) => {
            let probe = Probe::read(source)?;
            // FAT32's backup and exFAT's stand near the volume's start.
            let opens = recognise::by_opening(&probe).or_else(|| recognise::by_copies(&probe)).is_some();
            let said = filesystem.facts().total_bytes;
            is_whole_image(opens, said, source.length()).then_some(Content::Readable(filesystem))
        }
        Content::Recognised(recognised) => Some(Content::Recognised(recognised)),
        Content::Unknown(_) => None,
    })
}

/// Whether a volume of `said` bytes, whose boot sector `opens` the image or was read only as a backup at its end, is the
/// whole image and not its last partition.
fn is_whole_image(opens: bool, said: u64, image: u64) -> bool {
    opens || said.saturating_add(WHOLE_IMAGE_SLACK) >= image
}

#[cfg(test)]
mod tests;
