//! What checking a file showed.

use serde::Serialize;

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
    /// A result without a strength and a place.
    #[must_use]
    pub fn new(opens: Opens, format: Option<&'static str>, why: impl Into<String>) -> Self {
        Self { opens, strength: None, format, at: None, why: why.into() }
    }

    /// The result on one line: `sound (checksum)`, `broken at byte 512: it ends too early`.
    #[must_use]
    pub fn words(&self) -> String {
        let at = self.at.map(|at| format!(" at byte {at}")).unwrap_or_default();
        let strength = self.strength.map(|strength| format!(" ({})", strength.word())).unwrap_or_default();
        let why = if self.why.is_empty() { String::new() } else { format!(": {}", self.why) };
        format!("{}{at}{strength}{why}", self.opens.word())
    }

    /// Whether a customer has lost something by it. A blank file whose name promises nothing may be what it should be.
    #[must_use]
    pub fn is_loss(&self) -> bool {
        match self.opens {
            Opens::Broken => true,
            Opens::Blank => self.format.is_some(),
            _ => false,
        }
    }
}
