//! What checking a file showed.

use serde::Serialize;

use super::Format;
use crate::error::Error;

/// Whether a file opens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Opens {
    /// It is what it says, as far as [`Strength`] goes.
    Sound,
    /// No rule, or a rule that could not decide.
    Unchecked,
    /// It needs its own password, and what can be seen without is sound.
    Protected,
    /// Its ending belongs to one format and its opening to another.
    Mislabelled,
    /// Nothing but zeros.
    Blank,
    /// Something is wrong in it.
    Broken,
}

impl Opens {
    /// All, from best to worst.
    pub const ALL: [Self; 6] =
        [Self::Sound, Self::Unchecked, Self::Protected, Self::Mislabelled, Self::Blank, Self::Broken];

    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::Unchecked => "unchecked",
            Self::Protected => "protected",
            Self::Mislabelled => "mislabelled",
            Self::Blank => "blank",
            Self::Broken => "broken",
        }
    }

    /// Whether a customer has lost something by it.
    #[must_use]
    pub fn is_loss(self) -> bool {
        matches!(self, Self::Broken | Self::Blank)
    }
}

/// How strongly `sound` holds, weakest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Strength {
    /// The first bytes are right.
    Opening,
    /// All that says where things are holds together, to the end of the file.
    Structure,
    /// All of the content was decoded without an error.
    Decoded,
    /// The content agrees with checksums that are in the file.
    Checksum,
}

impl Strength {
    /// All, weakest first.
    pub const ALL: [Self; 4] = [Self::Opening, Self::Structure, Self::Decoded, Self::Checksum];

    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Opening => "opening",
            Self::Structure => "structure",
            Self::Decoded => "decoded",
            Self::Checksum => "checksum",
        }
    }
}

/// What checking a file showed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verdict {
    /// The result.
    pub opens: Opens,
    /// How strongly it holds; only for what is sound.
    pub strength: Option<Strength>,
    /// The format that it is, or should be by its name.
    pub format: Option<&'static str>,
    /// Where it is broken, in bytes of the file, if that is known.
    pub at: Option<u64>,
    /// Why, as a clause without a capital letter; empty for what is sound.
    pub why: String,
}

impl Verdict {
    pub(super) fn new(opens: Opens, format: Option<&'static Format>, why: impl Into<String>) -> Self {
        Self { opens, strength: None, format: format.map(|format| format.name), at: None, why: why.into() }
    }
}

/// What ends a check.
#[derive(Debug)]
pub(crate) enum Stop {
    /// Something is wrong.
    Broken { at: Option<u64>, why: String },
    /// It needs its own password; what can be seen without is sound.
    Protected { why: String },
    /// It can't be decided, and why.
    Unchecked { why: String },
    /// It is sound, and of another kind than its ending says; only its inside shows it.
    Mislabelled { is: &'static str },
    /// The image file can't be read.
    Failed(Error),
}

impl From<Error> for Stop {
    fn from(error: Error) -> Self {
        Self::Failed(error)
    }
}

/// A step of a check.
pub(crate) type Step<T> = Result<T, Stop>;

/// Ends a check: what stands at byte `at` is wrong.
pub(crate) fn broken<T>(at: u64, why: impl Into<String>) -> Step<T> {
    Err(Stop::Broken { at: Some(at), why: why.into() })
}

/// Ends a check without a result.
pub(crate) fn unchecked<T>(why: impl Into<String>) -> Step<T> {
    Err(Stop::Unchecked { why: why.into() })
}
