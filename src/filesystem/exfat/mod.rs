//! exFAT: a reader of our own.
//!
//! Folders' lists are read from the root down, each cluster of them once; every file's place stands in its entry set,
//! which a checksum holds together. Where a list is lost, clusters in use that nobody claims are searched for entry
//! sets. `structures` has what is on disk, with its sources.

pub(super) mod anchor;
mod boot;
mod chain;
mod checksum;
mod deleted;
mod entry_set;
pub mod headless;
mod holes;
mod list;
mod lost;
mod names;
mod needs;
mod object;
mod own;
mod structures;
mod sweep;
mod table;
mod time;
mod tree;
mod units;
mod upcase;
mod volume;

use std::collections::HashSet;
use std::ops::Range;

use super::opening::Contestable;
use super::{Chosen, Filesystem, Needs, SweepOptions, Swept, VolumeFacts};
use crate::catalog::{Catalog, Distrust, Extents, FindingKind, Findings, Object, ObjectId, ObjectKind};
use crate::error::{Error, Result};
use crate::progress::Progress;
use crate::source::Source;
use chain::Budget;
use entry_set::{Item, Set};
use list::List;
use object::{Parts, Placed, place};
use structures::BootSector;
use table::{Link, Table};

/// An exFAT volume.
#[derive(Debug)]
pub struct ExFat {
    source: Source,
    boot: boot::Boot,
    own: own::Own,
    facts: VolumeFacts,
    findings: Findings,
    /// How it is laid out was found without boot sectors and is not proven.
    doubted: bool,
}

impl ExFat {
    /// Opens `source` as an exFAT volume by its boot sectors or the backup of them; `None` if neither are any.
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

    /// Where its allocation tables begin, in bytes of the volume.
    pub(super) fn tables(&self) -> [u64; 2] {
        let sector = &self.boot.sector;
        [sector.fat_start, sector.fat_start.saturating_add(sector.fat_length)]
    }

    /// Whether the second FAT and bitmap are the ones in use.
    fn second_in_use(&self) -> bool {
        self.boot.sector.fats == 2 && self.boot.flags.is_some_and(|flags| flags & BootSector::SECOND_FAT != 0)
    }

    /// Reads an object's entry set again, and where it places the content.
    fn placed(&self, object: &Object) -> Result<Option<Placed>> {
        let heap = self.boot.sector.heap;
        let Some(index) = heap.index_at(object.locator) else { return Ok(None) };
        let mut table = Table::new(&self.source, &self.boot.sector, self.boot.flags);
        let mut budget = Budget::of(heap);
        let here = index..index.saturating_add(1);
        // The set may go on in the folder's next cluster. Which one that is, the folder's own entry says, and the table
        // unless its clusters follow one another; the one that gives what the sweep found is it.
        let by_table = match table.get(index)?.link {
            Link::Next(next) => Some(next),
            _ => None,
        };
        let nexts = [None, by_table, heap.cluster(here.end).map(|_| here.end)];
        for (tried, next) in nexts.into_iter().enumerate() {
            if tried > 0 && next.is_none() {
                continue;
            }
            let runs: Vec<Range<u64>> =
                [here.clone()].into_iter().chain(next.map(|next| next..next.saturating_add(1))).collect();
            let Some(mut set) = self.set(&runs, object.locator)? else { continue };
            set.deleted |= object.facts.distrust.contains(Distrust::Deleted);
            let mut parts = Parts { source: &self.source, heap, table: &mut table, budget: &mut budget };
            let placed = place(&mut parts, &set)?;
            if let Some(placed) = placed.filter(|placed| is_same(placed, object)) {
                return Ok(Some(placed));
            }
        }
        Ok(None)
    }

    /// The set that starts at a byte of the volume, in the first of `runs`.
    fn set(&self, runs: &[Range<u64>], offset: u64) -> Result<Option<Set>> {
        let mut visited = HashSet::new();
        let mut list = List::from_entry(&self.source, self.boot.sector.heap, runs, offset, &mut visited);
        Ok(match entry_set::next(&mut list, true)? {
            Some(Item::Set(set)) if set.offset == offset => Some(set),
            _ => None,
        })
    }
}

/// Whether content lies where the sweep saw it.
fn is_same(placed: &Placed, object: &Object) -> bool {
    placed.length == object.size && placed.extents.first_place() == object.place
}

impl Contestable for ExFat {
    fn is_proven(&self) -> bool {
        !self.doubted
    }

    fn contest(&mut self, why: &'static str) {
        self.doubted = true;
        self.findings.add(FindingKind::GeometryDoubtful, Some(self.source.image_offset(0)), None, || why);
    }
}

impl Filesystem for ExFat {
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
        if entry.kind != ObjectKind::File {
            return Ok(Extents::Resident(Vec::new()));
        }
        let offset = self.source.image_offset(entry.locator);
        let lost = || Error::Unreadable { offset, structure: "entry set of a file", number: Some(entry.locator) };
        if entry.facts.unlocated.is_some() {
            return Err(lost());
        }
        self.placed(entry)?.map(|placed| placed.extents).ok_or_else(lost)
    }

    fn link_target(&self, _: &Catalog, _: ObjectId) -> Result<Option<String>> {
        // exFAT has no links.
        Ok(None)
    }

    fn needs(&self, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs> {
        needs::needs(self, catalog, chosen)
    }
}
