//! What checking many files showed: the table of state and result, the formats, and the files that don't open.

use std::collections::BTreeMap;

use serde::Serialize;

use super::verdict::{Opens, Strength, Verdict};
use crate::catalog::{Catalog, ObjectId, State};
use crate::error::Result;
use crate::filesystem::Filesystem;
use crate::progress::Progress;

/// How many files that don't open are kept by name; all are counted.
pub const MOST_FAULTS: usize = 1000;

/// A number of files and their bytes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Count {
    /// Files.
    pub files: u64,
    /// Their sizes together.
    pub bytes: u64,
}

/// What came of the files of one format.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct OfFormat {
    /// Files by result.
    pub results: BTreeMap<Opens, u64>,
    /// Sound files by how strongly that holds.
    pub strengths: BTreeMap<Strength, u64>,
}

/// A file that does not open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// Where it stands on the volume.
    pub source_path: String,
    /// Its stable address.
    pub address: String,
    /// Its state: one that is `whole` and broken was broken before the drive was imaged.
    pub state: State,
    /// Its size in bytes.
    pub size: u64,
    /// What is wrong.
    #[serde(flatten)]
    pub verdict: Verdict,
}

/// What checking many files showed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Contents {
    /// Files by state and result.
    pub table: BTreeMap<State, BTreeMap<Opens, Count>>,
    /// What came of each format, by its name.
    pub formats: BTreeMap<&'static str, OfFormat>,
    /// The first [`MOST_FAULTS`] files that don't open; those of which nothing else says so come first.
    pub faults: Vec<Fault>,
    /// How many there are in all.
    pub fault_count: u64,
}

impl Contents {
    /// Checks files of a volume, which are best in the order of the image.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    pub fn of(
        filesystem: &dyn Filesystem,
        catalog: &Catalog,
        objects: &[ObjectId],
        progress: &dyn Progress,
    ) -> Result<Self> {
        let mut contents = Self::default();
        for (id, verdict) in objects.iter().zip(examine(filesystem, catalog, objects, progress)?) {
            let object = catalog.object(*id);
            if let Some(verdict) = verdict {
                let place = || (catalog.first_path(*id), catalog.address(*id).unwrap_or_default());
                contents.add(object.facts.state(), object.size, &verdict, place);
            }
        }
        Ok(contents)
    }

    /// Counts a file. Of one that does not open, `place` says path and address.
    pub fn add(&mut self, state: State, size: u64, verdict: &Verdict, place: impl FnOnce() -> (String, String)) {
        let count = self.table.entry(state).or_default().entry(verdict.opens).or_default();
        count.files = count.files.saturating_add(1);
        count.bytes = count.bytes.saturating_add(size);
        if let Some(format) = verdict.format {
            let of_format = self.formats.entry(format).or_default();
            let results = of_format.results.entry(verdict.opens).or_default();
            *results = results.saturating_add(1);
            if let Some(strength) = verdict.strength {
                let strengths = of_format.strengths.entry(strength).or_default();
                *strengths = strengths.saturating_add(1);
            }
        }
        if verdict.is_loss() {
            self.fault_count = self.fault_count.saturating_add(1);
            // What the table calls sound and does not open is news; that a file with a hole does not open is none.
            let news = !state.is_loss();
            if self.faults.len() >= MOST_FAULTS {
                let Some(last) = self.faults.last() else { return };
                if !news || !last.state.is_loss() {
                    return;
                }
                self.faults.pop();
            }
            let at = if news { self.faults.partition_point(|fault| !fault.state.is_loss()) } else { self.faults.len() };
            let (source_path, address) = place();
            self.faults.insert(at, Fault { source_path, address, state, size, verdict: verdict.clone() });
        }
    }

    /// Files of a state with a result.
    #[must_use]
    pub fn get(&self, state: State, opens: Opens) -> Count {
        self.table.get(&state).and_then(|row| row.get(&opens)).copied().unwrap_or_default()
    }

    /// Files with a result, whatever their state.
    #[must_use]
    pub fn count(&self, opens: Opens) -> u64 {
        self.table.values().filter_map(|row| row.get(&opens)).map(|count| count.files).fold(0, u64::saturating_add)
    }

    /// Whether a file does not open.
    #[must_use]
    pub fn has_faults(&self) -> bool {
        self.fault_count > 0
    }
}

/// Checks files and tells of each what came of it, in the order of `objects`; they are best in the order of the image.
/// `None` for streams, links and folders. Without the feature `content-checks` all are `unchecked`.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
#[cfg(feature = "content-checks")]
pub fn examine(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    objects: &[ObjectId],
    progress: &dyn Progress,
) -> Result<Vec<Option<Verdict>>> {
    super::formats::examine_all(filesystem, catalog, objects, progress)
}

/// Checks files and tells of each what came of it, in the order of `objects`; they are best in the order of the image.
/// `None` for streams, links and folders. Without the feature `content-checks` all are `unchecked`.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
#[cfg(not(feature = "content-checks"))]
pub fn examine(
    _: &dyn Filesystem,
    _: &Catalog,
    objects: &[ObjectId],
    _: &dyn Progress,
) -> Result<Vec<Option<Verdict>>> {
    let verdict = Verdict::new(Opens::Unchecked, None, "this build has no checks of content");
    Ok(vec![Some(verdict); objects.len()])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_nothing_else_says_comes_first_and_stays() {
        let mut contents = Contents::default();
        let broken = |why: &str| Verdict::new(Opens::Broken, Some("JPEG"), why);
        for number in 0..MOST_FAULTS {
            contents.add(State::Damaged, 10, &broken("a hole"), || (format!("/{number}"), String::new()));
        }
        contents.add(State::Whole, 10, &broken("odd"), || ("/one".into(), String::new()));
        contents.add(State::Whole, 10, &broken("odd"), || ("/two".into(), String::new()));
        contents.add(State::Damaged, 10, &broken("a hole"), || ("/late".into(), String::new()));
        let paths: Vec<&str> = contents.faults.iter().take(3).map(|fault| &*fault.source_path).collect();
        assert_eq!(paths, ["/one", "/two", "/0"]);
        assert_eq!((contents.faults.len(), contents.fault_count), (MOST_FAULTS, 1003));
        assert_eq!(contents.count(Opens::Broken), 1003);
    }

    #[test]
    fn a_blank_file_is_a_loss_only_if_its_name_promises_something() {
        let mut contents = Contents::default();
        contents.add(State::Whole, 5, &Verdict::new(Opens::Blank, None, ""), || unreachable!());
        assert!(!contents.has_faults());
        contents.add(State::Whole, 5, &Verdict::new(Opens::Blank, Some("PNG"), ""), Default::default);
        assert!(contents.has_faults());
        assert_eq!(contents.table[&State::Whole][&Opens::Blank], Count { files: 2, bytes: 10 });
    }
}
