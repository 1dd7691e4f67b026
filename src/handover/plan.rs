//! Which paths are written: decided before anything is, from the selection and the catalog alone.
//!
//! The plan does not depend on timing, on what was done before, or on the order of the selection: two runs of the same
//! job have the same plan, and a bag can be continued only under the plan it was begun with. What something is called in
//! the bag depends on the catalog alone and not on what else is selected, so that nothing is renamed when more is added.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use sha2::{Digest, Sha256};

use super::choice::{LeftOut, MOST_SELECTIONS, Top};
use super::folder::free_in_root;
use super::hex;
use super::job::{Job, VolumeSelection};
use super::walk::Walk;
use crate::catalog::{Catalog, NameId, ObjectId, ObjectKind, Zone};
use crate::error::{Error, Result};

/// A source path that is longer than this many bytes is shown by its end: Windows makes none of more than 32,767 units.
const LONGEST_SOURCE_PATH: usize = 98_301;

/// One path to be written, or a folder.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    /// Which of the job's volumes, by index.
    pub(crate) volume: usize,
    /// `None` for the root.
    pub(crate) name: Option<NameId>,
    pub(crate) object: ObjectId,
    pub(crate) kind: ObjectKind,
    /// Below the payload's part (`data/recovered` …), with `/`; empty for the root.
    pub(crate) path: String,
    /// For a stream: the file's name beside which it stands.
    pub(crate) beside: Option<NameId>,
}

/// A link, which is recorded and not followed.
#[derive(Debug, Clone)]
pub(crate) struct Link {
    pub(crate) volume: usize,
    pub(crate) name: NameId,
    pub(crate) object: ObjectId,
}

/// What is written, and what is left out by decision.
#[derive(Debug, Default)]
pub(crate) struct Plan {
    /// Sorted by path.
    pub(crate) entries: Vec<Entry>,
    pub(crate) links: Vec<Link>,
    /// Alternate streams that are left out.
    pub(crate) streams_left: u64,
    /// Devices and their like, which have no content.
    pub(crate) special_files: u64,
    /// Deleted files that are left out.
    pub(crate) deleted_left: u64,
    /// What is left out by choice.
    pub(crate) left_out: LeftOut,
    /// Paths that are taken for want of a date.
    pub(crate) undated: u64,
    /// What is taken, by the line of a plan that speaks for it; of the first choice.
    pub(crate) tops: BTreeMap<String, Top>,
    /// Whether some dates are local times of a zone that the volume doesn't tell.
    pub(crate) local_times: bool,
    /// SHA-256 of all that is above, in hexadecimal.
    pub(crate) digest: String,
}

impl Plan {
    /// Plans a job.
    pub(crate) fn make(job: &Job<'_>) -> Result<Self> {
        let mut plan = Self::collect(job)?;
        plan.entries.sort_by(|one, two| one.path.cmp(&two.path));
        plan.local_times = plan.entries.iter().any(|entry| {
            let object = job.volumes[entry.volume].catalog.object(entry.object);
            [object.created(), object.modified()].into_iter().flatten().any(|time| time.zone == Zone::Unknown)
        });
        plan.digest = plan.digest(job);
        Ok(plan)
    }

    /// What a plan is made of, in no order and without its digest: enough to be counted.
    pub(crate) fn collect(job: &Job<'_>) -> Result<Self> {
        let mut plan = Self::default();
        plan.walk_volumes(job, |walk| {
            walk.run();
            false
        })?;
        Ok(plan)
    }

    /// What is left out by choice of a job that takes nothing; `None` if it takes something.
    pub(crate) fn nothing(job: &Job<'_>) -> Result<Option<LeftOut>> {
        let mut plan = Self::default();
        let found = plan.walk_volumes(job, |walk| walk.finds_something())?;
        Ok((!found).then_some(plan.left_out))
    }

    /// Visits the volumes, until a visit says that it is enough; answers whether one did.
    fn walk_volumes(&mut self, job: &Job<'_>, visit: impl Fn(Walk<'_, '_>) -> bool) -> Result<bool> {
        let choices = &job.choices.list;
        if choices.len() > MOST_SELECTIONS {
            return Err(Error::Limit {
                what: "selections in one handover".to_string(),
                limit: MOST_SELECTIONS as u64,
                next: "put what is still wanted into a new folder",
            });
        }
        for (index, volume) in job.volumes.iter().enumerate() {
            let folder = volume_folder(job, volume);
            if visit(Walk::new(job, volume, index, folder, self)?) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Its folders.
    pub(crate) fn folders(&self) -> impl Iterator<Item = &Entry> {
        self.entries.iter().filter(|entry| entry.kind == ObjectKind::Folder)
    }

    fn digest(&self, job: &Job<'_>) -> String {
        let mut hash = Sha256::new();
        let mut line = |parts: &[&str]| {
            for part in parts {
                hash.update((part.len() as u64).to_le_bytes());
                hash.update(part);
            }
        };
        for entry in &self.entries {
            let volume = &job.volumes[entry.volume];
            let object = volume.catalog.object(entry.object);
            line(&[
                &entry.path,
                &volume.number.to_string(),
                &address(volume, entry.object),
                entry.kind.word(),
                &object.size.to_string(),
                object.facts.state().word(),
                &object.facts.reasons().join(" "),
            ]);
        }
        for link in &self.links {
            let volume = &job.volumes[link.volume];
            line(&[&address(volume, link.object), &volume.number.to_string(), &link_path(volume, link)]);
        }
        let options = job.options;
        line(&[&self.streams_left.to_string(), &self.special_files.to_string(), &self.deleted_left.to_string()]);
        // A bag that was begun without reading back is not one in which each file was.
        line(&[&format!("{} {} {}", options.streams, options.deleted, options.read_back)]);
        if self.local_times {
            line(&[zone_name(&job.time_zone)]);
        }
        hex::of(&hash.finalize())
    }
}

/// Where the paths of a volume stand: at the top if it is the only one, or was when the bag was begun.
pub(crate) fn volume_folder(job: &Job<'_>, volume: &VolumeSelection<'_>) -> String {
    let wanted = format!("volume {}", volume.number);
    match job.choices.alone {
        Some(alone) if alone == volume.number => String::new(),
        Some(alone) => match job.volumes.iter().find(|one| one.number == alone) {
            Some(alone) => free_in_root(alone.catalog, &wanted),
            None => wanted,
        },
        None if job.volumes.len() <= 1 => String::new(),
        None => wanted,
    }
}

/// What a zone is called in the records.
pub(crate) fn zone_name(zone: &TimeZone) -> &str {
    zone.iana_name().unwrap_or("this computer's")
}

/// Where an entry stands on the volume.
pub(crate) fn source_path(volume: &VolumeSelection<'_>, entry: &Entry) -> String {
    match (entry.name, entry.beside) {
        (None, _) => "/".to_string(),
        (Some(name), None) => bounded_path(volume.catalog, name),
        (Some(stream), Some(beside)) => {
            format!("{}:{}", bounded_path(volume.catalog, beside), volume.catalog.name(stream).text())
        }
    }
}

/// The stable address of an object; empty for a folder that the image does not have.
pub(crate) fn address(volume: &VolumeSelection<'_>, object: ObjectId) -> String {
    volume.catalog.address(object).unwrap_or_default()
}

/// Where a link stands on the volume.
pub(crate) fn link_path(volume: &VolumeSelection<'_>, link: &Link) -> String {
    bounded_path(volume.catalog, link.name)
}

/// Like [`Catalog::path`], but a hostile chain of folders costs neither time nor space.
pub(crate) fn bounded_path(catalog: &Catalog, name: NameId) -> String {
    let stream_of = |name: NameId| catalog.object(catalog.named_object(name)).kind == ObjectKind::Stream;
    let mut parts = Vec::new();
    let mut length = 0;
    let mut at = Some(name);
    while let Some(name) = at {
        let text = catalog.name(name).text();
        length += text.len() + 1;
        if length > LONGEST_SOURCE_PATH {
            parts.push(('/', "…".into()));
            break;
        }
        parts.push((if stream_of(name) { ':' } else { '/' }, text));
        let folder = catalog.parent(name);
        at = if folder == catalog.root() { None } else { catalog.names_of(folder).next() };
    }
    let mut path = String::with_capacity(length);
    for (before, text) in parts.iter().rev() {
        path.push(*before);
        path.push_str(text);
    }
    path
}
