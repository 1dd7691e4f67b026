//! Content that Windows compressed by its own means: a table, then chunks back to back, in a stream beside.
//!
//! Sources: Microsoft driver documentation (`FILE_PROVIDER_EXTERNAL_INFO_V1`); Linux `fs/ntfs3/attrib.c`
//! (`attr_wof_frame_info`). For `n` chunks the table has `n - 1` entries: entry `i` is the end of chunk `i`, counted
//! from the first byte after the table; the last chunk ends where the stream does. Entries have 4 bytes, or 8 where the
//! content is 4 GiB or more. A chunk that is stored as long as its content is a plain copy.

use super::{Delivery, lzx, xpress};
use crate::bytes::{at_most, le_u32, le_u64, slice, to_u64};
use crate::catalog::{Extents, GapKind, Packed, Packing, Place};
use crate::error::Result;
use crate::source::Source;

/// From this size on, table entries have 8 bytes.
const WIDE: u64 = 1 << 32;

/// How much of the table is read at once, in bytes.
const WINDOW: u64 = 1 << 16;

/// Delivers the content from where the delivery stands, which is a chunk's start, to `until`, chunk by chunk; the last
/// one whole.
pub(super) fn read(volume: &Source, packed: &Packed, until: u64, delivery: &mut Delivery<'_>) -> Result<()> {
    let Packed { stored, packing, chunk, size } = packed;
    let (chunk, size) = (*chunk, *size);
    if chunk == 0 || chunk > to_u64(1 << 16) {
        return delivery.gap_to(until, GapKind::Undecodable);
    }
    let count = size.div_ceil(chunk);
    let mut table = Table {
        volume,
        stored,
        width: if size < WIDE { 4 } else { 8 },
        entries: count.saturating_sub(1),
        window: 0..0,
        bytes: Vec::new(),
        broken_by: None,
    };
    let length = table.entries.saturating_mul(table.width);
    let Some(stored_chunks) = stored.size().checked_sub(length) else {
        return delivery.gap_to(until, GapKind::Undecodable);
    };
    let first = delivery.position().checked_div(chunk).unwrap_or_default();
    let mut start = match first.checked_sub(1) {
        Some(before) => table.entry(before, delivery)?,
        None => Ok(0),
    };
    for number in first..until.div_ceil(chunk).min(count) {
        let plain = chunk.min(size.saturating_sub(number.saturating_mul(chunk)));
        let end = if number < table.entries { table.entry(number, delivery)? } else { Ok(stored_chunks) };
        one(volume, packed, length, start, end, plain, stored_chunks, *packing, delivery)?;
        start = end;
    }
    Ok(())
}

/// Delivers one chunk of `plain` bytes, stored from `start` to `end` behind the table of `table` bytes.
#[expect(clippy::too_many_arguments, reason = "all of it describes one chunk")]
fn one(
    volume: &Source,
    packed: &Packed,
    table: u64,
    start: Result<u64, GapKind>,
    end: Result<u64, GapKind>,
    plain: u64,
    stored_chunks: u64,
    packing: Packing,
    delivery: &mut Delivery<'_>,
) -> Result<()> {
    let until = delivery.position().saturating_add(plain);
    let (start, end) = match (start, end) {
        (Ok(start), Ok(end)) => (start, end),
        // Where the table has a hole, the chunk has no place.
        (Err(why), _) | (_, Err(why)) => return delivery.gap_to(until, why),
    };
    // A chunk is never longer than what it stands for.
    let Some(length) = end.checked_sub(start).filter(|length| *length <= plain && end <= stored_chunks) else {
        return delivery.gap_to(until, GapKind::Undecodable);
    };
    let (bytes, broken_by) = stored_bytes(volume, &packed.stored, table.saturating_add(start), length, delivery)?;
    if let Some(why) = broken_by {
        // A copy is there up to its hole; of a packed chunk nothing is known for sure.
        if length == plain {
            delivery.bytes(&bytes)?;
        }
        return delivery.gap_to(until, why);
    }
    if length == plain {
        return delivery.bytes(&bytes);
    }
    let mut decoded = Vec::new();
    let size = at_most(plain, usize::MAX);
    let result = match packing {
        Packing::Xpress => xpress::decode(&bytes, &mut decoded, size),
        Packing::Lzx => lzx::decode(&bytes, &mut decoded, size),
    };
    if result.is_err() || decoded.len() != size {
        return delivery.gap_to(until, GapKind::Undecodable);
    }
    delivery.bytes(&decoded)
}

/// The table, read in windows.
struct Table<'a> {
    volume: &'a Source,
    stored: &'a Extents,
    width: u64,
    entries: u64,
    window: std::ops::Range<u64>,
    bytes: Vec<u8>,
    /// What ends the bytes of the window early.
    broken_by: Option<GapKind>,
}

impl Table<'_> {
    /// The end of a chunk, or what hides it.
    fn entry(&mut self, number: u64, delivery: &mut Delivery<'_>) -> Result<Result<u64, GapKind>> {
        let at = number.saturating_mul(self.width);
        let inside = |table: &Self| {
            let offset = at_most(at.saturating_sub(table.window.start), usize::MAX);
            match table.width {
                4 => le_u32(&table.bytes, offset).map(u64::from),
                _ => le_u64(&table.bytes, offset),
            }
        };
        if self.window.contains(&at)
            && let Some(end) = inside(self)
        {
            return Ok(Ok(end));
        }
        // Beyond a hole the next window begins at the entry itself.
        let length = WINDOW.min(self.entries.saturating_mul(self.width).saturating_sub(at));
        let (bytes, broken_by) = stored_bytes(self.volume, self.stored, at, length, delivery)?;
        (self.window, self.bytes, self.broken_by) = (at..at.saturating_add(length), bytes, broken_by);
        Ok(inside(self).ok_or(self.broken_by.unwrap_or(GapKind::Undecodable)))
    }
}

/// Bytes of the stored stream up to the first hole, and what that is.
fn stored_bytes(
    volume: &Source,
    stored: &Extents,
    start: u64,
    length: u64,
    delivery: &mut Delivery<'_>,
) -> Result<(Vec<u8>, Option<GapKind>)> {
    let runs = match stored {
        Extents::Resident(bytes) => {
            let part = slice(bytes, at_most(start, usize::MAX), at_most(length, usize::MAX));
            return Ok(part.map_or((Vec::new(), Some(GapKind::Undecodable)), |part| (part.to_vec(), None)));
        }
        Extents::Runs(runs) => runs,
        // Nothing is packed twice.
        Extents::Packed(_) => return Ok((Vec::new(), Some(GapKind::Undecodable))),
    };
    let end = start.saturating_add(length).min(runs.size.min(runs.valid_size));
    let mut bytes = Vec::with_capacity(at_most(length, 1 << 17));
    let mut at = start;
    let first = runs.runs.partition_point(|run| run.start.saturating_add(run.length) <= start);
    for run in runs.runs.iter().skip(first) {
        if at >= end || run.start > at {
            break;
        }
        let until = run.start.saturating_add(run.length).min(end);
        let count = at_most(until.saturating_sub(at), usize::MAX);
        match run.place {
            Place::At(place) => {
                let mut piece = vec![0; count];
                let from = place.saturating_add(at.saturating_sub(run.start));
                let reality = volume.read_at(from, &mut piece)?;
                delivery.outcome.unknown |= reality.unknown;
                if let Some(hole) = reality.holes.first() {
                    piece.truncate(at_most(hole.range.start.saturating_sub(from), count));
                    bytes.extend_from_slice(&piece);
                    return Ok((bytes, Some(hole.why.into())));
                }
                bytes.extend_from_slice(&piece);
            }
            Place::Zeros => bytes.resize(bytes.len().saturating_add(count), 0),
            Place::Lost => return Ok((bytes, Some(GapKind::Unplaced))),
            Place::NeverHere => return Ok((bytes, Some(GapKind::NeverHere))),
        }
        at = until;
    }
    let complete = to_u64(bytes.len()) == length;
    Ok((bytes, (!complete).then_some(GapKind::Unplaced)))
}
