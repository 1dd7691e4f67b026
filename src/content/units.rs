//! Content in LZNT1 units, as NTFS keeps compressed files.
//!
//! Source: Linux `fs/ntfs/layout.h` and `compress.c` for the rule; checked on volumes written by ntfs-3g. In a unit of
//! 16 clusters (whatever the unit's size is, judged by the file's own clusters and across the borders of runs):
//!
//! | clusters present | meaning |
//! | --- | --- |
//! | none | zeros |
//! | all | stored plain |
//! | fewer, the absent ones last | LZNT1 in the present ones |

use super::{Delivery, lznt1, plain};
use crate::bytes::{at_most, to_u64};
use crate::catalog::{GapKind, Place, Run, Runs};
use crate::error::Result;
use crate::source::Source;

/// Largest unit that is decoded, in bytes: 16 clusters of 64 KiB. Windows makes none above 64 KiB.
const MAX_UNIT: u64 = 1 << 20;

/// Delivers the bytes from where the delivery stands, which is a unit's start, to `end`, unit by unit.
pub(super) fn read(volume: &Source, runs: &Runs, end: u64, unit: u64, delivery: &mut Delivery<'_>) -> Result<()> {
    if unit == 0 || unit > MAX_UNIT {
        return delivery.gap_to(end, GapKind::Undecodable);
    }
    let mut rest = runs.runs.as_slice();
    let mut start = delivery.position();
    while start < end {
        // Runs that end before this unit are done with.
        let passed = rest.iter().take_while(|run| run.start.saturating_add(run.length) <= start).count();
        rest = rest.get(passed..).unwrap_or_default();
        // A run of zeros that covers many units is delivered in one go: a sparse file may have millions of them.
        if let Some(run) = rest.first().filter(|run| run.place == Place::Zeros && run.start <= start) {
            let covered = crate::bytes::round_down(run.start.saturating_add(run.length), unit);
            if covered > start {
                delivery.zeros_to(covered.min(end))?;
                start = covered;
                continue;
            }
        }
        let unit_end = start.saturating_add(unit);
        if rest.first().is_none_or(|run| run.start > start) {
            // What no run covers has no place, and is not zeros.
            return delivery.gap_to(end, GapKind::Unplaced);
        }
        let pieces: Vec<Run> = rest
            .iter()
            .take_while(|run| run.start < unit_end)
            .map(|run| cut(run, start, unit_end))
            .filter(|run| run.length > 0)
            .collect();
        one(volume, &pieces, start, unit, end, delivery)?;
        start = unit_end;
    }
    Ok(())
}

/// The part of `run` inside `start..end`.
fn cut(run: &Run, start: u64, end: u64) -> Run {
    let from = run.start.max(start);
    let to = run.start.saturating_add(run.length).min(end);
    let skipped = from.saturating_sub(run.start);
    let place = match run.place {
        Place::At(offset) => Place::At(offset.saturating_add(skipped)),
        other => other,
    };
    Run { start: from, length: to.saturating_sub(from), place }
}

/// Delivers one unit, which begins at byte `start` of the file, up to `end` at most.
fn one(volume: &Source, pieces: &[Run], start: u64, unit: u64, end: u64, delivery: &mut Delivery<'_>) -> Result<()> {
    let unit_end = start.saturating_add(unit).min(end);
    let placed = |run: &&Run| matches!(run.place, Place::At(_));
    let lost = pieces.iter().find_map(|run| match run.place {
        Place::Lost => Some(GapKind::Unplaced),
        Place::NeverHere => Some(GapKind::NeverHere),
        _ => None,
    });
    if let Some(why) = lost {
        // Whether the unit is compressed can't be told any more, so none of it can.
        return delivery.gap_to(unit_end, why);
    }
    let covered: u64 = pieces.iter().map(|run| run.length).fold(0, u64::saturating_add);
    if covered < unit {
        // Whether what is missing had clusters decides how the unit is stored, and nobody says.
        return delivery.gap_to(unit_end, GapKind::Unplaced);
    }
    let present: u64 = pieces.iter().filter(placed).map(|run| run.length).fold(0, u64::saturating_add);
    if present == 0 {
        return delivery.zeros_to(unit_end);
    }
    if present == unit {
        for run in pieces {
            plain::deliver(volume, run, unit_end, delivery)?;
        }
        return Ok(());
    }
    let first_absent = pieces.iter().position(|run| !placed(&run)).unwrap_or(pieces.len());
    if pieces.iter().skip(first_absent).any(|run| placed(&run)) || pieces.first().is_none_or(|run| run.start != start) {
        return delivery.gap_to(unit_end, GapKind::Undecodable);
    }
    let pieces = pieces.get(..first_absent).unwrap_or_default();
    let (stored, broken_by, unknown) = gather(volume, pieces, present)?;
    delivery.outcome.unknown |= unknown;
    let needed = at_most(unit_end.saturating_sub(start), usize::MAX);
    let mut plain = Vec::with_capacity(needed);
    let decoded = lznt1::decode(&stored, &mut plain, at_most(unit, usize::MAX));
    let good = match (&decoded, broken_by) {
        (Err(error), _) => error.good,
        // What was stored before a hole decodes: only what it gives is known, not that zeros follow it.
        (Ok(()), Some(_)) => plain.len(),
        // A stream that ends before its unit stands for zeros in the rest.
        (Ok(()), None) => needed,
    };
    plain.truncate(good.min(needed));
    delivery.bytes(&plain)?;
    if good >= needed {
        delivery.zeros_to(unit_end)
    } else {
        delivery.gap_to(unit_end, broken_by.unwrap_or(GapKind::Undecodable))
    }
}

/// The stored bytes of a unit up to its first hole, what the hole is, and whether nobody vouches for some.
fn gather(volume: &Source, pieces: &[Run], present: u64) -> Result<(Vec<u8>, Option<GapKind>, bool)> {
    let mut stored = Vec::with_capacity(at_most(present, usize::MAX));
    let mut unknown = false;
    for run in pieces {
        let Place::At(offset) = run.place else { continue };
        let mut piece = vec![0; at_most(run.length, usize::MAX)];
        let reality = volume.read_at(offset, &mut piece)?;
        unknown |= reality.unknown;
        if let Some(hole) = reality.holes.first() {
            piece.truncate(at_most(hole.range.start.saturating_sub(offset), piece.len()));
            stored.extend_from_slice(&piece);
            return Ok((stored, Some(hole.why.into()), unknown));
        }
        stored.extend_from_slice(&piece);
    }
    debug_assert_eq!(to_u64(stored.len()), present);
    Ok((stored, None, unknown))
}
