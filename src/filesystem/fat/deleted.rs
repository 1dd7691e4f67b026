//! Deleted files: what their entries still say, and who claims their clusters now.

use std::collections::{BTreeMap, HashSet};
use std::ops::Range;

use super::block::{Block, LONGEST};
use super::listing;
use super::object::{describe, place};
use super::sweep::{Claimed, Home, Known, Sweep, index};
use super::units::Cluster;
use crate::catalog::{Distrust, Findings, ObjectId, ObjectKind};
use crate::error::Result;
use crate::filesystem::MOST_CLAIMED;
use crate::filesystem::bitmap::Bitmap;

/// How many clusters of deleted files are looked at for each cluster of the volume: they may claim one many times over.
const LOOKS_PER_CLUSTER: u64 = 16;

impl Sweep<'_> {
    /// Enters all deleted entries, and those in deleted folders that still begin where they did. Answers which ranges of
    /// each file somebody claims now.
    pub(super) fn all_deleted(
        &mut self,
        settled: &Claimed,
        bitmap: &Bitmap,
    ) -> Result<BTreeMap<ObjectId, Vec<Range<u64>>>> {
        let fat = self.fat;
        let mut looks = u64::from(fat.layout.end).saturating_mul(LOOKS_PER_CLUSTER);
        let mut all: BTreeMap<ObjectId, Vec<Range<u64>>> = BTreeMap::new();
        let mut read: HashSet<Cluster> = HashSet::new();
        while let Some((owner, mut named)) = self.deleted.pop() {
            named.distrust.insert(Distrust::Deleted);
            // A reason of the live entry's own checks says nothing more of one that is gone.
            let mut object = describe(&named);
            let parts = self.parts();
            let is_folder = object.kind == ObjectKind::Folder;
            let mut ranges = Vec::new();
            if !is_folder {
                let chain = place(parts, &named, &mut object, &mut self.steps, &mut Findings::default());
                let mut in_file = 0_u64;
                for (start, length) in chain.into_iter().flat_map(|chain| chain.runs) {
                    let run = start.number()..start.number().saturating_add(length);
                    let found = match looks.checked_sub(length) {
                        Some(left) => {
                            looks = left;
                            settled.claimed(run.clone(), Some(bitmap))
                        }
                        // Not looked at: taken for claimed.
                        None => vec![run.clone()],
                    };
                    for part in found {
                        let byte = |cluster: u64| {
                            let inside = fat.layout.bytes(cluster.saturating_sub(run.start));
                            in_file.saturating_add(inside).min(object.size)
                        };
                        let range = byte(part.start)..byte(part.end);
                        if range.start < range.end && ranges.len() < MOST_CLAIMED {
                            ranges.push(range);
                        }
                    }
                    in_file = in_file.saturating_add(fat.layout.bytes(length));
                }
            }
            let id = self.builder.object(object)?;
            if !ranges.is_empty() {
                all.insert(id, ranges);
            }
            let own = index(self.known.len());
            let home = usize::try_from(owner).ok().and_then(|at| self.known.get(at)).and_then(|known| known.id);
            self.known.push(Known { id: Some(id), home: Some(owner), doubtful: true, unknown: false });
            match home {
                Some(home) => self.name(Home::Folder(home), id, &named.name)?,
                None => self.name(Home::Lost(named.offset), id, &named.name)?,
            }
            let first = Cluster(named.entry.first_cluster(fat.boot.width));
            if is_folder && fat.layout.has(first) && read.insert(first) && bitmap.get(first.number()) != Some(true) {
                self.deleted_folder(own, first, bitmap, &mut read)?;
            }
        }
        Ok(all)
    }

    /// Reads the list of a deleted folder, as far as it goes on in free clusters.
    fn deleted_folder(
        &mut self,
        owner: u32,
        first: Cluster,
        bitmap: &Bitmap,
        read: &mut HashSet<Cluster>,
    ) -> Result<()> {
        let fat = self.fat;
        let mut cluster = first;
        let mut left = LONGEST.checked_div(fat.layout.cluster).unwrap_or(0).max(1);
        loop {
            let block = Block::read(&fat.source, [(fat.layout.offset(cluster), fat.layout.cluster.min(LONGEST))])?;
            let mut reading = self.reading();
            reading.deleted = true;
            let listing = listing::read(&fat.source, &block, reading, &mut Findings::default());
            let own = listing.dots.first().copied().flatten().map(|entry| entry.first_cluster(fat.boot.width));
            let goes_on = if cluster == first { own == Some(first.0) } else { own.is_none() && !listing.unsound };
            if !goes_on {
                return Ok(());
            }
            let ended = listing.ended || listing.partly_read;
            self.deleted.extend(listing.live.into_iter().chain(listing.deleted).map(|named| (owner, named)));
            cluster = cluster.next();
            left = left.saturating_sub(1);
            if ended || left == 0 || bitmap.get(cluster.number()) != Some(false) || !read.insert(cluster) {
                return Ok(());
            }
        }
    }
}
