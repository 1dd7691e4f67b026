//! What a list of files is, and reading one line by line.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use enumset::EnumSet;
use serde::Serialize;

use super::{csv_list, json_list};
use crate::catalog::State;
use crate::error::{Error, Result};
use crate::handover::digests::Algorithm;
use crate::handover::hex;
use crate::handover::output;
use crate::handover::verify::lines;

/// How much of a file is looked at to know what it is, in bytes.
const LOOK: u64 = 1 << 16;

/// What in a bag's path says that zeros stand for something.
const DAMAGED: &str = "data/damaged/";

/// The form of a list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// `records/manifest.csv` of a handover.
    ManifestCsv,
    /// `records/manifest.json` of a handover.
    ManifestJson,
    /// A digest and a path on each line, as in `manifest-sha256.txt` and as `sha256sum` writes.
    Sums,
}

/// A list of files with their digests.
#[derive(Debug, Clone)]
pub struct List {
    /// What was named: a folder or a file.
    pub path: PathBuf,
    /// The form of the file.
    pub form: Form,
    /// The file that is read.
    pub(super) file: PathBuf,
    /// The kinds of digest it has.
    pub(super) algorithms: EnumSet<Algorithm>,
    /// Whether it knows where files stood on the drive.
    pub(super) knows_source: bool,
}

/// Where a file stood on the drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SourceOf {
    pub(super) volume: u32,
    pub(super) path: String,
    pub(super) address: String,
}

/// One file of a list.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Line {
    /// In the bag or the list; `None` if it was not copied.
    pub(super) path: Option<String>,
    pub(super) source: Option<SourceOf>,
    /// `None`: it was not copied.
    pub(super) digest: Option<Box<[u8]>>,
    pub(super) size: Option<u64>,
    pub(super) state: Option<State>,
    pub(super) has_gaps: Option<bool>,
    /// Whether it was a deleted file.
    pub(super) is_deleted: bool,
}

impl List {
    /// Finds out what list `path` is or, being a folder, holds. `None` if it is a file and no list that is known.
    ///
    /// # Errors
    /// [`Error::Usage`] for a folder without a list; [`Error::Io`] if it can't be read.
    pub fn open(path: &Path) -> Result<Option<Self>> {
        let metadata = std::fs::metadata(path).map_err(failed(path))?;
        if !metadata.is_dir() {
            return Self::open_file(path, path);
        }
        let csv = path.join("records").join("manifest.csv");
        let sums = Algorithm::ALL.map(|algorithm| path.join(algorithm.manifest()));
        for file in std::iter::once(csv).chain(sums).filter(|file| file.is_file()) {
            if let Some(list) = Self::open_file(path, &file)? {
                return Ok(Some(list));
            }
        }
        Err(Error::Usage(format!(
            "no list stands in the folder `{}` (neither records/manifest.csv nor a manifest-sha256.txt); name a handover \
             folder, the record of one, or a list",
            path.display()
        )))
    }

    fn open_file(named: &Path, file: &Path) -> Result<Option<Self>> {
        let mut start = Vec::new();
        output::open(file).and_then(|file| file.take(LOOK).read_to_end(&mut start)).map_err(failed(file))?;
        let list = |form, algorithms, knows_source| {
            Some(Self { path: named.to_path_buf(), form, file: file.to_path_buf(), algorithms, knows_source })
        };
        let text = String::from_utf8_lossy(&start);
        let text = text.trim_start_matches('\u{FEFF}');
        if let Some(algorithms) = csv_list::algorithms(text) {
            return Ok(list(Form::ManifestCsv, algorithms, true));
        }
        if let Some(algorithms) = json_list::algorithms(text) {
            return Ok(list(Form::ManifestJson, algorithms, true));
        }
        let kind = kind_by_name(file);
        let first = text.lines().find(|line| !line.trim().is_empty() && !line.starts_with('#'));
        let Some(first) = first else {
            // The list of a handover without files.
            return Ok(if start.is_empty() {
                list(Form::Sums, kind.unwrap_or(Algorithm::Sha256).into(), false)
            } else {
                None
            });
        };
        let kinds = kind.into_iter().chain(Algorithm::ALL);
        let algorithm = kinds.into_iter().find(|kind| sum(first.as_bytes(), *kind).is_ok());
        Ok(algorithm.and_then(|algorithm| list(Form::Sums, algorithm.into(), false)))
    }

    /// Calls `visit` with each file. Folders are passed over.
    pub(super) fn read(&self, algorithm: Algorithm, visit: &mut dyn FnMut(Line) -> Result<()>) -> Result<()> {
        let file = output::open(&self.file).map_err(failed(&self.file))?;
        let file = BufReader::with_capacity(1 << 16, file);
        match self.form {
            Form::ManifestCsv => csv_list::read(file, &self.file, algorithm, visit),
            Form::ManifestJson => json_list::read(file, &self.file, algorithm, visit),
            Form::Sums => read_sums(file, &self.file, algorithm, visit),
        }
    }
}

/// What a list of another program says of one file.
pub(super) fn listed(path: &Path, name: &str) -> Option<String> {
    let list = List::open(path).ok()??;
    let algorithm = Algorithm::Sha256;
    let mut found = None;
    if list.form == Form::Sums && list.algorithms.contains(algorithm) {
        list.read(algorithm, &mut |line| {
            if line.path.as_deref() == Some(name) {
                found = line.digest.map(|digest| hex::of(&digest));
            }
            Ok(())
        })
        .ok()?;
    }
    found
}

fn failed(path: &Path) -> impl FnOnce(std::io::Error) -> Error {
    let path = path.to_path_buf();
    move |source| Error::Io { action: "read", path, source }
}

/// What is said of a line that can't be understood.
pub(super) fn bad(path: &Path, line: u64, why: &str) -> Error {
    Error::Usage(format!("line {line} of `{}`: {why}", path.display()))
}

/// The kind of digest that a file's name tells: BLAKE3 and SHA-256 look alike.
fn kind_by_name(file: &Path) -> Option<Algorithm> {
    let name = file.file_name()?.to_string_lossy().to_ascii_lowercase();
    let named = Algorithm::ALL.into_iter().find(|algorithm| name.contains(algorithm.word()));
    named.or_else(|| (name.contains("b3sum") || name.ends_with(".b3")).then_some(Algorithm::Blake3))
}

/// The digest and the path of a line.
fn sum(line: &[u8], algorithm: Algorithm) -> Result<(Box<[u8]>, String), &'static str> {
    let line = std::str::from_utf8(line).map_err(|_| "it is not UTF-8")?;
    // GNU coreutils' manual: a `\` in front says that the name is written with `\\`, `\n` and `\r`.
    let (is_escaped, line) = line.strip_prefix('\\').map_or((false, line), |line| (true, line));
    let (digest, path) = line.split_once([' ', '\t']).ok_or("it has no digest and path")?;
    if !algorithm.is_digest(digest) {
        return Err("it does not begin with a digest of the same kind");
    }
    let digest = hex::bytes(&digest.to_ascii_lowercase()).ok_or("it does not begin with a digest")?;
    let path = path.trim_start_matches([' ', '\t']);
    let path = path.strip_prefix('*').unwrap_or(path);
    let path = path.strip_prefix("./").unwrap_or(path);
    if path.is_empty() {
        return Err("it has no path");
    }
    Ok((digest.into(), if is_escaped { unescaped(path) } else { path.to_string() }))
}

fn unescaped(path: &str) -> String {
    let mut text = String::with_capacity(path.len());
    let mut characters = path.chars();
    while let Some(character) = characters.next() {
        text.push(match (character, character == '\\') {
            (_, true) => match characters.next() {
                Some('n') => '\n',
                Some('r') => '\r',
                Some(other) => other,
                None => '\\',
            },
            (other, false) => other,
        });
    }
    text
}

fn read_sums(
    file: impl BufRead,
    path: &Path,
    algorithm: Algorithm,
    visit: &mut dyn FnMut(Line) -> Result<()>,
) -> Result<()> {
    let mut outcome = Ok(());
    lines(file, |number, line| {
        if outcome.is_err() {
            return;
        }
        let parsed = match line {
            None => Err("it is too long"),
            Some(line) if line.starts_with(b"#") || line.trim_ascii().is_empty() => return,
            Some(line) => sum(line.strip_prefix("\u{FEFF}".as_bytes()).unwrap_or(line), algorithm),
        };
        outcome = match parsed {
            Ok((digest, listed)) => {
                let has_gaps = listed.starts_with("data/").then(|| listed.starts_with(DAMAGED));
                visit(Line { path: Some(listed), digest: Some(digest), has_gaps, ..Line::default() })
            }
            Err(why) => Err(bad(path, number, why)),
        };
    })
    .map_err(failed(path))?;
    outcome
}
