//! Byte edits of exFAT volumes that outside tools wrote, with checksums kept right where they should be. Read here after
//! the exFAT specification, without the library.

#![allow(dead_code, reason = "each test file uses its part")]

use std::ops::Range;
use std::sync::Arc;

use handback::catalog::Object;
use handback::filesystem::Swept;
use handback::image::{Image, MemoryImage};
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;

use crate::common::edit::{changes, object, sweep, words};
use crate::common::fixture;

/// The end of a chain, and a cluster that is bad.
pub(crate) const END: u32 = u32::MAX;
pub(crate) const BAD: u32 = 0xffff_fff7;

/// A volume to be changed.
#[derive(Clone)]
pub(crate) struct Volume {
    pub(crate) bytes: Vec<u8>,
    pub(crate) sector: usize,
    pub(crate) cluster: usize,
    pub(crate) clusters: u32,
    pub(crate) root: u32,
    table: usize,
    heap: usize,
}

impl Volume {
    pub(crate) fn of(name: &str) -> Self {
        let bytes = fixture::image(name);
        let number = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four"));
        let sector = 1 << bytes[0x6c];
        let at = |field: usize| number(field) as usize * sector;
        let (table, heap) = (at(0x50), at(0x58));
        let (clusters, root, cluster) = (number(0x5c), number(0x60), sector << bytes[0x6d]);
        Self { bytes, sector, cluster, clusters, root, table, heap }
    }

    pub(crate) fn number(&self, at: usize, width: usize) -> u64 {
        (at..at + width).rev().fold(0, |sum, at| sum << 8 | u64::from(self.bytes[at]))
    }

    pub(crate) fn write(&mut self, at: usize, bytes: &[u8]) {
        self.bytes[at..at + bytes.len()].copy_from_slice(bytes);
    }

    /// Where a cluster lies.
    pub(crate) fn place(&self, cluster: u32) -> Range<u64> {
        let start = self.heap + (cluster as usize - 2) * self.cluster;
        start as u64..(start + self.cluster) as u64
    }

    /// Where the link of a cluster stands.
    pub(crate) fn link_at(&self, cluster: u32) -> usize {
        self.table + 4 * cluster as usize
    }

    pub(crate) fn link(&self, cluster: u32) -> u32 {
        self.number(self.link_at(cluster), 4) as u32
    }

    pub(crate) fn set_link(&mut self, cluster: u32, value: u32) {
        let at = self.link_at(cluster);
        self.write(at, &value.to_le_bytes());
    }

    /// The clusters of a chain.
    pub(crate) fn chain(&self, first: u32) -> Vec<u32> {
        let mut chain = vec![first];
        while let next @ 2..=0xffff_fff6 = self.link(chain[chain.len() - 1]) {
            chain.push(next);
        }
        chain
    }

    /// Where the entry of the bitmap stands: the root's second or third.
    pub(crate) fn own_entry(&self, kind: u8) -> usize {
        let start = self.place(self.root).start as usize;
        (start..start + self.cluster).step_by(32).find(|at| self.bytes[*at] == kind).expect("the root has one")
    }

    /// Where the byte of the bitmap stands in which a cluster's bit is.
    pub(crate) fn bit_at(&self, cluster: u32) -> usize {
        let first = self.number(self.own_entry(0x81) + 20, 4) as u32;
        self.place(first).start as usize + (cluster as usize - 2) / 8
    }

    pub(crate) fn clear_bit(&mut self, cluster: u32) {
        let (at, mask) = (self.bit_at(cluster), 1 << ((cluster - 2) % 8));
        assert_ne!(self.bytes[at] & mask, 0, "cluster {cluster} is in use");
        self.bytes[at] &= !mask;
    }

    pub(crate) fn source(&self) -> Source {
        self.with_holes(&[])
    }

    /// All was read but `holes`, in order.
    pub(crate) fn with_holes(&self, holes: &[Range<u64>]) -> Source {
        let image: Arc<dyn Image> = Arc::new(MemoryImage::new(self.bytes.clone()));
        let state = ByteState::Unread;
        let ranges: Vec<Segment> = holes.iter().map(|range| Segment { range: range.clone(), state }).collect();
        let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &ranges).expect("in order");
        Source::new(image, &map, 512)
    }

    pub(crate) fn sweep(&self) -> Swept {
        sweep(&self.source())
    }

    /// The entries of the set of a file or folder. Which lie in one piece.
    pub(crate) fn set(&self, path: &str) -> Set {
        let swept = self.sweep();
        let object: &Object = object(&swept, path);
        let start = object.locator as usize;
        let set = Set { start, count: 1 + usize::from(self.bytes[start + 1]) };
        assert_eq!((self.bytes[start], self.bytes[set.stream()]), (0x85, 0xc0), "{path} lies in one piece");
        set
    }

    /// The first cluster of a set's content, and its size.
    pub(crate) fn content(&self, set: Set) -> (u32, u64) {
        (self.number(set.stream() + 20, 4) as u32, self.number(set.stream() + 24, 8))
    }

    /// Sets the checksum of a set right.
    pub(crate) fn mend(&mut self, set: Set) {
        let bytes = self.bytes[set.start..set.start + 32 * set.count].iter().enumerate();
        let sum = bytes
            .filter(|(index, _)| !matches!(index, 2 | 3))
            .fold(0_u16, |sum, (_, byte)| sum.rotate_right(1).wrapping_add(u16::from(*byte)));
        self.write(set.start + 2, &sum.to_le_bytes());
    }

    /// What is said otherwise than of `before`: path and words after it.
    pub(crate) fn changed(&self, before: &Swept, holes: &[Range<u64>]) -> Vec<(String, String)> {
        let after = sweep(&self.with_holes(holes));
        let changed = changes(&words(&before.catalog), &words(&after.catalog));
        changed.into_iter().map(|(path, _, after)| (path, after)).collect()
    }
}

/// Where the entries of a file stand.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Set {
    pub(crate) start: usize,
    pub(crate) count: usize,
}

impl Set {
    pub(crate) fn stream(self) -> usize {
        self.start + 32
    }

    pub(crate) fn range(self) -> Range<u64> {
        self.start as u64..(self.start + 32 * self.count) as u64
    }
}
