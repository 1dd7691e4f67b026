//! The file allocation table: from one cluster of a chain to the next.

use super::structures::BootSector;
use super::units::{Cluster, Heap};
use crate::bytes::{at_most, le_u32, to_u64, to_usize};
use crate::error::Result;
use crate::source::{Reality, Source};

/// Bytes of the table that are read at once, and how many such pieces are kept: chains of different files take turns
/// in it, and a hostile one jumps about.
const PIECE: u64 = 4096;
const KEPT: usize = 2048;

/// What stands in the table for a cluster (specification, 4.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Link {
    /// The chain goes on with the cluster of this index.
    Next(u64),
    /// It ends here.
    End,
    /// Nothing: the cluster is in no chain.
    Free,
    /// The cluster is bad.
    Bad,
    /// A number that no cluster has.
    Outside,
    /// It was not read.
    Unread,
}

/// A link, and what it is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) link: Link,
    /// Nobody vouches for it.
    pub(super) unknown: bool,
    /// It stands in the table that is not in use, or nobody knows which one is.
    pub(super) from_other: bool,
}

struct Piece {
    number: u64,
    bytes: Vec<u8>,
    reality: Reality,
}

/// A volume's table, of which pieces are read as they are asked for.
pub(super) struct Table<'a> {
    source: &'a Source,
    heap: Heap,
    /// The first bytes of the table in use and of the other one, and their length.
    start: u64,
    other: Option<u64>,
    length: u64,
    /// Nobody knows which of two tables is in use.
    undecided: bool,
    kept: Vec<Option<Piece>>,
}

impl<'a> Table<'a> {
    /// The table of a volume whose boot sector's VolumeFlags are `flags`, if they are known.
    pub(super) fn new(source: &'a Source, boot: &BootSector, flags: Option<u16>) -> Self {
        let second = (boot.fats == 2).then(|| boot.fat_start.saturating_add(boot.fat_length));
        let second_in_use = flags.is_some_and(|flags| flags & BootSector::SECOND_FAT != 0);
        let (start, other) = match second.filter(|_| second_in_use) {
            Some(second) => (second, Some(boot.fat_start)),
            None => (boot.fat_start, second),
        };
        Self {
            source,
            heap: boot.heap,
            start,
            other,
            length: boot.fat_length,
            undecided: second.is_some() && flags.is_none(),
            kept: Vec::new(),
        }
    }

    /// What stands for the cluster with this index.
    pub(super) fn get(&mut self, index: u64) -> Result<Entry> {
        let mut entry = self.entry_at(self.start, index)?;
        entry.from_other |= self.undecided;
        if entry.link == Link::Unread
            && let Some(other) = self.other
        {
            entry = self.entry_at(other, index)?;
            entry.from_other = true;
        }
        Ok(entry)
    }

    /// Where the link of a cluster stands in the table in use, in bytes of the volume.
    pub(super) fn place(&self, index: u64) -> Option<std::ops::Range<u64>> {
        let Cluster(number) = self.heap.cluster(index)?;
        let at = self.start.saturating_add(u64::from(number).saturating_mul(4));
        Some(at..at.saturating_add(4))
    }

    /// All of the table in use, in bytes of the volume.
    pub(super) fn all(&self) -> std::ops::Range<u64> {
        let links = u64::from(self.heap.count).saturating_add(2).saturating_mul(4);
        self.start..self.start.saturating_add(links.min(self.length))
    }

    fn entry_at(&mut self, table: u64, index: u64) -> Result<Entry> {
        let unread = Entry { link: Link::Unread, unknown: false, from_other: false };
        let Some(Cluster(number)) = self.heap.cluster(index) else { return Ok(unread) };
        let within = u64::from(number).saturating_mul(4);
        // Tables start at sectors, so that no entry lies across two pieces.
        let at = table.saturating_add(within);
        if within.saturating_add(4) > self.length {
            return Ok(unread);
        }
        let Some(piece) = self.piece(at / PIECE)? else { return Ok(unread) };
        let end = at.saturating_add(4);
        if piece.reality.holes.iter().any(|hole| hole.range.start < end && at < hole.range.end) {
            return Ok(unread);
        }
        let value = to_usize(at % PIECE).and_then(|at| le_u32(&piece.bytes, at));
        let piece_unknown = piece.reality.unknown;
        // Only a part of the piece may be unknown.
        let unknown = piece_unknown && self.source.reality(at, 4).unknown;
        let link = match value {
            None => Link::Unread,
            Some(0xffff_ffff) => Link::End,
            Some(0xffff_fff7) => Link::Bad,
            Some(0) => Link::Free,
            Some(value) => self.heap.index(Cluster(value)).map_or(Link::Outside, Link::Next),
        };
        Ok(Entry { link, unknown, from_other: false })
    }

    fn piece(&mut self, number: u64) -> Result<Option<&Piece>> {
        if self.kept.is_empty() {
            self.kept.resize_with(KEPT, || None);
        }
        let place = number.checked_rem(to_u64(KEPT)).and_then(to_usize);
        let Some(place) = place.and_then(|place| self.kept.get_mut(place)) else { return Ok(None) };
        if place.as_ref().is_none_or(|piece| piece.number != number) {
            let mut bytes = vec![0; at_most(PIECE, 4096)];
            let reality = self.source.read_at(number.saturating_mul(PIECE), &mut bytes)?;
            *place = Some(Piece { number, bytes, reality });
        }
        Ok(place.as_ref())
    }
}
