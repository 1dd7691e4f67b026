//! What of the metadata is not there that chosen files and folders depend on.
//!
//! A file needs its records. A folder's list matters only where a record is lost that may have stood in it: then either
//! the list is needed, or, if no other folder's list names one of the lost records, these records themselves. A lost
//! record that some list names belongs there; one that none names may belong to a folder whose list is not all there,
//! or be a further record of a file whose first one is lost.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::ops::Range;

use super::Ntfs;
use super::attributes::{Body, attributes};
use super::extents::{Absent, place};
use super::file::{ExtensionBudget, File, Stream, piece_of};
use super::index::{self, IndexBudget};
use super::list;
use super::record::{NoRecord, Record};
use super::structures::{STRIDE, attribute_type, record_number};
use crate::bytes::{round_up, to_u64};
use crate::catalog::{
    Catalog, Distrust, Extents, FindingKind, Findings, GapKind, Incomplete, Object, ObjectId, ObjectKind, Place, Runs,
    Unlocated,
};
use crate::error::Result;
use crate::filesystem::{Chosen, NeededStructure, Needs};
use crate::source::Missing;

/// Kinds of attributes that make a difference to files and folders.
const THAT_MATTER: [u32; 6] = [
    attribute_type::STANDARD_INFORMATION,
    attribute_type::FILE_NAME,
    attribute_type::DATA,
    attribute_type::INDEX_ROOT,
    attribute_type::INDEX_ALLOCATION,
    attribute_type::REPARSE_POINT,
];

pub(super) fn needs(ntfs: &Ntfs, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs> {
    let mut asking = Asking {
        ntfs,
        needs: Needs::default(),
        extensions: ExtensionBudget::for_table(&ntfs.table),
        blocks: IndexBudget(ntfs.source.length_in_image()),
        open: false,
        unplaced: false,
        by_records: false,
        sought: false,
        lists: Vec::new(),
    };
    // Without it no record of a table that was put together is sure to be in force.
    if ntfs.table.record_count() == 0 || ntfs.table.own_record_is_lost {
        asking.first_record();
        if ntfs.table.record_count() == 0 || !asking.needs.list.is_empty() {
            return Ok(asking.needs);
        }
    }
    // Streams share their file's records.
    let mut by_record: BTreeMap<u64, ObjectId> = BTreeMap::new();
    for id in chosen.objects {
        let object = catalog.object(*id);
        if asks(object) {
            let first = by_record.entry(object.locator).or_insert(*id);
            if object.kind != ObjectKind::Stream {
                *first = *id;
            }
        }
    }
    for (record, id) in &by_record {
        asking.object(*record, *id, catalog.object(*id))?;
    }
    asking.sought = true;
    for id in chosen.lists.iter().filter(|id| !by_record.contains_key(&catalog.object(**id).locator)) {
        asking.open = true;
        asking.object(catalog.object(*id).locator, *id, catalog.object(*id))?;
    }
    asking.what_nobody_names(catalog, chosen.objects)?;
    Ok(asking.needs)
}

/// Whether something is wrong with an object that its metadata could cure.
fn asks(object: &Object) -> bool {
    let by_hole = matches!(
        object.facts.unlocated,
        Some(
            Unlocated::RecordLost
                | Unlocated::DescriptionLost
                | Unlocated::ContentElsewhere
                | Unlocated::UnknownStorage
        )
    );
    let distrust = Distrust::RecordPartlyRead | Distrust::ExtensionStale | Distrust::RecordInconsistent;
    by_hole
        || object.facts.gaps.contains(GapKind::Unplaced)
        || !object.facts.distrust.is_disjoint(distrust)
        || !object.incomplete.is_empty()
}

struct Asking<'a> {
    ntfs: &'a Ntfs,
    needs: Needs,
    extensions: ExtensionBudget,
    blocks: IndexBudget,
    /// Whether lost records that nobody names may belong to something chosen.
    open: bool,
    /// Whether records of something chosen lie in a part of the table that nobody places.
    unplaced: bool,
    /// Whether the list of a chosen folder whose record was read is not all there, and that matters for lost records.
    by_records: bool,
    /// Whether a name is looked for: a folder's list and the lost records may all have it, so that none is certain.
    sought: bool,
    /// Parts of chosen folders' lists, whether each was reached from the list's root, and whether its folder is
    /// incomplete whatever becomes of the lost records.
    lists: Vec<(Range<u64>, ObjectId, bool, bool)>,
}

impl Asking<'_> {
    /// Neither copy of the table's own record can be used: the first one says everything.
    fn first_record(&mut self) {
        let boot = &self.ntfs.boot;
        for lcn in [boot.mft, boot.mft_mirror] {
            if let Some(offset) = boot.cluster.volume_offset(lcn) {
                let range = offset..offset.saturating_add(to_u64(boot.record_size));
                self.needs.add(&self.ntfs.source, range, NeededStructure::TableDescription, None, true);
            }
            if !self.needs.list.is_empty() {
                // The other copy says the same.
                return;
            }
        }
    }

    /// Adds what of some bytes of the table is not there.
    fn table_bytes(&mut self, bytes: Range<u64>, structure: NeededStructure, object: Option<ObjectId>, certain: bool) {
        for piece in self.ntfs.table.places(bytes) {
            match piece.place {
                None => self.unplaced = true,
                Some(start) => {
                    let length = piece.range.end.saturating_sub(piece.range.start);
                    let range = start..start.saturating_add(length);
                    self.needs.add(&self.ntfs.source, range, structure, object, certain);
                }
            }
        }
    }

    /// Adds what is not there of the first `used` bytes of a record.
    fn record_bytes(&mut self, number: u64, used: u64, object: Option<ObjectId>, certain: bool) {
        let start = number.saturating_mul(to_u64(self.ntfs.table.record_size));
        self.table_bytes(start..start.saturating_add(used), NeededStructure::FileRecord, object, certain);
    }

    /// Adds what is not there of a record of which nothing was read: its first piece says how much of the rest is used.
    fn lost_record(&mut self, number: u64, object: Option<ObjectId>, certain: bool) {
        let size = to_u64(self.ntfs.table.record_size);
        self.record_bytes(number, size.min(to_u64(STRIDE)), object, certain);
        self.record_bytes(number, size, object, false);
    }

    /// Adds what of a record is not there, and answers the record if there is any.
    fn record(&mut self, number: u64, object: Option<ObjectId>) -> Result<Option<Record>> {
        let table = &self.ntfs.table;
        match table.read(&self.ntfs.source, number)? {
            Ok(record) => {
                if record.partial {
                    self.record_bytes(number, used(&record), object, !self.sought);
                }
                Ok(Some(record))
            }
            Err(NoRecord::Unread) => {
                self.lost_record(number, object, !self.sought);
                Ok(None)
            }
            Err(NoRecord::Blank | NoRecord::Damaged) => Ok(None),
        }
    }

    fn object(&mut self, number: u64, id: ObjectId, object: &Object) -> Result<()> {
        let Some(record) = self.record(number, Some(id))? else {
            // It may have further records, or be a folder.
            self.open = true;
            return Ok(());
        };
        self.open |= record.partial;
        self.further_records(&record, id)?;
        if object.kind == ObjectKind::Folder {
            self.list(&record, id, object)?;
        }
        Ok(())
    }

    /// What the list of a file's further records lacks, and those that it names.
    fn further_records(&mut self, base: &Record, id: ObjectId) -> Result<()> {
        let ntfs = self.ntfs;
        let Some(list) = list::of(&ntfs.source, &ntfs.boot, base, &mut self.extensions)? else { return Ok(()) };
        if list.partial {
            self.open = true;
            for range in list_places(ntfs, base) {
                self.needs.add(&ntfs.source, range, NeededStructure::AttributeList, Some(id), !self.sought);
            }
        }
        // A record that is lost costs what it holds; one that was read in part makes all of the file doubtful.
        let mut numbers: BTreeMap<u64, bool> = BTreeMap::new();
        for entry in list.entries.iter().filter(|entry| entry.record.record != base.number) {
            *numbers.entry(entry.record.record).or_default() |= THAT_MATTER.contains(&entry.kind);
        }
        for (number, matters) in numbers {
            if matters || ntfs.table.read(&ntfs.source, number)?.is_ok() {
                self.record(number, Some(id))?;
            }
        }
        Ok(())
    }

    /// The parts of a folder's list that are not there.
    fn list(&mut self, record: &Record, id: ObjectId, object: &Object) -> Result<()> {
        let ntfs = self.ntfs;
        let lacks_names = Incomplete::ListPartlyRead | Incomplete::LostRecords | Incomplete::LostNames;
        if object.incomplete.is_disjoint(lacks_names | Incomplete::RecordLost) {
            return Ok(());
        }
        self.open = true;
        // By its own files it is another folder than they mean: no record can settle that, only the list.
        let anyway = object.incomplete.contains(Incomplete::ListPartlyRead)
            && object.incomplete.is_disjoint(Incomplete::LostRecords | Incomplete::LostNames);
        let file = File::load(ntfs.parts(), record, &mut self.extensions, &mut Findings::default())?;
        let found = index::read(ntfs.parts(), &file, &mut self.blocks)?;
        self.by_records |= !found.whole && !record.partial && !anyway && !self.sought;
        let reached = found.lost.len();
        let mut places = found.lost;
        // Below a block that did not come there may be more.
        if reached > 0 || !found.whole {
            let blocks = place(&ntfs.boot, &file.index_blocks, Absent::Zeros);
            if let Ok(Extents::Runs(Runs { runs, .. })) = blocks.map(|placed| placed.extents) {
                places.extend(runs.iter().filter_map(|run| match run.place {
                    Place::At(start) => Some(start..start.saturating_add(run.length)),
                    _ => None,
                }));
            }
        }
        let (anyway, reached) = (anyway || self.sought, if self.sought { 0 } else { reached });
        let entries = places.into_iter().enumerate();
        self.lists.extend(entries.map(|(index, range)| (range, id, index < reached, anyway)));
        Ok(())
    }

    /// Decides between the lists of chosen folders and the lost records that no list names, and adds what of the
    /// table's own description is needed for either.
    fn what_nobody_names(&mut self, catalog: &Catalog, chosen: &[ObjectId]) -> Result<()> {
        let own: BTreeSet<u64> = chosen.iter().map(|id| catalog.object(*id).locator).collect();
        // A record of another folder stays lost; in a part of the table that nobody places, it need not.
        let mut elsewhere = false;
        let mut named: HashSet<u64> = HashSet::new();
        for (_, object) in catalog.objects() {
            if object.facts.unlocated == Some(Unlocated::RecordLost) && object.kind != ObjectKind::Stream {
                named.insert(object.locator);
                let placed = self.ntfs.table.image_offset(&self.ntfs.source, object.locator).is_some();
                elsewhere |= placed && !own.contains(&object.locator);
            }
        }
        if !self.open {
            self.table_description(true);
            return Ok(());
        }
        let Unnamed { records, nameless } = self.unnamed(&named)?;
        let count = |kind| catalog.findings.count(kind);
        // With these, records stay lost or silent whatever is read.
        let stays = elsewhere || count(FindingKind::RecordNotInUse) > 0 || count(FindingKind::RecordDamaged) > 0;
        // With these, they may.
        let may_stay = count(FindingKind::ExtensionUnlisted) > 0
            || count(FindingKind::TablePartLost) > 0
            || count(FindingKind::NameLost) > to_u64(nameless.len())
            || records.iter().any(|number| self.ntfs.table.bitmap.get(*number).is_none());
        let mut by_list = false;
        for (range, id, reached, anyway) in std::mem::take(&mut self.lists) {
            if stays || may_stay || anyway {
                let certain = reached && (stays || anyway);
                by_list |= stays || may_stay;
                self.needs.add(&self.ntfs.source, range, NeededStructure::FolderList, Some(id), certain);
            }
        }
        // Where no list settles it, each of these records spoils the chosen folders.
        let spoils = self.by_records && !by_list;
        for number in &records {
            self.lost_record(*number, None, spoils);
        }
        for (number, used) in &nameless {
            self.record_bytes(*number, *used, None, spoils);
        }
        self.needs.names = to_u64(records.len()).saturating_add(to_u64(nameless.len()));
        let certain = self.unplaced || spoils;
        self.table_description(certain);
        Ok(())
    }

    /// Lost records that no list names, and records of files that have more names than were read.
    fn unnamed(&self, named: &HashSet<u64>) -> Result<Unnamed> {
        let (source, table) = (&self.ntfs.source, &self.ntfs.table);
        let size = to_u64(table.record_size).max(1);
        let mut found = Unnamed::default();
        let mut next = record_number::FIRST_ORDINARY;
        for piece in table.places(0..table.size()) {
            let Some(start) = piece.place else { continue };
            let length = piece.range.end.saturating_sub(piece.range.start);
            // What lies after the image's end can't be read into it.
            let holes = source.reality(start, length).holes.into_iter().filter(|hole| hole.why != Missing::PastEnd);
            for hole in holes {
                let in_table = |at: u64| piece.range.start.saturating_add(at.saturating_sub(start));
                let first = in_table(hole.range.start).checked_div(size).unwrap_or(0).max(next);
                let end = in_table(hole.range.end).div_ceil(size).min(table.record_count());
                for number in first..end {
                    if table.bitmap.get(number) != Some(false) && !named.contains(&number) {
                        self.look(number, &mut found)?;
                    }
                }
                next = next.max(end);
            }
        }
        Ok(found)
    }

    fn look(&self, number: u64, found: &mut Unnamed) -> Result<()> {
        match self.ntfs.table.read(&self.ntfs.source, number)? {
            Err(NoRecord::Unread) => found.records.push(number),
            Ok(record) if record.partial && record.in_use() => {
                let found_here = attributes(&record);
                let names = found_here.iter().filter(|one| one.header.kind == attribute_type::FILE_NAME).count();
                // An extension record may hold names of a file that nobody knows.
                if !record.is_base() || names < usize::from(record.header.links) {
                    found.nameless.push((number, used(&record)));
                }
            }
            _ => {}
        }
        Ok(())
    }

    /// What says where the table lies: needed only if records that matter lie in a part that nobody places.
    fn table_description(&mut self, certain: bool) {
        if !self.unplaced && !self.open {
            return;
        }
        let ntfs = self.ntfs;
        if ntfs.table.pieces.iter().all(|piece| piece.place.is_some()) {
            return;
        }
        let Ok(Ok(first)) = ntfs.table.read(&ntfs.source, record_number::MFT) else { return };
        for range in list_places(ntfs, &first) {
            self.needs.add(&ntfs.source, range, NeededStructure::TableDescription, None, certain);
        }
        let list = list::of(&ntfs.source, &ntfs.boot, &first, &mut self.extensions);
        let numbers: BTreeSet<u64> = list
            .ok()
            .flatten()
            .into_iter()
            .flat_map(|list| list.entries)
            .filter(|entry| entry.kind == attribute_type::DATA && entry.record.record != record_number::MFT)
            .map(|entry| entry.record.record)
            .collect();
        let size = to_u64(ntfs.table.record_size);
        for number in numbers {
            let start = number.saturating_mul(size);
            self.table_bytes(start..start.saturating_add(size), NeededStructure::TableDescription, None, certain);
        }
    }
}

/// Records that no folder's list names.
#[derive(Debug, Default)]
struct Unnamed {
    /// Lost ones.
    records: Vec<u64>,
    /// Partly read ones whose file has more names than were read, and how many bytes of each are used.
    nameless: Vec<(u64, u64)>,
}

/// How many bytes of a record have to be there: whole pieces, as its fixups stand at their ends.
fn used(record: &Record) -> u64 {
    round_up(to_u64(record.header.used), to_u64(STRIDE))
}

/// Where the list of a file's further records lies, if it has a place of its own.
fn list_places(ntfs: &Ntfs, base: &Record) -> Vec<Range<u64>> {
    let found = attributes(base);
    let list = found.iter().find(|one| one.header.kind == attribute_type::ATTRIBUTE_LIST);
    let Some(Body::NonResident(body, packed)) = list.map(|one| &one.body) else { return Vec::new() };
    let stream = Stream { flags: 0, resident: None, pieces: vec![piece_of(body, packed)] };
    let Ok(Extents::Runs(runs)) = place(&ntfs.boot, &stream, Absent::Zeros).map(|placed| placed.extents) else {
        return Vec::new();
    };
    let end = runs.size;
    let inside = runs.runs.iter().filter(|run| run.start < end);
    inside
        .filter_map(|run| match run.place {
            Place::At(start) => Some(start..start.saturating_add(run.length.min(end.saturating_sub(run.start)))),
            _ => None,
        })
        .collect()
}
