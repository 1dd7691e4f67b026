//! FAT12, FAT16 and FAT32: a sweeping reader of our own.
//!
//! A file is described in two places: its folder's entry says its name, size and first cluster, and the allocation table
//! says which cluster follows which. Nothing has a checksum but long names, so the two copies of the table are weighed
//! against each other, and every chain against the size, the others and the folders. `structures` has what is on disk,
//! with its sources.

pub(super) mod anchor;
mod block;
mod chain;
mod deleted;
pub mod headless;
mod holes;
mod listing;
mod lost;
mod names;
mod needs;
mod object;
mod structures;
mod sweep;
mod table;
mod units;
mod volume;

use super::opening::Contestable;
use super::{Chosen, Filesystem, Needs, SweepOptions, Swept, VolumeFacts};
use crate::catalog::{Catalog, Extents, FindingKind, Findings, ObjectId, ObjectKind};
use crate::error::{Error, Result};
use crate::progress::Progress;
use crate::source::Source;

/// A FAT volume.
#[derive(Debug)]
pub struct Fat {
    source: Source,
    boot: structures::BootSector,
    layout: units::Layout,
    tables: table::Tables,
    facts: VolumeFacts,
    findings: Findings,
    /// How it is laid out was found without boot sectors and is not proven.
    doubted: bool,
}

impl Fat {
    /// Opens `source` as a FAT volume by its boot sector or FAT32's backup of it; `None` if neither is one.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub fn open(source: &Source) -> Result<Option<Self>> {
        volume::open(source)
    }

    /// Opens a volume that begins where `source` does and whose boot sectors are lost, by what [`headless::find`] finds;
    /// `None` if that is nothing.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub fn open_headless(source: &Source) -> Result<Option<Self>> {
        match headless::find(source)? {
            Some(geometry) => volume::open_headless(source, &geometry),
            None => Ok(None),
        }
    }

    /// Opens a volume by a layout that was found before; `source` begins where the geometry says. It is looked at anew, and
    /// trusted no more than what is found now. `None` if it can't be one.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub fn open_at(source: &Source, geometry: &headless::Geometry) -> Result<Option<Self>> {
        match headless::again(source, geometry)? {
            Some(geometry) => volume::open_headless(source, &geometry),
            None => Ok(None),
        }
    }
}

impl Contestable for Fat {
    fn is_proven(&self) -> bool {
        !self.doubted
    }

    fn contest(&mut self, why: &'static str) {
        self.doubted = true;
        self.findings.add(FindingKind::GeometryDoubtful, Some(self.source.image_offset(0)), None, || why);
    }
}

impl Filesystem for Fat {
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
        if entry.facts.unlocated.is_some() {
            let offset = self.source.image_offset(entry.locator);
            return Err(Error::Unreadable { offset, structure: "place of a file", number: Some(entry.locator) });
        }
        if entry.kind != ObjectKind::File {
            return Ok(Extents::Resident(Vec::new()));
        }
        let parts =
            object::Parts { source: &self.source, boot: &self.boot, layout: &self.layout, tables: &self.tables };
        Ok(object::extents(parts, entry))
    }

    fn link_target(&self, _: &Catalog, _: ObjectId) -> Result<Option<String>> {
        // FAT has no links.
        Ok(None)
    }

    fn needs(&self, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs> {
        needs::needs(self, catalog, chosen)
    }
}
