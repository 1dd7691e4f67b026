//! One volume being planned: the way through its folders.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::rc::Rc;

use super::choice::{Look, Seen, Standing, Verdict};
use super::folder::{Item, LONG_PATHS, free_in_root, named};
use super::job::{Job, Selected, VolumeSelection};
use super::plan::{Entry, Link, Plan, bounded_path};
use crate::catalog::{AddressKind, Catalog, Completeness, Distrust, NameId, Object, ObjectId, ObjectKind};
use crate::error::{Error, Result};
use crate::threads;

/// A folder whose path in the bag is longer than this many bytes is handed over under [`LONG_PATHS`]. With a file's
/// name (255 bytes) every path then stays below the 1,024 bytes that macOS takes (`PATH_MAX`), with room for where the
/// bag lies.
const LONGEST_FOLDER: usize = 500;

/// So many folders are named together, by several threads; for fewer than [`LEAST`] a thread is not worth while. It is the
/// same number on every machine: a folder that is met twice is walked where it is met first, and plans must not differ.
const TOGETHER: usize = 1024;
const LEAST: usize = 64;

/// Walks one volume and adds what is found to the plan.
pub(super) struct Walk<'w, 'a> {
    catalog: &'a Catalog,
    look: Look<'w>,
    index: usize,
    prefix: String,
    streams: bool,
    deleted: bool,
    plan: &'w mut Plan,
    /// The choices that take all of the volume.
    root_chosen: u64,
    /// What was chosen by name, with the choices that did.
    chosen: HashMap<NameId, u64>,
    /// Folders on the way to what was chosen, and what of them lies on it.
    passage: HashMap<ObjectId, BTreeSet<NameId>>,
    seen: HashSet<ObjectId>,
    nodes: Vec<Node>,
    /// Where in the plan this volume's entries begin.
    first: usize,
    long_paths: String,
}

/// A folder that is walked, for what becomes of its entry.
struct Node {
    above: Option<usize>,
    /// Its entry in the plan, if it is asked for.
    entry: Option<usize>,
    kept: bool,
}

/// A folder still to be walked.
struct Folder {
    object: ObjectId,
    path: String,
    standing: Standing,
    deleted: bool,
    node: usize,
    /// The line of a plan that speaks for it.
    label: Option<Rc<str>>,
}

/// How something in a folder is asked for.
struct Asked {
    standing: Standing,
    /// The line of a plan that speaks for it.
    label: Option<Rc<str>>,
    is_left_deleted: bool,
}

impl<'w, 'a> Walk<'w, 'a> {
    pub(super) fn new(
        job: &'w Job<'_>,
        volume: &VolumeSelection<'a>,
        index: usize,
        prefix: String,
        plan: &'w mut Plan,
    ) -> Result<Self> {
        let catalog = volume.catalog;
        let choices = &job.choices.list;
        let first = plan.entries.len();
        let mut walk = Self {
            catalog,
            look: Look::new(choices, volume.number, catalog.address_kind() == AddressKind::Inode),
            index,
            prefix,
            streams: job.options.streams,
            deleted: job.options.deleted,
            plan,
            root_chosen: 0,
            chosen: HashMap::new(),
            passage: HashMap::new(),
            seen: HashSet::new(),
            nodes: Vec::new(),
            first,
            long_paths: String::new(),
        };
        walk.long_paths = join(&walk.prefix, &free_in_root(catalog, LONG_PATHS));
        let selected: Vec<(u64, Selected)> = match choices.is_empty() {
            true => volume.selected.iter().map(|one| (1, *one)).collect(),
            false => walk.look.selected().collect(),
        };
        for (bit, selected) in selected {
            match selected {
                Selected::Root => walk.root_chosen |= bit,
                Selected::Name(name) => walk.choose(name, bit)?,
            }
        }
        Ok(walk)
    }

    fn choose(&mut self, name: NameId, bit: u64) -> Result<()> {
        *self.chosen.entry(name).or_default() |= bit;
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

    /// Adds all of it.
    pub(super) fn run(mut self) {
        self.walk_all(|_| false);
        let dropped: HashSet<usize> =
            self.nodes.iter().filter(|node| !node.kept).filter_map(|node| node.entry).collect();
        let mut entry = self.first;
        let (first, entries) = (self.first, &mut self.plan.entries);
        let mut own = entries.split_off(first);
        own.retain(|_| {
            entry += 1;
            !dropped.contains(&(entry - 1))
        });
        entries.extend(own);
    }

    /// Whether there is anything to add, or only left because it is deleted; goes no further than that.
    pub(super) fn finds_something(mut self) -> bool {
        let found = |walk: &Self| walk.plan.deleted_left > 0 || walk.nodes.first().is_some_and(|root| root.kept);
        self.walk_all(found);
        found(&self)
    }

    /// Walks from folder to folder, until it is enough.
    fn walk_all(&mut self, is_enough: impl Fn(&Self) -> bool) {
        let root = self.catalog.root();
        let standing = self.look.root(self.root_chosen);
        let asked = self.look.folder(standing, self.may_have_lost(root));
        let node = self.node(None, None, root, self.prefix.clone(), asked);
        let path = self.prefix.clone();
        let mut stack = vec![Folder { object: root, path, standing, deleted: self.deleted, node, label: None }];
        self.seen.insert(root);
        while !stack.is_empty() && !is_enough(self) {
            let folders = stack.split_off(stack.len().saturating_sub(TOGETHER));
            for (folder, items) in folders.iter().zip(self.named(&folders)) {
                if is_enough(self) {
                    return;
                }
                self.walk(folder, items, &mut stack);
            }
        }
    }

    /// What stands in each of these folders, under the names of the handover.
    fn named(&self, folders: &[Folder]) -> impl Iterator<Item = Vec<(Item, String)>> + use<> {
        let objects: Vec<ObjectId> = folders.iter().map(|folder| folder.object).collect();
        let catalog = self.catalog;
        let name = |part: &[ObjectId]| part.iter().map(|folder| named(catalog, *folder)).collect::<Vec<_>>();
        threads::in_parts(&objects, LEAST, name).into_iter().flatten()
    }

    fn may_have_lost(&self, folder: ObjectId) -> bool {
        self.catalog.object(folder).completeness() == Completeness::Incomplete
    }

    /// Notes a folder, which has an entry if it is asked for.
    fn node(
        &mut self,
        above: Option<usize>,
        name: Option<NameId>,
        object: ObjectId,
        path: String,
        asked: Option<bool>,
    ) -> usize {
        let entry = asked.map(|_| {
            self.entry(name, object, ObjectKind::Folder, path, None);
            self.plan.entries.len() - 1
        });
        self.nodes.push(Node { above, entry, kept: false });
        if asked == Some(true) {
            self.keep(self.nodes.len() - 1);
        }
        self.nodes.len() - 1
    }

    /// Something stands in this folder, so it stays, and those above it.
    fn keep(&mut self, mut node: usize) {
        while !std::mem::replace(&mut self.nodes[node].kept, true) {
            match self.nodes[node].above {
                Some(above) => node = above,
                None => return,
            }
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

    fn chosen(&self, name: NameId) -> u64 {
        self.chosen.get(&name).copied().unwrap_or_default()
    }

    fn walk(&mut self, folder: &Folder, items: Vec<(Item, String)>, stack: &mut Vec<Folder>) {
        for (item, name) in items {
            let path = join(&folder.path, &name);
            match self.object(item.name).kind {
                ObjectKind::Stream => self.stream(folder, &item, path),
                _ => self.item(folder, item.name, path, stack),
            }
        }
    }

    /// How something that is no stream is asked for.
    fn asked(&self, folder: &Folder, name: NameId) -> Asked {
        let object = self.object(name);
        let text = self.catalog.name(name).text();
        let seen = Seen {
            id: name,
            is_folder: object.kind == ObjectKind::Folder,
            in_root: folder.object == self.catalog.root(),
            name: &text,
            path: &|| bounded_path(self.catalog, name),
        };
        let standing = self.look.step(folder.standing, &seen, self.chosen(name));
        let label = match &folder.label {
            Some(label) => Some(Rc::clone(label)),
            None => self.look.first_label(folder.standing, standing, &seen).map(Rc::from),
        };
        Asked { standing, label, is_left_deleted: self.is_left_deleted(folder, name) }
    }

    /// Whether it is deleted and nobody asked for deleted files here, or for this one.
    fn is_left_deleted(&self, folder: &Folder, name: NameId) -> bool {
        let is_deleted = self.object(name).facts.distrust.contains(Distrust::Deleted);
        is_deleted && !folder.deleted && self.chosen(name) == 0
    }

    fn item(&mut self, folder: &Folder, name: NameId, path: String, stack: &mut Vec<Folder>) {
        let on_the_way = self.passage.get(&folder.object).is_some_and(|names| names.contains(&name));
        if folder.standing.covered == 0 && !on_the_way {
            return;
        }
        let asked = self.asked(folder, name);
        let id = self.catalog.named_object(name);
        let object = self.catalog.object(id);
        if object.kind == ObjectKind::Folder {
            self.folder(folder, name, asked, path, stack);
            return;
        }
        let verdict = self.look.verdict(asked.standing, &self.catalog.name(name).text(), object.modified());
        if !self.takes(verdict, asked.is_left_deleted, object.size) {
            return;
        }
        self.keep(folder.node);
        self.count_streams_left(id);
        if let Some(label) = &asked.label {
            let top = self.plan.tops.entry(label.to_string()).or_default();
            top.amount.add(object.size);
            top.losses += u64::from(object.facts.state().is_loss());
        }
        match object.kind {
            ObjectKind::Link => self.plan.links.push(Link { volume: self.index, name, object: id }),
            ObjectKind::Other => self.plan.special_files += 1,
            ObjectKind::File | ObjectKind::Folder | ObjectKind::Stream => {
                self.entry(Some(name), id, object.kind, path, None);
            }
        }
    }

    /// Whether something is taken; what is not is counted.
    fn takes(&mut self, verdict: Verdict, is_left_deleted: bool, size: u64) -> bool {
        match verdict {
            Verdict::Outside => {}
            _ if is_left_deleted => self.plan.deleted_left += 1,
            Verdict::Left(reason) => self.plan.left_out.entry(reason).or_default().add(size),
            Verdict::Taken { undated } => {
                self.plan.undated += u64::from(undated);
                return true;
            }
        }
        false
    }

    /// A stream goes with its owner, unless it was chosen itself.
    fn stream(&mut self, folder: &Folder, item: &Item, path: String) {
        let by_name = self.chosen(item.name);
        if by_name == 0 && !self.streams {
            return;
        }
        let (id, object) = (self.catalog.named_object(item.name), self.object(item.name));
        let owner = item.beside.filter(|owner| self.catalog.named_object(*owner) != self.catalog.root());
        let mut standing = match owner {
            Some(owner) => self.asked(folder, owner).standing,
            None => folder.standing,
        };
        if !self.streams {
            standing.covered = 0;
        }
        standing.covered |= by_name;
        let (name, modified) = match owner {
            Some(owner) => (self.catalog.name(owner).text().into_owned(), self.object(owner).modified()),
            None => (String::new(), object.modified()),
        };
        let verdict = self.look.verdict(standing, &name, modified);
        if self.takes(verdict, self.is_left_deleted(folder, item.name), object.size) {
            self.keep(folder.node);
            self.entry(Some(item.name), id, ObjectKind::Stream, path, item.beside);
        }
    }

    /// The streams that are not written beside something that is.
    fn count_streams_left(&mut self, owner: ObjectId) {
        if !self.streams {
            let left = self.catalog.streams(owner).filter(|stream| self.chosen(*stream) == 0).count();
            self.plan.streams_left += left as u64;
        }
    }

    fn folder(&mut self, folder: &Folder, name: NameId, asked: Asked, mut path: String, stack: &mut Vec<Folder>) {
        let object = self.catalog.named_object(name);
        if path.len() > LONGEST_FOLDER {
            path = format!("{}/{}", self.long_paths, self.catalog.object(object).locator);
        }
        let wanted = match asked.is_left_deleted {
            true => None,
            false => self.look.folder(asked.standing, self.may_have_lost(object)),
        };
        if wanted.is_some() {
            self.count_streams_left(object);
        }
        let node = self.node(Some(folder.node), Some(name), object, path.clone(), wanted);
        // Below a deleted folder there may be files that are not deleted.
        if self.seen.insert(object) {
            let is_deleted = self.object(name).facts.distrust.contains(Distrust::Deleted);
            let deleted = folder.deleted || (is_deleted && wanted.is_some());
            stack.push(Folder { object, path, standing: asked.standing, deleted, node, label: asked.label });
        }
    }
}

fn join(folder: &str, name: &str) -> String {
    if folder.is_empty() { name.to_string() } else { format!("{folder}/{name}") }
}
