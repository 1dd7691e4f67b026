//! A folder's index on disk. Offsets are in bytes from the structure's start; all numbers are little-endian.
//!
//! Sources: Linux `fs/ntfs3/ntfs.h` (INDEX_ROOT, INDEX_BUFFER, INDEX_HDR, NTFS_DE) and `fs/ntfs/layout.h`; checked on
//! volumes written by ntfs-3g.

use super::structures::{MAX_RECORD, STRIDE, attribute_type};
use super::units::{Reference, Vcn};
use crate::bytes::{le_u16, le_u32, le_u64, slice, to_u64};

/// INDEX_ROOT of a folder: what its tree of names is like. The first node follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct IndexRoot {
    /// Bytes in a block of the index.
    pub(super) block_size: usize,
}

impl IndexRoot {
    /// Where the first node's head stands.
    pub(super) const NODE: usize = 0x10;

    /// `None` for an index of something other than names, or of blocks that can't be.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        if le_u32(bytes, 0x00)? != attribute_type::FILE_NAME {
            return None;
        }
        let block_size = usize::try_from(le_u32(bytes, 0x08)?).ok()?;
        let sound = block_size.is_power_of_two() && block_size >= STRIDE && to_u64(block_size) <= MAX_RECORD;
        sound.then_some(Self { block_size })
    }
}

/// The head of a block of an index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct IndexBlock {
    pub(super) update_sequence_offset: usize,
    pub(super) update_sequence_count: usize,
    /// The block's own place in the index.
    pub(super) vcn: Vcn,
}

impl IndexBlock {
    /// Where the node's head stands.
    pub(super) const NODE: usize = 0x18;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        if slice(bytes, 0x00, 4)? != b"INDX" {
            return None;
        }
        Some(Self {
            update_sequence_offset: usize::from(le_u16(bytes, 0x04)?),
            update_sequence_count: usize::from(le_u16(bytes, 0x06)?),
            vcn: Vcn(le_u64(bytes, 0x10)?),
        })
    }
}

/// The head of a node: where its entries are, relative to this head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct IndexNode {
    pub(super) first: usize,
    pub(super) used: usize,
}

impl IndexNode {
    const LENGTH: usize = 0x10;

    /// Where its first entry stands, whether or not all of the node is at hand.
    pub(super) fn first_entry(bytes: &[u8]) -> Option<usize> {
        usize::try_from(le_u32(bytes, 0x00)?).ok().filter(|first| *first >= Self::LENGTH)
    }

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let first = usize::try_from(le_u32(bytes, 0x00)?).ok()?;
        let used = usize::try_from(le_u32(bytes, 0x04)?).ok()?;
        // An empty range is no empty folder: even that has its last entry.
        (first >= Self::LENGTH && first < used && used <= bytes.len()).then_some(Self { first, used })
    }
}

/// One entry of a node.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct IndexEntry {
    pub(super) reference: Reference,
    pub(super) length: usize,
    pub(super) key_length: usize,
    /// The block whose names come before this one.
    pub(super) below: Option<Vcn>,
    pub(super) is_last: bool,
}

impl IndexEntry {
    /// Where the key stands.
    pub(super) const KEY: usize = 0x10;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let length = usize::from(le_u16(bytes, 0x08)?);
        let key_length = usize::from(le_u16(bytes, 0x0a)?);
        let flags = le_u16(bytes, 0x0c)?;
        let has_below = flags & 1 != 0;
        let below = if has_below { Some(Vcn(le_u64(bytes, length.checked_sub(8)?)?)) } else { None };
        let least = Self::KEY.checked_add(key_length)?.checked_add(if has_below { 8 } else { 0 })?;
        if length < least || length > bytes.len() {
            return None;
        }
        let reference = Reference::from_field(le_u64(bytes, 0x00)?);
        Some(Self { reference, length, key_length, below, is_last: flags & 2 != 0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(bytes: &mut [u8], at: usize, value: &[u8]) {
        bytes[at..at + value.len()].copy_from_slice(value);
    }

    #[test]
    fn a_root_tells_the_size_of_its_blocks() {
        let mut root = vec![0; 0x20];
        put(&mut root, 0x00, &0x30_u32.to_le_bytes());
        put(&mut root, 0x08, &4096_u32.to_le_bytes());
        assert_eq!(IndexRoot::from_bytes(&root), Some(IndexRoot { block_size: 4096 }));
        for size in [0_u32, 256, 4095, 1 << 17] {
            put(&mut root, 0x08, &size.to_le_bytes());
            assert_eq!(IndexRoot::from_bytes(&root), None, "{size}");
        }
        put(&mut root, 0x08, &4096_u32.to_le_bytes());
        put(&mut root, 0x00, &0x10_u32.to_le_bytes());
        assert_eq!(IndexRoot::from_bytes(&root), None, "an index of something else");
    }

    #[test]
    fn a_block_knows_its_place() {
        let mut block = vec![0; 0x28];
        put(&mut block, 0, b"INDX");
        put(&mut block, 4, &[0x28, 0, 9, 0]);
        put(&mut block, 0x10, &7_u64.to_le_bytes());
        let found = IndexBlock::from_bytes(&block).unwrap();
        assert_eq!((found.update_sequence_offset, found.update_sequence_count, found.vcn), (0x28, 9, Vcn(7)));
        block[0] = b'X';
        assert_eq!(IndexBlock::from_bytes(&block), None);
    }

    #[test]
    fn an_empty_range_is_no_empty_folder() {
        let node = |first: u32, used: u32| {
            let mut bytes = vec![0; 0x40];
            put(&mut bytes, 0, &first.to_le_bytes());
            put(&mut bytes, 4, &used.to_le_bytes());
            IndexNode::from_bytes(&bytes)
        };
        assert_eq!(node(0x10, 0x20), Some(IndexNode { first: 0x10, used: 0x20 }));
        for (first, used) in [(0x10, 0x10), (0x20, 0x10), (0x08, 0x20), (0x10, 0x41), (u32::MAX, u32::MAX)] {
            assert_eq!(node(first, used), None, "{first:#x} {used:#x}");
        }
    }

    #[test]
    fn an_entry_and_the_block_below_it() {
        // `file_with_long_name_000.txt` makes an entry of 136 bytes with a key of 120 on a volume of ntfs-3g.
        let mut entry = vec![0; 136 + 8];
        put(&mut entry, 0, &0x0002_0000_0000_0044_u64.to_le_bytes());
        put(&mut entry, 8, &144_u16.to_le_bytes());
        put(&mut entry, 0x0a, &120_u16.to_le_bytes());
        put(&mut entry, 0x0c, &[1, 0]);
        put(&mut entry, 136, &5_u64.to_le_bytes());
        let found = IndexEntry::from_bytes(&entry).unwrap();
        assert_eq!(found.reference, Reference { record: 0x44, sequence: 2 });
        assert_eq!((found.length, found.key_length, found.below, found.is_last), (144, 120, Some(Vcn(5)), false));
        for length in [0_u16, 8, 135, 143, 145, 0xffff] {
            put(&mut entry, 8, &length.to_le_bytes());
            assert_eq!(IndexEntry::from_bytes(&entry), None, "{length}");
        }
    }
}
