//! Which places become numbered volumes beside those of the table, and which bytes of each another may have written over.
//!
//! The table's word comes first: what it names is its volume, and what lies inside that is a file's content or a leftover.
//! Beyond it, the better proven of two places that overlap gets the number if it holds the other one.

use std::ops::Range;

use serde::Serialize;

use super::candidate::{Candidate, Found, Proof};
use crate::volumes::is_read;

/// So many volumes that no table names are numbered.
const MOST_VOLUMES: usize = 128;
/// So many ranges of a volume that others claim are kept apart; beyond that all between the first and the last is one.
const MOST_CONTESTED: usize = 64;

/// What became of a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(tag = "standing", rename_all = "snake_case")]
pub enum Standing {
    /// The table names it, too.
    Named {
        /// The volume.
        volume: u32,
    },
    /// It is a volume that no table names.
    Volume {
        /// Its number.
        volume: u32,
    },
    /// It lies wholly inside a volume: an image stored as a file, or a leftover of an earlier time.
    Inside {
        /// The volume.
        volume: u32,
    },
    /// Only its head is left, or another volume begins in its place.
    Leftover,
    /// It would be a volume, and there are too many.
    LeftOut,
}

impl Standing {
    /// Whether it is no volume of the table, and others claim some of its bytes.
    #[must_use]
    pub fn is_contested(self, contested: &[Range<u64>]) -> bool {
        matches!(self, Self::Volume { .. }) && !contested.is_empty()
    }
}

/// A place and what became of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Located {
    /// The place and its evidence.
    #[serde(flatten)]
    pub candidate: Candidate,
    /// What became of it.
    #[serde(flatten)]
    pub standing: Standing,
    /// The bytes of the image, within it, that other places claim: sorted and disjoint.
    #[serde(skip)]
    pub contested: Vec<Range<u64>>,
}

/// A volume of the table: nothing found takes its place.
#[derive(Debug, Clone)]
pub(in crate::volumes) struct Neighbour {
    pub(in crate::volumes) number: u32,
    pub(in crate::volumes) range: Range<u64>,
    /// It is of a kind that is read, and could not be.
    pub(in crate::volumes) could_not_be_opened: bool,
}

/// The volumes of the table in which something was seen.
pub(in crate::volumes) type Neighbours = [Neighbour];

fn overlap(one: &Range<u64>, other: &Range<u64>) -> bool {
    one.start < other.end && other.start < one.end
}

fn holds(outer: &Range<u64>, inner: &Range<u64>) -> bool {
    outer.start <= inner.start && inner.end <= outer.end
}

/// Whether a place may have been written to as a volume: what is disproven was, at most, in an earlier time.
fn is_live(candidate: &Candidate) -> bool {
    candidate.proof() >= Proof::Open
}

/// Decides what becomes of each place. `first` is the first number that is free; `end` is the image's length.
pub(in crate::volumes) fn arrange(found: &Found, table: &Neighbours, first: u32, end: u64) -> Vec<Located> {
    let ranges = ranges(found, table, end);
    let reaches = reaches(found, table, end);
    let mut best_first: Vec<usize> = (0..found.candidates.len()).collect();
    best_first.sort_by_key(|index| found.candidates.get(*index).map(|one| std::cmp::Reverse(one.rank())));
    let mut standings: Vec<Option<Standing>> = vec![None; ranges.len()];
    // Places that become volumes, and places inside one of those.
    let mut accepted: Vec<usize> = Vec::new();
    let mut inside: Vec<(usize, usize)> = Vec::new();
    for index in best_first {
        let (Some(candidate), Some(range)) = (found.candidates.get(index), ranges.get(index)) else { continue };
        let is_same = |one: &&Neighbour| names(one, candidate);
        let standing = if let Some(named) = table.iter().find(is_same) {
            Some(Standing::Named { volume: named.number })
        } else if candidate.proof() == Proof::Disproven {
            Some(Standing::Leftover)
        } else if let Some(outer) = table.iter().find(|one| holds(&one.range, range) && !one.could_not_be_opened) {
            Some(Standing::Inside { volume: outer.number })
        } else if let Some(outer) =
            accepted.iter().find(|outer| ranges.get(**outer).is_some_and(|outer| holds(outer, range)))
        {
            inside.push((index, *outer));
            None
        } else if accepted.len() >= MOST_VOLUMES {
            Some(Standing::LeftOut)
        } else {
            accepted.push(index);
            None
        };
        if let Some(slot) = standings.get_mut(index) {
            *slot = standing;
        }
    }
    // Numbers follow the order on the drive.
    accepted.sort_unstable();
    for (index, number) in accepted.iter().zip(first..) {
        if let Some(slot) = standings.get_mut(*index) {
            *slot = Some(Standing::Volume { volume: number });
        }
    }
    for (index, outer) in inside {
        let number = match standings.get(outer).copied().flatten() {
            Some(Standing::Volume { volume }) => volume,
            _ => continue,
        };
        if let Some(slot) = standings.get_mut(index) {
            *slot = Some(Standing::Inside { volume: number });
        }
    }
    let located = found.candidates.iter().zip(&ranges).zip(standings).enumerate();
    located
        .map(|(index, ((candidate, range), standing))| Located {
            candidate: candidate.clone(),
            standing: standing.unwrap_or(Standing::Leftover),
            contested: contested(index, range, found, &reaches, table),
        })
        .collect()
}

/// Whether a volume of the table is what was found. Where the table's word is not enough to open it, another place or
/// length may be.
fn names(volume: &Neighbour, candidate: &Candidate) -> bool {
    let tried = volume.could_not_be_opened && is_read(candidate.kind);
    volume.range.start == candidate.place.start() && !tried
}

/// The bytes that each place takes up. A place of unknown length goes on to the end of the table's volume that it lies in,
/// to the next live place, or to the image's end.
fn ranges(found: &Found, table: &Neighbours, end: u64) -> Vec<Range<u64>> {
    let mut borders: Vec<u64> =
        found.candidates.iter().filter(|one| is_live(one)).map(|one| one.place.start()).collect();
    borders.extend(table.iter().flat_map(|one| [one.range.start, one.range.end]));
    borders.sort_unstable();
    let until = |start: u64| borders.get(borders.partition_point(|border| *border <= start)).copied().unwrap_or(end);
    found
        .candidates
        .iter()
        .map(|one| one.range().unwrap_or_else(|| one.place.start()..until(one.place.start())))
        .collect()
}

/// The bytes that each place may have written to. One of unknown length may go on over everything up to the end of the
/// table's volume that it lies in, or of the image.
fn reaches(found: &Found, table: &Neighbours, end: u64) -> Vec<Range<u64>> {
    let reach = |one: &Candidate| {
        one.range().unwrap_or_else(|| {
            let start = one.place.start();
            let outer = table.iter().filter(|volume| volume.range.contains(&start)).map(|volume| volume.range.end);
            start..outer.min().unwrap_or(end)
        })
    };
    found.candidates.iter().map(reach).collect()
}

/// The bytes of a place that other live places and the table's volumes claim.
fn contested(
    index: usize,
    range: &Range<u64>,
    found: &Found,
    reaches: &[Range<u64>],
    table: &Neighbours,
) -> Vec<Range<u64>> {
    let others = found.candidates.iter().zip(reaches).enumerate();
    let live = others.filter(|(other, (candidate, _))| *other != index && is_live(candidate));
    let by_table = table.iter().filter(|one| !one.could_not_be_opened).map(|one| &one.range);
    let mut all: Vec<Range<u64>> = live
        .map(|(_, (_, other))| other)
        .chain(by_table)
        .filter(|other| overlap(other, range))
        .map(|other| other.start.max(range.start)..other.end.min(range.end))
        .collect();
    all.sort_by_key(|one| (one.start, one.end));
    let mut joined: Vec<Range<u64>> = Vec::new();
    for one in all {
        match joined.last_mut() {
            Some(last) if one.start <= last.end => last.end = last.end.max(one.end),
            _ => joined.push(one),
        }
    }
    if joined.len() > MOST_CONTESTED
        && let (Some(first), Some(last)) = (joined.first(), joined.last())
    {
        return vec![first.start..last.end];
    }
    joined
}
