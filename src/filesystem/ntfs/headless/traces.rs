//! What one pass through an image notes of file records and folders' lists.

use super::super::index_structures::{IndexBlock, IndexEntry, IndexNode};
use super::super::record::first_stride_holds;
use super::super::structures::{FileName, MAX_RECORD, RecordHeader, STRIDE, record_number};
use super::super::units::{Reference, Vcn};
use crate::bytes::{le_u64, to_u64};

/// Stretches of records that are kept, of 24 bytes each: a table of 2,600,000 records of which every tenth is lost.
const MOST_STRETCHES: usize = 1 << 18;

/// Records with the number 0 that are kept. Each volume has two; each old or nested one, too.
const MOST_FIRSTS: usize = 4096;

/// Blocks of root folders' lists that are kept.
const MOST_BLOCKS: usize = 4096;

/// Records that lie one after another and have numbers one after another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    /// Where the first one lies, in the source.
    pub(super) offset: u64,
    /// The first one's own number.
    pub(super) first: u32,
    pub(super) records: u32,
    /// Bytes in each.
    pub(super) record_size: u32,
}

impl Stretch {
    /// The number after the last one.
    pub(super) fn end(&self) -> u64 {
        u64::from(self.first).saturating_add(u64::from(self.records))
    }

    /// Where a record of the stretch lies, in the source.
    pub(super) fn offset_of(&self, number: u64) -> Option<u64> {
        let inside = number.checked_sub(u64::from(self.first)).filter(|inside| *inside < u64::from(self.records))?;
        self.offset.checked_add(inside.checked_mul(u64::from(self.record_size))?)
    }
}

/// A block of a root folder's list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct RootBlock {
    /// In the source.
    pub(super) offset: u64,
    /// Its place in the list.
    pub(super) vcn: Vcn,
}

/// What a pass through an image found of NTFS volumes that may have lost their boot sectors. It takes less than 8 MB,
/// however long the image is.
#[derive(Debug, Default)]
pub struct Traces {
    pub(super) stretches: Vec<Stretch>,
    /// Where records with the number 0 lie, and the size of each.
    pub(super) firsts: Vec<(u64, u32)>,
    pub(super) blocks: Vec<RootBlock>,
    /// Whether something had no room.
    pub(super) full: bool,
}

impl Traces {
    /// Nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Looks at a sector that opens with `FILE` or `INDX`: `offset` is where it stands in the source, `sector` its
    /// bytes, at least 512. All must have been read. Sectors come in the order in which they stand.
    pub fn look(&mut self, offset: u64, sector: &[u8]) {
        match sector.first_chunk() {
            Some(b"FILE") => self.record(offset, sector),
            Some(b"INDX") => self.block(offset, sector),
            _ => {}
        }
    }

    /// How many records were seen.
    pub(super) fn records(&self) -> u64 {
        self.stretches.iter().map(|stretch| u64::from(stretch.records)).fold(0, u64::saturating_add)
    }

    fn record(&mut self, offset: u64, sector: &[u8]) {
        let Some(header) = RecordHeader::from_bytes(sector) else { return };
        let Some(number) = header.own_number else { return };
        let size = to_u64(header.allocated);
        let sound = size.is_power_of_two()
            && (to_u64(STRIDE)..=MAX_RECORD).contains(&size)
            && header.used <= header.allocated
            && header.update_sequence_count.checked_sub(1) == header.allocated.checked_div(STRIDE)
            && first_stride_holds(sector, header.update_sequence_offset);
        let Some(record_size) = u32::try_from(size).ok().filter(|_| sound) else { return };
        let in_use = header.flags & RecordHeader::IN_USE != 0;
        if u64::from(number) == record_number::MFT {
            // A free record may have no number yet, which is 0, too.
            if !in_use {
                return;
            }
            keep(&mut self.firsts, MOST_FIRSTS, (offset, record_size), &mut self.full);
        }
        if let Some(last) = self.stretches.last_mut()
            && last.record_size == record_size
            && last.end() == u64::from(number)
            && last.offset.checked_add(u64::from(last.records).saturating_mul(size)) == Some(offset)
            && let Some(records) = last.records.checked_add(1)
        {
            last.records = records;
            return;
        }
        let stretch = Stretch { offset, first: number, records: 1, record_size };
        keep(&mut self.stretches, MOST_STRETCHES, stretch, &mut self.full);
    }

    fn block(&mut self, offset: u64, sector: &[u8]) {
        let Some(block) = IndexBlock::from_bytes(sector) else { return };
        if !first_stride_holds(sector, block.update_sequence_offset) {
            return;
        }
        let folder = folder_of(sector);
        if folder.is_some_and(|folder| folder.record == record_number::ROOT) {
            keep(&mut self.blocks, MOST_BLOCKS, RootBlock { offset, vcn: block.vcn }, &mut self.full);
        }
    }
}

fn keep<T>(list: &mut Vec<T>, most: usize, one: T, full: &mut bool) {
    if list.len() < most {
        list.push(one);
    } else {
        *full = true;
    }
}

/// The folder that the first name of a block of a list says it stands in; `None` if the block has no name in its first
/// sector.
pub(super) fn folder_of(block: &[u8]) -> Option<Reference> {
    /// Where a name ends that has no letters.
    const SHORTEST_NAME: usize = 0x42;
    let node = block.get(IndexBlock::NODE..)?;
    let first = IndexNode::first_entry(node)?;
    let entry = node.get(first..)?;
    let header = IndexEntry::from_bytes(entry)?;
    if header.is_last || header.key_length < SHORTEST_NAME {
        return None;
    }
    let parent = le_u64(entry, IndexEntry::KEY.checked_add(FileName::PARENT)?)?;
    Some(Reference::from_field(parent))
}

#[cfg(test)]
mod tests {
    use super::super::super::record::tests::record;
    use super::*;

    #[test]
    fn records_one_after_another_are_one_stretch() {
        let mut traces = Traces::new();
        for (offset, number) in [(4096, 30), (5120, 31), (6144, 32), (8192, 34), (9216, 36)] {
            traces.look(offset, &record(number, 1, &[1; 100]));
        }
        let found: Vec<_> = traces.stretches.iter().map(|one| (one.offset, one.first, one.records)).collect();
        assert_eq!(found, [(4096, 30, 3), (8192, 34, 1), (9216, 36, 1)]);
        assert_eq!(traces.stretches[0].offset_of(32), Some(6144));
        assert_eq!((traces.stretches[0].offset_of(33), traces.stretches[0].offset_of(29)), (None, None));
    }

    #[test]
    fn what_can_not_be_a_record_leaves_no_trace() {
        let mut traces = Traces::new();
        let mut broken = record(30, 1, &[1; 100]);
        broken[510] ^= 1;
        traces.look(0, &broken);
        let mut odd = record(30, 1, &[1; 100]);
        odd[0x1c] = 1;
        traces.look(0, &odd);
        traces.look(0, &record(30, 1, &[1; 100])[..100]);
        traces.look(0, b"FILE");
        traces.look(0, b"INDX");
        traces.look(0, &[0; 512]);
        assert!(traces.stretches.is_empty() && traces.firsts.is_empty());
        traces.look(0, &record(0, 1, &[1; 100]));
        assert_eq!(traces.firsts, [(0, 1024)]);
    }

    #[test]
    fn room_is_bounded() {
        let mut traces = Traces::new();
        let one = record(0, 1, &[1; 100]);
        for at in 0..=MOST_FIRSTS {
            traces.look(at as u64 * 4096, &one);
        }
        assert_eq!((traces.firsts.len(), traces.full), (MOST_FIRSTS, true));
    }
}
