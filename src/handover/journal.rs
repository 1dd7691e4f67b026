//! What is done so far, in a form that survives a kill or a power cut at any moment.
//!
//! `records/progress` is a header and then one line a file. Where a host can make a whole disk safe with one call, a
//! line is added only after that, and says so; such a line can be trusted. Where it can't, the line says that too, and
//! the file is hashed and compared before it is trusted. What has no line is done again.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use enumset::EnumSet;
use serde::{Deserialize, Serialize};

use super::added::Given;
use super::destination::PROGRESS;
use super::digests::Algorithm;
use super::hex;
use super::job::Job;
use super::output::{Output, OutputFile};
use super::place::Reading;
use super::plan::Plan;
use crate::catalog::{Gap, GapKind};
use crate::error::{Error, Result};

/// What a bag was begun for. It is continued only for the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Header {
    handback_progress: u32,
    image_name: String,
    image_length: u64,
    /// Nanoseconds since 1970.
    image_modified: Option<String>,
    /// Everything about the map that decides what may be called whole.
    map: String,
    plan: String,
    /// Further kinds of digest.
    #[serde(default)]
    also: Vec<String>,
    /// When the bag was begun, in RFC 3339.
    pub(crate) started: String,
    /// What the finished bag held to which is added.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) adding: Option<Given>,
}

impl Header {
    /// The header of a bag that is begun now.
    pub(crate) fn new(job: &Job<'_>, plan: &Plan) -> Self {
        let nanoseconds = |time: std::time::SystemTime| {
            time.duration_since(std::time::UNIX_EPOCH).map_or_else(
                |before| format!("-{}", before.duration().as_nanos()),
                |after| after.as_nanos().to_string(),
            )
        };
        let map = &job.map;
        let distrusted = !map.doubts.is_empty() && !map.accepted;
        Self {
            handback_progress: 1,
            image_name: job.image_name.clone(),
            image_length: job.image.length(),
            image_modified: job.image.modified().map(nanoseconds),
            map: format!(
                "{} {} {} {}",
                map.sha256.as_deref().unwrap_or("none"),
                map.basis.map_or("none", |basis| basis.word()),
                if map.asserted { "asserted" } else { "as-written" },
                if distrusted { "doubted" } else { "trusted" },
            ),
            plan: plan.digest.clone(),
            also: job.options.also().iter().map(|kind| kind.word().to_string()).collect(),
            started: now(),
            adding: None,
        }
    }

    /// Whether the bag is of this image.
    pub(crate) fn is_of(&self, name: &str, length: u64) -> bool {
        (&*self.image_name, self.image_length) == (name, length)
    }

    /// Why a bag begun for `self` can't be continued for `other`.
    fn difference(&self, other: &Self) -> Option<&'static str> {
        if self.handback_progress != other.handback_progress {
            Some("it was begun by another version of handback; finish it with that one, or name a new folder")
        } else if (&self.image_name, self.image_length) != (&other.image_name, other.image_length) {
            Some("it was begun from another image; name that image, or name a new folder")
        } else if self.image_modified != other.image_modified {
            Some("the image was changed since it was begun; name a new folder and start again")
        } else if self.map != other.map {
            Some("it was begun under another map of the image; give the same map, or name a new folder")
        } else if self.plan != other.plan {
            Some("it was begun for other paths or options; give the same ones, or name a new folder")
        } else if self.also != other.also {
            Some("it was begun with other checksums (`--also`); give the same ones, or name a new folder")
        } else {
            None
        }
    }
}

/// The time now, in RFC 3339, to the second.
pub(crate) fn now() -> String {
    jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

#[derive(Serialize, Deserialize)]
struct Line {
    entry: usize,
    size: u64,
    sha256: String,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    also: BTreeMap<String, String>,
    /// Whether the file was safe on the disk before this line was.
    safe: bool,
    /// Whether it was part of a finished bag to which is added: nobody but the customer may change it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    kept: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    unknown: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    blank: bool,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    gaps: Vec<(u64, u64, String)>,
}

impl Line {
    fn new(entry: usize, reading: &Reading, safe: bool) -> Self {
        let gap = |gap: &Gap| (gap.range.start, gap.range.end, gap.why.word().to_string());
        Self {
            entry,
            size: reading.size,
            sha256: hex::of(&reading.sha256),
            also: reading.also.iter().map(|(kind, digest)| (kind.word().to_string(), digest.clone())).collect(),
            safe,
            kept: false,
            unknown: reading.unknown,
            blank: reading.blank,
            gaps: reading.gaps.iter().map(gap).collect(),
        }
    }

    /// `None` if it is not what a run with these kinds of digest writes.
    fn reading(self, also: &[String]) -> Option<Reading> {
        let gap = |(start, end, word): (u64, u64, String)| {
            let why = EnumSet::<GapKind>::all().iter().find(|kind| kind.word() == word)?;
            Some(Gap { range: start..end, why })
        };
        let digest = |word: &String| {
            let algorithm = Algorithm::from_word(word)?;
            Some((algorithm, self.also.get(word).filter(|digest| algorithm.is_digest(digest))?.clone()))
        };
        Some(Reading {
            also: also.iter().map(digest).collect::<Option<_>>()?,
            sha256: hex::sha256(&self.sha256)?,
            size: self.size,
            gaps: self.gaps.into_iter().map(gap).collect::<Option<_>>()?,
            unknown: self.unknown,
            blank: self.blank,
        })
    }
}

/// What an earlier run left.
#[derive(Debug)]
pub(crate) struct Earlier {
    /// By entry of the plan.
    pub(crate) done: Vec<Option<Reading>>,
    /// By entry: whether what is done was safe on the disk before it was noted.
    pub(crate) safe: Vec<bool>,
    /// By entry: whether it was part of the finished bag to which is added.
    pub(crate) kept: Vec<bool>,
    /// When the bag was begun.
    pub(crate) started: String,
    /// Of a finished bag: the digest of its list of lists when it was examined.
    pub(crate) examined: Option<String>,
    /// Bytes of the record of progress that can be trusted.
    trusted: u64,
}

impl Earlier {
    /// Nothing is done.
    pub(crate) fn none(header: &Header, entries: usize) -> Self {
        Self {
            done: vec![None; entries],
            safe: vec![false; entries],
            kept: vec![false; entries],
            started: header.started.clone(),
            examined: None,
            trusted: 0,
        }
    }

    /// Reads the record of progress of an unfinished bag.
    pub(crate) fn read(output: &dyn Output, folder: &Path, header: &Header, entries: usize) -> Result<Self> {
        let bytes = read(output, folder)?;
        let refused = |why: &str| Error::Destination { path: folder.to_path_buf(), why: why.to_string() };
        let mut lines = bytes.split_inclusive(|byte| *byte == b'\n');
        let first = lines.next().unwrap_or_default();
        let begun = parsed(folder, first)?;
        if let Some(difference) = begun.difference(header) {
            return Err(refused(&format!("an unfinished handover lies there, and {difference}")));
        }
        let mut earlier = Self { trusted: first.len() as u64, ..Self::none(&begun, entries) };
        for line in lines {
            // The last line may be torn; what follows it can't be there.
            let whole = line.strip_suffix(b"\n").and_then(|line| serde_json::from_slice::<Line>(line).ok());
            let whole = whole.map(|line| (line.entry, line.safe, line.kept, line.reading(&header.also)));
            let Some((entry, safe, kept, Some(reading))) = whole else { break };
            let (Some(slot), Some(is_safe)) = (earlier.done.get_mut(entry), earlier.safe.get_mut(entry)) else { break };
            *slot = Some(reading);
            *is_safe = safe;
            earlier.kept[entry] = kept;
            earlier.trusted += line.len() as u64;
        }
        Ok(earlier)
    }
}

fn read(output: &dyn Output, folder: &Path) -> Result<Vec<u8>> {
    let path = folder.join(PROGRESS);
    let mut bytes = Vec::new();
    let read = output.open(&path).and_then(|mut file| file.read_to_end(&mut bytes));
    read.map_err(|source| Error::Io { action: "read", path, source })?;
    Ok(bytes)
}

fn parsed(folder: &Path, line: &[u8]) -> Result<Header> {
    serde_json::from_slice(line).map_err(|_| Error::Destination {
        path: folder.to_path_buf(),
        why: "its record of progress is damaged; name a new folder and start again".to_string(),
    })
}

/// What an unfinished bag was begun for.
pub(crate) fn first_header(output: &dyn Output, folder: &Path) -> Result<Header> {
    let bytes = read(output, folder)?;
    parsed(folder, bytes.split_inclusive(|byte| *byte == b'\n').next().unwrap_or_default())
}

/// The record of progress, being written.
pub(crate) struct Journal {
    path: PathBuf,
    file: Box<dyn OutputFile>,
}

impl Journal {
    /// Goes on behind what can be trusted.
    pub(crate) fn open(output: &dyn Output, folder: &Path, earlier: &Earlier) -> Result<Self> {
        let path = folder.join(PROGRESS);
        let file = output.append(&path, earlier.trusted).map_err(|source| Error::Io {
            action: "write",
            path: path.clone(),
            source,
        })?;
        Ok(Self { path, file })
    }

    /// Notes that files are done, and whether they were safe on the disk before that.
    pub(crate) fn note(&mut self, done: &[(usize, Reading)], safe: bool) -> Result<()> {
        let mut text = Vec::new();
        for (entry, reading) in done {
            let line = serde_json::to_vec(&Line::new(*entry, reading, safe));
            text.extend(line.map_err(|source| self.error(source.into()))?);
            text.push(b'\n');
        }
        self.file.write_all(&text).and_then(|()| self.file.sync()).map_err(|source| self.error(source))
    }

    fn error(&self, source: std::io::Error) -> Error {
        Error::Io { action: "write", path: self.path.clone(), source }
    }
}

/// A record of progress in which nothing is done but what a finished bag held.
pub(crate) fn begin(header: &Header, kept: &[Option<Reading>]) -> std::io::Result<Vec<u8>> {
    let mut text = serde_json::to_vec(header)?;
    text.push(b'\n');
    for (entry, reading) in kept.iter().enumerate() {
        let Some(reading) = reading else { continue };
        text.extend(serde_json::to_vec(&Line { kept: true, ..Line::new(entry, reading, true) })?);
        text.push(b'\n');
    }
    Ok(text)
}
