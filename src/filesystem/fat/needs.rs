//! What of the metadata is not there that chosen files and folders depend on: their folders' lists and links of their
//! chains. Where the table's other copy stands in and can be relied on, nothing is.

use std::ops::Range;

use super::Fat;
use super::block::{Block, LONGEST};
use super::chain::{Chain, End, Steps, follow};
use super::structures::{BootSector, ENTRY, ShortEntry, Width};
use super::sweep::ROOT_LOCATOR;
use super::table::Link;
use super::units::Cluster;
use crate::bytes::to_u64;
use crate::catalog::{Attribute, Catalog, Distrust, GapKind, Incomplete, ObjectId, ObjectKind, Unlocated};
use crate::error::Result;
use crate::filesystem::claims::{Claims, Owner};
use crate::filesystem::{Chosen, NeededStructure, Needs};

pub(super) fn needs(fat: &Fat, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs> {
    let mut asking = Asking {
        fat,
        left: fat.source.length_in_image(),
        needs: Needs::default(),
        steps: Steps::for_volume(&fat.layout),
        open: false,
        names_lost: false,
        unproven: Vec::new(),
    };
    for id in chosen.objects.iter().chain(chosen.lists) {
        let object = catalog.object(*id);
        if object.facts.unlocated == Some(Unlocated::RecordLost) {
            // Its name leads up to an entry that was not read.
            let entry = object.locator..object.locator.saturating_add(to_u64(ENTRY));
            asking.needs.add(&fat.source, entry, NeededStructure::FolderList, Some(*id), true);
            asking.open = true;
            asking.names_lost = true;
            continue;
        }
        let links = object.facts.gaps.contains(GapKind::Unplaced)
            || object.facts.distrust.contains(Distrust::ChainPartlyRead)
            || object.facts.distrust.contains(Distrust::OtherTable);
        let list = object.kind == ObjectKind::Folder && object.incomplete.contains(Incomplete::ListPartlyRead);
        if object.kind == ObjectKind::File && links {
            if let Some(first) = fat.layout.cluster_at(object.place) {
                let chain = follow(&fat.tables, first, u64::MAX, &mut asking.steps);
                asking.links(&chain, *id, Some(true));
            }
        } else if list || links {
            asking.folder(catalog, *id, list)?;
        }
    }
    // What stands in a folder is worth no more than the folder.
    for id in chosen.above {
        if catalog.object(*id).facts.distrust.contains(Distrust::OtherTable) {
            asking.folder(catalog, *id, false)?;
        }
    }
    let proved = asking.proof();
    asking.further_links(proved);
    if asking.names_lost {
        asking.openings(catalog)?;
    }
    Ok(asking.needs)
}

/// The smallest sectors have 2^9 bytes.
const SECTOR_BITS: u32 = 9;

struct Asking<'a> {
    fat: &'a Fat,
    /// Bytes of lists that may still be looked at: on a sound volume each belongs to one folder.
    left: u64,
    needs: Needs,
    steps: Steps,
    /// Whether links that nobody leads to yet may be needed.
    open: bool,
    /// Whether some list is not all there: folders may stand in it of which nothing is known.
    names_lost: bool,
    /// Links that only the other table has, while nothing shows that the two agree.
    unproven: Vec<(Cluster, ObjectId)>,
}

impl Asking<'_> {
    /// Where the link of a cluster stands, in the table with this number.
    fn link_place(&self, table: u64, cluster: Cluster) -> Range<u64> {
        let layout = &self.fat.layout;
        let start = layout.tables.saturating_add(table.saturating_mul(layout.table));
        let number = cluster.number();
        let (within, length) = match self.fat.boot.width {
            Width::Fat12 => (number.saturating_mul(3) >> 1, 2),
            Width::Fat16 => (number.saturating_mul(2), 2),
            Width::Fat32 => (number.saturating_mul(4), 4),
        };
        let at = start.saturating_add(within);
        at..at.saturating_add(length)
    }

    fn active(&self) -> u64 {
        active(&self.fat.boot)
    }

    /// The links of a chain that were not read, or only in a table that proves nothing. `goes_on` says whether the chain
    /// has to go on to its end, and whether that is certain.
    fn links(&mut self, chain: &Chain, id: ObjectId, goes_on: Option<bool>) {
        let tables = &self.fat.tables;
        for (start, length) in &chain.runs {
            for step in 0..*length {
                let Some(number) = u32::try_from(step).ok().and_then(|step| start.0.checked_add(step)) else { break };
                let cluster = Cluster(number);
                let entry = tables.entry(cluster);
                if let Some(certain) = goes_on.filter(|_| entry.link == Link::Missing) {
                    self.link(cluster, id, certain);
                    self.open = true;
                } else if entry.from_other && !tables.other_is_trusted() {
                    // One link of a sector stands for all: a drive gives whole sectors.
                    let sector = |cluster: Cluster| self.link_place(0, cluster).start >> SECTOR_BITS;
                    let stands_for =
                        |last: &(Cluster, ObjectId)| sector(last.0) == sector(cluster) && !self.is_root(last.0);
                    if !self.unproven.last().is_some_and(stands_for) {
                        self.unproven.push((cluster, id));
                    }
                }
            }
        }
    }

    fn is_root(&self, cluster: Cluster) -> bool {
        cluster.0 == self.fat.boot.root_cluster
    }

    fn link(&mut self, cluster: Cluster, id: ObjectId, certain: bool) {
        let place = self.link_place(self.active(), cluster);
        self.needs.add(&self.fat.source, place, NeededStructure::AllocationTable, Some(id), certain);
    }

    /// What is needed so that links of the other table count. Where both tables are copies and nothing could be
    /// compared yet, one link that both have is enough; formatting enters the root's in both. Answers whether the
    /// other table counts then.
    fn proof(&mut self) -> bool {
        let unproven = std::mem::take(&mut self.unproven);
        let copies = self.fat.boot.only_active.is_none() && !self.fat.tables.differ();
        let proves = |(cluster, _): &&(Cluster, ObjectId)| !self.is_root(*cluster);
        match unproven.iter().filter(proves).min().copied().filter(|_| copies) {
            Some((cluster, id)) => {
                self.link(cluster, id, true);
                true
            }
            None => {
                // Where all other links are asked for, too, these may prove enough.
                let certain = !copies || !self.open;
                unproven.into_iter().for_each(|(cluster, id)| self.link(cluster, id, certain));
                self.fat.tables.other_is_trusted()
            }
        }
    }

    /// The first cluster of a folder's list, where it has one.
    fn first_of(&self, locator: u64) -> Result<Option<Cluster>> {
        let fat = self.fat;
        let first = if locator == ROOT_LOCATOR {
            Some(Cluster(fat.boot.root_cluster))
        } else {
            let entry = fat.source.read_real(locator, ENTRY)?.and_then(|(bytes, _)| ShortEntry::from_bytes(&bytes));
            entry.map(|entry| Cluster(entry.first_cluster(fat.boot.width)))
        };
        Ok(first.filter(|first| fat.layout.has(*first)))
    }

    /// The first sectors of clusters in holes that are in use and that nobody claims: a folder may open there whose own
    /// entry is lost, and folders below it. Without them, each level would take a pass of its own.
    fn openings(&mut self, catalog: &Catalog) -> Result<()> {
        let fat = self.fat;
        let (bitmap, bad) = fat.tables.allocation();
        let mut claims = Claims::default();
        for (start, length) in bad {
            claims.add(start, length, Owner::SetAside);
        }
        for (_, object) in catalog.objects().filter(|(_, object)| object.facts.unlocated.is_none()) {
            let first = match object.kind {
                ObjectKind::Folder if !object.attributes.contains(Attribute::Virtual) => {
                    self.first_of(object.locator)?
                }
                ObjectKind::File => fat.layout.cluster_at(object.place),
                _ => None,
            };
            let Some(first) = first else { continue };
            for (start, length) in follow(&fat.tables, first, u64::MAX, &mut self.steps).runs {
                claims.add(start.number(), length, Owner::Other);
            }
        }
        let end = u64::from(fat.layout.end);
        for run in claims.settle(None, end).unclaimed(&bitmap, end) {
            let Some(first) = u32::try_from(run.start).ok().map(Cluster) else { break };
            let place = fat.layout.offset(first);
            let bytes = place..place.saturating_add(fat.layout.bytes(run.end.saturating_sub(run.start)));
            self.needs.openings(&fat.source, bytes, fat.layout.cluster);
        }
        Ok(())
    }

    /// What a folder needs: the entries that were not read, if its list matters, and links.
    fn folder(&mut self, catalog: &Catalog, id: ObjectId, list: bool) -> Result<()> {
        let fat = self.fat;
        let locator = catalog.object(id).locator;
        if locator == ROOT_LOCATOR && fat.boot.width != Width::Fat32 {
            let block = Block::read(&fat.source, [fat.layout.root])?;
            self.entries(&block, id);
            return Ok(());
        }
        let Some(first) = self.first_of(locator)? else { return Ok(()) };
        let chain = follow(&fat.tables, first, fat.layout.clusters_for(LONGEST), &mut self.steps);
        let (mut whole, mut ended) = (true, true);
        let bytes = fat.layout.bytes(chain.clusters).min(LONGEST);
        if list && let Some(left) = self.left.checked_sub(bytes) {
            self.left = left;
            let block = Block::read(&fat.source, Block::pieces(&fat.layout, &chain.runs))?;
            (whole, ended) = self.entries(&block, id);
        }
        let goes_on = !ended && chain.end == End::Missing;
        // The end mark may stand in what was not read, and then no link matters.
        self.links(&chain, id, goes_on.then_some(whole));
        Ok(())
    }

    /// The entries before the end mark that were not read; answers whether there are none, and whether that mark was
    /// read. Where nothing in use is read behind it, the first one may be the end: whether more are needed, it will tell.
    fn entries(&mut self, block: &Block, id: ObjectId) -> (bool, bool) {
        let mut lost = Vec::new();
        let (mut inside, mut ended) = (0, false);
        for (offset, slot) in block.slots() {
            match slot {
                Some(bytes) if bytes.first() == Some(&0) => {
                    ended = true;
                    break;
                }
                Some(_) => inside = lost.len(),
                None => lost.push(offset),
            }
        }
        for (index, offset) in lost.iter().enumerate() {
            let range = *offset..offset.saturating_add(to_u64(ENTRY));
            self.needs.add(&self.fat.source, range, NeededStructure::FolderList, Some(id), index <= inside);
        }
        self.needs.names = self.needs.names.saturating_add(to_u64(lost.len()));
        // The files in it have chains.
        self.open |= !lost.is_empty();
        self.names_lost |= !lost.is_empty();
        (lost.is_empty(), ended)
    }

    /// Links that were read in neither table: those of a chain that goes on behind a hole may be among them.
    fn further_links(&mut self, other_counts: bool) {
        if !self.open {
            return;
        }
        let fat = self.fat;
        let start = |table: u64| fat.layout.tables.saturating_add(table.saturating_mul(fat.layout.table));
        let active = self.active();
        let mine = start(active);
        let other = (fat.boot.tables == 2 && other_counts).then(|| start(1_u64.saturating_sub(active)));
        let end = self.link_place(active, Cluster(fat.layout.end)).start;
        for hole in fat.source.reality(mine, end.saturating_sub(mine)).holes {
            let length = hole.range.end.saturating_sub(hole.range.start);
            let parts = match other {
                None => vec![hole.range],
                Some(other) => {
                    let there = other.saturating_add(hole.range.start.saturating_sub(mine));
                    let both = fat.source.reality(there, length).holes.into_iter();
                    let back = |at: u64| mine.saturating_add(at.saturating_sub(other));
                    both.map(|both| back(both.range.start)..back(both.range.end)).collect()
                }
            };
            for part in parts {
                self.needs.add(&fat.source, part, NeededStructure::AllocationTable, None, false);
            }
        }
    }
}

/// The number of the table that counts.
fn active(boot: &BootSector) -> u64 {
    boot.only_active.unwrap_or(0).min(boot.tables.saturating_sub(1))
}
