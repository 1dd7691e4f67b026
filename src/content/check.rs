//! Reading files without copying them: what they come to, and whether a second reader agrees.

use std::collections::{BTreeMap, HashSet};

use serde::Serialize;

use super::fingerprint;
use super::second::{self, Ours, Read, Report};
use crate::catalog::{Catalog, Completeness, ObjectId, ObjectKind, State, Unlocated};
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
    /// What the second reader said.
    pub second_reader: Report,
}

impl Checked {
    /// Whether something that was asked for is lost, in doubt or may be missing, or the second reader differs.
    #[must_use]
    pub fn has_faults(&self) -> bool {
        self.states.iter().any(|(state, count)| state.is_loss() && *count > 0)
            || self.incomplete_folders > 0
            || self.lost_records > 0
            || self.second_reader.totals.differs > 0
    }
}

/// Reads what is selected on a volume, with all that is below it, and has the second reader read it again.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn check(
    volume: u32,
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    selected: &[ObjectId],
    progress: &dyn Progress,
) -> Result<Checked> {
    let mut checked = Checked { volume, lost_records: catalog.lost_records, ..Checked::default() };
    let objects = objects_below(catalog, selected, &mut checked);
    let total = objects.iter().map(|object| catalog.object(*object).size).fold(0, u64::saturating_add);
    progress.begin("reading", total, Unit::Bytes);
    let mut files = Vec::with_capacity(objects.len());
    for object in objects {
        files.push(Ours { object, read: read(filesystem, catalog, object, &mut checked, progress)? });
    }
    progress.end();
    let outcomes = second::compare(filesystem, catalog, &files, progress)?;
    for (file, outcome) in files.iter().zip(&outcomes) {
        let place = || {
            let address = catalog.address(file.object).unwrap_or_default();
            (volume, catalog.first_path(file.object), address)
        };
        checked.second_reader.add(outcome, place);
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

fn read(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    id: ObjectId,
    checked: &mut Checked,
    progress: &dyn Progress,
) -> Result<Option<Read>> {
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
    checked.files = checked.files.saturating_add(1);
    checked.bytes = checked.bytes.saturating_add(read.map_or(object.size, |read| read.size));
    let count = checked.states.entry(facts.state()).or_default();
    *count = count.saturating_add(1);
    Ok(read)
}
