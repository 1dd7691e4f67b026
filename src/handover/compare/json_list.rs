//! `manifest.json`, entry by entry.

use std::collections::BTreeMap;
use std::fmt;
use std::io::BufRead;
use std::path::Path;

use enumset::EnumSet;
use serde::Deserialize;
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::list::{Line, SourceOf};
use crate::catalog::{Distrust, State};
use crate::error::{Error, Result};
use crate::handover::digests::Algorithm;
use crate::handover::hex;

/// The kinds of digest that the first entries name, if it is such a document. Nothing but the start of it is known
/// here: a kind that only later entries have is not found, and a handover has each in every entry of a file.
pub(super) fn algorithms(start: &str) -> Option<EnumSet<Algorithm>> {
    let start = start.trim_start();
    if !start.starts_with('{') || !start.contains("\"handback_json\"") || !start.contains("\"files\"") {
        return None;
    }
    let further = Algorithm::ALL.into_iter().filter(|algorithm| start.contains(&format!("\"{}\"", algorithm.word())));
    Some(further.chain(std::iter::once(Algorithm::Sha256)).collect())
}

#[derive(Deserialize)]
struct Entry {
    path: Option<String>,
    source_path: String,
    volume: u32,
    address: Option<String>,
    kind: String,
    state: String,
    size: Option<u64>,
    gap_bytes: Option<u64>,
    #[serde(default)]
    distrust: Vec<String>,
    /// Among others the digests.
    #[serde(flatten)]
    others: BTreeMap<String, Value>,
}

impl Entry {
    /// `None` for a folder.
    fn line(self, algorithm: Algorithm) -> Result<Option<Line>, String> {
        if self.kind == "folder" {
            return Ok(None);
        }
        let digest = match self.others.get(algorithm.word()).and_then(Value::as_str) {
            None => None,
            Some(digest) if algorithm.is_digest(digest) => hex::bytes(&digest.to_ascii_lowercase()).map(Into::into),
            Some(_) => return Err(format!("what stands for the digest of `{}` is none", self.source_path)),
        };
        let is_damaged = self.state == State::Damaged.word();
        Ok(Some(Line {
            // Read, and not copied: there is nothing to compare.
            digest: digest.filter(|_| self.path.is_some()),
            path: self.path,
            source: Some(SourceOf {
                volume: self.volume,
                path: self.source_path,
                address: self.address.unwrap_or_default(),
            }),
            size: self.size,
            state: State::from_word(&self.state),
            has_gaps: self.gap_bytes.map(|bytes| bytes > 0 || is_damaged),
            is_deleted: self.distrust.iter().any(|reason| reason == Distrust::Deleted.word()),
        }))
    }
}

/// The document: its files go to `visit`, everything else is passed over.
struct Document<'v> {
    algorithm: Algorithm,
    visit: &'v mut dyn FnMut(Line) -> Result<()>,
    /// What `visit` said; the reader of JSON has errors of its own.
    stopped: &'v mut Option<Error>,
}

/// The list in it.
struct Files<'v>(Document<'v>);

impl<'de> DeserializeSeed<'de> for Document<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Document<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the manifest of a handover")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let Self { algorithm, visit, stopped } = self;
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "files" => map.next_value_seed(Files(Document { algorithm, visit, stopped }))?,
                _ => drop(map.next_value::<IgnoredAny>()?),
            }
        }
        Ok(())
    }
}

impl<'de> DeserializeSeed<'de> for Files<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Files<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of files")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut files: A) -> Result<(), A::Error> {
        let Document { algorithm, visit, stopped } = self.0;
        while let Some(entry) = files.next_element::<Entry>()? {
            let line = entry.line(algorithm).map_err(serde::de::Error::custom)?;
            if let Some(error) = line.and_then(|line| visit(line).err()) {
                *stopped = Some(error);
                return Err(serde::de::Error::custom("stopped"));
            }
        }
        Ok(())
    }
}

/// Calls `visit` with each file.
pub(super) fn read(
    file: impl BufRead,
    path: &Path,
    algorithm: Algorithm,
    visit: &mut dyn FnMut(Line) -> Result<()>,
) -> Result<()> {
    let mut stopped = None;
    let mut deserializer = serde_json::Deserializer::from_reader(file);
    let document = Document { algorithm, visit, stopped: &mut stopped };
    let outcome = document.deserialize(&mut deserializer).and_then(|()| deserializer.end());
    match (stopped, outcome) {
        (Some(error), _) => Err(error),
        (None, Ok(())) => Ok(()),
        (None, Err(error)) if error.is_io() => {
            Err(Error::Io { action: "read", path: path.to_path_buf(), source: error.into() })
        }
        (None, Err(error)) => Err(Error::Usage(format!("`{}` is no manifest of a handover: {error}", path.display()))),
    }
}
