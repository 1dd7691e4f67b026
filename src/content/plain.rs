//! Content stored as it is.

use super::Delivery;
use crate::catalog::{GapKind, Place, Run, Runs};
use crate::error::Result;
use crate::source::Source;

/// Delivers the bytes from where the delivery stands to `end`.
pub(super) fn read(volume: &Source, runs: &Runs, end: u64, delivery: &mut Delivery<'_>) -> Result<()> {
    let passed = runs.runs.partition_point(|run| run.start.saturating_add(run.length) <= delivery.position());
    for run in runs.runs.iter().skip(passed).take_while(|run| run.start < end) {
        deliver(volume, run, end, delivery)?;
    }
    // A reader gives runs up to the size; were one to give fewer, the rest has no place.
    delivery.gap_to(end, GapKind::Unplaced)
}

/// Delivers the part of `run` between what was delivered and `end`.
pub(super) fn deliver(volume: &Source, run: &Run, end: u64, delivery: &mut Delivery<'_>) -> Result<()> {
    let run_end = run.start.saturating_add(run.length).min(end);
    // A jump ahead, which no reader makes, would have no place either.
    delivery.gap_to(run.start.min(run_end), GapKind::Unplaced)?;
    let inside = delivery.position().saturating_sub(run.start);
    let length = run_end.saturating_sub(delivery.position());
    match run.place {
        Place::At(offset) => delivery.volume(volume, offset.saturating_add(inside), length),
        Place::Zeros => delivery.zeros_to(run_end),
        Place::Lost => delivery.gap_to(run_end, GapKind::Unplaced),
        Place::NeverHere => delivery.gap_to(run_end, GapKind::NeverHere),
    }
}
