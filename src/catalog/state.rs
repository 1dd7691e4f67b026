//! What may be said of a file: four facts, and the word they make.

use std::fmt;

use enumset::{EnumSet, EnumSetType};
use serde::Serialize;

use super::Gap;
use crate::source::Missing;

/// Why a range of a file is not there.
#[derive(Debug, EnumSetType, PartialOrd, Ord, Hash, Serialize)]
#[enumset(repr = "u8")]
#[serde(rename_all = "kebab-case")]
pub enum GapKind {
    /// The drive did not give it.
    Unread,
    /// The imaging ended before it came here.
    Unreached,
    /// It lies after the image's end.
    PastEnd,
    /// What says where it lies is lost.
    Unplaced,
    /// It was read and does not decode.
    Undecodable,
    /// It never was on this drive: a cloud program keeps it elsewhere.
    NeverHere,
}

impl GapKind {
    /// The word used in files and on screen.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Unread => "unread",
            Self::Unreached => "unreached",
            Self::PastEnd => "past-end",
            Self::Unplaced => "unplaced",
            Self::Undecodable => "undecodable",
            Self::NeverHere => "never-here",
        }
    }
}

impl From<Missing> for GapKind {
    fn from(missing: Missing) -> Self {
        match missing {
            Missing::Unread => Self::Unread,
            Missing::Unreached => Self::Unreached,
            Missing::PastEnd => Self::PastEnd,
        }
    }
}

/// Why nothing of a file can be placed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unlocated {
    /// No reader has looked at it yet.
    NotExamined,
    /// Its record is lost; only a folder's list names it.
    RecordLost,
    /// The part of its record that describes the content is lost.
    DescriptionLost,
    /// Its content stands in another file or place.
    ContentElsewhere,
    /// What kind of storage it uses is not known.
    UnknownStorage,
}

impl Unlocated {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::NotExamined => "not-examined",
            Self::RecordLost => "record-lost",
            Self::DescriptionLost => "description-lost",
            Self::ContentElsewhere => "content-elsewhere",
            Self::UnknownStorage => "unknown-storage",
        }
    }
}

/// A condition of `whole` that failed, apart from gaps: the bytes are there, and that they are this file's can't be
/// shown.
#[derive(Debug, EnumSetType, PartialOrd, Ord, Hash, Serialize)]
#[enumset(repr = "u32")]
#[serde(rename_all = "kebab-case")]
pub enum Distrust {
    /// A part of its record or of an extension record was not read.
    RecordPartlyRead,
    /// A structure of its record contradicts itself.
    RecordInconsistent,
    /// The record says another number than its place has.
    OtherNumber,
    /// The table's own bitmap calls the record free.
    RecordFree,
    /// The record calls itself free; the table's own bitmap and the folder's list do not.
    NotInUse,
    /// An extension record does not point back.
    ExtensionStale,
    /// The pieces of its content overlap.
    PiecesOverlap,
    /// A piece of it lies outside the volume.
    OutsideVolume,
    /// It was deleted.
    Deleted,
    /// The allocation bitmap calls some of its clusters free.
    ClustersFree,
    /// Another live object claims some of its clusters.
    ClaimedTwice,
    /// Its chain of clusters runs in a loop.
    ChainLoop,
    /// A link of its chain of clusters was not read.
    ChainPartlyRead,
    /// Its chain leads to a cluster that is set aside as bad.
    ClusterBad,
    /// Two allocation tables say different things of its clusters.
    TablesDiffer,
    /// Where it lies is known only from an allocation table that may be out of date.
    OtherTable,
    /// Its entry and its long name do not belong together.
    NameChecksum,
    /// The folder that names it is itself not shown to be what it was.
    FolderDoubtful,
    /// Nothing says where it goes on after its first cluster: that it lies in one piece is a guess.
    ContiguousGuess,
    /// The checksum over its entries is wrong.
    ChecksumWrong,
    /// The checksum over the boot sectors is wrong, and no backup of them is right.
    BootChecksum,
    /// The volume was found by searching, and another volume claims bytes that it hangs on.
    VolumeOverlaps,
    /// The volume was opened at a place that neither a table nor a search of the whole image speaks for.
    VolumeUnsearched,
    /// The volume's boot sectors are lost, and what was found instead does not prove how it is laid out.
    GeometryDoubtful,
    /// Its record was found without the file table's own description, and nothing shows that it is in force.
    RecordUnconfirmed,
}

impl Distrust {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::RecordPartlyRead => "record-partly-read",
            Self::RecordInconsistent => "record-inconsistent",
            Self::OtherNumber => "other-number",
            Self::RecordFree => "record-free",
            Self::NotInUse => "not-in-use",
            Self::ExtensionStale => "extension-stale",
            Self::PiecesOverlap => "pieces-overlap",
            Self::OutsideVolume => "outside-volume",
            Self::Deleted => "deleted",
            Self::ClustersFree => "clusters-free",
            Self::ClaimedTwice => "claimed-twice",
            Self::ChainLoop => "chain-loop",
            Self::ChainPartlyRead => "chain-partly-read",
            Self::ClusterBad => "cluster-bad",
            Self::TablesDiffer => "tables-differ",
            Self::OtherTable => "other-table",
            Self::NameChecksum => "name-checksum",
            Self::FolderDoubtful => "folder-doubtful",
            Self::ContiguousGuess => "contiguous-guess",
            Self::ChecksumWrong => "checksum-wrong",
            Self::BootChecksum => "boot-checksum",
            Self::VolumeOverlaps => "volume-overlaps",
            Self::VolumeUnsearched => "volume-unsearched",
            Self::GeometryDoubtful => "geometry-doubtful",
            Self::RecordUnconfirmed => "record-unconfirmed",
        }
    }
}

/// Why a folder's list of names is not all there.
#[derive(Debug, EnumSetType, PartialOrd, Ord, Hash, Serialize)]
#[enumset(repr = "u8")]
#[serde(rename_all = "kebab-case")]
pub enum Incomplete {
    /// Its own record was not read.
    RecordLost,
    /// Records are lost, and any of them may have stood in this folder.
    LostRecords,
    /// A file is known to have had more names than were read, and any of them may have stood in this folder.
    LostNames,
    /// A part of its list was not read.
    ListPartlyRead,
    /// Its list has a name that no file has here.
    ListDisagrees,
    /// It gathers objects whose folder is not known.
    NoFolder,
    /// Some of its entries contradict themselves or belong to nothing.
    EntriesUnsound,
    /// Where the volume's tables lie is not proven, so neither is what stands in this folder.
    TableDoubtful,
}

impl Incomplete {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::RecordLost => "record-lost",
            Self::LostRecords => "lost-records",
            Self::LostNames => "lost-names",
            Self::ListPartlyRead => "list-partly-read",
            Self::ListDisagrees => "list-disagrees",
            Self::NoFolder => "no-folder",
            Self::EntriesUnsound => "entries-unsound",
            Self::TableDoubtful => "table-doubtful",
        }
    }
}

/// What may be said of a file, from worst to best; see [`Facts::state`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// Nothing of it can be placed: the name is known, the bytes are not.
    Unlocated,
    /// Ranges of it are not there.
    Damaged,
    /// No known gap, but that the bytes are this file's can't be shown.
    Doubtful,
    /// The bytes are there, their meaning isn't: encrypted.
    Locked,
    /// Some or all of it never was on this drive.
    Absent,
    /// No map speaks for its sectors, so holes can't be ruled out.
    Unproven,
    /// Every byte was read, but the content is encoded and was not decoded yet. Only a sweep says this.
    NotDecoded,
    /// Every byte, and all that says where it lies, was read and passes every check whose evidence was read.
    Whole,
}

impl State {
    /// All, from worst to best.
    pub const ALL: [Self; 8] = [
        Self::Unlocated,
        Self::Damaged,
        Self::Doubtful,
        Self::Locked,
        Self::Absent,
        Self::Unproven,
        Self::NotDecoded,
        Self::Whole,
    ];

    /// The word used in files and on screen.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Unlocated => "unlocated",
            Self::Damaged => "damaged",
            Self::Doubtful => "doubtful",
            Self::Locked => "locked",
            Self::Absent => "absent",
            Self::Unproven => "unproven",
            Self::NotDecoded => "whole, not decoded yet",
            Self::Whole => "whole",
        }
    }

    /// The state that a word names.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }

    /// Whether something of the file was lost, or can't be shown to be its own: exit status 1.
    #[must_use]
    pub fn is_loss(self) -> bool {
        matches!(self, Self::Unlocated | Self::Damaged | Self::Doubtful)
    }
}

impl Serialize for State {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// The facts a file's state is made from. All are kept and shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Facts {
    /// Set if nothing can be placed.
    pub unlocated: Option<Unlocated>,
    /// Which kinds of gap there are.
    pub gaps: EnumSet<GapKind>,
    /// How many bytes of the file are not there, ranges that never were here left out.
    pub gap_bytes: u64,
    /// How many bytes never were here.
    pub never_here_bytes: u64,
    /// Every failed condition.
    pub distrust: EnumSet<Distrust>,
    /// Whether the meaning is locked.
    pub encrypted: bool,
    /// Whether nobody vouches for some of its content or metadata bytes.
    pub unknown: bool,
    /// `false` for encoded content that was not decoded yet: `whole` is then only "whole, not decoded yet".
    pub decoded: bool,
}

impl Facts {
    /// No fault of any kind.
    pub const SOUND: Self = Self {
        unlocated: None,
        gaps: EnumSet::empty(),
        gap_bytes: 0,
        never_here_bytes: 0,
        distrust: EnumSet::empty(),
        encrypted: false,
        unknown: false,
        decoded: true,
    };

    /// Nobody has looked yet: what every object starts with.
    pub const UNEXAMINED: Self = Self { unlocated: Some(Unlocated::NotExamined), ..Self::SOUND };

    /// The word the facts make: the first of the states, from worst to best, that holds.
    #[must_use]
    pub fn state(&self) -> State {
        if self.unlocated.is_some() {
            State::Unlocated
        } else if !self.gaps.difference(EnumSet::only(GapKind::NeverHere)).is_empty() {
            State::Damaged
        } else if !self.distrust.is_empty() {
            State::Doubtful
        } else if self.encrypted {
            State::Locked
        } else if self.gaps.contains(GapKind::NeverHere) {
            State::Absent
        } else if self.unknown {
            State::Unproven
        } else if !self.decoded {
            State::NotDecoded
        } else {
            State::Whole
        }
    }

    /// Every reason behind the state, as the words of files: gap kinds, distrust, why unlocated.
    #[must_use]
    pub fn reasons(&self) -> Vec<&'static str> {
        let unlocated = self.unlocated.map(Unlocated::word);
        let gaps = self.gaps.iter().map(GapKind::word);
        unlocated.into_iter().chain(gaps).chain(self.distrust.iter().map(Distrust::word)).collect()
    }

    /// Replaces what the sweep said of the content by what reading it showed: encoded content is decoded now, and its
    /// gaps are exact.
    pub fn after_reading(&mut self, gaps: &[Gap], unknown: bool) {
        (self.gaps, self.gap_bytes, self.never_here_bytes) = (EnumSet::empty(), 0, 0);
        for gap in gaps {
            self.add_gap(gap.why, gap.range.end.saturating_sub(gap.range.start));
        }
        self.unknown |= unknown;
        self.decoded = true;
    }

    /// These facts of a sweep together with what reading showed. Of plain content the sweep knows all that reading
    /// knows; of encoded content it counted whole units.
    #[must_use]
    pub fn with_reading(&self, gaps: &[Gap], unknown: bool) -> Self {
        let mut facts = self.clone();
        facts.after_reading(gaps, unknown);
        if self.decoded {
            facts.gaps |= self.gaps;
            facts.gap_bytes = facts.gap_bytes.max(self.gap_bytes);
            facts.never_here_bytes = facts.never_here_bytes.max(self.never_here_bytes);
        }
        facts
    }

    /// Adds the gaps of `length` bytes of one kind.
    pub fn add_gap(&mut self, kind: GapKind, length: u64) {
        self.gaps.insert(kind);
        let total = if kind == GapKind::NeverHere { &mut self.never_here_bytes } else { &mut self.gap_bytes };
        *total = total.saturating_add(length);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_state_that_holds_is_the_word() {
        let mut facts = Facts::SOUND;
        assert_eq!(facts.state(), State::Whole);
        facts.decoded = false;
        assert_eq!(facts.state(), State::NotDecoded);
        facts.unknown = true;
        assert_eq!(facts.state(), State::Unproven);
        facts.add_gap(GapKind::NeverHere, 5);
        assert_eq!(facts.state(), State::Absent);
        facts.encrypted = true;
        assert_eq!(facts.state(), State::Locked);
        facts.distrust.insert(Distrust::Deleted);
        assert_eq!(facts.state(), State::Doubtful);
        facts.add_gap(GapKind::Unread, 512);
        assert_eq!(facts.state(), State::Damaged);
        facts.unlocated = Some(Unlocated::RecordLost);
        assert_eq!(facts.state(), State::Unlocated);
        assert_eq!(facts.reasons(), ["record-lost", "unread", "never-here", "deleted"]);
        assert_eq!((facts.gap_bytes, facts.never_here_bytes), (512, 5));
    }

    #[test]
    fn reading_replaces_what_the_sweep_said_of_the_content() {
        let mut facts = Facts { decoded: false, ..Facts::SOUND };
        facts.add_gap(GapKind::Unread, 65536);
        facts.distrust.insert(Distrust::OtherNumber);
        facts.after_reading(&[Gap { range: 0..512, why: GapKind::Undecodable }], true);
        assert_eq!((facts.gap_bytes, facts.gaps, facts.unknown), (512, EnumSet::only(GapKind::Undecodable), true));
        facts.after_reading(&[], false);
        assert_eq!((facts.state(), facts.unknown), (State::Doubtful, true));
    }

    #[test]
    fn words_come_back() {
        for state in State::ALL {
            assert_eq!(State::from_word(state.word()), Some(state));
        }
        assert!(State::ALL.is_sorted());
    }
}
