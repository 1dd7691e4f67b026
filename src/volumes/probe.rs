//! The bytes that recognition looks at. A byte that is not there belongs to no signature.

use crate::bytes::{at_most, be_u16, le_u16, le_u32, slice, to_u64, to_usize};
use crate::error::Result;
use crate::source::{Hole, Source};

/// Far enough for the furthest signature from a volume's start (Btrfs, 64 KiB and 72 bytes).
const HEAD: usize = 0x1_1000;
/// Far enough for the furthest superblock from a volume's end (Linux RAID 0.90, less than 128 KiB).
const TAIL: usize = 0x2_0000;
/// In these first bytes nearly every format has its signature.
const FIRST_SECTORS: u64 = 4096;

struct Piece {
    start: u64,
    bytes: Vec<u8>,
    holes: Vec<Hole>,
}

impl Piece {
    fn read(source: &Source, start: u64, length: usize) -> Result<Self> {
        let mut bytes = vec![0; length];
        let holes = source.read_at(start, &mut bytes)?.holes;
        Ok(Self { start, bytes, holes })
    }

    fn get(&self, offset: u64, length: usize) -> Option<&[u8]> {
        let end = offset.checked_add(to_u64(length))?;
        if self.holes.iter().any(|hole| hole.range.start < end && offset < hole.range.end) {
            return None;
        }
        slice(&self.bytes, to_usize(offset.checked_sub(self.start)?)?, length)
    }
}

/// A volume's first and last bytes.
pub(super) struct Probe<'a> {
    source: &'a Source,
    head: Piece,
    tail: Piece,
}

impl<'a> Probe<'a> {
    pub(super) fn read(source: &'a Source) -> Result<Self> {
        let length = source.length();
        let tail = at_most(length, TAIL);
        Ok(Self {
            source,
            head: Piece::read(source, 0, at_most(length, HEAD))?,
            tail: Piece::read(source, length.saturating_sub(to_u64(tail)), tail)?,
        })
    }

    /// Length of the volume in bytes.
    pub(super) fn length(&self) -> u64 {
        self.source.length()
    }

    /// The bytes at `offset`, if all of them are there and among those looked at.
    pub(super) fn bytes(&self, offset: u64, length: usize) -> Option<Vec<u8>> {
        self.slice(offset, length).map(<[u8]>::to_vec)
    }

    fn slice(&self, offset: u64, length: usize) -> Option<&[u8]> {
        self.head.get(offset, length).or_else(|| self.tail.get(offset, length))
    }

    pub(super) fn has(&self, offset: u64, magic: &[u8]) -> bool {
        self.slice(offset, magic.len()) == Some(magic)
    }

    pub(super) fn le_u16(&self, offset: u64) -> Option<u16> {
        le_u16(self.slice(offset, 2)?, 0)
    }

    pub(super) fn be_u16(&self, offset: u64) -> Option<u16> {
        be_u16(self.slice(offset, 2)?, 0)
    }

    pub(super) fn le_u32(&self, offset: u64) -> Option<u32> {
        le_u32(self.slice(offset, 4)?, 0)
    }

    /// Whether some byte of the first sectors is not there.
    pub(super) fn first_sectors_have_holes(&self) -> bool {
        self.head.holes.iter().any(|hole| hole.range.start < FIRST_SECTORS)
    }

    /// Whether some byte where a signature could stand is not there.
    pub(super) fn has_holes(&self) -> bool {
        !self.head.holes.is_empty()
    }

    /// Whether every byte of the first part is there and 0.
    pub(super) fn is_blank(&self) -> bool {
        self.head.holes.is_empty() && self.head.bytes.iter().all(|byte| *byte == 0)
    }
}
