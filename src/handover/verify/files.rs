//! The files of a bag: found without following a link, and hashed by several threads.

use std::collections::{BTreeMap, HashMap};
use std::io::{self, Read};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

use unicode_normalization::UnicodeNormalization;

use super::manifest::decoded;
use super::problem::{ProblemKind, Problems};
use crate::error::{Error, Result};
use crate::handover::digests::{Algorithm, Hasher};
use crate::handover::output;
use crate::progress::Progress;

/// More threads than this only make a disk seek.
const MOST_WORKERS: usize = 8;
/// Bytes read at a time.
const PIECE: usize = 1 << 20;

/// The files below a folder of a bag, by their paths in the bag.
#[derive(Debug, Default)]
pub(super) struct Files {
    /// Length in bytes by path.
    pub(super) lengths: BTreeMap<String, u64>,
    /// Paths by their composed form, filled when first asked for.
    composed: Option<HashMap<String, String>>,
}

impl Files {
    /// Walks a folder. Links are problems and are not followed.
    pub(super) fn walk(bag: &Path, start: &str, problems: &Problems) -> Result<Self> {
        let mut files = Self::default();
        let mut folders = vec![(output::below(bag, start), start.to_string())];
        while let Some((folder, prefix)) = folders.pop() {
            let failed = |source| Error::Io { action: "list", path: folder.clone(), source };
            for entry in std::fs::read_dir(&folder).map_err(failed)? {
                let entry = entry.map_err(failed)?;
                let path = format!("{prefix}/{}", entry.file_name().to_string_lossy());
                match entry.metadata() {
                    Err(error) => problems.add(ProblemKind::Unreadable, &path, error.to_string()),
                    Ok(metadata) if metadata.is_symlink() => problems.add(ProblemKind::Link, &path, ""),
                    Ok(metadata) if metadata.is_dir() => folders.push((entry.path(), path)),
                    Ok(metadata) => {
                        files.lengths.insert(path, metadata.len());
                    }
                }
            }
        }
        Ok(files)
    }

    /// The file that a listed path means: decoded, else as it stands, else one that differs only in Unicode form.
    pub(super) fn find(&mut self, listed: &str) -> Option<String> {
        for path in [&*decoded(listed), listed] {
            if self.lengths.contains_key(path) {
                return Some(path.to_string());
            }
        }
        if listed.is_ascii() {
            return None;
        }
        let lengths = &self.lengths;
        let composed = self
            .composed
            .get_or_insert_with(|| lengths.keys().map(|path| (path.nfc().collect(), path.clone())).collect());
        composed.get(&decoded(listed).nfc().collect::<String>()).cloned()
    }
}

/// A file and the digests it is to have.
#[derive(Debug)]
pub(super) struct Expected {
    pub(super) path: String,
    pub(super) digests: Vec<(Algorithm, String)>,
}

/// Hashes all of `expected` and notes what differs.
pub(super) fn check(bag: &Path, expected: &[Expected], problems: &Problems, progress: &dyn Progress) {
    let next = AtomicUsize::new(0);
    let work = || {
        let mut buffer = vec![0; PIECE];
        while let Some(one) = expected.get(next.fetch_add(1, Ordering::Relaxed)) {
            match digests(&output::below(bag, &one.path), one, &mut buffer, progress) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => {
                    problems.add(ProblemKind::Missing, &one.path, "");
                }
                Err(error) => problems.add(ProblemKind::Unreadable, &one.path, error.to_string()),
                Ok(found) if found != one.digests => problems.add(ProblemKind::Changed, &one.path, ""),
                Ok(_) => {}
            }
        }
    };
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(MOST_WORKERS).min(expected.len());
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(work);
        }
    });
}

fn digests(
    path: &Path,
    expected: &Expected,
    buffer: &mut [u8],
    progress: &dyn Progress,
) -> io::Result<Vec<(Algorithm, String)>> {
    let mut hasher = Hasher::new(expected.digests.iter().map(|(algorithm, _)| *algorithm).collect());
    let mut file = output::open(path)?;
    loop {
        let count = match file.read(buffer) {
            Ok(0) => break,
            Ok(count) => count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        let piece = buffer.get(..count).unwrap_or_default();
        hasher.update(piece);
        progress.advance(count as u64);
    }
    let found = hasher.finish();
    let of = |wanted: &Algorithm| found.iter().find(|(known, _)| known == wanted).cloned();
    Ok(expected.digests.iter().filter_map(|(algorithm, _)| of(algorithm)).collect())
}
