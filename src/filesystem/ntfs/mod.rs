//! NTFS: a sweeping reader of our own.
//!
//! The file table ($MFT) is read from front to back; every record says in which folder its file stands, so the tree
//! comes out even where a folder's own index lies in a hole. `structures` has what is on disk, with its sources.

pub(super) mod anchor;
mod attributes;
mod extents;
mod file;
pub mod headless;
mod index;
mod index_structures;
mod list;
mod lost;
mod mirror;
mod needs;
mod object;
mod own_stream;
mod record;
mod reparse;
mod runs;
mod sleep;
mod structures;
mod sweep;
mod table;
mod tree;
mod units;
mod volume;

use super::opening::Contestable;
use super::{Chosen, Filesystem, Needs, SweepOptions, Swept, VolumeFacts};
use crate::catalog::{Catalog, Distrust, Extents, FindingKind, Findings, Object, ObjectId, ObjectKind, Unlocated};
use crate::error::{Error, Result};
use crate::progress::Progress;
use crate::source::Source;

/// An NTFS volume.
#[derive(Debug)]
pub struct Ntfs {
    source: Source,
    boot: structures::BootSector,
    table: table::Table,
    facts: VolumeFacts,
    findings: Findings,
}

impl Ntfs {
    /// Opens `source` as an NTFS volume by its boot sector or the backup of it; `None` if neither is one.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub fn open(source: &Source) -> Result<Option<Self>> {
        volume::open(source)
    }

    /// Opens a volume whose boot sectors are both lost, by its records, if it begins with `source`. A small volume is
    /// looked through; of a large one only the usual places are, and then nothing in it is called whole.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub fn open_without_head(source: &Source) -> Result<Option<Self>> {
        headless::open(source)
    }

    /// Opens the volume that begins with `window` by a layout that was found before. What the layout says is held
    /// against what lies there; `None` if it isn't this volume's.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub fn open_at(window: &Source, geometry: &headless::Geometry) -> Result<Option<Self>> {
        headless::open_at(window, geometry)
    }

    fn parts(&self) -> file::Parts<'_> {
        file::Parts { volume: &self.source, boot: &self.boot, table: &self.table }
    }

    /// What the records of an object's file say now.
    fn file(&self, object: &Object) -> Result<file::File> {
        let number = object.locator;
        let offset = self.table.image_offset(&self.source, number).unwrap_or(self.source.image_offset(0));
        match self.table.read(&self.source, number)? {
            Ok(record) if object.facts.distrust.contains(Distrust::Deleted) => {
                Ok(file::File::load_deleted(self.parts(), &record, &mut Findings::default()))
            }
            Ok(record) => {
                let mut budget = file::ExtensionBudget::for_table(&self.table);
                let mut findings = Findings::default();
                file::File::load(self.parts(), &record, &mut budget, &mut findings)
            }
            Err(record::NoRecord::Unread) => {
                Err(Error::Unreadable { offset, structure: "file record", number: Some(number) })
            }
            Err(record::NoRecord::Blank | record::NoRecord::Damaged) => Err(Error::Corrupt {
                offset,
                structure: "file record",
                number: Some(number),
                expected: "`FILE` and its fixups".to_string(),
                found: "something else".to_string(),
            }),
        }
    }
}

impl Contestable for Ntfs {
    fn is_proven(&self) -> bool {
        self.table.doubt == table::Doubt::Nothing
    }

    fn contest(&mut self, why: &'static str) {
        self.table.doubt = table::Doubt::Layout;
        self.findings.add(FindingKind::GeometryDoubtful, Some(self.source.image_offset(0)), None, || why);
    }
}

impl Filesystem for Ntfs {
    fn source(&self) -> &Source {
        &self.source
    }

    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn findings(&self) -> &Findings {
        &self.findings
    }

    fn sweep(&self, options: SweepOptions, progress: &dyn Progress) -> Result<Swept> {
        sweep::sweep(self, options, progress)
    }

    fn extents(&self, catalog: &Catalog, object: ObjectId) -> Result<Extents> {
        let entry = catalog.object(object);
        let number = entry.locator;
        let offset = self.table.image_offset(&self.source, number).unwrap_or(self.source.image_offset(0));
        if entry.facts.unlocated.is_some() {
            return Err(Error::Unreadable { offset, structure: "content of file record", number: Some(number) });
        }
        let lost = |_| Error::Unreadable { offset, structure: "content of file record", number: Some(number) };
        match entry.kind {
            ObjectKind::File => {
                let file = self.file(entry)?;
                object::main_content(&self.boot, &file).map(|placed| placed.extents).map_err(lost)
            }
            ObjectKind::Stream => {
                let file = self.file(entry)?;
                let name = catalog.names_of(object).next().map(|name| catalog.name(name).units()).unwrap_or_default();
                let stream = file.streams.get(&name).ok_or(Unlocated::DescriptionLost).map_err(lost)?;
                let placed = extents::place(&self.boot, stream, extents::Absent::Zeros).map_err(lost)?;
                Ok(placed.extents)
            }
            ObjectKind::Folder | ObjectKind::Link | ObjectKind::Other => Ok(Extents::Resident(Vec::new())),
        }
    }

    fn link_target(&self, catalog: &Catalog, object: ObjectId) -> Result<Option<String>> {
        let file = match self.file(catalog.object(object)) {
            Ok(file) => file,
            Err(error @ Error::ImageIo { .. }) => return Err(error),
            Err(_) => return Ok(None),
        };
        Ok(file.reparse.as_deref().and_then(reparse::target))
    }

    fn needs(&self, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs> {
        needs::needs(self, catalog, chosen)
    }
}
