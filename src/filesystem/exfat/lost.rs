//! Folders whose own entry is lost: clusters in use that nobody claims are searched for entry sets with a right
//! checksum. What they hold is shown under `/(no folder)`, and never as more than doubtful: nothing proves that such a
//! list is still in force.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::ops::Range;

use super::chain::Chain;
use super::entry_set::{self, Item, Worth, kind};
use super::list::{List, clusters_in_image};
use super::object::{Made, Parts, make};
use super::structures::{ENTRY, Entry, FileEntry, entry_type};
use super::sweep::{Sweep, Trust};
use super::table::Link;
use super::tree::Parent;
use super::units::Heap;
use crate::bytes::{at_most, to_usize};
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::Owner;
use crate::progress::{Progress, Unit};
use crate::source::Source;

/// How much of a cluster shows whether it can be a list, in bytes.
const LOOK: usize = 512;

/// A cluster that can be a piece of a list.
struct Found {
    /// It holds an entry set with a right checksum.
    sound: bool,
    /// It has no end mark: the list may go on elsewhere.
    open: bool,
    /// Clusters of the folders that it lists.
    folders: Vec<Range<u64>>,
}

/// Searches the volume, and reads what was found.
pub(super) fn search(sweep: &mut Sweep<'_>, bitmap: Option<&Bitmap>, progress: &dyn Progress) -> Result<()> {
    let all = clusters_in_image(sweep.source, sweep.heap);
    // Where the bitmap is lost, any cluster may be in use.
    let stand_in = || Bitmap::new(vec![0xff; at_most(all.div_ceil(8), usize::MAX)], Vec::new());
    let made;
    let bitmap = match bitmap {
        Some(bitmap) => bitmap,
        None => {
            made = stand_in();
            &made
        }
    };
    let unclaimed = sweep.claims.clone().settle(None, all).unclaimed(bitmap, all);
    let count: u64 = unclaimed.iter().map(|run| run.end.saturating_sub(run.start)).fold(0, u64::saturating_add);
    progress.begin("looking for lost folders", sweep.heap.bytes(count), Unit::Bytes);
    let mut found = BTreeMap::new();
    for index in unclaimed.into_iter().flatten() {
        progress.advance(sweep.heap.cluster_size);
        if may_be_list(sweep.source, sweep.heap, index)? {
            found.insert(index, look(sweep, index)?);
        }
    }
    let listed: Vec<Range<u64>> = found.values().flat_map(|piece| piece.folders.iter().cloned()).collect();
    let listed = joined(listed);
    let is_listed = |index: u64| {
        let next = listed.partition_point(|run| run.end <= index);
        listed.get(next).is_some_and(|run| run.contains(&index))
    };
    // Where a list goes on that no entry places: by the table, and else in the next cluster.
    let free: BTreeSet<u64> = found.keys().copied().filter(|index| !is_listed(*index)).collect();
    let mut next_of = BTreeMap::new();
    for index in found.iter().filter(|(index, piece)| piece.open && free.contains(index)).map(|(index, _)| index) {
        let next = match sweep.table.get(*index)?.link {
            Link::Next(next) => Some(next),
            Link::Free | Link::Unread => index.checked_add(1),
            Link::End | Link::Bad | Link::Outside => None,
        };
        if let Some(next) = next.filter(|next| free.contains(next)) {
            next_of.insert(*index, next);
        }
    }
    let followers: BTreeSet<u64> = next_of.values().copied().collect();
    // Those that nothing leads to first; then what is left, which runs in a loop or is listed in itself.
    let heads = free.iter().filter(|index| !followers.contains(index));
    // Each cluster is put into one chain, whether that holds anything or not.
    let mut tried = HashSet::new();
    for head in heads.chain(found.keys()) {
        let mut chain = Chain::default();
        let mut sound = false;
        let mut at = Some(*head);
        while let Some(index) = at.filter(|index| !sweep.visited.contains(index) && tried.insert(*index)) {
            chain.runs.push(index..index.saturating_add(1));
            sound |= found.get(&index).is_some_and(|piece| piece.sound);
            at = next_of.get(&index).copied();
        }
        if sound {
            folder(sweep, &chain, *head, progress)?;
        }
    }
    progress.end();
    Ok(())
}

/// Reads a list that nobody places, and all below it.
fn folder(sweep: &mut Sweep<'_>, chain: &Chain, head: u64, progress: &dyn Progress) -> Result<()> {
    let place = sweep.heap.offset(head);
    sweep.findings.add(FindingKind::LostFolderFound, Some(sweep.source.image_offset(place)), Some(place), || "");
    sweep.claim(chain, Owner::SetAside);
    let length = sweep.heap.bytes(chain.clusters());
    sweep.entries(chain, length, Parent::Lost(place), Trust::Lost, progress)?;
    sweep.walk(progress)
}

/// Sorted, and without overlaps.
fn joined(mut runs: Vec<Range<u64>>) -> Vec<Range<u64>> {
    runs.sort_unstable_by_key(|run| run.start);
    let mut all: Vec<Range<u64>> = Vec::with_capacity(runs.len());
    for run in runs {
        match all.last_mut() {
            Some(last) if run.start <= last.end => last.end = last.end.max(run.end),
            _ => all.push(run),
        }
    }
    all
}

/// Whether the first bytes of a cluster can be entries; so they can if they were not read.
fn may_be_list(source: &Source, heap: Heap, index: u64) -> Result<bool> {
    let mut bytes = vec![0; at_most(heap.cluster_size, LOOK)];
    let reality = source.read_at(heap.offset(index), &mut bytes)?;
    if !reality.is_all_there() {
        return Ok(true);
    }
    let mut some = false;
    let mut ended = false;
    for entry in bytes.chunks_exact(ENTRY).filter_map(|bytes| bytes.first_chunk::<ENTRY>()) {
        let sound = match (entry.first().copied(), ended) {
            (Some(entry_type::END), _) => {
                ended = true;
                true
            }
            (_, true) => false,
            _ => is_entry(entry),
        };
        if !sound {
            return Ok(false);
        }
        some |= !ended;
    }
    Ok(some)
}

fn is_entry(entry: &Entry) -> bool {
    matches!(
        kind(entry),
        entry_type::FILE | entry_type::STREAM | entry_type::NAME | entry_type::BITMAP | entry_type::UPCASE
            | entry_type::LABEL | 0xa0..=0xa1 | 0xe0..=0xe1
    )
}

/// Looks for sound sets in one cluster.
fn look(sweep: &mut Sweep<'_>, index: u64) -> Result<Found> {
    let mut own = HashSet::new();
    let run = index..index.saturating_add(1);
    let mut list = List::new(sweep.source, sweep.heap, &[run], sweep.heap.cluster_size, &mut own);
    let mut sound = false;
    let mut folders = Vec::new();
    while let Some(item) = entry_set::next(&mut list, false)? {
        let Item::Set(set) = item else { continue };
        if set.worth != Worth::Sound {
            continue;
        }
        sound = true;
        if set.file().is_some_and(|file| file.attributes & FileEntry::FOLDER != 0) {
            let (table, budget) = (&mut sweep.table, &mut sweep.budget);
            let mut parts = Parts { source: sweep.source, heap: sweep.heap, table, budget };
            let Made { chain, .. } = make(&mut parts, &set)?;
            folders.extend(chain.runs);
        }
    }
    Ok(Found { sound, open: !list.marked, folders })
}

/// Whether a chain opens with an entry set whose checksum is right.
pub(super) fn is_list(source: &Source, heap: Heap, chain: &Chain) -> Result<bool> {
    let Some(first) = chain.runs.first() else { return Ok(false) };
    let run = first.start..first.start.saturating_add(1);
    let mut own = HashSet::new();
    let mut list = List::from_entry(source, heap, &[run], heap.offset(first.start), &mut own);
    let opening = entry_set::next(&mut list, false)?;
    Ok(matches!(opening, Some(Item::Set(set)) if set.worth == Worth::Sound && to_usize(set.offset).is_some()))
}
