//! The bytes of a folder's list, and where each of them lies.

use std::ops::Range;

use super::structures::ENTRY;
use super::units::{Cluster, Layout};
use crate::bytes::{at_most, slice, to_u64, to_usize};
use crate::error::Result;
use crate::source::Source;

/// Longest list of a folder in bytes: 65,536 entries (FAT specification, "Directory Structure": a folder has no size,
/// and Linux and Windows stop at 2 MiB).
pub(super) const LONGEST: u64 = 65_536 * 32;

/// A folder's list, put together from its pieces.
#[derive(Debug, Default)]
pub(super) struct Block {
    bytes: Vec<u8>,
    /// Where pieces start: byte of the list, byte of the volume.
    places: Vec<(u64, u64)>,
    /// Ranges of the list that were not read, in order.
    holes: Vec<Range<u64>>,
    /// Whether nobody vouches for some of it.
    pub(super) unknown: bool,
}

impl Block {
    /// Reads pieces of the volume, first byte and length of each, up to the longest that a list can be.
    pub(super) fn read(source: &Source, pieces: impl IntoIterator<Item = (u64, u64)>) -> Result<Self> {
        let mut block = Self::default();
        for (offset, length) in pieces {
            let at = to_u64(block.bytes.len());
            let length = length.min(LONGEST.saturating_sub(at));
            // What lies past the image's end takes no memory.
            let there = length.min(source.length_in_image().saturating_sub(offset));
            block.places.push((at, offset));
            let start = block.bytes.len();
            block.bytes.resize(start.saturating_add(at_most(there, usize::MAX)), 0);
            let reality = source.read_at(offset, block.bytes.get_mut(start..).unwrap_or_default())?;
            block.unknown |= reality.unknown;
            for hole in reality.holes {
                let inside = |place: u64| at.saturating_add(place.saturating_sub(offset));
                block.hole(inside(hole.range.start)..inside(hole.range.end));
            }
            if there < length {
                block.hole(at.saturating_add(there)..u64::MAX);
                break;
            }
        }
        Ok(block)
    }

    fn hole(&mut self, range: Range<u64>) {
        match self.holes.last_mut() {
            Some(last) if last.end >= range.start => last.end = last.end.max(range.end),
            _ => self.holes.push(range),
        }
    }

    /// The pieces of a chain of clusters.
    pub(super) fn pieces<'a>(layout: &'a Layout, runs: &'a [(Cluster, u64)]) -> impl Iterator<Item = (u64, u64)> + 'a {
        runs.iter().map(|(start, length)| (layout.offset(*start), layout.bytes(*length)))
    }

    /// Whether some of it was not read.
    pub(super) fn has_holes(&self) -> bool {
        !self.holes.is_empty()
    }

    /// The entries in order: the byte of the volume where each lies, and its bytes if they were read.
    pub(super) fn slots(&self) -> impl Iterator<Item = (u64, Option<&[u8]>)> {
        let mut places = self.places.iter().peekable();
        let mut here = (0, 0);
        let mut holes = self.holes.iter().peekable();
        let count = self.bytes.len().checked_div(ENTRY).unwrap_or(0);
        (0..count).map(move |index| {
            let start = index.saturating_mul(ENTRY);
            let at = to_u64(start);
            while let Some(next) = places.next_if(|(first, _)| *first <= at) {
                here = *next;
            }
            while holes.next_if(|hole| hole.end <= at).is_some() {}
            let end = at.saturating_add(to_u64(ENTRY));
            let missing = holes.peek().is_some_and(|hole| hole.start < end);
            let offset = here.1.saturating_add(at.saturating_sub(here.0));
            (offset, slice(&self.bytes, start, ENTRY).filter(|_| !missing))
        })
    }

    /// Whether it was cut short by the image's end.
    pub(super) fn is_cut(&self) -> bool {
        self.holes.last().is_some_and(|hole| to_usize(hole.end).is_none_or(|end| end > self.bytes.len()))
    }
}
