//! What may be wrong with a bag.

use std::sync::{Mutex, PoisonError};

use serde::Serialize;

/// How many problems are kept; the rest are counted. A bag of a million files can be wrong a million times.
const KEPT: usize = 10_000;

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ProblemKind {
    /// It is listed and not there.
    Missing,
    /// It is there and not listed.
    Extra,
    /// It is not what was written.
    Changed,
    /// It could not be read.
    Unreadable,
    /// It is a link, and links are not followed.
    Link,
    /// A list names it twice.
    Duplicate,
    /// Only some of the manifests list it.
    NotInEveryManifest,
    /// A list names a path outside the bag.
    UnsafePath,
    /// A line of a list can't be understood.
    BadLine,
    /// It was to be fetched from elsewhere and was not.
    NotFetched,
    /// The number of files and bytes is not the one noted.
    Count,
    /// The declaration that makes it a bag is not as it must be.
    Declaration,
    /// Its signature is no good, or not that of the signer who was named.
    Signature,
}

impl ProblemKind {
    /// What it means, as a sentence without its subject.
    #[must_use]
    pub fn phrase(self) -> &'static str {
        match self {
            Self::Missing => "is listed and not there",
            Self::Extra => "is there and not listed",
            Self::Changed => "is not what was written",
            Self::Unreadable => "could not be read",
            Self::Link => "is a link, and links are not followed",
            Self::Duplicate => "is listed twice",
            Self::NotInEveryManifest => "is listed in some manifests only",
            Self::UnsafePath => "lies outside the bag",
            Self::BadLine => "has a line that can't be understood",
            Self::NotFetched => "was to be fetched from elsewhere and was not",
            Self::Count => "notes another number of files or bytes",
            Self::Declaration => "is not as RFC 8493 has it",
            Self::Signature => "has no good signature",
        }
    }
}

/// One thing that is wrong with a bag.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Problem {
    /// The path in the bag, as listed.
    pub path: String,
    /// What is wrong.
    pub kind: ProblemKind,
    /// What exactly; may be empty.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub detail: String,
}

/// Problems found by several threads.
#[derive(Debug, Default)]
pub(super) struct Problems(Mutex<(Vec<Problem>, u64)>);

impl Problems {
    pub(super) fn add(&self, kind: ProblemKind, path: &str, detail: impl Into<String>) {
        let mut problems = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        problems.1 += 1;
        if problems.0.len() < KEPT {
            problems.0.push(Problem { path: path.to_string(), kind, detail: detail.into() });
        }
    }

    /// Those kept, sorted, and how many there are in all.
    pub(super) fn finish(self) -> (Vec<Problem>, u64) {
        let (mut kept, count) = self.0.into_inner().unwrap_or_else(PoisonError::into_inner);
        kept.sort();
        (kept, count)
    }
}
