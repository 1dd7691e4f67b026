//! From what is known of a file to where it goes.

use std::borrow::Cow;

use super::digests::Algorithm;
use super::hex;
use crate::catalog::{Facts, Gap, State, Unlocated};

/// A file whose last zeros are at least this many bytes ends in a "long blank". Formats pad with less: archives of
/// tapes with up to 10,240 bytes, databases with a page of up to 16,384; a hole that an imaging program left as zeros
/// is as often longer as not.
pub const LONG_BLANK: u64 = 32_768;

/// The parts of the payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Tree {
    /// Whole and unproven files.
    Recovered,
    /// Files whose bytes can't be shown to be theirs.
    Doubtful,
    /// Files with gaps, which are filled with zeros.
    Damaged,
}

impl Tree {
    pub(crate) const ALL: [Self; 3] = [Self::Recovered, Self::Doubtful, Self::Damaged];

    /// The folder in the bag.
    pub(crate) fn folder(self) -> &'static str {
        match self {
            Self::Recovered => "data/recovered",
            Self::Doubtful => "data/doubtful",
            Self::Damaged => "data/damaged",
        }
    }

    /// Where a file of these facts and this size goes; `None` if it is not copied.
    pub(crate) fn of(facts: &Facts, size: u64) -> Option<Self> {
        // Whatever else is wrong with it: nobody could tell an encrypted file's bytes from noise.
        if facts.encrypted {
            return None;
        }
        match facts.state() {
            State::Unlocated | State::Locked => None,
            State::Damaged => Some(Self::Damaged),
            State::Doubtful => Some(Self::Doubtful),
            State::Absent => (facts.never_here_bytes < size).then_some(Self::Damaged),
            State::Unproven | State::NotDecoded | State::Whole => Some(Self::Recovered),
        }
    }
}

/// What reading a file showed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Reading {
    /// SHA-256 of what was written.
    pub(crate) sha256: [u8; 32],
    /// Further digests of it, in hexadecimal.
    pub(crate) also: Vec<(Algorithm, String)>,
    /// Bytes of the content.
    pub(crate) size: u64,
    /// Ranges that are not there, in order.
    pub(crate) gaps: Vec<Gap>,
    /// Whether nobody vouches for some bytes.
    pub(crate) unknown: bool,
    /// Whether it is all zeros or ends in [`LONG_BLANK`] zeros.
    pub(crate) blank: bool,
}

impl Reading {
    /// A digest of what was written, in hexadecimal; empty if it was not asked for.
    pub(crate) fn digest(&self, algorithm: Algorithm) -> Cow<'_, str> {
        match self.also.iter().find(|(kind, _)| *kind == algorithm) {
            _ if algorithm == Algorithm::Sha256 => hex::of(&self.sha256).into(),
            found => found.map_or("", |(_, digest)| digest.as_str()).into(),
        }
    }
}

/// The facts of the sweep together with what reading showed. `placed` is false if nothing could be placed when the
/// file was to be read.
pub(crate) fn merged(sweep: &Facts, reading: Option<&Reading>, placed: bool) -> Facts {
    let mut facts = sweep.clone();
    if !placed && facts.unlocated.is_none() {
        facts.unlocated = Some(Unlocated::DescriptionLost);
    }
    match reading {
        Some(reading) => facts.with_reading(&reading.gaps, reading.unknown),
        None => facts,
    }
}

/// Finds blank ends while a file goes by.
#[derive(Debug, Default)]
pub(crate) struct BlankWatch {
    length: u64,
    zeros: u64,
}

impl BlankWatch {
    /// The next bytes.
    pub(crate) fn see(&mut self, piece: &[u8]) {
        let length = piece.len() as u64;
        self.length += length;
        self.zeros = match piece.iter().rposition(|byte| *byte != 0) {
            Some(last) => length - last as u64 - 1,
            None => self.zeros + length,
        };
    }

    /// Whether it was blank or ended in a long blank.
    pub(crate) fn is_blank(&self) -> bool {
        self.length > 0 && (self.zeros == self.length || self.zeros >= LONG_BLANK)
    }
}

#[cfg(test)]
mod tests {
    use enumset::EnumSet;

    use super::*;
    use crate::catalog::{Distrust, GapKind};

    fn facts(change: impl FnOnce(&mut Facts)) -> Facts {
        let mut facts = Facts::SOUND;
        change(&mut facts);
        facts
    }

    #[test]
    fn each_state_has_its_place() {
        assert_eq!(Tree::of(&Facts::SOUND, 10), Some(Tree::Recovered));
        assert_eq!(Tree::of(&facts(|facts| facts.unknown = true), 10), Some(Tree::Recovered));
        let doubtful = facts(|facts| facts.distrust.insert_all(EnumSet::only(Distrust::ClaimedTwice)));
        assert_eq!(Tree::of(&doubtful, 10), Some(Tree::Doubtful));
        assert_eq!(Tree::of(&facts(|facts| facts.add_gap(GapKind::Unread, 1)), 10), Some(Tree::Damaged));
        let cloud = facts(|facts| facts.add_gap(GapKind::NeverHere, 9));
        assert_eq!((Tree::of(&cloud, 10), Tree::of(&cloud, 9)), (Some(Tree::Damaged), None));
        assert_eq!(Tree::of(&facts(|facts| facts.encrypted = true), 10), None);
        let both = facts(|facts| {
            facts.encrypted = true;
            facts.add_gap(GapKind::Unread, 1);
        });
        assert_eq!(Tree::of(&both, 10), None, "damaged and encrypted");
        assert_eq!(Tree::of(&facts(|facts| facts.unlocated = Some(Unlocated::RecordLost)), 10), None);
    }

    fn reading(gaps: &[(std::ops::Range<u64>, GapKind)]) -> Reading {
        let gaps = gaps.iter().map(|(range, why)| Gap { range: range.clone(), why: *why }).collect();
        Reading { sha256: [0; 32], also: Vec::new(), size: 100, gaps, unknown: false, blank: false }
    }

    #[test]
    fn reading_adds_to_plain_and_narrows_encoded_files() {
        let found = merged(&Facts::SOUND, Some(&reading(&[(5..9, GapKind::Undecodable)])), true);
        assert_eq!((found.state(), found.gap_bytes), (State::Damaged, 4));

        let swept = facts(|facts| {
            facts.add_gap(GapKind::Unread, 65536);
            facts.decoded = false;
        });
        let narrowed = merged(&swept, Some(&reading(&[(5..9, GapKind::Unread)])), true);
        assert_eq!((narrowed.gap_bytes, narrowed.decoded), (4, true));
        assert_eq!(merged(&swept, Some(&reading(&[])), true).state(), State::Whole);

        let plain = facts(|facts| facts.add_gap(GapKind::Unplaced, 0));
        assert_eq!(merged(&plain, Some(&reading(&[])), true).state(), State::Damaged, "a gap without length stays");
        assert_eq!(merged(&Facts::SOUND, None, false).state(), State::Unlocated);
    }

    #[test]
    fn blanks_are_seen_across_pieces() {
        let blank = |pieces: &[&[u8]]| {
            let mut watch = BlankWatch::default();
            pieces.iter().for_each(|piece| watch.see(piece));
            watch.is_blank()
        };
        let long = vec![0; LONG_BLANK as usize];
        assert!(!blank(&[]), "an empty file is not blank");
        assert!(blank(&[&[0]]));
        assert!(blank(&[&[1], &long[1..], &[0]]));
        assert!(!blank(&[&[1], &long[1..]]));
        assert!(!blank(&[&long, &[1]]));
    }
}
