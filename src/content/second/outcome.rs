//! What two readers of one file came to.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use serde::Serialize;

/// What the second reader's answer comes to, file by file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// Both read the same bytes.
    Agrees,
    /// They did not, and nothing that is known of the second reader explains it.
    Differs(Difference),
    /// It can't be asked, or what it answers says nothing: a limit of the second reader or of what was read.
    NotCheckable(Limit),
}

/// How the second reader's answer differs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Difference {
    /// Another size: so many bytes.
    OtherSize(u64),
    /// The same size and other bytes: their SHA-256.
    OtherBytes([u8; 32]),
    /// It finds no such file.
    NotFound,
    /// It failed, with this message.
    Failed(Arc<str>),
}

macro_rules! limits {
    ($($(#[doc = $doc:literal])+ $variant:ident => $word:literal, $sentence:literal;)+) => {
        /// Why two readers' answers for a file can't be compared.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Limit {
            $($(#[doc = $doc])+ $variant,)+
        }

        impl Limit {
            /// All, in the order of the type.
            pub const ALL: &[Self] = &[$(Self::$variant,)+];

            /// The word used in files.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// The reason as the end of a sentence.
            #[must_use]
            pub fn sentence(self) -> &'static str {
                match self { $(Self::$variant => $sentence,)+ }
            }
        }
    };
}

limits! {
    /// Our own read has gaps: there is nothing to compare.
    Gaps => "gaps", "parts of the file are not there";
    /// Our own read gave nothing.
    NothingRead => "nothing-read", "nothing of the file was read";
    /// The file is encrypted.
    Encrypted => "encrypted", "the file is encrypted";
    /// The file was deleted: a reader of volumes shows none of those.
    Deleted => "deleted", "the file was deleted, and the second reader shows none of those";
    /// Its folder is not known, and it is found by path.
    FolderUnknown => "folder-unknown", "the file's folder is not known, and the second reader finds files by their path";
    /// There is none for this filesystem.
    NoSecondReader => "no-second-reader", "there is no second reader for this filesystem";
    /// This build has none.
    NotBuiltIn => "not-built-in", "the second reader was not built in";
    /// It does not open the volume.
    VolumeRefused => "volume-refused", "the second reader does not open this volume";
    /// A sector that it needs, and we could do without, lies in a hole.
    HoleOnItsWay => "hole-on-its-way", "the second reader needs a sector that the drive did not give";
    /// It does not decompress.
    Compressed => "compressed", "the second reader does not decompress";
    /// The content is packed in a stream of the system's own.
    SystemCompressed => "system-compressed", "the second reader does not know files that the system packed";
    /// The end of the content is zeros by definition, and it reads what lies there.
    ValidSize => "valid-size", "the second reader gives what lies behind the file's valid size for the zeros that are meant";
    /// The content is described in several records.
    SeveralRecords => "several-records", "the second reader does not always join a description that stands in several records";
    /// The file table's own description is too long for it.
    TableInPieces => "table-in-pieces", "the second reader does not follow a file table that is in so many pieces";
    /// It can't tell the file's name from others.
    Name => "name", "the second reader does not tell the file's name from others";
    /// It was stopped before it came to an answer.
    OutOfBudget => "out-of-budget", "the second reader was stopped because it took too long";
    /// It could not be run.
    NotRun => "not-run", "the second reader could not be run";
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl Serialize for Limit {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

impl Difference {
    /// The word used in files.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::OtherSize(_) => "other-size",
            Self::OtherBytes(_) => "other-bytes",
            Self::NotFound => "not-found",
            Self::Failed(_) => "failed",
        }
    }
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OtherSize(size) => write!(f, "the second reader reads {size} bytes"),
            Self::OtherBytes(sha256) => {
                f.write_str("the second reader reads other bytes, SHA-256 ")?;
                sha256.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
            }
            Self::NotFound => f.write_str("the second reader finds no such file"),
            Self::Failed(message) => write!(f, "the second reader failed: {message}"),
        }
    }
}

impl Outcome {
    /// The first of the words used in files.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::Agrees => "agrees",
            Self::Differs(_) => "differs",
            Self::NotCheckable(_) => "not-checkable",
        }
    }

    /// The second: why, if it does not agree.
    #[must_use]
    pub fn why(&self) -> Option<&'static str> {
        match self {
            Self::Agrees => None,
            Self::Differs(difference) => Some(difference.word()),
            Self::NotCheckable(limit) => Some(limit.word()),
        }
    }

    /// Both words, as they stand in a table.
    #[must_use]
    pub fn words(&self) -> String {
        self.why().map_or_else(|| self.word().to_string(), |why| format!("{} {why}", self.word()))
    }

    /// Why, in a sentence without an end; empty if it agrees.
    #[must_use]
    pub fn sentence(&self) -> String {
        match self {
            Self::Agrees => String::new(),
            Self::Differs(difference) => difference.to_string(),
            Self::NotCheckable(limit) => limit.sentence().to_string(),
        }
    }
}

/// How many files came to what.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Totals {
    /// Files on which both agree.
    pub agrees: u64,
    /// Files on which they don't.
    pub differs: u64,
    /// Files that can't be compared.
    pub not_checkable: u64,
    /// The last, by reason.
    pub limits: BTreeMap<Limit, u64>,
}

impl Totals {
    /// Counts a file.
    pub fn add(&mut self, outcome: &Outcome) {
        let count = match outcome {
            Outcome::Agrees => &mut self.agrees,
            Outcome::Differs(_) => &mut self.differs,
            Outcome::NotCheckable(limit) => {
                let count = self.limits.entry(*limit).or_default();
                *count = count.saturating_add(1);
                &mut self.not_checkable
            }
        };
        *count = count.saturating_add(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_is_its_own_and_every_reason_a_sentence() {
        let words: std::collections::BTreeSet<&str> = Limit::ALL.iter().map(|limit| limit.word()).collect();
        assert_eq!(words.len(), Limit::ALL.len());
        assert!(Limit::ALL.iter().all(|limit| !limit.sentence().ends_with('.') && !limit.word().contains(' ')));
        assert_eq!(Outcome::Agrees.words(), "agrees");
        assert_eq!(Outcome::Differs(Difference::OtherSize(7)).words(), "differs other-size");
        assert_eq!(Outcome::NotCheckable(Limit::Gaps).words(), "not-checkable gaps");
    }

    #[test]
    fn totals_count_each_file_once() {
        let mut totals = Totals::default();
        for outcome in [
            Outcome::Agrees,
            Outcome::Differs(Difference::NotFound),
            Outcome::NotCheckable(Limit::Gaps),
            Outcome::NotCheckable(Limit::Gaps),
            Outcome::NotCheckable(Limit::Deleted),
        ] {
            totals.add(&outcome);
        }
        assert_eq!((totals.agrees, totals.differs, totals.not_checkable), (1, 1, 3));
        assert_eq!(totals.limits, BTreeMap::from([(Limit::Gaps, 2), (Limit::Deleted, 1)]));
    }
}
