//! What is asked of a second reader, and what its answers come to.

use std::sync::Arc;

use super::{Difference, Limit, Ours, Outcome, Read};
use crate::catalog::{Catalog, Encoding, Extents, ObjectId};
use crate::error::{Error, Result};
use crate::filesystem::Filesystem;

/// What the second reader answers.
#[derive(Debug, Clone)]
pub(super) enum Answer {
    /// So many bytes with this SHA-256. If they are not ours, this limit of the reader may be why.
    Content { size: u64, sha256: [u8; 32], limit: Option<Limit> },
    /// No such file. If there is one, this limit of the reader may be why.
    NotFound { limit: Option<Limit> },
    /// It failed, with this message. This limit of the reader may be why.
    Failed { message: Arc<str>, limit: Option<Limit> },
    /// It can't answer.
    Limit(Limit),
}

/// What is asked, and what came of it.
pub(super) struct Book<'b> {
    pub(super) filesystem: &'b dyn Filesystem,
    pub(super) catalog: &'b Catalog,
    files: &'b [Ours],
    outcomes: Vec<Option<Outcome>>,
    /// The first failure of the image file.
    error: Option<Error>,
}

impl<'b> Book<'b> {
    pub(super) fn new(
        filesystem: &'b dyn Filesystem,
        catalog: &'b Catalog,
        files: &'b [Ours],
        outcomes: Vec<Option<Outcome>>,
    ) -> Self {
        Self { filesystem, catalog, files, outcomes, error: None }
    }

    /// What came of all.
    pub(super) fn close(self) -> Result<Vec<Option<Outcome>>> {
        self.error.map_or(Ok(self.outcomes), Err)
    }

    /// Whether a file waits for an answer.
    pub(super) fn is_open(&self, index: usize) -> bool {
        self.outcomes.get(index).is_some_and(Option::is_none)
    }

    /// The files that wait for an answer, with their sizes.
    pub(super) fn open(&self) -> impl Iterator<Item = (usize, ObjectId, u64)> + '_ {
        let files = self.files.iter().enumerate().filter(|(index, _)| self.is_open(*index));
        files.map(|(index, file)| (index, file.object, file.read.map_or(0, |read| read.size)))
    }

    /// Notes an answer. A later one for the same file replaces an earlier one.
    pub(super) fn note(&mut self, index: usize, answer: Answer) {
        let Some(Ours { object, read: Some(ours) }) = self.files.get(index) else { return };
        match judge(self.filesystem, self.catalog, *object, ours, answer) {
            Ok(outcome) => {
                if let Some(slot) = self.outcomes.get_mut(index) {
                    *slot = Some(outcome);
                }
            }
            Err(error) => {
                self.error.get_or_insert(error);
            }
        }
    }

    /// Gives all files that still wait the same answer.
    pub(super) fn note_rest(&mut self, limit: Limit) {
        for slot in self.outcomes.iter_mut().filter(|slot| slot.is_none()) {
            *slot = Some(Outcome::NotCheckable(limit));
        }
    }
}

fn judge(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    object: ObjectId,
    ours: &Read,
    answer: Answer,
) -> Result<Outcome> {
    let (difference, limit) = match answer {
        Answer::Content { size, sha256, .. } if size == ours.size && sha256 == ours.sha256 => {
            return Ok(Outcome::Agrees);
        }
        Answer::Limit(limit) => return Ok(Outcome::NotCheckable(limit)),
        Answer::Content { size, sha256, limit } => {
            let difference = match size == ours.size {
                true => Difference::OtherBytes(sha256),
                false => Difference::OtherSize(size),
            };
            // What is known of this very file says more than what is known of its volume.
            let of_file = limit_of_content(filesystem, catalog, object, &difference)?;
            (difference, of_file.or(limit))
        }
        Answer::NotFound { limit } => (Difference::NotFound, limit),
        Answer::Failed { message, limit } => (Difference::Failed(message), limit),
    };
    Ok(limit.map_or(Outcome::Differs(difference), Outcome::NotCheckable))
}

/// What in the way the content is kept is known to be read wrongly by the second readers, in a way that can show like
/// this.
fn limit_of_content(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    object: ObjectId,
    difference: &Difference,
) -> Result<Option<Limit>> {
    let same_size = matches!(difference, Difference::OtherBytes(_));
    Ok(match filesystem.extents(catalog, object) {
        Ok(Extents::Packed(_)) => Some(Limit::SystemCompressed),
        Ok(Extents::Runs(runs)) if runs.encoding != Encoding::Plain => Some(Limit::Compressed),
        Ok(Extents::Runs(runs)) if runs.valid_size < runs.size && same_size => Some(Limit::ValidSize),
        Ok(_) => None,
        Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => return Err(error),
        Err(_) => None,
    })
}
