//! Byte edits of FAT volumes that outside tools wrote, and what they change. A short, trusting reader of its own.

#![allow(dead_code, reason = "each test file uses its part")]

use std::ops::Range;
use std::sync::Arc;

use handback::catalog::{Extents, Place};
use handback::filesystem::Swept;
use handback::image::MemoryImage;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;

use super::edit::{Words, find, open, sweep, words};
use super::fixture;

/// A volume to be changed.
#[derive(Clone)]
pub(crate) struct FatEdit {
    pub(crate) bytes: Vec<u8>,
    /// Bits of a table entry: 12, 16 or 32.
    pub(crate) width: usize,
    /// First byte and length of each table.
    pub(crate) tables: Vec<Range<usize>>,
    pub(crate) cluster: usize,
    /// First byte of cluster 2.
    pub(crate) data: usize,
    pub(crate) root_cluster: u32,
}

impl FatEdit {
    pub(crate) fn of(name: &str) -> Self {
        let bytes = fixture::image(name);
        let number =
            |range: Range<usize>| bytes[range].iter().rev().fold(0_usize, |sum, byte| sum << 8 | usize::from(*byte));
        let sector = number(0x0b..0x0d);
        let size = if number(0x16..0x18) == 0 { number(0x24..0x28) } else { number(0x16..0x18) };
        let start = number(0x0e..0x10) * sector;
        let tables: Vec<Range<usize>> = (0..number(0x10..0x11))
            .map(|table| start + table * size * sector..start + (table + 1) * size * sector)
            .collect();
        let data = tables.last().expect("a table").end + number(0x11..0x13) * 32;
        let total = if number(0x13..0x15) == 0 { number(0x20..0x24) } else { number(0x13..0x15) };
        let cluster = sector * number(0x0d..0x0e);
        let fat32 = number(0x16..0x18) == 0;
        let width = match (total * sector - data) / cluster {
            _ if fat32 => 32,
            0..4085 => 12,
            _ => 16,
        };
        let root_cluster = if fat32 { u32::try_from(number(0x2c..0x30)).expect("32 bits") } else { 0 };
        Self { bytes, width, tables, cluster, data, root_cluster }
    }

    /// Where a table's entry stands, in bytes; for FAT12 the byte it begins in.
    pub(crate) fn entry(&self, table: usize, cluster: u32) -> usize {
        self.tables[table].start + usize::try_from(cluster).expect("small") * self.width / 8
    }

    pub(crate) fn link(&self, table: usize, cluster: u32) -> u32 {
        let at = self.entry(table, cluster);
        let word = u32::from(u16::from_le_bytes([self.bytes[at], self.bytes[at + 1]]));
        match self.width {
            12 if cluster % 2 == 1 => word >> 4,
            12 => word & 0xfff,
            16 => word,
            _ => u32::from_le_bytes(self.bytes[at..at + 4].try_into().expect("four")) & 0x0fff_ffff,
        }
    }

    /// Sets an entry in the tables named.
    pub(crate) fn set(&mut self, tables: &[usize], cluster: u32, value: u32) {
        for table in tables {
            let at = self.entry(*table, cluster);
            match self.width {
                12 => {
                    let old = u16::from_le_bytes([self.bytes[at], self.bytes[at + 1]]);
                    let value = u16::try_from(value & 0xfff).expect("12 bits");
                    let new = if cluster % 2 == 1 { old & 0x000f | value << 4 } else { old & 0xf000 | value };
                    self.bytes[at..at + 2].copy_from_slice(&new.to_le_bytes());
                }
                16 => self.bytes[at..at + 2].copy_from_slice(&u16::try_from(value).expect("16 bits").to_le_bytes()),
                _ => self.bytes[at..at + 4].copy_from_slice(&value.to_le_bytes()),
            }
        }
    }

    /// The mark of an end, as tools write it.
    pub(crate) fn end(&self) -> u32 {
        if self.width == 32 { 0x0fff_ffff } else { (1 << self.width) - 1 }
    }

    /// The mark of a bad cluster.
    pub(crate) fn bad(&self) -> u32 {
        self.end() - 8
    }

    /// First byte of a cluster.
    pub(crate) fn offset(&self, cluster: u32) -> usize {
        self.data + (usize::try_from(cluster).expect("small") - 2) * self.cluster
    }

    /// The clusters from `first` on, by the first table.
    pub(crate) fn chain(&self, first: u32) -> Vec<u32> {
        let mut chain = vec![first];
        loop {
            let next = self.link(0, *chain.last().expect("one"));
            if next < 2 || next >= self.bad() {
                return chain;
            }
            chain.push(next);
        }
    }

    /// Where the entry of a file or folder stands, by the name that the sound volume has.
    pub(crate) fn named(&self, path: &str) -> usize {
        let swept = sweep(&self.source());
        usize::try_from(swept.catalog.object(find(&swept.catalog, path)).locator).expect("small")
    }

    /// The first cluster that an entry names.
    pub(crate) fn first(&self, entry: usize) -> u32 {
        let word = |at: usize| u32::from(u16::from_le_bytes([self.bytes[at], self.bytes[at + 1]]));
        let high = if self.width == 32 { word(entry + 20) } else { 0 };
        high << 16 | word(entry + 26)
    }

    pub(crate) fn set_first(&mut self, entry: usize, cluster: u32) {
        let [a, b, c, d] = cluster.to_le_bytes();
        self.bytes[entry + 26..entry + 28].copy_from_slice(&[a, b]);
        if self.width == 32 {
            self.bytes[entry + 20..entry + 22].copy_from_slice(&[c, d]);
        }
    }

    /// The chain of a file or folder.
    pub(crate) fn chain_of(&self, path: &str) -> Vec<u32> {
        self.chain(self.first(self.named(path)))
    }

    /// Where a cluster lies in the image.
    pub(crate) fn bytes_of(&self, cluster: u32) -> Range<u64> {
        let start = u64::try_from(self.offset(cluster)).expect("small");
        start..start + u64::try_from(self.cluster).expect("small")
    }

    /// The sector of a table with a cluster's entry.
    pub(crate) fn sector_of(&self, table: usize, cluster: u32) -> Range<u64> {
        let at = u64::try_from(self.entry(table, cluster)).expect("small") / 512 * 512;
        at..at + 512
    }

    /// A whole table.
    pub(crate) fn table(&self, table: usize) -> Range<u64> {
        let range = &self.tables[table];
        u64::try_from(range.start).expect("small")..u64::try_from(range.end).expect("small")
    }

    pub(crate) fn source(&self) -> Source {
        self.with_holes(&[])
    }

    pub(crate) fn with_holes(&self, holes: &[Range<u64>]) -> Source {
        let mut holes: Vec<Range<u64>> = holes.to_vec();
        holes.sort_by_key(|hole| hole.start);
        let segments: Vec<Segment> =
            holes.into_iter().map(|range| Segment { range, state: ByteState::Unread }).collect();
        let image = Arc::new(MemoryImage::new(self.bytes.clone()));
        let length = u64::try_from(self.bytes.len()).expect("a length");
        let map = SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &segments).expect("in order");
        Source::new(image, &map, 512)
    }

    pub(crate) fn words(&self) -> Words {
        words(&sweep(&self.source()).catalog)
    }
}

/// The runs of a file: first byte and length, lost ones left out.
pub(crate) fn runs(source: &Source, swept: &Swept, path: &str) -> Vec<(u64, u64)> {
    let extents = open(source).extents(&swept.catalog, find(&swept.catalog, path)).expect("placed");
    let Extents::Runs(runs) = extents else { panic!("FAT has runs") };
    let placed = runs.runs.iter().filter_map(|run| match run.place {
        Place::At(offset) => Some((offset, run.length)),
        _ => None,
    });
    placed.collect()
}
