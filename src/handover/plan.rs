//! Which paths are written: decided before anything is, from the selection and the catalog alone.
//!
//! The plan does not depend on timing, on what was done before, or on the order of the selection: two runs of the same
//! job have the same plan, and a bag can be continued only under the plan it was begun with.

use std::collections::{BTreeSet, HashMap, HashSet};

use jiff::tz::TimeZone;
use sha2::{Digest, Sha256};

use super::hex;
use super::job::{Job, Selected, VolumeSelection};
use super::names::{Mapped, assign, safe_component, safe_component_bytes};
use crate::catalog::{AddressKind, Catalog, Distrust, NameId, Object, ObjectId, ObjectKind, Zone};
use crate::error::{Error, Result};

/// A folder whose path in the bag is longer than this many bytes is handed over under [`LONG_PATHS`]. With a file's
/// name (255 bytes) every path then stays below the 1,024 bytes that macOS takes (`PATH_MAX`), with room for where the
/// bag lies.
const LONGEST_FOLDER: usize = 500;

/// Where folders stand whose path would be too long, each under a number.
const LONG_PATHS: &str = "(long paths)";

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
    /// Whether some dates are local times of a zone that the volume doesn't tell.
    pub(crate) local_times: bool,
    /// SHA-256 of all that is above, in hexadecimal.
    pub(crate) digest: String,
}

impl Plan {
    /// Plans a job.
    pub(crate) fn make(job: &Job<'_>) -> Result<Self> {
        let mut plan = Self::default();
        for (index, volume) in job.volumes.iter().enumerate() {
            let prefix = match job.volumes.len() {
                0 | 1 => String::new(),
                _ => format!("volume {}", volume.number),
            };
            Walk::new(job, volume, index, prefix, &mut plan)?.run();
        }
        plan.entries.sort_by(|one, two| one.path.cmp(&two.path));
        plan.local_times = plan.entries.iter().any(|entry| {
            let object = job.volumes[entry.volume].catalog.object(entry.object);
            [object.created(), object.modified()].into_iter().flatten().any(|time| time.zone == Zone::Unknown)
        });
        plan.digest = plan.digest(job);
        Ok(plan)
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
        line(&[&format!("{} {}", options.streams, options.deleted)]);
        if self.local_times {
            line(&[zone_name(&job.time_zone)]);
        }
        hex::of(&hash.finalize())
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
fn bounded_path(catalog: &Catalog, name: NameId) -> String {
    let stream_of = |name: NameId| catalog.object(catalog.named_object(name)).kind == ObjectKind::Stream;
    let mut parts = Vec::new();
    let mut length = 0;
    let mut at = Some(name);
    while let Some(name) = at {
        let text = catalog.name(name).text();
        length += text.len() + 1;
        if length > LONGEST_SOURCE_PATH {
            parts.push("/…".to_string());
            break;
        }
        parts.push(format!("{}{text}", if stream_of(name) { ':' } else { '/' }));
        let folder = catalog.parent(name);
        at = if folder == catalog.root() { None } else { catalog.names_of(folder).next() };
    }
    parts.reverse();
    parts.concat()
}

/// One volume being planned.
struct Walk<'w, 'a> {
    catalog: &'a Catalog,
    index: usize,
    prefix: String,
    streams: bool,
    deleted: bool,
    plan: &'w mut Plan,
    root_chosen: bool,
    chosen: HashSet<NameId>,
    /// Folders on the way to what was chosen, and what of them lies on it.
    passage: HashMap<ObjectId, BTreeSet<NameId>>,
    seen: HashSet<ObjectId>,
    long_paths: String,
    long_count: u64,
}

/// A folder still to be walked.
struct Folder {
    object: ObjectId,
    path: String,
    /// All that is in it is handed over.
    all: bool,
    deleted: bool,
}

/// Something in a folder that has a name of its own there.
struct Item {
    name: NameId,
    beside: Option<NameId>,
}

impl<'w, 'a> Walk<'w, 'a> {
    fn new(
        job: &Job<'_>,
        volume: &VolumeSelection<'a>,
        index: usize,
        prefix: String,
        plan: &'w mut Plan,
    ) -> Result<Self> {
        let catalog = volume.catalog;
        let mut walk = Self {
            catalog,
            index,
            prefix,
            streams: job.options.streams,
            deleted: job.options.deleted,
            plan,
            root_chosen: false,
            chosen: HashSet::new(),
            passage: HashMap::new(),
            seen: HashSet::new(),
            long_paths: LONG_PATHS.to_string(),
            long_count: 0,
        };
        for selected in &volume.selected {
            match selected {
                Selected::Root => walk.root_chosen = true,
                Selected::Name(name) => walk.choose(*name)?,
            }
        }
        Ok(walk)
    }

    fn choose(&mut self, name: NameId) -> Result<()> {
        self.chosen.insert(name);
        let line = self.catalog.line(name);
        if line.first().is_some_and(|first| self.catalog.parent(*first) != self.catalog.root()) {
            return Err(Error::Limit {
                what: format!("folders above `{}`", self.catalog.name(name).text()),
                limit: crate::catalog::MAX_DEPTH as u64,
                next: "select a folder above it",
            });
        }
        for part in line {
            self.passage.entry(self.catalog.parent(part)).or_default().insert(part);
        }
        Ok(())
    }

    fn run(mut self) {
        let root = self.catalog.root();
        if self.root_chosen {
            self.entry(None, root, ObjectKind::Folder, self.prefix.clone(), None);
        }
        let mut stack =
            vec![Folder { object: root, path: self.prefix.clone(), all: self.root_chosen, deleted: self.deleted }];
        self.seen.insert(root);
        while let Some(folder) = stack.pop() {
            self.walk(&folder, &mut stack);
        }
    }

    fn entry(
        &mut self,
        name: Option<NameId>,
        object: ObjectId,
        kind: ObjectKind,
        path: String,
        beside: Option<NameId>,
    ) {
        self.plan.entries.push(Entry { volume: self.index, name, object, kind, path, beside });
    }

    fn object(&self, name: NameId) -> &'a Object {
        self.catalog.object(self.catalog.named_object(name))
    }

    fn is_chosen(&self, name: NameId, folder: &Folder) -> bool {
        folder.all || self.chosen.contains(&name)
    }

    /// Everything in a folder that may get a name, in an order that depends on nothing but the catalog.
    fn items(&self, folder: &Folder) -> Vec<Item> {
        let catalog = self.catalog;
        let mut children: Vec<NameId> = match folder.all {
            true => catalog.children(folder.object).collect(),
            false => {
                let on_the_way = self.passage.get(&folder.object).into_iter().flatten().copied();
                on_the_way.filter(|name| self.object(*name).kind != ObjectKind::Stream).collect()
            }
        };
        children.sort_by(|one, two| catalog.name(*one).cmp(&catalog.name(*two)).then(one.cmp(two)));
        let mut items = Vec::with_capacity(children.len());
        if folder.object == catalog.root() {
            self.streams_of(folder.object, None, folder.all, &mut items);
        }
        for name in children {
            items.push(Item { name, beside: None });
            let all = self.is_chosen(name, folder);
            self.streams_of(catalog.named_object(name), Some(name), all, &mut items);
        }
        items
    }

    fn streams_of(&self, owner: ObjectId, beside: Option<NameId>, all: bool, items: &mut Vec<Item>) {
        let catalog = self.catalog;
        let wanted = |name: &NameId| (all && self.streams) || self.chosen.contains(name);
        let mut streams: Vec<NameId> = catalog.streams(owner).filter(wanted).collect();
        streams.sort_by(|one, two| catalog.name(*one).cmp(&catalog.name(*two)).then(one.cmp(two)));
        // The root's own name is empty; its streams stand in it.
        let beside = beside.or_else(|| catalog.names_of(owner).next());
        items.extend(streams.into_iter().map(|name| Item { name, beside }));
    }

    fn walk(&mut self, folder: &Folder, stack: &mut Vec<Folder>) {
        let items = self.items(folder);
        let mut mapped: Vec<Mapped> = items.iter().map(|item| self.mapped(item)).collect();
        let is_root = folder.object == self.catalog.root();
        if is_root {
            // Last, so that it and not the customer's folder takes the number.
            mapped.push(Mapped { name: LONG_PATHS.to_string(), changed: true });
        }
        assign(&mut mapped);
        if let (true, Some(last)) = (is_root, mapped.last()) {
            self.long_paths = join(&self.prefix, &last.name);
        }
        for (item, mapped) in items.iter().zip(&mapped) {
            let path = join(&folder.path, &mapped.name);
            self.item(folder, item, path, stack);
        }
    }

    fn mapped(&self, item: &Item) -> Mapped {
        let (name, bytes) = (self.catalog.name(item.name), self.catalog.address_kind() == AddressKind::Inode);
        match (item.beside.map(|owner| self.catalog.name(owner)), bytes) {
            (None, false) => safe_component(&name.units()),
            (None, true) => safe_component_bytes(name.as_bytes()),
            (Some(owner), false) => safe_component(&[owner.units(), vec![u16::from(b':')], name.units()].concat()),
            (Some(owner), true) => safe_component_bytes(&[owner.as_bytes(), b":", name.as_bytes()].concat()),
        }
    }

    fn item(&mut self, folder: &Folder, item: &Item, mut path: String, stack: &mut Vec<Folder>) {
        let (name, object) = (item.name, self.catalog.named_object(item.name));
        let facts = self.catalog.object(object);
        let chosen = item.beside.is_some() || self.is_chosen(name, folder);
        let is_deleted = facts.facts.distrust.contains(Distrust::Deleted);
        let wanted = chosen && (!is_deleted || folder.deleted || self.chosen.contains(&name));
        if facts.kind != ObjectKind::Stream && wanted && !self.streams {
            let left = self.catalog.streams(object).filter(|stream| !self.chosen.contains(stream)).count();
            self.plan.streams_left += left as u64;
        }
        match facts.kind {
            ObjectKind::Folder => {
                if path.len() > LONGEST_FOLDER {
                    self.long_count += 1;
                    path = format!("{}/{}", self.long_paths, self.long_count);
                }
                if wanted {
                    self.entry(Some(name), object, ObjectKind::Folder, path.clone(), None);
                }
                // Below a deleted folder there may be files that are not deleted.
                if self.seen.insert(object) {
                    stack.push(Folder { object, path, all: chosen, deleted: folder.deleted || (is_deleted && wanted) });
                }
            }
            _ if chosen && !wanted => self.plan.deleted_left += 1,
            _ if !wanted => {}
            ObjectKind::File | ObjectKind::Stream => self.entry(Some(name), object, facts.kind, path, item.beside),
            ObjectKind::Link => self.plan.links.push(Link { volume: self.index, name, object }),
            ObjectKind::Other => self.plan.special_files += 1,
        }
    }
}

fn join(folder: &str, name: &str) -> String {
    if folder.is_empty() { name.to_string() } else { format!("{folder}/{name}") }
}
