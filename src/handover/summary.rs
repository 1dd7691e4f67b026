//! What a handover came to, for the caller to show and to decide by.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::Serialize;

use super::account;
use super::choice::LeftOut;
use super::output::ReadBack;
use super::readme::READ_ME_FIRST;
use crate::catalog::State;
use crate::content::contents::Contents;
use crate::content::second;

/// How many lost files are listed in the summary; the rest are counted and stand in `records/lost.csv`.
pub const MOST_LOST: usize = 1000;

/// Files in one state.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Count {
    /// Files, each once, however many names it has.
    pub objects: u64,
    /// Names; a hard-linked file has several.
    pub paths: u64,
    /// Bytes of the files, each once.
    pub bytes: u64,
}

/// A file that was not handed over as it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Lost {
    /// The volume's number.
    pub volume: u32,
    /// Where it stands on the volume.
    pub source_path: String,
    /// Its stable address.
    pub address: String,
    /// Its state.
    pub state: State,
    /// The reasons, as the words of files.
    pub why: String,
    /// Its size in bytes.
    pub size: u64,
    /// How many of them are missing.
    pub gap_bytes: u64,
    /// Whether it was copied all the same, apart from the others.
    pub copied: bool,
}

/// What a handover came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Summary {
    /// The folder of the bag.
    pub folder: PathBuf,
    /// Whether an unfinished bag was continued.
    pub resumed: bool,
    /// Where what was written now was read back from; `None` if it was not read back.
    pub read_back: Option<ReadBack>,
    /// Files and streams by state.
    pub states: BTreeMap<State, Count>,
    /// How many files each reason holds for.
    pub reasons: BTreeMap<&'static str, u64>,
    /// Files written.
    pub written_files: u64,
    /// Bytes written.
    pub written_bytes: u64,
    /// Written files that no map speaks for.
    pub unproven_files: u64,
    /// Those among them that are blank or end in a long blank.
    pub unproven_blank: u64,
    /// Folders.
    pub folders: u64,
    /// Folders whose list of names is not all there and that were not deleted.
    pub incomplete_folders: u64,
    /// Paths that were not copied.
    pub not_copied: u64,
    /// The first files that were not handed over as they were.
    pub lost: Vec<Lost>,
    /// How many there are in all.
    pub lost_count: u64,
    /// Paths of files that are damaged, doubtful or unlocated and were not deleted.
    pub losses: u64,
    /// Records of the selected volumes that can't be read: what they described has no name.
    pub lost_records: u64,
    /// Links, recorded and not followed.
    pub links: u64,
    /// Alternate streams that were left out.
    pub streams_left: u64,
    /// Devices and their like, which have no content.
    pub special_files: u64,
    /// Deleted files in the selected folders that were left out.
    pub deleted_left: u64,
    /// What was left out by choice, by reason.
    pub left_out: LeftOut,
    /// Paths that were taken for want of a date.
    pub undated: u64,
    /// What the second reader said of the files; `None` if it was not asked.
    pub second_reader: Option<second::Report>,
    /// Whether the files open; `None` if that was not asked.
    pub contents: Option<Contents>,
}

impl Summary {
    /// The files in a state.
    #[must_use]
    pub fn count(&self, state: State) -> Count {
        self.states.get(&state).copied().unwrap_or_default()
    }

    /// Whether something that was asked for is lost, in doubt or may be missing; deleted files are left out of account.
    #[must_use]
    pub fn has_loss(&self) -> bool {
        self.losses > 0 || self.incomplete_folders > 0 || self.lost_records > 0
    }

    /// Whether the second reader read something else than we did.
    #[must_use]
    pub fn differs(&self) -> bool {
        self.second_reader.as_ref().is_some_and(|second| second.totals.differs > 0)
    }

    /// Whether a file was found that does not open.
    #[must_use]
    pub fn has_broken(&self) -> bool {
        self.contents.as_ref().is_some_and(Contents::has_faults)
    }

    /// The sentences that a handover opens with where no map speaks for a file in it, for whoever reads nothing else.
    #[must_use]
    pub fn unproven_line(&self) -> Option<String> {
        let which = if self.unproven_blank > 0 { format!(" {READ_ME_FIRST} says which.") } else { String::new() };
        self.unproven_words().map(|words| format!("{words}{which}"))
    }

    /// The same where the blank files are named below it.
    pub(crate) fn unproven_words(&self) -> Option<String> {
        let line = || account::unproven_line(self.unproven_files, self.written_files, self.unproven_blank);
        (self.unproven_files > 0).then(line)
    }
}
