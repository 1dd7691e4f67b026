//! What of the metadata is not there that chosen files and folders depend on: entries, links of chains, and the boot
//! sectors where their checksum is in doubt.

use std::collections::HashSet;
use std::ops::Range;

use super::ExFat;
use super::chain::{Budget, Chain, Fault, follow};
use super::list::{MOST_BYTES, clusters_in_image};
use super::object::{Parts, place};
use super::own;
use super::structures::{BOOT_SECTORS, ENTRY, entry_type};
use super::table::{Link, Table};
use crate::bytes::{at_most, to_u64};
use crate::catalog::{Attribute, Catalog, Distrust, GapKind, Incomplete, Object, ObjectId, ObjectKind, Unlocated};
use crate::error::Result;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::{Claims, Owner};
use crate::filesystem::{Chosen, NeededStructure, Needs};

/// The most entries of one set: a file's, a stream's, 17 for its name, and as many of vendors as there is room for (exFAT
/// specification, 6.3.1.1: at most 255 after the first).
const MOST_ENTRIES: usize = 256;

/// How much of a list is looked at once, in bytes.
const PIECE: u64 = 64 << 10;

pub(super) fn needs(exfat: &ExFat, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs> {
    let heap = exfat.boot.sector.heap;
    let mut asking = Asking {
        exfat,
        needs: Needs::default(),
        table: Table::new(&exfat.source, &exfat.boot.sector, exfat.boot.flags),
        budget: Budget::of(heap),
        left: exfat.source.length_in_image().saturating_mul(2),
        open: false,
        names_lost: false,
    };
    let whole: HashSet<ObjectId> = chosen.objects.iter().copied().collect();
    let mut doubted = false;
    for id in chosen.objects.iter().chain(chosen.lists) {
        let object = catalog.object(*id);
        doubted |= object.facts.distrust.contains(Distrust::BootChecksum);
        let set = object.facts.distrust.contains(Distrust::RecordPartlyRead)
            || object.facts.unlocated == Some(Unlocated::DescriptionLost)
            || object.incomplete.contains(Incomplete::RecordLost);
        // All of a chosen folder's list is asked for anyway.
        if set && let Some(folder) = folder_of(catalog, *id).filter(|folder| !whole.contains(folder)) {
            asking.set(catalog, folder, object, *id)?;
        }
        if object.kind == ObjectKind::Folder {
            let list = object.incomplete.contains(Incomplete::ListPartlyRead);
            if list {
                asking.list(catalog, *id)?;
            }
            let links = object.facts.distrust.contains(Distrust::OtherTable);
            if links && let Some((chain, _)) = asking.folder(catalog, *id)? {
                asking.links(&chain, *id, true)?;
            }
        } else if (object.facts.gaps.contains(GapKind::Unplaced)
            || object.facts.distrust.contains(Distrust::ChainPartlyRead)
            || object.facts.distrust.contains(Distrust::OtherTable))
            && let Some(placed) = exfat.placed(object)?
        {
            asking.links(&placed.chain, *id, true)?;
        }
    }
    if doubted {
        asking.boot_sectors();
    }
    asking.further_links();
    if asking.names_lost {
        asking.openings(catalog)?;
    }
    Ok(asking.needs)
}

/// The folder in which an object stands, if that is known.
fn folder_of(catalog: &Catalog, id: ObjectId) -> Option<ObjectId> {
    let folder = catalog.names_of(id).next().map(|name| catalog.parent(name))?;
    (!catalog.object(folder).attributes.contains(Attribute::Virtual)).then_some(folder)
}

struct Asking<'a> {
    exfat: &'a ExFat,
    needs: Needs,
    table: Table<'a>,
    budget: Budget,
    /// Bytes of lists that may still be looked at. On a sound volume each belongs to one folder; a second look is for the
    /// sets of single files.
    left: u64,
    /// Whether links that nobody leads to yet may be needed.
    open: bool,
    /// Whether some list is not all there: folders may stand in it of which nothing is known.
    names_lost: bool,
}

impl<'a> Asking<'a> {
    /// The clusters of a folder's list, and its length in bytes.
    fn folder(&mut self, catalog: &Catalog, id: ObjectId) -> Result<Option<(Chain, u64)>> {
        let exfat = self.exfat;
        let heap = exfat.boot.sector.heap;
        let object = catalog.object(id);
        if id == catalog.root() {
            let chain = follow(&mut self.table, heap, exfat.boot.sector.root, 1, &mut self.budget)?;
            let length = heap.bytes(chain.clusters());
            return Ok(Some((chain, length)));
        }
        let Some(index) = heap.index_at(object.locator) else { return Ok(None) };
        // As for a file: the set may go on in the next cluster of its own folder.
        let by_table = match self.table.get(index)?.link {
            Link::Next(next) => Some(next),
            _ => None,
        };
        let here = index..index.saturating_add(1);
        for next in [None, by_table, heap.cluster(here.end).map(|_| here.end)] {
            let runs: Vec<Range<u64>> =
                [here.clone()].into_iter().chain(next.map(|next| next..next.saturating_add(1))).collect();
            let Some(set) = exfat.set(&runs, object.locator)? else { continue };
            let mut parts = Parts { source: &exfat.source, heap, table: &mut self.table, budget: &mut self.budget };
            if let Some(placed) = place(&mut parts, &set)?
                && placed.extents.first_place() == object.place
            {
                return Ok(Some((placed.chain, placed.length)));
            }
        }
        Ok(None)
    }

    /// The entries of a list in order: where each lies, and its first byte if it was read; up to the end mark.
    fn entries(&mut self, chain: &Chain, length: u64, visit: &mut dyn FnMut(u64, Option<u8>) -> bool) -> Result<bool> {
        let source = &self.exfat.source;
        let heap = self.exfat.boot.sector.heap;
        let mut left = length.min(MOST_BYTES);
        for run in &chain.runs {
            let place = heap.place(run);
            let end = place.end.min(source.length_in_image()).min(place.start.saturating_add(left));
            let mut at = place.start;
            while at < end {
                let mut bytes = vec![0; at_most(end.saturating_sub(at).min(PIECE), at_most(PIECE, usize::MAX))];
                let Some(budget) = self.left.checked_sub(to_u64(bytes.len())) else { return Ok(false) };
                self.left = budget;
                let holes = source.read_at(at, &mut bytes)?.holes;
                for (entry, within) in bytes.chunks_exact(ENTRY).zip((0_u64..).step_by(ENTRY)) {
                    let from = at.saturating_add(within);
                    let to = from.saturating_add(to_u64(ENTRY));
                    let next = holes.partition_point(|hole| hole.range.end <= from);
                    let lost = holes.get(next).is_some_and(|hole| hole.range.start < to);
                    let first = entry.first().copied().filter(|_| !lost);
                    if first == Some(entry_type::END) {
                        return Ok(true);
                    }
                    if !visit(from, first) {
                        return Ok(false);
                    }
                }
                at = at.saturating_add(to_u64(bytes.len()));
            }
            left = left.saturating_sub(place.end.saturating_sub(place.start));
        }
        Ok(false)
    }

    /// The entries of a folder that were not read, and the links to the rest of its list.
    fn list(&mut self, catalog: &Catalog, id: ObjectId) -> Result<()> {
        let Some((chain, length)) = self.folder(catalog, id)? else { return Ok(()) };
        let mut lost = Vec::new();
        let mut inside = 0;
        let ended = self.entries(&chain, length, &mut |offset, first| {
            match first {
                None => lost.push(offset),
                Some(_) => inside = lost.len(),
            }
            true
        })?;
        // The shortest set has three entries.
        self.needs.names = self.needs.names.saturating_add(to_u64(lost.len()).div_ceil(3));
        // Files in it may have chains.
        self.open |= !lost.is_empty();
        self.names_lost |= !lost.is_empty();
        // Where nothing is read behind it, the first one may be the end: whether more are needed, it will tell.
        for (index, offset) in lost.iter().enumerate() {
            self.entry(*offset, id, index <= inside);
        }
        if !ended && chain.fault == Some(Fault::Unread) {
            self.links(&chain, id, lost.is_empty())?;
        }
        Ok(())
    }

    fn entry(&mut self, offset: u64, id: ObjectId, certain: bool) {
        let range = offset..offset.saturating_add(to_u64(ENTRY));
        self.needs.add(&self.exfat.source, range, NeededStructure::FolderList, Some(id), certain);
    }

    /// The entries of one file that were not read. They lie next to those that were, in its folder's list.
    fn set(&mut self, catalog: &Catalog, folder: ObjectId, object: &Object, id: ObjectId) -> Result<()> {
        let Some((chain, length)) = self.folder(catalog, folder)? else { return Ok(()) };
        let head = self.exfat.source.read_real(object.locator, 2)?.map(|(bytes, _)| bytes).unwrap_or_default();
        let headless = head.first().is_none_or(|first| first | entry_type::IN_USE != entry_type::FILE);
        let most = match head.get(1) {
            Some(secondaries) if !headless => usize::from(*secondaries).saturating_add(1),
            _ => MOST_ENTRIES,
        };
        let mut before = None;
        let mut mine = Vec::new();
        let mut count = 0_usize;
        self.entries(&chain, length, &mut |offset, first| {
            if count == 0 && offset != object.locator {
                before = first.is_none().then_some(offset);
                return true;
            }
            count = count.saturating_add(1);
            let kind = first.map(|first| first | entry_type::IN_USE);
            let follows = count == 1 || kind.is_none_or(|kind| kind & entry_type::SECONDARY != 0);
            if first.is_none() {
                mine.push(offset);
            }
            follows && count < most
        })?;
        // Where its first entry is lost, that lies before what is taken for the first.
        let places: Vec<u64> = before.filter(|_| headless).into_iter().chain(mine).collect();
        for offset in places {
            self.entry(offset, id, true);
        }
        self.open |= object.facts.unlocated.is_some();
        Ok(())
    }

    /// The links of a chain that were not read, or only in a table of which nobody knows whether it is in use.
    fn links(&mut self, chain: &Chain, id: ObjectId, certain: bool) -> Result<()> {
        let mut undecided = false;
        for index in chain.runs.iter().cloned().flatten() {
            let entry = self.table.get(index)?;
            undecided |= entry.from_other;
            if (entry.link == Link::Unread || entry.from_other)
                && let Some(place) = self.table.place(index)
            {
                self.needs.add(&self.exfat.source, place, NeededStructure::AllocationTable, Some(id), certain);
                self.open = true;
            }
        }
        if undecided && self.exfat.boot.flags.is_none() {
            let sector = self.exfat.boot.sector.sector_size;
            self.needs.add(&self.exfat.source, 0..sector, NeededStructure::BootSector, None, true);
        }
        Ok(())
    }

    /// The boot sectors, where their checksum speaks against them and a part of a copy was not read.
    fn boot_sectors(&mut self) {
        let region = BOOT_SECTORS.saturating_mul(self.exfat.boot.sector.sector_size);
        for start in [0, region] {
            let before = self.needs.list.len();
            let range = start..start.saturating_add(region);
            self.needs.add(&self.exfat.source, range, NeededStructure::BootSector, None, true);
            if self.needs.list.len() > before {
                // One sound copy is enough.
                return;
            }
        }
    }

    /// The first sectors of clusters in holes that are in use and that nobody claims: a folder may open there whose own
    /// entries are lost, and folders below it. Without them, each level would take a pass of its own.
    fn openings(&mut self, catalog: &Catalog) -> Result<()> {
        let exfat = self.exfat;
        let heap = exfat.boot.sector.heap;
        // Of what the bitmap doesn't speak, anything may be in use.
        let end = clusters_in_image(&exfat.source, heap);
        let mut bits = vec![0xff; at_most(end.div_ceil(8), usize::MAX)];
        let mut own_chain = Chain::default();
        if let Some(entry) = exfat.own.bitmaps.get(usize::from(exfat.second_in_use())).and_then(Option::as_ref) {
            own_chain = own::place(&mut self.table, heap, entry, &mut self.budget)?;
            let length = entry.length.min(end.div_ceil(8));
            let (bytes, holes) = own::read(&exfat.source, heap, &own_chain.runs, length, bits.len())?;
            let known = Bitmap::new(bytes, holes);
            for (bits, first) in bits.iter_mut().zip((0_u64..).step_by(8)) {
                if known.count(first..first.saturating_add(8)).unknown == 0 {
                    let set = (0..8_u64).filter(|bit| known.get(first.saturating_add(*bit)) == Some(true));
                    *bits =
                        set.fold(0, |byte, bit| byte | 1_u8.checked_shl(u32::try_from(bit).unwrap_or(0)).unwrap_or(0));
                }
            }
        }
        let bitmap = Bitmap::new(bits, Vec::new());
        let mut claims = Claims::default();
        let mut claim = |chain: &Chain| {
            for run in &chain.runs {
                claims.add(run.start, run.end.saturating_sub(run.start), Owner::Other);
            }
        };
        claim(&own_chain);
        if let Some(entry) = &exfat.own.upcase {
            claim(&own::place(&mut self.table, heap, entry, &mut self.budget)?);
        }
        for (id, object) in catalog.objects().filter(|(_, object)| object.facts.unlocated.is_none()) {
            match object.kind {
                ObjectKind::Folder if !object.attributes.contains(Attribute::Virtual) => {
                    if let Some((chain, _)) = self.folder(catalog, id)? {
                        claim(&chain);
                    }
                }
                ObjectKind::File => {
                    if let Some(placed) = exfat.placed(object)? {
                        claim(&placed.chain);
                    }
                }
                _ => {}
            }
        }
        for run in claims.settle(None, end).unclaimed(&bitmap, end) {
            self.needs.openings(&exfat.source, heap.place(&run), heap.cluster_size);
        }
        Ok(())
    }

    /// Links that were not read: those of a chain that goes on behind a hole may be among them.
    fn further_links(&mut self) {
        if self.open {
            let all = self.table.all();
            self.needs.add(&self.exfat.source, all, NeededStructure::AllocationTable, None, false);
        }
    }
}
