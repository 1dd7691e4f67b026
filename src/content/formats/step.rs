//! What ends a check.

use crate::error::Error;

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
