//! What the root folder tells of the volume itself: its label and GUID, its allocation bitmap and up-case table.

use std::collections::HashSet;
use std::ops::Range;

use super::chain::{Budget, Chain, contiguous, follow};
use super::structures::{Entry, TableEntry, entry_type, guid, label};
use super::table::Table;
use super::units::Heap;
use crate::bytes::{at_most, to_u64, to_usize};
use crate::error::Result;
use crate::source::Source;

/// The volume's own entries.
#[derive(Debug, Default)]
pub(super) struct Own {
    /// The first bitmap, and the one that belongs to the second FAT.
    pub(super) bitmaps: [Option<TableEntry>; 2],
    pub(super) upcase: Option<TableEntry>,
    pub(super) label: Option<String>,
    pub(super) guid: Option<String>,
}

impl Own {
    /// Takes what an entry of the root says.
    pub(super) fn add(&mut self, entry: &Entry) {
        match entry.first().copied() {
            Some(entry_type::BITMAP) => {
                let table = TableEntry::from_bytes(entry);
                let second = table.is_some_and(|table| table.flags & 1 != 0);
                let [one, two] = &mut self.bitmaps;
                let place = if second { two } else { one };
                *place = place.or(table);
            }
            Some(entry_type::UPCASE) => self.upcase = self.upcase.or_else(|| TableEntry::from_bytes(entry)),
            Some(entry_type::LABEL) => self.label = label(entry).filter(|label| !label.is_empty()),
            Some(entry_type::GUID) => self.guid = guid(entry),
            _ => {}
        }
    }
}

/// Which of the volume's own entries a list has had.
#[derive(Debug, Default)]
pub(super) struct Once(HashSet<[u8; 2]>);

impl Once {
    /// Whether an entry is the first of its kind.
    pub(super) fn take(&mut self, entry: &Entry) -> bool {
        let [kind, flags, ..] = *entry;
        let second_bitmap = if kind == entry_type::BITMAP { flags & 1 } else { 0 };
        self.0.insert([kind, second_bitmap])
    }
}

/// The clusters of a table that the volume keeps for itself.
pub(super) fn place(table: &mut Table<'_>, heap: Heap, entry: &TableEntry, budget: &mut Budget) -> Result<Chain> {
    match heap.clusters(entry.length) {
        0 => Ok(Chain::default()),
        // Where the first cluster is all there is, the FAT has nothing to add.
        1 => Ok(contiguous(heap, entry.first, 1)),
        need => follow(table, heap, entry.first, need, budget),
    }
}

/// The first bytes of a stream of `length` bytes, at most `limit` and never more than the image has, and which of them
/// are not there.
pub(super) fn read(
    source: &Source,
    heap: Heap,
    runs: &[Range<u64>],
    length: u64,
    limit: usize,
) -> Result<(Vec<u8>, Vec<Range<u64>>)> {
    let length = at_most(length.min(source.length_in_image()), limit);
    let mut bytes = vec![0; length];
    let mut holes: Vec<Range<u64>> = Vec::new();
    let mut at = 0_usize;
    for run in runs {
        let place = heap.place(run);
        let wanted = at_most(place.end.saturating_sub(place.start), length.saturating_sub(at));
        let end = at.saturating_add(wanted);
        let Some(slot) = bytes.get_mut(at..end) else { break };
        for hole in source.read_at(place.start, slot)?.holes {
            let in_stream = |byte: u64| byte.saturating_sub(place.start).saturating_add(to_u64(at));
            holes.push(in_stream(hole.range.start)..in_stream(hole.range.end));
        }
        at = end;
    }
    if at < length {
        holes.push(to_u64(at)..to_u64(length));
    }
    Ok((bytes, holes))
}

/// Whether a map speaks for all of a chain, and for what says where it lies.
pub(super) fn is_vouched(source: &Source, heap: Heap, chain: &Chain) -> bool {
    let is_unknown = |place: Range<u64>| source.reality(place.start, place.end.saturating_sub(place.start)).unknown;
    !chain.unknown && !chain.runs.iter().any(|run| is_unknown(heap.place(run)))
}

/// Whether the whole stream was read.
pub(super) fn is_whole(bytes: &[u8], holes: &[Range<u64>], length: u64) -> bool {
    holes.is_empty() && to_usize(length) == Some(bytes.len())
}
