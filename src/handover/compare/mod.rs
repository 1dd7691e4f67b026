//! Two lists of files held against each other, or a list against the image that it was made of.
//!
//! A list is what a handover has (a bag's folder, `manifest.csv`, `manifest.json`, a `manifest-*.txt`), the copy of it
//! that a workshop keeps, or any list that `sha256sum` and its kin write. Lists are read line by line; the first is held
//! in memory, and of the second what is not the same.

mod csv_list;
mod image;
mod json_list;
mod list;
mod pair;

use std::path::PathBuf;

use serde::Serialize;

use super::digests::Algorithm;
use crate::catalog::State;
use crate::error::{Error, Result};
pub use image::{ImageVolume, compare_with_image};
use list::Line;
pub use list::{Form, List};

/// How many differences of a kind are kept with their names; all are counted.
pub const KEPT: usize = 10_000;

/// Most files that a list may have: so many take four gigabytes of memory (a million was
/// measured to take 200 MB), and few drives have held as many.
const MOST_FILES: u64 = 20_000_000;

/// By what the files of two lists are matched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MatchedBy {
    /// By volume and path on the drive: both lists know them.
    SourcePath,
    /// By the path in the list.
    Path,
}

/// One list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Side {
    /// What was named.
    pub path: PathBuf,
    /// What was read of it.
    pub form: Form,
    /// Files with a digest that can be compared.
    pub files: u64,
    /// Files that stand there without one: they were not copied. They are not compared.
    pub without_digest: u64,
}

/// What one list knows of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Known {
    /// The volume, if the list tells.
    pub volume: Option<u32>,
    /// The path by which it was matched.
    pub path: String,
    /// The digest, in hexadecimal.
    pub digest: String,
    /// Bytes, if the list tells.
    pub size: Option<u64>,
    /// The state, if the list tells.
    pub state: Option<State>,
    /// Whether zeros stand for something that is missing, so that the digest is that of a file with holes; `None` if
    /// nothing tells.
    pub has_gaps: Option<bool>,
}

/// A difference: what either list knows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// By the first list; `None` if it has no such file.
    pub a: Option<Known>,
    /// By the second list, or by the image; `None` if it has no such file.
    pub b: Option<Known>,
    /// Why, where more is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// Differences of one kind.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Differences {
    /// How many.
    pub count: u64,
    /// The first [`KEPT`] by path.
    pub first: Vec<Difference>,
}

impl Differences {
    fn add(&mut self, a: Option<Known>, b: Option<Known>, why: Option<String>) {
        self.count += 1;
        if self.first.len() < KEPT {
            self.first.push(Difference { a, b, why });
        }
    }
}

/// What comparing showed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Comparison {
    /// The first list.
    pub a: Side,
    /// The second list; `None` if it is the image.
    pub b: Option<Side>,
    /// The kind of digest that was compared.
    pub algorithm: Algorithm,
    /// By what files were matched.
    pub matched_by: MatchedBy,
    /// Files with the same digest under the same path.
    pub same: u64,
    /// Those among them of which zeros stand for something that is missing: the same, and not whole.
    pub same_with_gaps: u64,
    /// Files with another digest under the same path.
    pub changed: Differences,
    /// Files of the first list of which the second has neither path nor content.
    pub missing: Differences,
    /// Files of the second list of which the first has neither; `None` with an image, which holds more than was chosen.
    pub new: Option<Differences>,
    /// Files with the same content under another path, one to one. Of empty files that can't be said.
    pub moved: Differences,
}

impl Comparison {
    /// Whether anything is not the same.
    #[must_use]
    pub fn differs(&self) -> bool {
        let new = self.new.as_ref().map_or(0, |new| new.count);
        self.changed.count + self.missing.count + self.moved.count + new > 0
    }
}

/// The SHA-256, in hexadecimal, that a list as `sha256sum` writes it has for the file `name`; `None` if it has none, or is no
/// such list.
#[must_use]
pub fn listed_sha256(list: &std::path::Path, name: &str) -> Option<String> {
    list::listed(list, name)
}

/// Compares two lists.
///
/// # Errors
/// [`Error::Usage`] if the lists have no kind of digest in common, or a line can't be understood; [`Error::Io`] if one
/// can't be read; [`Error::Limit`] if the first has more files than memory should hold.
pub fn compare(a: &List, b: &List) -> Result<Comparison> {
    let algorithm = Algorithm::ALL.into_iter().find(|one| a.algorithms.contains(*one) && b.algorithms.contains(*one));
    let algorithm = algorithm.ok_or_else(|| {
        let words = |list: &List| list.algorithms.iter().map(Algorithm::word).collect::<Vec<_>>().join(" and ");
        Error::Usage(format!(
            "`{}` has {} and `{}` has {}: no kind of checksum stands in both",
            a.path.display(),
            words(a),
            b.path.display(),
            words(b)
        ))
    })?;
    let matched_by = if a.knows_source && b.knows_source { MatchedBy::SourcePath } else { MatchedBy::Path };
    let mut pairs = pair::Pairs::new(algorithm);
    let mut sides = [a, b].map(|list| Side { path: list.path.clone(), form: list.form, files: 0, without_digest: 0 });
    a.read(algorithm, &mut |line| {
        if let Some(item) = counted(line, matched_by, &mut sides[0])? {
            pairs.first(item);
        }
        Ok(())
    })?;
    pairs.sort();
    b.read(algorithm, &mut |line| {
        if let Some(item) = counted(line, matched_by, &mut sides[1])? {
            pairs.second(item);
        }
        Ok(())
    })?;
    let [a, b] = sides;
    Ok(pairs.finish(a, b, matched_by))
}

/// A line as it is compared, or nothing if it has no digest.
fn counted(line: Line, matched_by: MatchedBy, side: &mut Side) -> Result<Option<pair::Item>> {
    let Some(digest) = line.digest else {
        side.without_digest += 1;
        return Ok(None);
    };
    side.files += 1;
    if side.files > MOST_FILES {
        return Err(Error::Limit {
            what: "files in one list".to_string(),
            limit: MOST_FILES,
            next: "compare parts of it",
        });
    }
    let (volume, path) = match (matched_by, line.source) {
        (MatchedBy::SourcePath, Some(source)) => (Some(source.volume), source.path),
        _ => (None, line.path.unwrap_or_default()),
    };
    Ok(Some(pair::Item {
        volume,
        path: path.into(),
        digest,
        size: line.size,
        state: line.state,
        has_gaps: line.has_gaps,
    }))
}

#[cfg(test)]
mod tests;
