//! The entry array of a GPT: read where a header names it, and put together from what is left of two copies.

use std::ops::Range;

use super::gpt_header::Header;
use crate::bytes::{slice, to_u64, to_usize};
use crate::error::Result;
use crate::source::{Hole, Source};

/// Two damaged arrays are put together by trying, for each entry in which they differ, one and the other. With more
/// differing entries than this the tries (two to their power) would begin to cost time, and a match by chance to weigh.
const MOST_DIFFERING: usize = 8;

/// The bytes of an entry array, as far as they were read.
#[derive(Debug, Clone)]
pub(super) struct Array {
    /// Where it begins, in bytes.
    pub(super) offset: u64,
    /// Zeros stand for what was not read.
    pub(super) bytes: Vec<u8>,
    /// Relative to the array's start.
    pub(super) holes: Vec<Hole>,
    /// Ranges that came from another array, relative to the start of both.
    lent: Vec<Range<u64>>,
    /// Where that one begins.
    lender: u64,
}

impl Array {
    /// Reads `length` bytes at `offset`; `None` if nothing of them lies inside the image. The caller bounds `length`.
    pub(super) fn read(source: &Source, offset: u64, length: usize) -> Result<Option<Self>> {
        if length == 0 || offset >= source.length() {
            return Ok(None);
        }
        let mut bytes = vec![0; length];
        let mut holes = source.read_at(offset, &mut bytes)?.holes;
        for hole in &mut holes {
            hole.range = hole.range.start.saturating_sub(offset)..hole.range.end.saturating_sub(offset);
        }
        Ok(Some(Self { offset, bytes, holes, lent: Vec::new(), lender: offset }))
    }

    /// Reads the array that `header` names; `None` if it names none that can be.
    pub(super) fn of_header(source: &Source, header: &Header, unit: u64) -> Result<Option<Self>> {
        match header.array_sector.checked_mul(unit).zip(header.array_length()) {
            Some((offset, length)) => Self::read(source, offset, length),
            None => Ok(None),
        }
    }

    /// Whether all of it was read and has this checksum.
    pub(super) fn has_checksum(&self, checksum: u32) -> bool {
        self.holes.is_empty() && crc32fast::hash(&self.bytes) == checksum
    }

    /// The bytes of entry `index` and where they stand in the image, if every one was read.
    pub(super) fn entry(&self, index: u64, size: u64) -> Option<(&[u8], u64)> {
        let start = index.checked_mul(size)?;
        let bytes = slice(&self.bytes, to_usize(start)?, to_usize(size)?)?;
        let range = start..start.checked_add(size)?;
        let apart = |other: &Range<u64>| other.end <= range.start || other.start >= range.end;
        let base = if self.lent.iter().all(apart) { self.offset } else { self.lender };
        self.holes.iter().all(|hole| apart(&hole.range)).then(|| (bytes, base.saturating_add(start)))
    }

    /// This array with its holes filled from another one of the same length; `None` if it has none.
    pub(super) fn filled_from(&self, other: &Self) -> Option<Self> {
        if self.bytes.len() != other.bytes.len() || self.holes.is_empty() {
            return None;
        }
        let mut bytes = self.bytes.clone();
        let mut holes = Vec::new();
        let mut lent = Vec::new();
        for hole in &self.holes {
            let (from, to) = to_usize(hole.range.start).zip(to_usize(hole.range.end))?;
            bytes.get_mut(from..to)?.copy_from_slice(other.bytes.get(from..to)?);
            lent.push(hole.range.clone());
            for inner in &other.holes {
                let range = inner.range.start.max(hole.range.start)..inner.range.end.min(hole.range.end);
                if !range.is_empty() {
                    holes.push(Hole { range, why: inner.why });
                }
            }
        }
        Some(Self { offset: self.offset, bytes, holes, lent, lender: other.offset })
    }

    /// This array with those entries of another one that make it have `checksum`: each copy was damaged in other
    /// entries. `None` if nothing does.
    pub(super) fn mended_from(&self, other: &Self, size: u64, checksum: u32) -> Option<Self> {
        if self.bytes.len() != other.bytes.len() || !self.holes.is_empty() || !other.holes.is_empty() {
            return None;
        }
        let size = to_usize(size).filter(|size| *size > 0)?;
        let pairs = self.bytes.chunks(size).zip(other.bytes.chunks(size)).enumerate();
        let differing: Vec<usize> = pairs.filter(|(_, (one, two))| one != two).map(|(index, _)| index).collect();
        if differing.is_empty() || differing.len() > MOST_DIFFERING {
            return None;
        }
        for choice in 1_u32..1_u32.checked_shl(u32::try_from(differing.len()).ok()?)? {
            let mut tried = self.clone();
            tried.lender = other.offset;
            for (bit, index) in (0_u32..).zip(&differing) {
                if choice.checked_shr(bit).unwrap_or(0) & 1 == 0 {
                    continue;
                }
                let start = index.checked_mul(size)?;
                let end = start.checked_add(size)?;
                tried.bytes.get_mut(start..end)?.copy_from_slice(other.bytes.get(start..end)?);
                tried.lent.push(to_u64(start)..to_u64(end));
            }
            if tried.has_checksum(checksum) {
                return Some(tried);
            }
        }
        None
    }
}
