//! Reading files without copying them: what they come to, whether they open, and whether a second reader agrees.

use std::collections::{BTreeMap, HashSet};

use serde::Serialize;

use super::contents::{self, Contents};
use super::fingerprint::{fingerprint, located};
use super::second::{self, Ours, Read, Report};
use crate::catalog::{Catalog, Completeness, Facts, ObjectId, ObjectKind, State, Unlocated};
use crate::error::Result;
use crate::filesystem::Filesystem;
use crate::progress::{Progress, Unit};

/// What a selection of a volume came to.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Checked {
    /// The volume's number.
    pub volume: u32,
    /// Files and streams, each once.
    pub files: u64,
    /// Bytes of them.
    pub bytes: u64,
    /// Files and streams by state.
    pub states: BTreeMap<State, u64>,
    /// Folders whose list of names is not all there.
    pub incomplete_folders: u64,
    /// Records of the volume that can't be read: what they described has no name.
    pub lost_records: u64,
    /// Whether they open; `None` if that was not asked.
    pub contents: Option<Contents>,
    /// What the second reader said; `None` if it was not asked.
    pub second_reader: Option<Report>,
}

/// What is asked of each file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Questions {
    /// Whether it opens, by its format; without the feature `content-checks` every answer is `unchecked`.
    pub opens: bool,
    /// Whether a second reader gets the same bytes.
    pub second_reader: bool,
}

impl Checked {
    /// Whether something that was asked for is lost, in doubt or may be missing, or the second reader differs.
    #[must_use]
    pub fn has_faults(&self) -> bool {
        self.states.iter().any(|(state, count)| state.is_loss() && *count > 0)
            || self.incomplete_folders > 0
            || self.lost_records > 0
            || self.contents.as_ref().is_some_and(Contents::has_faults)
            || self.second_reader.as_ref().is_some_and(|second| second.totals.differs > 0)
    }
}

/// Reads what is selected on a volume, with all that is below it, and asks the questions.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn check(
    volume: u32,
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    selected: &[ObjectId],
    questions: Questions,
    progress: &dyn Progress,
) -> Result<Checked> {
    let mut checked = Checked { volume, lost_records: catalog.lost_records, ..Checked::default() };
    let objects = objects_below(catalog, selected, &mut checked);
    // Of plain content the sweep knows all that reading would show.
    let is_read = |object: &ObjectId| questions.second_reader || !catalog.object(*object).facts.decoded;
    let size = |object: &ObjectId| catalog.object(*object).size;
    let total = objects.iter().filter(|object| is_read(object)).map(size).fold(0, u64::saturating_add);
    progress.begin("reading", total, Unit::Bytes);
    let mut files = Vec::with_capacity(objects.len());
    let mut facts = Vec::with_capacity(objects.len());
    for object in &objects {
        let (read, found) = match is_read(object) {
            true => read(filesystem, catalog, *object, progress)?,
            false => (None, placed(filesystem, catalog, *object)?),
        };
        let length = read.as_ref().map_or(catalog.object(*object).size, |read| read.size);
        checked.files = checked.files.saturating_add(1);
        checked.bytes = checked.bytes.saturating_add(length);
        let count = checked.states.entry(found.state()).or_default();
        *count = count.saturating_add(1);
        facts.push(found);
        files.push(Ours { object: *object, read });
    }
    progress.end();
    let address = |object: ObjectId| catalog.address(object).unwrap_or_default();
    if questions.opens {
        let verdicts = contents::examine(filesystem, catalog, &objects, progress)?;
        let found = checked.contents.get_or_insert_default();
        for ((object, verdict), facts) in objects.iter().zip(verdicts).zip(&facts) {
            let place = || (catalog.first_path(*object), address(*object));
            if let Some(verdict) = verdict {
                found.add(facts.state(), catalog.object(*object).size, &verdict, place);
            }
        }
    }
    if questions.second_reader {
        let outcomes = second::compare(filesystem, catalog, &files, progress)?;
        let report = checked.second_reader.get_or_insert_default();
        for (file, outcome) in files.iter().zip(&outcomes) {
            report.add(outcome, || (volume, catalog.first_path(file.object), address(file.object)));
        }
    }
    Ok(checked)
}

/// Files and streams, each once, in the order in which they are best read. Folders are looked at on the way.
fn objects_below(catalog: &Catalog, selected: &[ObjectId], checked: &mut Checked) -> Vec<ObjectId> {
    let mut stack = selected.to_vec();
    let mut seen = HashSet::new();
    let mut objects = Vec::new();
    while let Some(id) = stack.pop() {
        if !seen.insert(id) {
            continue;
        }
        let object = catalog.object(id);
        stack.extend(catalog.streams(id).map(|name| catalog.named_object(name)));
        match object.kind {
            ObjectKind::Folder => {
                let incomplete = object.completeness() == Completeness::Incomplete;
                checked.incomplete_folders = checked.incomplete_folders.saturating_add(u64::from(incomplete));
                stack.extend(catalog.children(id).map(|name| catalog.named_object(name)));
            }
            ObjectKind::File | ObjectKind::Stream => objects.push(id),
            ObjectKind::Link | ObjectKind::Other => {}
        }
    }
    objects.sort_unstable_by_key(|id| (catalog.object(*id).place, *id));
    objects
}

/// What the sweep says of a file, unless its place turns out to be lost.
fn placed(filesystem: &dyn Filesystem, catalog: &Catalog, id: ObjectId) -> Result<Facts> {
    let mut facts = catalog.object(id).facts.clone();
    if facts.unlocated.is_none() && !facts.encrypted && located(filesystem, catalog, id)?.is_none() {
        facts.unlocated = Some(Unlocated::DescriptionLost);
    }
    Ok(facts)
}

fn read(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    id: ObjectId,
    progress: &dyn Progress,
) -> Result<(Option<Read>, Facts)> {
    let object = catalog.object(id);
    // Nobody could tell an encrypted file's bytes from noise.
    let placed = object.facts.unlocated.is_none() && !object.facts.encrypted;
    let found = match placed {
        true => fingerprint(filesystem, catalog, id, &mut |steps| progress.advance(steps))?,
        false => None,
    };
    let mut facts = object.facts.clone();
    let mut read = None;
    if let Some(found) = found {
        facts = facts.with_reading(&found.outcome.gaps, found.outcome.unknown);
        read = Some(Read { sha256: found.sha256, size: found.outcome.length, gaps: !facts.gaps.is_empty() });
    } else if placed {
        facts.unlocated = Some(Unlocated::DescriptionLost);
    }
    Ok((read, facts))
}
