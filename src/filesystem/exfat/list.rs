//! A folder's list as entries one after another, up to its end mark, with the places where it was not read.

use std::collections::HashSet;
use std::ops::Range;

use super::structures::{ENTRY, Entry, entry_type};
use super::units::Heap;
use crate::bytes::{at_most, to_u64, to_usize};
use crate::error::Result;
use crate::source::{Hole, Source};

/// A folder has at most 256 MiB (exFAT specification, 7.6.6).
pub(super) const MOST_BYTES: u64 = 256 << 20;

/// How much of a list is read at once, in bytes.
const PIECE: usize = 64 << 10;

/// As much of a list as most sets lie in.
const ONE_SET: usize = 1024;

/// What comes next in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Slot {
    /// An entry, and the byte of the volume at which it starts.
    Entry { offset: u64, entry: Entry },
    /// So many entries were not read.
    Hole { entries: u64 },
}

/// A list that is being read.
pub(super) struct List<'a> {
    source: &'a Source,
    heap: Heap,
    /// What is still to be read, in clusters, last run first.
    runs: Vec<Range<u64>>,
    /// Bytes that the list may still have.
    left: u64,
    /// Clusters of lists that were read: none is read twice.
    visited: &'a mut HashSet<u64>,
    /// The piece at hand: where it starts, its bytes and holes, and how far it was handed out.
    start: u64,
    bytes: Vec<u8>,
    holes: Vec<Hole>,
    at: usize,
    /// Where to begin, if not at the start of the first cluster.
    begin: Option<u64>,
    /// How much is read at once, in bytes.
    piece: usize,
    peeked: Option<Slot>,
    /// Whether the end mark was read.
    pub(super) marked: bool,
    /// Whether entries in use stand behind the end mark, where nothing may stand: the mark may be none.
    pub(super) beyond_mark: bool,
    /// Where the first entry lies that was not read, before the end mark.
    pub(super) first_hole: Option<u64>,
    /// Bytes that were not read, before the end mark.
    pub(super) hole_bytes: u64,
    /// Whether it runs into a cluster that is another list's.
    pub(super) revisited: bool,
    /// Whether nobody vouches for some of the entries.
    pub(super) unknown: bool,
}

impl<'a> List<'a> {
    /// The list of at most `length` bytes that lies in `runs`.
    pub(super) fn new(
        source: &'a Source,
        heap: Heap,
        runs: &[Range<u64>],
        length: u64,
        visited: &'a mut HashSet<u64>,
    ) -> Self {
        Self {
            source,
            heap,
            runs: runs.iter().rev().cloned().collect(),
            left: length.min(MOST_BYTES),
            visited,
            start: 0,
            bytes: Vec::new(),
            holes: Vec::new(),
            at: 0,
            begin: None,
            piece: PIECE,
            peeked: None,
            marked: false,
            beyond_mark: false,
            first_hole: None,
            hole_bytes: 0,
            revisited: false,
            unknown: false,
        }
    }

    /// The list from the entry at byte `offset` of the volume on, which lies in the first of `runs`; for one set.
    pub(super) fn from_entry(
        source: &'a Source,
        heap: Heap,
        runs: &[Range<u64>],
        offset: u64,
        visited: &'a mut HashSet<u64>,
    ) -> Self {
        let mut list = Self::new(source, heap, runs, MOST_BYTES, visited);
        (list.begin, list.piece) = (Some(offset), ONE_SET);
        list
    }

    /// What comes next; `None` at the end mark and where the list's clusters end.
    pub(super) fn next(&mut self) -> Result<Option<Slot>> {
        if let Some(slot) = self.peeked.take() {
            return Ok(Some(slot));
        }
        if self.marked {
            return Ok(None);
        }
        loop {
            let offset = self.start.saturating_add(to_u64(self.at));
            let end = self.at.saturating_add(ENTRY);
            let Some(entry) = self.bytes.get(self.at..end).and_then(|bytes| bytes.first_chunk::<ENTRY>()) else {
                match self.fetch()? {
                    Fetched::Piece => continue,
                    Fetched::Nothing(entries) => return Ok(Some(Slot::Hole { entries })),
                    Fetched::End => return Ok(None),
                }
            };
            let entry = *entry;
            self.at = end;
            let after = offset.saturating_add(to_u64(ENTRY));
            if self.holes.iter().any(|hole| hole.range.start < after && offset < hole.range.end) {
                self.note_hole(offset, to_u64(ENTRY));
                return Ok(Some(Slot::Hole { entries: 1 }));
            }
            if entry.first() == Some(&entry_type::END) {
                self.marked = true;
                let rest = self.bytes.get(end..).unwrap_or_default().chunks_exact(ENTRY);
                // What was not read is zeros here, and speaks neither for nor against it.
                self.beyond_mark =
                    rest.into_iter().any(|entry| entry.first().is_some_and(|first| first & entry_type::IN_USE != 0));
                return Ok(None);
            }
            return Ok(Some(Slot::Entry { offset, entry }));
        }
    }

    /// What comes next, without taking it.
    pub(super) fn peek(&mut self) -> Result<Option<&Slot>> {
        if self.peeked.is_none() {
            self.peeked = self.next()?;
        }
        Ok(self.peeked.as_ref())
    }

    /// Puts back what is left of a hole.
    pub(super) fn put_back_hole(&mut self, entries: u64) {
        if entries > 0 {
            self.peeked = Some(Slot::Hole { entries });
        }
    }

    fn note_hole(&mut self, offset: u64, length: u64) {
        self.first_hole.get_or_insert(offset);
        self.hole_bytes = self.hole_bytes.saturating_add(length);
    }

    /// Reads the next piece, never across the border of a cluster that another list has.
    fn fetch(&mut self) -> Result<Fetched> {
        let Some(run) = self.runs.last_mut().filter(|_| self.left >= to_u64(ENTRY)) else { return Ok(Fetched::End) };
        if run.start >= run.end {
            self.runs.pop();
            self.bytes.clear();
            self.at = 0;
            return Ok(Fetched::Piece);
        }
        // The next byte to read: inside a cluster if the last piece was a part of it.
        let cluster = self.heap.offset(run.start);
        let cluster_end = self.heap.offset(run.start.saturating_add(1));
        let last = self.start.saturating_add(to_u64(self.bytes.len()));
        let inside = last > cluster && last < cluster_end && !self.bytes.is_empty();
        let offset = if inside { last } else { self.begin.take().unwrap_or(cluster) };
        if !inside && !self.visited.insert(run.start) {
            self.revisited = true;
            return Ok(Fetched::End);
        }
        if offset >= self.source.length_in_image() {
            // Not entry by entry: how long the rest of the run is, is the volume's word, and may be anything.
            let rest = self.heap.offset(run.end).saturating_sub(offset).min(self.left);
            self.runs.pop();
            self.bytes.clear();
            self.at = 0;
            self.left = self.left.saturating_sub(rest);
            self.note_hole(offset, rest);
            return Ok(Fetched::Nothing(rest.checked_div(to_u64(ENTRY)).unwrap_or(0)));
        }
        let length = at_most(cluster_end.saturating_sub(offset).min(self.left), self.piece);
        self.bytes.resize(length, 0);
        let reality = self.source.read_at(offset, &mut self.bytes)?;
        self.unknown |= reality.unknown;
        self.holes = reality.holes;
        (self.start, self.at) = (offset, 0);
        self.left = self.left.saturating_sub(to_u64(length));
        if offset.saturating_add(to_u64(length)) >= cluster_end {
            run.start = run.start.saturating_add(1);
        }
        Ok(Fetched::Piece)
    }
}

enum Fetched {
    /// Go on with it.
    Piece,
    /// So many entries lie after the image's end.
    Nothing(u64),
    End,
}

/// The whole clusters of a volume that lie in its image.
pub(super) fn clusters_in_image(source: &Source, heap: Heap) -> u64 {
    let bytes = source.length_in_image().saturating_sub(heap.start);
    let clusters = bytes.div_ceil(heap.cluster_size.max(1)).min(u64::from(heap.count));
    to_usize(clusters).map_or(0, to_u64)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::image::MemoryImage;
    use crate::sector_map::{Basis, ByteState, SectorMap, Segment};

    const HEAP: Heap = Heap { start: 0, cluster_size: 1024, count: 100 };

    /// Eight clusters of entries whose second byte counts them.
    fn bytes(count: usize) -> Vec<u8> {
        let mut bytes = vec![0; 8192];
        for index in 0..count {
            (bytes[index * 32], bytes[index * 32 + 1]) = (0x85, index as u8);
        }
        bytes
    }

    fn numbers(bytes: Vec<u8>, unread: &[Range<u64>], runs: &[Range<u64>], length: u64) -> (Vec<i64>, bool, u64) {
        let segments: Vec<Segment> =
            unread.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
        let map = SectorMap::from_ranges(8192, Basis::Full, ByteState::Read, &segments).unwrap();
        let source = Source::new(Arc::new(MemoryImage::new(bytes)), &map, 512).window(0, 100 * 1024);
        let mut visited = HashSet::new();
        let mut list = List::new(&source, HEAP, runs, length, &mut visited);
        let mut numbers = Vec::new();
        while let Some(slot) = list.next().unwrap() {
            numbers.push(match slot {
                Slot::Entry { entry, .. } => i64::from(entry[1]),
                Slot::Hole { entries } => -(entries as i64),
            });
        }
        (numbers, list.marked, list.hole_bytes)
    }

    #[test]
    fn up_to_the_end_mark_in_the_order_of_the_runs() {
        let (read, marked, holes) = numbers(bytes(70), &[], &[0..3], 3072);
        assert_eq!((read, marked, holes), ((0..70).collect(), true, 0));
        let (read, marked, _) = numbers(bytes(96), &[], &[2..3, 0..1], 2048);
        assert_eq!((read, marked), ((64..96).chain(0..32).collect(), false));
        let (read, marked, _) = numbers(bytes(96), &[], &[0..3], 1056);
        assert_eq!((read, marked), ((0..33).collect(), false), "no longer than it says");
    }

    #[test]
    fn holes_count_and_what_lies_after_the_mark_does_not() {
        let (read, marked, holes) = numbers(bytes(70), &[512..1024], &[0..3], 3072);
        assert_eq!(read, (0..16).chain([-1; 16]).chain(32..70).collect::<Vec<_>>());
        assert_eq!((marked, holes), (true, 512));
        assert_eq!(numbers(bytes(10), &[512..1024], &[0..3], 3072).2, 0);
        // Past the image's end in one step.
        let (read, marked, holes) = numbers(bytes(256), &[], &[7..50, 0..1], 44 * 1024);
        assert_eq!(read, (224..256).chain([-(42 * 32)]).chain(0..32).collect::<Vec<_>>());
        assert_eq!((marked, holes), (false, 42 * 1024));
    }

    #[test]
    fn no_cluster_is_read_twice() {
        let (read, marked, _) = numbers(bytes(256), &[], &[0..2, 1..4], 9000);
        assert_eq!((read, marked), ((0..64).collect(), false));
    }
}
