//! Checking a bag: any of RFC 8493 (and of version 0.97 before it) with a manifest of a kind that is known, and its
//! signature.
//!
//! Nothing is written and nothing in the bag is believed: paths that lead out of it are named and not opened, links are
//! not followed, lines are bounded. As programs disagree on `%` in manifests (RFC 8493, 2.1.3), a listed path is taken
//! decoded if such a file is there, and else as it stands.

mod files;
mod manifest;
mod problem;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::bag::TAG_MANIFEST;
use super::destination::{BAGIT, NOT_FINISHED, PROGRESS};
use super::digests::Algorithm;
use super::output;
use super::sign::{self, SIGNATURE, SignatureReport, SignatureState, Signers};
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};
use files::{Expected, Files};
pub(in crate::handover) use manifest::lines;
use manifest::{decoded, is_safe};
use problem::Problems;
pub use problem::{Problem, ProblemKind};

/// The longest declaration that is read, in bytes. A sound one has 54.
const LONGEST_DECLARATION: u64 = 4096;

/// What checking a bag showed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verification {
    /// The folder of the bag.
    pub folder: PathBuf,
    /// The version of the bag's format, as `1.0`.
    pub version: String,
    /// The kinds of manifest that were checked.
    pub algorithms: Vec<&'static str>,
    /// Kinds of manifest that are there and are not checked, as `sha1`.
    pub not_checked: Vec<String>,
    /// What its signature is worth; `None` if it has none.
    pub signature: Option<SignatureReport>,
    /// Files of the payload.
    pub payload_files: u64,
    /// Bytes of the payload.
    pub payload_bytes: u64,
    /// The first problems, sorted by path.
    pub problems: Vec<Problem>,
    /// How many problems there are in all.
    pub problem_count: u64,
}

impl Verification {
    /// Whether the bag is complete and every file is what was written.
    #[must_use]
    pub fn is_valid(&self) -> bool {
        self.problem_count == 0
    }
}

/// Checks the bag in `folder`, or the only bag in one of its sub-folders. Reads and never writes.
///
/// # Errors
/// [`Error::Destination`] if there is no bag, or several, or an unfinished one; [`Error::Unsupported`] for a bag whose
/// manifests are all of kinds that are not known; [`Error::Io`] if a list can't be read. What is wrong with a bag is no error.
pub fn verify(folder: &Path, progress: &dyn Progress) -> Result<Verification> {
    verify_signed(folder, None, progress)
}

/// As [`verify`]. If `signers` are named, the bag must be signed by one of them: a bag that is not, or whose signature
/// can't be checked, has a problem.
///
/// # Errors
/// As [`verify`].
pub fn verify_signed(folder: &Path, signers: Option<&Signers>, progress: &dyn Progress) -> Result<Verification> {
    let bag = find(folder)?;
    let problems = Problems::default();
    let version = declaration(&bag, &problems)?;
    let lists = Lists::find(&bag)?;
    let algorithms: Vec<Algorithm> =
        Algorithm::ALL.into_iter().filter(|algorithm| lists.payload.contains(algorithm.word())).collect();
    if algorithms.is_empty() {
        return Err(Error::Unsupported {
            what: "a bag whose manifests are all of kinds that are not known".to_string(),
            next: "check it with the program that made it".to_string(),
        });
    }
    let mut payload = payload(&bag, &problems)?;
    let is_strict = version != "0.97" && !version.starts_with("0.");
    let mut expected = listed_payload(&bag, &algorithms, is_strict, &mut payload, &problems)?;
    expected.extend(tags(&bag, &lists, &problems)?);
    fetch(&bag, &payload, &problems)?;
    let signature = signature(&bag, signers, &problems)?;
    let payload_bytes = payload.lengths.values().sum();
    oxum(&bag, payload.lengths.len() as u64, payload_bytes, &problems)?;

    progress.begin("checking", payload_bytes, Unit::Bytes);
    files::check(&bag, &expected, &problems, progress);
    progress.end();
    let (problems, problem_count) = problems.finish();
    Ok(Verification {
        folder: bag,
        version,
        algorithms: algorithms.into_iter().map(Algorithm::word).collect(),
        not_checked: lists
            .payload
            .into_iter()
            .filter(|word| !Algorithm::ALL.iter().any(|known| known.word() == word))
            .collect(),
        signature,
        payload_files: payload.lengths.len() as u64,
        payload_bytes,
        problems,
        problem_count,
    })
}

fn failed(action: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Error {
    let path = path.to_path_buf();
    move |source| Error::Io { action, path, source }
}

fn refused(path: &Path, why: &str) -> Error {
    Error::Destination { path: path.to_path_buf(), why: why.to_string() }
}

fn is_unfinished(folder: &Path) -> bool {
    !folder.join(BAGIT).is_file() && (folder.join(PROGRESS).is_file() || folder.join(NOT_FINISHED).is_file())
}

/// The bag that is meant.
fn find(folder: &Path) -> Result<PathBuf> {
    let finished = |path: PathBuf| match is_unfinished(&path) {
        false => Ok(path),
        true => Err(refused(
            &path,
            "this handover is not finished; run the same extract again, it goes on where it was stopped",
        )),
    };
    if folder.join(BAGIT).is_file() || is_unfinished(folder) {
        return finished(folder.to_path_buf());
    }
    let entries = std::fs::read_dir(folder).map_err(failed("list", folder))?;
    let mut bags = Vec::new();
    for entry in entries {
        let entry = entry.map_err(failed("list", folder))?;
        let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
        if is_folder && (entry.path().join(BAGIT).is_file() || is_unfinished(&entry.path())) {
            bags.push(entry.path());
        }
    }
    match (bags.pop(), bags.is_empty()) {
        (Some(only), true) => finished(only),
        (Some(_), false) => Err(refused(folder, "several bags lie there; name one of them")),
        (None, _) => {
            Err(refused(folder, "no bag lies there (there is no `bagit.txt`); name the folder that was handed over"))
        }
    }
}

/// The version of the format. RFC 8493, 2.1.1: exactly two lines.
fn declaration(bag: &Path, problems: &Problems) -> Result<String> {
    let path = bag.join(BAGIT);
    let mut bytes = Vec::new();
    output::open(&path)
        .and_then(|file| file.take(LONGEST_DECLARATION).read_to_end(&mut bytes))
        .map_err(failed("read", &path))?;
    let text = String::from_utf8_lossy(&bytes);
    let mut lines = text.split(['\n', '\r']).filter(|line| !line.is_empty());
    let version = lines.next().and_then(|line| line.strip_prefix("BagIt-Version: ")).unwrap_or_default();
    let is_version = version.split_once('.').is_some_and(|(major, minor)| {
        [major, minor].iter().all(|part| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit()))
    });
    let encoding = lines.next().and_then(|line| line.strip_prefix("Tag-File-Character-Encoding: "));
    if !is_version {
        problems.add(ProblemKind::Declaration, BAGIT, "the first line is not `BagIt-Version: ` and a version");
    }
    if !encoding.is_some_and(|encoding| encoding.eq_ignore_ascii_case("UTF-8")) {
        problems.add(ProblemKind::Declaration, BAGIT, "the second line is not `Tag-File-Character-Encoding: UTF-8`");
    }
    if lines.next().is_some() {
        problems.add(ProblemKind::Declaration, BAGIT, "it has more than two lines");
    }
    Ok(if is_version { version.to_string() } else { "unknown".to_string() })
}

/// Which lists a bag has, by the word for their kind of digest.
struct Lists {
    payload: HashSet<String>,
    tags: HashSet<String>,
}

impl Lists {
    fn find(bag: &Path) -> Result<Self> {
        let mut lists = Self { payload: HashSet::new(), tags: HashSet::new() };
        for entry in std::fs::read_dir(bag).map_err(failed("list", bag))? {
            let name = entry.map_err(failed("list", bag))?.file_name().to_string_lossy().into_owned();
            let kind = |prefix: &str| Some(name.strip_prefix(prefix)?.strip_suffix(".txt")?.to_string());
            lists.payload.extend(kind("manifest-"));
            lists.tags.extend(kind("tagmanifest-"));
        }
        Ok(lists)
    }
}

fn payload(bag: &Path, problems: &Problems) -> Result<Files> {
    match std::fs::symlink_metadata(bag.join("data")) {
        Ok(metadata) if metadata.is_dir() => Files::walk(bag, "data", problems),
        Ok(_) => {
            problems.add(ProblemKind::Link, "data", "it is not a folder");
            Ok(Files::default())
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            problems.add(ProblemKind::Missing, "data", "");
            Ok(Files::default())
        }
        Err(error) => Err(failed("look at", &bag.join("data"))(error)),
    }
}

fn read_manifest(
    bag: &Path,
    name: &str,
    algorithm: Algorithm,
    is_payload: bool,
    problems: &Problems,
) -> Result<HashMap<String, String>> {
    let path = bag.join(name);
    // A link here could lead anywhere.
    if std::fs::symlink_metadata(&path).is_ok_and(|metadata| metadata.is_symlink()) {
        problems.add(ProblemKind::Link, name, "");
        return Ok(HashMap::new());
    }
    let file = output::open(&path).map_err(failed("read", &path))?;
    manifest::read(BufReader::with_capacity(1 << 16, file), name, algorithm, is_payload, problems)
        .map_err(failed("read", &path))
}

/// Compares the manifests with what is there.
fn listed_payload(
    bag: &Path,
    algorithms: &[Algorithm],
    is_strict: bool,
    payload: &mut Files,
    problems: &Problems,
) -> Result<Vec<Expected>> {
    let mut expected: BTreeMap<String, Vec<(Algorithm, String)>> = BTreeMap::new();
    for algorithm in algorithms {
        let name = format!("manifest-{}.txt", algorithm.word());
        for (listed, digest) in read_manifest(bag, &name, *algorithm, true, problems)? {
            match payload.find(&listed) {
                // Two spellings of one file in one list.
                Some(path)
                    if expected.get(&path).is_some_and(|known| known.iter().any(|(known, _)| known == algorithm)) =>
                {
                    problems.add(ProblemKind::Duplicate, &listed, format!("{name} lists `{path}` again"));
                }
                Some(path) => expected.entry(path).or_default().push((*algorithm, digest)),
                None => problems.add(ProblemKind::Missing, &listed, format!("listed in {name}")),
            }
        }
    }
    for path in payload.lengths.keys().filter(|path| !expected.contains_key(*path)) {
        problems.add(ProblemKind::Extra, path, "");
    }
    for (path, _) in expected.iter().filter(|(_, digests)| is_strict && digests.len() < algorithms.len()) {
        problems.add(ProblemKind::NotInEveryManifest, path, "");
    }
    Ok(expected.into_iter().map(|(path, digests)| Expected { path, digests }).collect())
}

/// What the tag manifests list.
fn tags(bag: &Path, lists: &Lists, problems: &Problems) -> Result<Vec<Expected>> {
    let mut expected: BTreeMap<String, Vec<(Algorithm, String)>> = BTreeMap::new();
    for algorithm in Algorithm::ALL.into_iter().filter(|algorithm| lists.tags.contains(algorithm.word())) {
        let name = format!("tagmanifest-{}.txt", algorithm.word());
        let listed = read_manifest(bag, &name, algorithm, false, problems)?;
        for word in &lists.payload {
            let manifest = format!("manifest-{word}.txt");
            if !listed.contains_key(&manifest) {
                problems.add(ProblemKind::Extra, &manifest, format!("not listed in {name}"));
            }
        }
        for (listed, digest) in listed {
            match tag_path(bag, &listed, problems) {
                Some(path) => expected.entry(path).or_default().push((algorithm, digest)),
                None => problems.add(ProblemKind::Missing, &listed, format!("listed in {name}")),
            }
        }
    }
    Ok(expected.into_iter().map(|(path, digests)| Expected { path, digests }).collect())
}

/// Checks the signature and notes what is wrong with it.
fn signature(bag: &Path, signers: Option<&Signers>, problems: &Problems) -> Result<Option<SignatureReport>> {
    let report = sign::check(bag, signers)?;
    match &report {
        None if signers.is_some() => problems.add(ProblemKind::Missing, SIGNATURE, "the handover is not signed"),
        None => {}
        Some(SignatureReport { state: SignatureState::Good, .. }) => {}
        Some(SignatureReport { state: SignatureState::NotChecked, .. }) if signers.is_none() => {}
        Some(report) => {
            problems.add(ProblemKind::Signature, TAG_MANIFEST, report.why.clone().unwrap_or_default());
        }
    }
    Ok(report)
}

/// The tag file that a listed path means. One that is reached through a link is a problem and is not opened.
fn tag_path(bag: &Path, listed: &str, problems: &Problems) -> Option<String> {
    let mut candidates = vec![decoded(listed).into_owned(), listed.to_string()];
    candidates.dedup();
    candidates.into_iter().filter(|path| is_safe(path)).find(|path| {
        let mut at = bag.to_path_buf();
        path.split('/').all(|part| {
            at.push(part);
            std::fs::symlink_metadata(&at).is_ok_and(|metadata| {
                if metadata.is_symlink() {
                    problems.add(ProblemKind::Link, path, "");
                }
                !metadata.is_symlink()
            })
        })
    })
}

/// RFC 8493, 2.2.3: files that are to be fetched before the bag is complete.
fn fetch(bag: &Path, payload: &Files, problems: &Problems) -> Result<()> {
    let path = bag.join("fetch.txt");
    if !std::fs::symlink_metadata(&path).is_ok_and(|metadata| metadata.is_file()) {
        return Ok(());
    }
    let file = output::open(&path).map_err(failed("read", &path))?;
    lines(BufReader::new(file), |number, line| {
        let line = line.map(String::from_utf8_lossy);
        let listed = line.as_ref().and_then(|line| line.splitn(3, [' ', '\t']).nth(2));
        match listed.map(|listed| listed.trim_start_matches([' ', '\t'])) {
            None => problems.add(ProblemKind::BadLine, "fetch.txt", format!("line {number}")),
            Some(listed) if !is_safe(listed) || !listed.starts_with("data/") => {
                problems.add(ProblemKind::UnsafePath, listed, format!("line {number} of fetch.txt"));
            }
            Some(listed) => {
                let is_there = [&*decoded(listed), listed].iter().any(|path| payload.lengths.contains_key(*path));
                if !is_there {
                    problems.add(ProblemKind::NotFetched, listed, "");
                }
            }
        }
    })
    .map_err(failed("read", &path))
}

/// RFC 8493, 2.2.2: `Payload-Oxum`, the number of bytes and files.
fn oxum(bag: &Path, files: u64, bytes: u64, problems: &Problems) -> Result<()> {
    const BAG_INFO: &str = super::bag::BAG_INFO;
    let path = bag.join(BAG_INFO);
    if !std::fs::symlink_metadata(&path).is_ok_and(|metadata| metadata.is_file()) {
        return Ok(());
    }
    let file = output::open(&path).map_err(failed("read", &path))?;
    let mut count = 0;
    lines(BufReader::new(file), |_, line| {
        let line = line.map(String::from_utf8_lossy).unwrap_or_default();
        let Some((label, value)) = line.split_once(':') else { return };
        if !label.eq_ignore_ascii_case("Payload-Oxum") {
            return;
        }
        count += 1;
        if count > 1 {
            problems.add(ProblemKind::Duplicate, BAG_INFO, "`Payload-Oxum` stands there twice");
        }
        let noted =
            value.trim().split_once('.').and_then(|(bytes, files)| Some((bytes.parse().ok()?, files.parse().ok()?)));
        if noted != Some((bytes, files)) {
            problems.add(ProblemKind::Count, BAG_INFO, format!("it says {}, there is {bytes}.{files}", value.trim()));
        }
    })
    .map_err(failed("read", &path))
}
