//! What of deleted files somebody else has by now.

use std::collections::BTreeMap;
use std::ops::Range;

use super::chain::Chain;
use super::tree::Slot;
use super::units::Heap;
use crate::catalog::{Catalog, ObjectId};
use crate::filesystem::MOST_CLAIMED;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::Settled;

/// A run of a deleted file.
#[derive(Debug)]
pub(super) struct DeletedRun {
    owner: Slot,
    clusters: Range<u64>,
    /// The byte of the file at which it starts.
    in_file: u64,
}

/// The runs of a deleted file.
pub(super) fn runs(heap: Heap, owner: Slot, chain: &Chain) -> Vec<DeletedRun> {
    let mut at = 0_u64;
    let mut runs = Vec::new();
    for run in &chain.runs {
        runs.push(DeletedRun { owner, clusters: run.clone(), in_file: at });
        at = at.saturating_add(heap.bytes(run.end.saturating_sub(run.start)));
    }
    runs
}

/// For each deleted file, the ranges of it that a live object or the bitmap claims now.
pub(super) fn claimed(
    heap: Heap,
    runs: &[DeletedRun],
    settled: &Settled,
    bitmap: Option<&Bitmap>,
    places: &[ObjectId],
    catalog: &Catalog,
) -> BTreeMap<ObjectId, Vec<Range<u64>>> {
    let mut claimed: BTreeMap<ObjectId, Vec<Range<u64>>> = BTreeMap::new();
    // Deleted files may claim one cluster many times over; a volume's worth of looking is enough for all sound ones.
    let mut left = u64::from(heap.count).saturating_mul(16);
    for DeletedRun { owner, clusters, in_file } in runs {
        let Some(object) = usize::try_from(*owner).ok().and_then(|owner| places.get(owner)) else { continue };
        let ranges = claimed.entry(*object).or_default();
        let size = catalog.object(*object).size;
        let found = match left.checked_sub(clusters.end.saturating_sub(clusters.start)) {
            Some(rest) => {
                left = rest;
                settled.claimed(clusters.clone(), bitmap)
            }
            // Not looked at: taken for claimed.
            None => vec![clusters.clone()],
        };
        for part in found {
            let byte = |cluster: u64| {
                let inside = heap.bytes(cluster.saturating_sub(clusters.start));
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
