//! What the second reader said of many files, for people and programs.

use serde::Serialize;

use super::{Outcome, Totals};

/// How many differing files are kept; all are counted.
pub const MOST_DIFFERING: usize = 1000;

/// A file on which the second reader differs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Differing {
    /// The volume's number.
    pub volume: u32,
    /// Where it stands on the volume.
    pub source_path: String,
    /// Its stable address.
    pub address: String,
    /// How it differs, as the word of files.
    pub why: &'static str,
    /// The same as a sentence.
    pub detail: String,
}

/// What the second reader said.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Report {
    /// How many came to what.
    #[serde(flatten)]
    pub totals: Totals,
    /// The first [`MOST_DIFFERING`] on which it differs.
    pub differing: Vec<Differing>,
}

impl Report {
    /// Counts a file. Of one that differs, `place` says volume, path and address.
    pub fn add(&mut self, outcome: &Outcome, place: impl FnOnce() -> (u32, String, String)) {
        self.totals.add(outcome);
        if let (Outcome::Differs(difference), true) = (outcome, self.differing.len() < MOST_DIFFERING) {
            let (volume, source_path, address) = place();
            let (why, detail) = (difference.word(), difference.to_string());
            self.differing.push(Differing { volume, source_path, address, why, detail });
        }
    }
}
