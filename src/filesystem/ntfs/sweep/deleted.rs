//! Deleted files: what their one record still says, and what of it others claim now.

use std::collections::BTreeMap;
use std::ops::Range;

use super::super::Ntfs;
use super::super::file::File;
use super::super::object::{make, shown_names};
use super::super::record::Record;
use super::super::tree::{Added, Slot};
use super::super::units::{Lcn, Reference};
use super::Sweep;
use crate::catalog::{Catalog, Findings, ObjectId};
use crate::error::Result;
use crate::filesystem::MOST_CLAIMED;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::Settled;

/// A run of a deleted file.
pub(super) struct DeletedRun {
    owner: Slot,
    clusters: Range<u64>,
    in_file: u64,
}

impl DeletedRun {
    /// The same where the owner's list begins at `first` of another.
    pub(super) fn moved(self, first: Slot) -> Self {
        Self { owner: self.owner.saturating_add(first), ..self }
    }
}

/// For each deleted file, the ranges of it that somebody claims now.
pub(super) fn claimed_ranges(
    ntfs: &Ntfs,
    runs: &[DeletedRun],
    settled: &Settled,
    bitmap: Option<&Bitmap>,
    places: &BTreeMap<Slot, ObjectId>,
    catalog: &Catalog,
) -> BTreeMap<ObjectId, Vec<Range<u64>>> {
    let mut claimed: BTreeMap<ObjectId, Vec<Range<u64>>> = BTreeMap::new();
    // Deleted files may claim one cluster many times over; a volume's worth of looking is enough for all sound ones.
    let mut left = ntfs.boot.total_clusters().saturating_mul(16);
    for DeletedRun { owner, clusters, in_file } in runs {
        let Some(object) = places.get(owner) else { continue };
        let ranges = claimed.entry(*object).or_default();
        let size = catalog.object(*object).size;
        let length = clusters.end.saturating_sub(clusters.start);
        let found = match left.checked_sub(length) {
            Some(rest) => {
                left = rest;
                settled.claimed(clusters.clone(), bitmap)
            }
            // Not looked at: taken for claimed.
            None => vec![clusters.clone()],
        };
        for part in found {
            let byte = |cluster: u64| {
                let inside = ntfs.boot.cluster.bytes(cluster.saturating_sub(clusters.start)).unwrap_or(u64::MAX);
                in_file.saturating_add(inside).min(size)
            };
            let range = byte(part.start)..byte(part.end);
            if range.start < range.end && ranges.len() < MOST_CLAIMED {
                ranges.push(range);
            }
        }
    }
    claimed.retain(|_, ranges| !ranges.is_empty());
    claimed
}

impl Sweep<'_> {
    /// Adds a deleted file to the tree, if the record was one's.
    pub(super) fn deleted(&mut self, base: &Record) -> Result<()> {
        let ntfs = self.ntfs;
        let file = File::load_deleted(ntfs.parts(), base, &mut Findings::default());
        if file.names.is_empty() {
            // An extension record, or one that was never a file's.
            return Ok(());
        }
        let made = make(&ntfs.source, &ntfs.boot, base.number, base.is_folder(), &file);
        let reference = Reference { record: base.number, sequence: base.header.sequence };
        let Added { object, streams } = self.tree.add(reference, true, made, &shown_names(&file.names))?;
        for (name, stream) in file.streams.iter() {
            let slot = streams.iter().find(|(other, _)| other == name).map_or(object, |(_, slot)| *slot);
            for run in stream.pieces.iter().flat_map(|piece| &piece.runs) {
                let (Some(Lcn(lcn)), Some(in_file)) = (run.place, ntfs.boot.cluster.stream_offset(run.first)) else {
                    continue;
                };
                let clusters = lcn..lcn.saturating_add(run.length).min(ntfs.boot.total_clusters());
                self.deleted_runs.push(DeletedRun { owner: slot, clusters, in_file });
            }
        }
        Ok(())
    }
}
