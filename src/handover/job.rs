//! What is to be handed over, in the caller's words.

use std::path::PathBuf;
use std::sync::Arc;

use enumset::EnumSet;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::choice::Choices;
use super::details::JobDetails;
use super::digests::{Algorithm, words};
use super::record::Record;
use crate::catalog::{Catalog, NameId};
use crate::filesystem::{Filesystem, VolumeFacts};
use crate::image::Image;
use crate::sector_map::Basis;
use crate::volumes::Disk;

/// A handover to be made.
pub struct Job<'a> {
    /// The image.
    pub image: &'a Arc<dyn Image>,
    /// What the image is called: the file's name.
    pub image_name: String,
    /// What stood behind the word `whole`.
    pub map: MapNote,
    /// Whether the list of the drive's volumes is all there; if not, files may have stood on one that is not known.
    pub volumes_complete: bool,
    /// What is handed over, volume by volume. Where there are several, paths begin with `volume N/`.
    pub volumes: Vec<VolumeSelection<'a>>,
    /// What of that is taken, and on whose wish; nothing in here takes all that is selected.
    pub choices: Choices,
    /// Whose drive it is and who did the work.
    pub details: JobDetails,
    /// The drive that the volumes are on, for the picture of its damage in the report; none: no picture.
    pub disk: Option<&'a Disk>,
    /// The zone of times that a volume keeps without one, as memory cards do: for the dates of the copies.
    pub time_zone: TimeZone,
    /// How.
    pub options: Options,
    /// What the records say beside the files, and who signs them.
    pub record: Record,
}

/// Which map spoke for the image.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct MapNote {
    /// The file it came from, if any.
    pub file: Option<PathBuf>,
    /// On whose word it says `read`; `None` if there was no map.
    #[serde(serialize_with = "basis_word")]
    pub basis: Option<Basis>,
    /// Whether the user declared that what no log lists was read.
    pub asserted: bool,
    /// Why the map may be another image's, as sentences; empty if nothing speaks for that.
    pub doubts: Vec<String>,
    /// Whether the user accepted it in spite of the doubts.
    pub accepted: bool,
    /// SHA-256, in hexadecimal, of the map file or of the map in its own form; `None` if there was no map.
    pub sha256: Option<String>,
}

fn basis_word<S: serde::Serializer>(basis: &Option<Basis>, serializer: S) -> Result<S::Ok, S::Error> {
    basis.map(Basis::word).serialize(serializer)
}

/// What is handed over of one volume.
pub struct VolumeSelection<'a> {
    /// Its number on the image.
    pub number: u32,
    /// Its reader.
    pub filesystem: &'a dyn Filesystem,
    /// What its sweep brought.
    pub catalog: &'a Catalog,
    /// What the volume tells of itself, after the sweep.
    pub facts: &'a VolumeFacts,
    /// What of it; folders with all that is below them. Overlaps do no harm.
    pub selected: Vec<Selected>,
}

/// One thing selected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Selected {
    /// All of the volume.
    Root,
    /// What stands under this name.
    Name(NameId),
}

/// How a handover is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Options {
    /// Write alternate streams beside their files; else they are only counted.
    pub streams: bool,
    /// Hand over deleted files that stand in selected folders too. One that is selected itself always is.
    pub deleted: bool,
    /// Read each written file back and compare.
    pub read_back: bool,
    /// Have an independent program read every file again and compare.
    pub second_reader: bool,
    /// Check every file by the rules of its format.
    pub check: bool,
    /// Make sheets of small pictures beside the report (feature `report`).
    pub sheets: bool,
    /// Further kinds of digest beside SHA-256, from the same pass over the bytes.
    #[serde(serialize_with = "words")]
    pub also: EnumSet<Algorithm>,
}

impl Options {
    /// The kinds of digest that stand beside SHA-256.
    pub(crate) fn also(&self) -> EnumSet<Algorithm> {
        self.also - Algorithm::Sha256
    }
}

impl Default for Options {
    fn default() -> Self {
        Self {
            streams: false,
            deleted: false,
            read_back: true,
            second_reader: false,
            check: false,
            sheets: true,
            also: EnumSet::empty(),
        }
    }
}
