//! Folders that no folder names: clusters in use that nobody claims are searched for lists.

use std::collections::BTreeMap;
use std::ops::Range;

use super::block::{Block, LONGEST};
use super::chain::{End, follow};
use super::listing::{self, Listing};
use super::structures::{ENTRY, LongEntry, ShortEntry, attribute};
use super::sweep::{Job, Known, Sweep, index};
use super::units::Cluster;
use crate::bytes::slice;
use crate::catalog::{FindingKind, Findings, Timestamp};
use crate::error::Result;
use crate::progress::{Progress, Unit};

impl Sweep<'_> {
    /// Finds folders in clusters that are in use and not claimed. Those that open with `.` and `..` come first: they say
    /// where they begin. Then lists without a beginning, whose every entry must be sound.
    pub(super) fn lost_folders(&mut self, unclaimed: &[Range<u64>], progress: &dyn Progress) -> Result<()> {
        let count = unclaimed.iter().map(|run| run.end.saturating_sub(run.start)).sum();
        progress.begin("searching for lost folders", count, Unit::Records);
        let mut heads: BTreeMap<Cluster, u32> = BTreeMap::new();
        for cluster in clusters(unclaimed) {
            progress.advance(1);
            if let Some(above) = self.opens_folder(cluster)? {
                heads.insert(cluster, above);
            }
        }
        // A folder that stands in another one found here comes with it; loops and orphans are left for the second round.
        let top = heads.iter().filter(|(_, above)| !heads.contains_key(&Cluster(**above)));
        let rounds: Vec<Cluster> = top.map(|(cluster, _)| *cluster).chain(heads.keys().copied()).collect();
        for first in rounds {
            if !self.visited.contains(&first) {
                self.found(first, progress)?;
            }
        }
        for cluster in clusters(unclaimed) {
            if !self.visited.contains(&cluster) && self.is_list(cluster)? {
                self.found(cluster, progress)?;
            }
        }
        progress.end();
        Ok(())
    }

    /// Reads a list that was found. Nothing proves that it is still in force: its cluster may belong to a lost file by
    /// now that never wrote there (cameras allocate ahead), and what it names, too. So all in it is doubtful.
    fn found(&mut self, first: Cluster, progress: &dyn Progress) -> Result<()> {
        let owner = index(self.known.len());
        self.known.push(Known { id: None, home: None, doubtful: true, unknown: false });
        let offset = self.fat.source.image_offset(self.fat.layout.offset(first));
        self.builder.findings.add(FindingKind::LostFolderFound, Some(offset), Some(u64::from(first.0)), || "");
        self.queue.push_back(Job { owner, first, above: None });
        self.all_folders(progress)
    }

    /// What `..` says, if a cluster opens as a folder that says it is this cluster.
    fn opens_folder(&self, cluster: Cluster) -> Result<Option<u32>> {
        let fat = self.fat;
        let Some((bytes, _)) = fat.source.read_real(fat.layout.offset(cluster), 2 * ENTRY)? else { return Ok(None) };
        let entry = |at: usize| slice(&bytes, at, ENTRY).and_then(ShortEntry::from_bytes);
        let (Some(own), Some(above)) = (entry(0), entry(ENTRY)) else { return Ok(None) };
        let is_pair = own.name == *b".          " && above.name == *b"..         ";
        let says_so = own.first_cluster(fat.boot.width) == cluster.0 && own.is_folder() && above.is_folder();
        Ok((is_pair && says_so).then(|| above.first_cluster(fat.boot.width)))
    }

    /// Whether a cluster holds part of a folder's list and nothing else: every entry is sound and has a date, and each
    /// file's chain is as long as its size asks.
    fn is_list(&mut self, cluster: Cluster) -> Result<bool> {
        let fat = self.fat;
        let Some((head, _)) = fat.source.read_real(fat.layout.offset(cluster), ENTRY)? else { return Ok(false) };
        // Most clusters hold something else, and their first bytes show it.
        if !may_open_list(&head) {
            return Ok(false);
        }
        let block = Block::read(&fat.source, [(fat.layout.offset(cluster), fat.layout.cluster.min(LONGEST))])?;
        if block.has_holes() {
            return Ok(false);
        }
        let listing = listing::read(&fat.source, &block, self.reading(), &mut Findings::default());
        Ok(!listing.unsound && !listing.live.is_empty() && self.all_sound(&listing))
    }

    fn all_sound(&mut self, listing: &Listing) -> bool {
        let fat = self.fat;
        listing.live.iter().all(|named| {
            let entry = &named.entry;
            let first = Cluster(entry.first_cluster(fat.boot.width));
            let (date, time) = entry.modified;
            let dated = Timestamp::from_dos(date, time, 0).is_some();
            if entry.is_folder() {
                return dated && entry.size == 0 && fat.layout.has(first);
            }
            if entry.size == 0 {
                return dated && first == Cluster(0);
            }
            let needed = fat.layout.clusters_for(u64::from(entry.size));
            let fits = fat.layout.has(first) && {
                let chain = follow(&fat.tables, first, needed.saturating_add(1), &mut self.steps);
                chain.end == End::Marked && chain.clusters == needed
            };
            dated && fits
        })
    }
}

/// Whether these bytes can be a folder's entry: live, deleted, or a piece of a long name.
fn may_open_list(head: &[u8]) -> bool {
    let (Some(entry), Some(piece)) = (ShortEntry::from_bytes(head), LongEntry::from_bytes(head)) else { return false };
    if entry.attributes & attribute::ALL == attribute::LONG_NAME {
        return piece.sound;
    }
    let (date, time) = entry.modified;
    let rest = entry.has_sound_name(b'A') && entry.has_sound_attributes();
    rest && entry.name.first() != Some(&0) && Timestamp::from_dos(date, time, 0).is_some()
}

fn clusters(runs: &[Range<u64>]) -> impl Iterator<Item = Cluster> + '_ {
    runs.iter().cloned().flatten().filter_map(|number| u32::try_from(number).ok()).map(Cluster)
}
