//! Adding to a finished bag: what is there is hashed again, held against its records and against the new plan, and then
//! taken as done. From there on the bag is an unfinished one like any other, and is closed like any other.
//!
//! Nothing that is there is ever written, renamed or removed. What anybody changed since refuses the whole.

mod lists;

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use enumset::EnumSet;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::bag;
use super::choice::Selection;
use super::destination::{self, Destination};
use super::digests::{Algorithm, Hasher};
use super::hex;
use super::job::{Job, MapNote, Options};
use super::journal::first_header;
use super::output::{Disk, Output, below};
use super::place::{BlankWatch, Reading, Tree, merged};
use super::plan::{Plan, address, source_path, zone_name};
use crate::catalog::{Gap, GapKind, ObjectKind};
use crate::error::{Error, Result};
use crate::image::Image;
use crate::progress::{Progress, Unit};
pub(crate) use lists::tags_digest;
use lists::{is_listed, unchanged_lists};

const JOB: &str = "records/job.json";
const MANIFEST: &str = "records/manifest.json";

/// Bytes that are read at a time.
const PIECE: usize = 1 << 20;

/// What a bag already holds, by its own records: what has to be asked for again when more is added.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Given {
    /// The selections, in order.
    pub selections: Vec<Selection>,
    /// The volume that was alone when it was begun; its paths stand without `volume N/`.
    pub alone: Option<u32>,
}

fn refused(path: &Path, why: impl Into<String>) -> Error {
    Error::Destination { path: path.to_path_buf(), why: why.into() }
}

fn failed(action: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Error {
    let path = path.to_path_buf();
    move |source| Error::Io { action, path, source }
}

const DAMAGED: &str = "its records are damaged or were not written by this version of handback; use a new folder";

/// What the bag at `to` holds, or held before somebody began to add to it, if it is of this image. Only looks.
///
/// # Errors
/// [`Error::Destination`] if there is no bag of ours, one of another image, or its record of the job was changed;
/// [`Error::Io`] if that can't be read.
pub fn given(to: &Path, image: &dyn Image, image_name: &str, ticket: Option<&str>) -> Result<Given> {
    let Destination { folder, begun, .. } = destination::choose_bag(to, image_name, ticket, image.parts())?;
    let (is_same, given) = match begun {
        true => {
            let header = first_header(&Disk, &folder)?;
            (header.is_of(image_name, image.length()), header.adding.unwrap_or_default())
        }
        false => {
            let record = listed_record(&Disk, &folder)?;
            let own = json!({"name": image_name, "length": image.length()});
            (is_same(&record.image, &own, &["name", "length"]), record.given())
        }
    };
    if is_same { Ok(given) } else { Err(refused(&folder, format!("nothing can be added: {OTHER_IMAGE}"))) }
}

const OTHER_IMAGE: &str = "it was made from another image; name that image, or use a new folder";

fn is_same(one: &Value, other: &Value, keys: &[&str]) -> bool {
    keys.iter().all(|key| one[*key] == other[*key])
}

/// The record of the job, which has to be what the list of lists says.
fn listed_record(output: &dyn Output, folder: &Path) -> Result<Record> {
    let bytes = read(output, folder, JOB)?;
    is_listed(output, folder, JOB, &hex::of(&Sha256::digest(&bytes)))?;
    serde_json::from_slice(&bytes).map_err(|_| refused(folder, DAMAGED))
}

/// What of `records/job.json` decides whether more can be added.
#[derive(Debug, Deserialize)]
struct Record {
    image: Value,
    map: Value,
    volumes: Vec<RecordVolume>,
    selections: Vec<Selection>,
    options: Value,
    time_zone: Option<String>,
    software: Value,
    #[serde(default)]
    signature: Value,
}

#[derive(Debug, Deserialize)]
struct RecordVolume {
    number: u32,
    folder: String,
}

impl Record {
    fn given(&self) -> Given {
        let alone = self.volumes.iter().find(|volume| volume.folder.is_empty()).map(|volume| volume.number);
        Given { selections: self.selections.clone(), alone }
    }

    /// What the bag says of its files, or proves, and would say no more: its lists are written anew for all of them.
    fn lost_proof(&self, job: &Job<'_>) -> Option<&'static str> {
        let had = |key: &str| self.options[key] == true;
        let also = options_json(&job.options)["also"].clone();
        let kinds = |list: &Value| list.as_array().cloned().unwrap_or_default();
        if had("second_reader") && !job.options.second_reader {
            Some("a second reader was asked for it; say `--second-reader` again, or use a new folder")
        } else if had("check") && !job.options.check {
            Some("its files were checked for whether they open; say `--check` again, or use a new folder")
        } else if kinds(&self.options["also"]).iter().any(|kind| !kinds(&also).contains(kind)) {
            Some("it has further checksums; say the same `--also` again, or use a new folder")
        } else if !self.signature.is_null() && job.record.signer.is_none() {
            Some("it is signed; give the key again with `--sign`, or use a new folder")
        } else {
            None
        }
    }

    /// Why a job can't be added to the bag.
    fn difference(&self, job: &Job<'_>, plan: &Plan) -> Option<&'static str> {
        if !is_same(&self.image, &bag::image_json(job), &["name", "length"]) {
            Some(OTHER_IMAGE)
        } else if !is_same(&self.image, &bag::image_json(job), &["modified"]) {
            Some("the image was changed since it was made; use a new folder")
        } else if self.map_words() != map_words(&job.map) {
            Some("it was made under another map of the image; give the same map, or use a new folder")
        } else if self.software != bag::software_json() {
            Some("it was made by another version of handback; add with that one, or use a new folder")
        } else if !is_same(&self.options, &options_json(&job.options), &["streams", "deleted", "read_back"]) {
            Some(
                "it was made with other options (`--streams`, `--deleted`, `--no-read-back`); give the same ones, or use a new folder",
            )
        } else if let Some(proof) = self.lost_proof(job) {
            Some(proof)
        } else if plan.local_times && self.time_zone.as_deref().is_some_and(|zone| zone != zone_name(&job.time_zone)) {
            Some("its dates were set by another zone; give the same `--time-zone`, or use a new folder")
        } else {
            None
        }
    }

    fn map_words(&self) -> (Value, Value, bool, bool) {
        let map = &self.map;
        let doubted = map["doubts"].as_array().is_some_and(|doubts| !doubts.is_empty());
        let trusted = map["accepted"] == true || !doubted;
        (map["sha256"].clone(), map["basis"].clone(), map["asserted"] == true, trusted)
    }
}

/// Everything about a map that decides what may be called whole.
fn map_words(map: &MapNote) -> (Value, Value, bool, bool) {
    let basis = map.basis.map(|basis| basis.word());
    (json!(map.sha256), json!(basis), map.asserted, map.accepted || map.doubts.is_empty())
}

fn options_json(options: &Options) -> Value {
    serde_json::to_value(options).unwrap_or_default()
}

fn read(output: &dyn Output, folder: &Path, relative: &str) -> Result<Vec<u8>> {
    let path = below(folder, relative);
    let mut bytes = Vec::new();
    output.open(&path).and_then(|mut file| file.read_to_end(&mut bytes)).map_err(failed("read", &path))?;
    Ok(bytes)
}

/// One entry of `records/manifest.json`.
#[derive(Debug, Deserialize)]
struct Row {
    path: Option<String>,
    source_path: String,
    volume: u32,
    address: Option<String>,
    kind: String,
    #[serde(default)]
    size: u64,
    sha256: Option<String>,
    #[serde(default)]
    gaps: Vec<RowGap>,
    #[serde(default)]
    unknown: bool,
}

#[derive(Debug, Deserialize)]
struct RowGap {
    start: u64,
    length: u64,
    why: String,
}

/// Hashes what passes.
struct Hashed {
    file: Box<dyn Read + Send>,
    hash: Sha256,
}

impl Read for Hashed {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.hash.update(&buffer[..count]);
        Ok(count)
    }
}

/// The files that the manifest says were written, and its SHA-256. It has one entry a line, between an opening and a
/// closing one.
fn rows(output: &dyn Output, folder: &Path) -> Result<(Vec<Row>, String)> {
    let path = below(folder, MANIFEST);
    let file = output.open(&path).map_err(failed("read", &path))?;
    let mut lines = BufReader::with_capacity(PIECE, Hashed { file, hash: Sha256::new() });
    let (mut rows, mut line, mut opens, mut closes) = (Vec::new(), Vec::new(), false, false);
    loop {
        line.clear();
        if lines.read_until(b'\n', &mut line).map_err(failed("read", &path))? == 0 {
            break;
        }
        match line.trim_ascii_end() {
            b"]}" => closes = true,
            b"" => {}
            text if text.ends_with(b"\"files\":[") => opens = true,
            text => {
                let text = text.strip_suffix(b",").unwrap_or(text);
                let row: Row = serde_json::from_slice(text).map_err(|_| refused(folder, DAMAGED))?;
                if row.kind != ObjectKind::Folder.word() && row.path.is_some() {
                    rows.push(row);
                }
            }
        }
    }
    match opens && closes {
        true => Ok((rows, hex::of(&lines.into_inner().hash.finalize()))),
        false => Err(refused(folder, DAMAGED)),
    }
}

/// Which entries of a plan are written already, by the bag's own word.
pub(crate) fn written(output: &dyn Output, folder: &Path, plan: &Plan) -> Result<Vec<bool>> {
    let (rows, _) = rows(output, folder)?;
    let paths: std::collections::HashSet<&str> =
        rows.iter().filter_map(|row| below_tree(row).map(|(_, path)| path)).collect();
    Ok(plan.entries.iter().map(|entry| entry.kind != ObjectKind::Folder && paths.contains(&*entry.path)).collect())
}

/// Where a row's file stands in the payload.
fn below_tree(row: &Row) -> Option<(Tree, &str)> {
    let path = row.path.as_deref()?;
    Tree::ALL.into_iter().find_map(|tree| Some((tree, path.strip_prefix(tree.folder())?.strip_prefix('/')?)))
}

/// What a finished bag has of a plan, every file of it read again.
pub(crate) struct Existing {
    pub(crate) given: Given,
    /// By entry of the plan.
    pub(crate) done: Vec<Option<Reading>>,
    /// The digest of its list of lists.
    pub(crate) tags: String,
}

/// Examines a finished bag. Reads everything in it and changes nothing.
pub(crate) fn examine(
    job: &Job<'_>,
    plan: &Plan,
    folder: &Path,
    output: &dyn Output,
    progress: &dyn Progress,
) -> Result<Existing> {
    // On Windows a long path is taken only in this form.
    let folder = &std::fs::canonicalize(folder).map_err(failed("look at", folder))?;
    let own = tags_digest(output, folder)?;
    let record = listed_record(output, folder)?;
    if let Some(difference) = record.difference(job, plan) {
        return Err(refused(folder, format!("nothing can be added: {difference}")));
    }
    unchanged_lists(output, folder)?;
    let (rows, digest) = rows(output, folder)?;
    is_listed(output, folder, MANIFEST, &digest)?;
    let entries: HashMap<&str, usize> =
        plan.entries.iter().enumerate().map(|(index, entry)| (&*entry.path, index)).collect();
    let mut done = vec![None; plan.entries.len()];
    progress.begin("checking what is there", rows.iter().map(|row| row.size).sum(), Unit::Bytes);
    for row in &rows {
        let path = below(folder, row.path.as_deref().unwrap_or_default());
        let other = || refused(&path, "the image and the options given now do not lead to this file; use a new folder");
        let (tree, relative) = below_tree(row).ok_or_else(other)?;
        let index = *entries.get(relative).ok_or_else(other)?;
        let entry = &plan.entries[index];
        let volume = &job.volumes[entry.volume];
        let is_same = (volume.number, entry.kind.word()) == (row.volume, &*row.kind)
            && address(volume, entry.object) == row.address.as_deref().unwrap_or_default()
            && source_path(volume, entry) == row.source_path;
        let reading =
            reading(output, &path, row, job.options.also(), progress)?.filter(|_| is_same).ok_or_else(other)?;
        let facts = &volume.catalog.object(entry.object).facts;
        if Tree::of(&merged(facts, Some(&reading), true), reading.size) != Some(tree) {
            return Err(other());
        }
        done[index] = Some(reading);
    }
    progress.end();
    let listed = rows.iter().filter_map(|row| row.path.as_deref()).collect();
    nothing_else(folder, &listed)?;
    Ok(Existing { given: record.given(), done, tags: own })
}

/// Reads a file of the bag again; `None` if its row makes no sense.
fn reading(
    output: &dyn Output,
    path: &Path,
    row: &Row,
    also: EnumSet<Algorithm>,
    progress: &dyn Progress,
) -> Result<Option<Reading>> {
    let Some(expected) = row.sha256.as_deref().and_then(hex::sha256) else { return Ok(None) };
    let mut file = output.open(path).map_err(|source| match source.kind() {
        std::io::ErrorKind::NotFound => refused(path, "it belongs to the handover and is not there any more"),
        _ => failed("read", path)(source),
    })?;
    let mut buffer = vec![0; PIECE];
    let (mut hash, mut blank, mut size) = (Sha256::new(), BlankWatch::default(), 0_u64);
    let mut also = Hasher::new(also);
    loop {
        match file.read(&mut buffer) {
            Ok(0) => break,
            Ok(count) => {
                hash.update(&buffer[..count]);
                also.update(&buffer[..count]);
                blank.see(&buffer[..count]);
                size = size.saturating_add(count as u64);
                progress.advance(count as u64);
            }
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(source) => return Err(failed("read", path)(source)),
        }
    }
    let sha256: [u8; 32] = hash.finalize().into();
    if sha256 != expected || size != row.size {
        return Err(refused(path, "it was changed since it was written; nothing is added to what is not as it was"));
    }
    let gap = |gap: &RowGap| {
        let why = EnumSet::<GapKind>::all().iter().find(|kind| kind.word() == gap.why)?;
        Some(Gap { range: gap.start..gap.start.checked_add(gap.length)?, why })
    };
    // A gap without length is of the file's own description, which is asked again.
    let gaps: Option<Vec<Gap>> = row.gaps.iter().filter(|gap| gap.length > 0).map(gap).collect();
    let (unknown, blank, also) = (row.unknown, blank.is_blank(), also.finish());
    Ok(gaps.map(|gaps| Reading { sha256, also, size, gaps, unknown, blank }))
}

/// Refuses a payload in which something stands that no list names.
fn nothing_else(folder: &Path, listed: &std::collections::HashSet<&str>) -> Result<()> {
    use unicode_normalization::UnicodeNormalization;
    // Some disks of macOS give names back in another Unicode form.
    let composed: std::collections::HashSet<String> = listed.iter().map(|path| path.nfc().collect()).collect();
    let mut open = vec![(folder.join("data"), "data".to_string())];
    while let Some((folder, prefix)) = open.pop() {
        let entries = std::fs::read_dir(&folder).map_err(failed("list", &folder))?;
        for entry in entries {
            let entry = entry.map_err(failed("list", &folder))?;
            let kind = entry.file_type().map_err(failed("look at", &entry.path()))?;
            let path = format!("{prefix}/{}", entry.file_name().to_string_lossy());
            if kind.is_dir() {
                open.push((entry.path(), path));
            } else if !composed.contains(&path.nfc().collect::<String>()) {
                return Err(refused(
                    &entry.path(),
                    "it is not a part of this handover; move it away and run the same command again",
                ));
            }
        }
    }
    Ok(())
}
