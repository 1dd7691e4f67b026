//! What may be said of a folder's list of names.

use serde::Serialize;

/// Whether a folder's list of names is all there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Completeness {
    /// Every name that stood in it is shown.
    Complete,
    /// It would be complete, but no map speaks for the sectors.
    Unproven,
    /// Names may be missing.
    Incomplete,
}

impl Completeness {
    /// The word used in files and on screen.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Unproven => "unproven",
            Self::Incomplete => "incomplete",
        }
    }
}
