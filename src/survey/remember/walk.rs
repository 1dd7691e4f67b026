//! One pass over a catalog, in which each folder and file meets the rules that its name can fit.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::LazyLock;

use super::pattern::{Index, fits, path_fits};
use super::rule::{Mark, Rule};
use super::{Hit, common_folder, rules};
use crate::bytes::to_u64;
use crate::catalog::{Catalog, NameId, ObjectId, ObjectKind};
use crate::survey::people::{plain, usual};
use crate::survey::system::System;
use crate::survey::{Tally, known};

/// A rule by its place in the list, and the patterns by which something may fit it.
#[derive(Debug, Clone, Copy)]
struct Entry {
    place: usize,
    rule: &'static Rule,
    pattern: &'static str,
    /// What must stand in a folder.
    inside: Option<&'static str>,
}

/// The rules by what is looked at.
struct Indexes {
    folders: Index<Entry>,
    /// Folders by something that stands in them.
    holding: Index<Entry>,
    files: Index<Entry>,
}

static INDEXES: LazyLock<Indexes> = LazyLock::new(|| {
    let mut all = Indexes { folders: Index::new(), holding: Index::new(), files: Index::new() };
    for (place, rule) in rules::all().enumerate() {
        for mark in rule.marks {
            let entry = |pattern, inside| Entry { place, rule, pattern, inside };
            match *mark {
                Mark::Folder(pattern) => all.folders.add(pattern, entry(pattern, None)),
                Mark::FolderWith(pattern, inside) => all.holding.add(inside, entry(pattern, Some(inside))),
                Mark::File(pattern) => all.files.add(pattern, entry(pattern, None)),
                Mark::RecycleBin | Mark::LargeInRoot | Mark::Absent | Mark::Locked => {}
            }
        }
    }
    all
});

/// Whose ground a folder is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ground {
    /// Anybody's.
    Open,
    /// Installed programs': samples stand there, and the data of programs that keep it beside themselves.
    Programs,
    /// The system's own: nothing is looked for.
    System,
}

/// A folder that is still to be looked at.
struct Open {
    name: Option<NameId>,
    folder: ObjectId,
    depth: usize,
    ground: Ground,
    /// The rule whose hit, open to others, it stands in.
    within: Option<usize>,
}

/// A name of a folder's list.
struct Child {
    name: NameId,
    object: ObjectId,
    is_folder: bool,
    plain: String,
}

/// Files that are one hit.
#[derive(Default)]
struct Group {
    names: Vec<NameId>,
    only: BTreeSet<&'static str>,
}

/// All hits by names, each with its rule's place in the list.
pub(super) fn hits(catalog: &Catalog) -> Vec<(usize, Hit)> {
    let system = System::of(catalog);
    let mut walk = Walk { catalog, system, path: Vec::new(), hits: Vec::new(), groups: BTreeMap::new() };
    let root = Open { name: None, folder: catalog.root(), depth: 0, ground: Ground::Open, within: None };
    // The catalog's tree has no loops and a bounded depth.
    let mut open = vec![root];
    while let Some(folder) = open.pop() {
        walk.folder(&folder, &mut open);
    }
    walk.finish()
}

struct Walk<'a> {
    catalog: &'a Catalog,
    system: System,
    /// The plain names from the root to the folder that is looked at.
    path: Vec<String>,
    hits: Vec<(usize, Hit)>,
    /// By rule, and by folder unless its files are gathered.
    groups: BTreeMap<(usize, Option<ObjectId>), Group>,
}

impl Walk<'_> {
    fn folder(&mut self, at: &Open, open: &mut Vec<Open>) {
        let catalog = self.catalog;
        self.path.truncate(at.depth.saturating_sub(1));
        if let Some(name) = at.name {
            self.path.push(plain(&catalog.name(name).text()));
        }
        let children: Vec<Child> = catalog
            .children(at.folder)
            .map(|name| {
                let object = catalog.named_object(name);
                let is_folder = catalog.object(object).kind == ObjectKind::Folder;
                Child { name, object, is_folder, plain: plain(&catalog.name(name).text()) }
            })
            .collect();
        let mut within = at.within;
        if let Some((name, entry)) = at.name.zip(self.rule_of(at, &children)) {
            if within != Some(entry.place) {
                let mut hit = Hit::new(entry.rule, catalog.path(name), Tally::of_folder(catalog, at.folder));
                hit.lacking = lacking(entry.rule, &names_below(catalog, at.folder, entry.rule));
                self.hits.push((entry.place, hit));
            }
            if entry.rule.closed {
                return;
            }
            within = Some(entry.place);
        }
        for child in children {
            if child.is_folder {
                if let Some(ground) = self.ground(at, &child.plain) {
                    let (name, folder, depth) = (Some(child.name), child.object, at.depth + 1);
                    open.push(Open { name, folder, depth, ground, within });
                }
            } else if catalog.object(child.object).kind == ObjectKind::File {
                self.file(at, &child);
            }
        }
    }

    /// The first rule that a folder fits.
    fn rule_of(&mut self, at: &Open, children: &[Child]) -> Option<Entry> {
        let own_name = self.path.last()?;
        let path = || self.path.iter().map(String::as_str);
        let counts = |entry: &Entry| at.ground == Ground::Open || entry.rule.in_programs;
        let mut fitting: Vec<Entry> =
            INDEXES.folders.of(own_name).filter(|entry| counts(entry) && path_fits(entry.pattern, path())).collect();
        let mut single = Vec::new();
        // Where anything may stand, one file in it says nothing of the rest.
        let is_anybodys = at.depth < 2 || usual(own_name).is_some();
        for child in children {
            for entry in INDEXES.holding.of(&child.plain) {
                if !counts(&entry) {
                } else if entry.pattern == "*" && is_anybodys {
                    single.extend((!child.is_folder).then_some((entry, child.name)));
                } else if path_fits(entry.pattern, path()) {
                    fitting.push(entry);
                }
            }
        }
        let first = fitting.into_iter().min_by_key(|entry| entry.place);
        if first.is_none_or(|entry| !entry.rule.closed) {
            single.into_iter().for_each(|(entry, name)| self.group(at.folder, entry, name));
        }
        first
    }

    fn file(&mut self, at: &Open, child: &Child) {
        let path = || self.path.iter().map(String::as_str).chain([child.plain.as_str()]);
        let fitting = INDEXES.files.of(&child.plain).filter(|entry| {
            (at.ground == Ground::Open || entry.rule.in_programs)
                && path_fits(entry.pattern, path().collect::<Vec<_>>().into_iter())
        });
        if let Some(entry) = fitting.min_by_key(|entry| entry.place) {
            self.group(at.folder, entry, child.name);
        }
    }

    fn group(&mut self, folder: ObjectId, entry: Entry, name: NameId) {
        let key = (entry.place, (!entry.rule.gathered).then_some(folder));
        let group = self.groups.entry(key).or_default();
        let pattern = entry.inside.unwrap_or(entry.pattern);
        group.only.insert(pattern.rsplit('/').next().unwrap_or(pattern));
        group.names.push(name);
    }

    /// Whose ground a folder in the folder that is looked at is; `None` if it is not looked into.
    fn ground(&self, at: &Open, name: &str) -> Option<Ground> {
        let path: Vec<&str> = self.path.iter().map(String::as_str).collect();
        // A former Windows has a root of its own.
        let path = match path[..] {
            [first, ref rest @ ..] if first.starts_with(known::FORMER) => rest,
            _ => &path[..],
        };
        let ground = match *path {
            [] if known::RECYCLE_BINS.contains(&name) => return None,
            [] if known::PROGRAMS_ROOT_FOLDERS.contains(&name) => Ground::Programs,
            [] if self.system.owns(name) && known::DATA_OF_SYSTEMS.contains(&name) => Ground::Programs,
            [] if self.system.owns(name) => Ground::System,
            // Windows 95 to NT keep people's things in the folder of Windows.
            [first] if known::WINDOWS.contains(&first) && known::PEOPLES_IN_WINDOWS.contains(&name) => Ground::Open,
            _ => at.ground,
        };
        // Of the system's own only the folder of Windows is looked into, for those in it that are people's.
        let goes_on = ground != Ground::System || (path.is_empty() && known::WINDOWS.contains(&name));
        goes_on.then_some(ground)
    }

    fn finish(mut self) -> Vec<(usize, Hit)> {
        let catalog = self.catalog;
        let by_place: HashMap<usize, &Rule> = rules::all().enumerate().collect();
        for ((place, _), group) in std::mem::take(&mut self.groups) {
            let (Some(rule), Some(first)) = (by_place.get(&place), group.names.first()) else { continue };
            let folders: BTreeSet<ObjectId> = group.names.iter().map(|name| catalog.parent(*name)).collect();
            let path = if group.names.len() == 1 { catalog.path(*first) } else { common_folder(catalog, &folders) };
            let objects = group.names.iter().map(|name| catalog.named_object(*name)).collect();
            let mut hit = Hit::new(rule, path, Tally::of_all(catalog, objects));
            hit.folders = to_u64(folders.len());
            hit.only = group.only.into_iter().collect();
            let names: Vec<String> = group.names.iter().map(|name| plain(&catalog.name(*name).text())).collect();
            hit.lacking = lacking(rule, &names);
            self.hits.push((place, hit));
        }
        self.hits
    }
}

/// The plain names of all files below a folder, if the rule has pairs to look for.
fn names_below(catalog: &Catalog, folder: ObjectId, rule: &Rule) -> Vec<String> {
    let mut names = Vec::new();
    let mut open = if rule.pairs.is_empty() { Vec::new() } else { vec![folder] };
    while let Some(folder) = open.pop() {
        for name in catalog.children(folder) {
            let object = catalog.named_object(name);
            match catalog.object(object).kind {
                ObjectKind::Folder => open.push(object),
                _ => names.push(plain(&catalog.name(name).text())),
            }
        }
    }
    names
}

/// What should be among these names, because something else is.
fn lacking(rule: &Rule, names: &[String]) -> Vec<&'static str> {
    let has = |pattern: &str| names.iter().any(|name| fits(pattern, name));
    rule.pairs.iter().filter(|(one, other)| has(one) && !has(other)).map(|(_, other)| *other).collect()
}
