//! The bytes of one object: assembled, decompressed, checked.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

mod bits;
pub mod check;
mod chunk;
mod chunks;
pub mod contents;
mod fingerprint;
#[cfg(feature = "content-checks")]
pub mod formats;
mod huffman;
pub mod lznt1;
mod lzx;
mod plain;
pub mod second;
mod units;
mod verdict;
mod xpress;

use std::ops::Range;

pub use fingerprint::{Fingerprint, claims_too_much, fingerprint};
pub use verdict::{Opens, Strength, Verdict};

use crate::bytes::{at_most, round_down, to_u64};
use crate::catalog::{Encoding, Extents, Gap, GapKind, Runs};
use crate::error::Result;
use crate::source::Source;

/// The largest piece handed to a sink, in bytes.
pub const PIECE: usize = 1 << 20;

/// What reading content showed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Bytes delivered: always the content's size.
    pub length: u64,
    /// Ranges that are not there; they were delivered as zeros.
    pub gaps: Vec<Gap>,
    /// Whether nobody vouches for some of the bytes.
    pub unknown: bool,
}

/// Reads all of an object's content in order, in pieces of at most [`PIECE`] bytes, and hands each to `sink`. What is
/// not there is delivered as zeros and named in the outcome. An error of `sink` ends the reading and is returned.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read, or what `sink` returned.
pub fn read(volume: &Source, extents: &Extents, sink: &mut dyn FnMut(&[u8]) -> Result<()>) -> Result<Outcome> {
    deliver(volume, extents, 0..extents.size(), sink)
}

/// Fills `buffer` with an object's content from byte `start`. What is not there, and what would lie past the content's
/// end, is zeros; the former is named in the outcome, in bytes of the file.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn read_at(volume: &Source, extents: &Extents, start: u64, buffer: &mut [u8]) -> Result<Outcome> {
    let end = start.saturating_add(to_u64(buffer.len())).min(extents.size());
    let start = start.min(end);
    let first = match extents {
        Extents::Runs(Runs { encoding: Encoding::Lznt1 { unit }, .. }) => round_down(start, *unit),
        Extents::Packed(packed) => round_down(start, packed.chunk),
        Extents::Runs(_) | Extents::Resident(_) => start,
    };
    let mut skip = start.saturating_sub(first);
    let mut filled = 0_usize;
    let mut outcome = deliver(volume, extents, first..end, &mut |piece| {
        let skipped = at_most(skip, piece.len());
        skip = skip.saturating_sub(to_u64(skipped));
        let wanted = piece.get(skipped..).unwrap_or_default();
        let slot = buffer.get_mut(filled..).unwrap_or_default();
        for (to, from) in slot.iter_mut().zip(wanted) {
            *to = *from;
        }
        filled = filled.saturating_add(wanted.len());
        Ok(())
    })?;
    buffer.get_mut(filled..).unwrap_or_default().fill(0);
    outcome.length = end.saturating_sub(start);
    for gap in &mut outcome.gaps {
        gap.range = gap.range.start.max(start)..gap.range.end.min(end);
    }
    outcome.gaps.retain(|gap| gap.range.start < gap.range.end);
    Ok(outcome)
}

/// Delivers a range of the content, which begins where a unit or chunk does.
fn deliver(
    volume: &Source,
    extents: &Extents,
    range: Range<u64>,
    sink: &mut dyn FnMut(&[u8]) -> Result<()>,
) -> Result<Outcome> {
    let outcome = Outcome { length: range.start, ..Outcome::default() };
    let mut delivery = Delivery { sink, buffer: Vec::new(), outcome };
    // Reserved at once for small files, never more than a piece.
    delivery.buffer.reserve(at_most(range.end.saturating_sub(range.start), PIECE));
    match extents {
        Extents::Resident(bytes) => {
            let range = at_most(range.start, usize::MAX)..at_most(range.end, usize::MAX);
            delivery.bytes(bytes.get(range).unwrap_or_default())?;
        }
        Extents::Packed(packed) => chunks::read(volume, packed, range.end, &mut delivery)?,
        Extents::Runs(runs) => {
            let end = range.end.min(runs.valid_size);
            match runs.encoding {
                Encoding::Plain => plain::read(volume, runs, end, &mut delivery)?,
                Encoding::Lznt1 { unit } => units::read(volume, runs, end, unit, &mut delivery)?,
            }
            // Past the valid size the content is zeros by definition.
            delivery.zeros_to(range.end)?;
        }
    }
    delivery.finish()
}

/// Gathers content into pieces and notes what is missing.
struct Delivery<'a> {
    sink: &'a mut dyn FnMut(&[u8]) -> Result<()>,
    buffer: Vec<u8>,
    outcome: Outcome,
}

impl Delivery<'_> {
    /// The next byte of the file to be delivered.
    fn position(&self) -> u64 {
        self.outcome.length
    }

    /// The room left in the piece; never 0.
    fn room(&mut self) -> Result<usize> {
        if self.buffer.len() >= PIECE {
            (self.sink)(&self.buffer)?;
            self.buffer.clear();
        }
        Ok(PIECE.saturating_sub(self.buffer.len()))
    }

    /// Delivers bytes that are at hand.
    fn bytes(&mut self, mut bytes: &[u8]) -> Result<()> {
        while !bytes.is_empty() {
            let count = bytes.len().min(self.room()?);
            let (now, later) = bytes.split_at_checked(count).unwrap_or((bytes, &[]));
            self.buffer.extend_from_slice(now);
            self.outcome.length = self.outcome.length.saturating_add(to_u64(now.len()));
            bytes = later;
        }
        Ok(())
    }

    /// Delivers zeros up to byte `end` of the file.
    fn zeros_to(&mut self, end: u64) -> Result<()> {
        while self.position() < end {
            let count = at_most(end.saturating_sub(self.position()), self.room()?);
            self.buffer.resize(self.buffer.len().saturating_add(count), 0);
            self.outcome.length = self.outcome.length.saturating_add(to_u64(count));
        }
        Ok(())
    }

    /// Delivers zeros up to byte `end` of the file and notes them as missing.
    fn gap_to(&mut self, end: u64, why: GapKind) -> Result<()> {
        self.note_gap(self.position()..end, why);
        self.zeros_to(end)
    }

    /// Delivers `length` bytes of the volume from `offset`.
    fn volume(&mut self, volume: &Source, mut offset: u64, length: u64) -> Result<()> {
        let end = self.position().saturating_add(length);
        while self.position() < end {
            let count = at_most(end.saturating_sub(self.position()), self.room()?);
            let start = self.buffer.len();
            self.buffer.resize(start.saturating_add(count), 0);
            let slot = self.buffer.get_mut(start..).unwrap_or_default();
            let reality = volume.read_at(offset, slot)?;
            let position = self.position();
            self.outcome.unknown |= reality.unknown;
            for hole in reality.holes {
                let in_file = |at: u64| position.saturating_add(at.saturating_sub(offset));
                self.note_gap(in_file(hole.range.start)..in_file(hole.range.end), hole.why.into());
            }
            self.outcome.length = position.saturating_add(to_u64(count));
            offset = offset.saturating_add(to_u64(count));
        }
        Ok(())
    }

    fn note_gap(&mut self, range: Range<u64>, why: GapKind) {
        match self.outcome.gaps.last_mut() {
            Some(last) if last.why == why && last.range.end == range.start => last.range.end = range.end,
            _ if range.start < range.end => self.outcome.gaps.push(Gap { range, why }),
            _ => {}
        }
    }

    fn finish(self) -> Result<Outcome> {
        if !self.buffer.is_empty() {
            (self.sink)(&self.buffer)?;
        }
        Ok(self.outcome)
    }
}

#[cfg(test)]
mod tests;
