//! Which bytes of the image really came off the drive, and on whose word.
//!
//! A [`SectorMap`] covers an image from its first to its last byte with ranges in one of four [`ByteState`]s. No map
//! at all is the map whose every byte is [`ByteState::Unknown`]. Every question is a binary search.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

mod columns;
mod csv;
mod doubt;
pub mod marker;
mod merge;
pub mod open;

use std::fmt;
use std::ops::Range;

use serde::Serialize;

pub use columns::{ColumnImport, Extent, Numbers};
pub use csv::Format;
pub use doubt::{Doubt, DoubtReason, examine};
pub use merge::merge;
pub use open::{MapChoice, MapForm, MapOrigin, MapRequest, OpenedMap};

/// What is known about a byte. The order is the one in which maps are merged: a higher state wins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ByteState {
    /// Nobody says.
    Unknown,
    /// Not tried yet: the imaging ended before it came here.
    Unreached,
    /// Tried, and would not come.
    Unread,
    /// Came off the drive.
    Read,
}

impl ByteState {
    /// All four, in the order of the type.
    pub const ALL: [Self; 4] = [Self::Unknown, Self::Unreached, Self::Unread, Self::Read];

    /// The word used in files and on screen.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Unreached => "unreached",
            Self::Unread => "unread",
            Self::Read => "read",
        }
    }

    /// The state that a word names.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }

    /// Whether the image holds something at this byte that may be the drive's: `read` or `unknown`.
    #[must_use]
    pub fn has_bytes(self) -> bool {
        matches!(self, Self::Read | Self::Unknown)
    }

    fn index(self) -> usize {
        match self {
            Self::Unknown => 0,
            Self::Unreached => 1,
            Self::Unread => 2,
            Self::Read => 3,
        }
    }
}

impl fmt::Display for ByteState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// On whose word a map says `read`. The order is from the weakest to the strongest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// The user's word: what no log lists was declared to be read.
    Asserted,
    /// Made by looking for the marker with which the imaging program filled its holes.
    Marker,
    /// A plain list of bad sectors.
    BadList,
    /// A complete log of the imaging.
    Full,
}

impl Basis {
    /// All, in the order of the type.
    pub const ALL: [Self; 4] = [Self::Asserted, Self::Marker, Self::BadList, Self::Full];

    /// The word used in files and on screen.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Asserted => "asserted",
            Self::Marker => "marker",
            Self::BadList => "bad-list",
            Self::Full => "full",
        }
    }

    /// The basis that a word names.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|basis| basis.word() == word)
    }
}

impl fmt::Display for Basis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// A range of bytes in one state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Segment {
    /// First byte and first byte after, in bytes from the image's start.
    pub range: Range<u64>,
    /// The state of all of them.
    pub state: ByteState,
}

/// The states of an image's bytes.
///
/// Inside, segments follow one another without a gap from 0 to the length, neighbours differ in state, and each knows
/// how many bytes of each state lie before it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SectorMap {
    length: u64,
    basis: Option<Basis>,
    rest: ByteState,
    segments: Vec<Indexed>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
struct Indexed {
    start: u64,
    state: ByteState,
    before: [u64; 4],
}

impl SectorMap {
    /// No map: nobody says anything about the `length` bytes.
    #[must_use]
    pub fn none(length: u64) -> Self {
        Self::assemble(length, None, ByteState::Unknown, Vec::new())
    }

    /// A map from ranges that are sorted, disjoint and inside `length`; what they leave out is `rest`.
    ///
    /// # Errors
    /// The index of the first range that is empty, out of order, overlapping or beyond `length`.
    pub fn from_ranges(length: u64, basis: Basis, rest: ByteState, ranges: &[Segment]) -> Result<Self, usize> {
        let mut end = 0;
        for (index, Segment { range, .. }) in ranges.iter().enumerate() {
            if range.start < end || range.end <= range.start || range.end > length {
                return Err(index);
            }
            end = range.end;
        }
        Ok(Self::assemble(length, Some(basis), rest, ranges.to_vec()))
    }

    /// Fills gaps with `rest` and joins neighbours. `ranges` must be sorted, disjoint and inside `length`.
    fn assemble(length: u64, basis: Option<Basis>, rest: ByteState, ranges: Vec<Segment>) -> Self {
        let mut map = Self { length, basis, rest, segments: Vec::with_capacity(ranges.len()) };
        let mut at = 0;
        for Segment { range, state } in ranges {
            map.push(at..range.start, rest);
            map.push(range.clone(), state);
            at = range.end;
        }
        map.push(at..length, rest);
        map.index();
        map
    }

    fn push(&mut self, range: Range<u64>, state: ByteState) {
        if range.start < range.end && self.segments.last().is_none_or(|last| last.state != state) {
            self.segments.push(Indexed { start: range.start, state, before: [0; 4] });
        }
    }

    /// Fills in how many bytes of each state lie before each segment.
    fn index(&mut self) {
        let mut total = [0_u64; 4];
        let mut previous: Option<(u64, ByteState)> = None;
        for segment in &mut self.segments {
            if let Some((start, state)) = previous
                && let Some(count) = total.get_mut(state.index())
            {
                *count = count.saturating_add(segment.start.saturating_sub(start));
            }
            segment.before = total;
            previous = Some((segment.start, segment.state));
        }
    }

    /// Length in bytes.
    #[must_use]
    pub fn length(&self) -> u64 {
        self.length
    }

    /// On whose word the map speaks; `None` if there is no map.
    #[must_use]
    pub fn basis(&self) -> Option<Basis> {
        self.basis
    }

    /// The state of bytes that the file did not list.
    #[must_use]
    pub fn rest(&self) -> ByteState {
        self.rest
    }

    /// The position of the segment that holds `offset`.
    fn position(&self, offset: u64) -> usize {
        self.segments.partition_point(|segment| segment.start <= offset).saturating_sub(1)
    }

    /// The state of one byte; [`ByteState::Unreached`] past the end.
    #[must_use]
    pub fn state_at(&self, offset: u64) -> ByteState {
        if offset >= self.length {
            return ByteState::Unreached;
        }
        self.segments.get(self.position(offset)).map_or(ByteState::Unknown, |segment| segment.state)
    }

    /// The segments that `range` touches, cut to it, in order. Bytes past the map's length have none.
    pub fn segments(&self, range: Range<u64>) -> impl Iterator<Item = Segment> + '_ {
        let end = range.end.min(self.length);
        let first = if range.start < end { self.position(range.start) } else { self.segments.len() };
        let mut rest = self.segments.get(first..).unwrap_or_default().iter().peekable();
        std::iter::from_fn(move || {
            let segment = rest.next().filter(|segment| segment.start < end)?;
            let next = rest.peek().map_or(self.length, |next| next.start);
            Some(Segment { range: segment.start.max(range.start)..next.min(end), state: segment.state })
        })
    }

    /// How many bytes of `range` are in `state`, by two binary searches. Bytes past the map's length count for none.
    #[must_use]
    pub fn count(&self, range: Range<u64>, state: ByteState) -> u64 {
        self.before(range.end, state).saturating_sub(self.before(range.start, state))
    }

    /// How many bytes before `offset` are in `state`.
    fn before(&self, offset: u64, state: ByteState) -> u64 {
        let offset = offset.min(self.length);
        self.segments.get(self.position(offset)).map_or(0, |segment| {
            let counted = segment.before.get(state.index()).copied().unwrap_or(0);
            let inside = if segment.state == state { offset.saturating_sub(segment.start) } else { 0 };
            counted.saturating_add(inside)
        })
    }

    /// How many bytes of the whole map are in `state`.
    #[must_use]
    pub fn total(&self, state: ByteState) -> u64 {
        self.count(0..self.length, state)
    }

    /// The same map with every range that would not come (`unread`) grown to whole sectors: a drive gives a sector or
    /// nothing.
    #[must_use]
    pub fn rounded(&self, sector: u64) -> Self {
        let mut grown: Vec<Segment> = Vec::new();
        for segment in self.segments(0..self.length).filter(|segment| segment.state == ByteState::Unread) {
            let start = crate::bytes::round_down(segment.range.start, sector);
            let end = crate::bytes::round_up(segment.range.end, sector).min(self.length);
            match grown.last_mut() {
                Some(last) if start <= last.range.end => last.range.end = end,
                _ => grown.push(Segment { range: start..end, state: ByteState::Unread }),
            }
        }
        self.overlaid(&grown)
    }

    /// The same map with `ranges` (sorted and disjoint) in their own states.
    fn overlaid(&self, ranges: &[Segment]) -> Self {
        let mut all = Vec::with_capacity(self.segments.len().saturating_add(ranges.len()));
        let mut at = 0;
        for over in ranges {
            all.extend(self.segments(at..over.range.start));
            all.push(over.clone());
            at = over.range.end;
        }
        all.extend(self.segments(at..self.length));
        Self::assemble(self.length, self.basis, self.rest, all)
    }

    /// The same map without its good word: every `read` is `unknown`. What would not come stays.
    #[must_use]
    pub fn without_good_word(&self) -> Self {
        let all = self
            .segments(0..self.length)
            .map(|segment| match segment.state {
                ByteState::Read => Segment { state: ByteState::Unknown, ..segment },
                _ => segment,
            })
            .collect();
        let rest = if self.rest == ByteState::Read { ByteState::Unknown } else { self.rest };
        Self::assemble(self.length, self.basis, rest, all)
    }

    /// The part of a drive's map that an image of `length` bytes from the drive's byte `offset` needs: byte 0 of the
    /// result is byte `offset` of this map.
    #[must_use]
    pub fn shifted(&self, offset: u64, length: u64) -> Self {
        let end = offset.saturating_add(length).min(self.length);
        let all = self
            .segments(offset..end)
            .map(|Segment { range, state }| Segment {
                range: range.start.saturating_sub(offset)..range.end.saturating_sub(offset),
                state,
            })
            .collect();
        Self::assemble(end.saturating_sub(offset), self.basis, self.rest, all)
    }

    /// The same map over an image of `length` bytes: bytes that only one of the two lengths covers are `unreached`.
    #[must_use]
    pub fn fitted(&self, length: u64) -> Self {
        let longer = self.length.max(length);
        let both = self.length.min(length);
        let mut all: Vec<Segment> = self.segments(0..both).collect();
        if both < longer {
            all.push(Segment { range: both..longer, state: ByteState::Unreached });
        }
        Self::assemble(longer, self.basis, self.rest, all)
    }
}

#[cfg(test)]
mod tests;
