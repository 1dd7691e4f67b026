//! How much is in a folder, and in what state.

use std::collections::{BTreeMap, HashSet};

use serde::Serialize;

use crate::catalog::{Catalog, Completeness, Object, ObjectId, ObjectKind, State, Timestamp};

/// A number of files and their bytes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Count {
    /// Files.
    pub count: u64,
    /// Their sizes together, in bytes.
    pub bytes: u64,
}

impl Count {
    pub(super) fn add(&mut self, object: &Object) {
        self.count += 1;
        self.bytes = self.bytes.saturating_add(object.size);
    }
}

/// What is in a folder and below it. A file with several names counts once.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// Files.
    pub files: Count,
    /// Files by state.
    pub states: BTreeMap<State, Count>,
    /// Bytes of files that are not there.
    pub gap_bytes: u64,
    /// Folders, the one looked at left out.
    pub folders: u64,
    /// Folders that may have lost names, the one looked at counted too.
    pub folders_incomplete: u64,
    /// Folders that would be complete if a map spoke for their sectors.
    pub folders_unproven: u64,
    /// Names of files; more than files where there are hard links.
    pub file_names: u64,
    /// Links.
    pub links: u64,
    /// Alternate streams.
    pub streams: Count,
    /// Alternate streams that are not sound.
    pub streams_lost: u64,
    /// When the newest file was last changed, in RFC 3339.
    pub newest: Option<String>,
    /// When the oldest file was last changed, in RFC 3339.
    pub oldest: Option<String>,
    #[serde(skip)]
    newest_time: Option<Timestamp>,
    #[serde(skip)]
    oldest_time: Option<Timestamp>,
}

impl Tally {
    /// What is in `folder`, which is not counted as a folder itself.
    #[must_use]
    pub fn of_folder(catalog: &Catalog, folder: ObjectId) -> Self {
        let mut walk = Walk::new(catalog);
        walk.completeness(folder);
        walk.everything_below(folder);
        walk.finish()
    }

    /// What is in `folder`, some folders directly in it left out with all that is in them.
    #[must_use]
    pub fn of_folder_without(catalog: &Catalog, folder: ObjectId, without: &[ObjectId]) -> Self {
        let mut walk = Walk::new(catalog);
        walk.completeness(folder);
        for name in catalog.children(folder) {
            let object = catalog.named_object(name);
            if !without.contains(&object) {
                walk.object(object);
                if catalog.object(object).kind == ObjectKind::Folder {
                    walk.everything_below(object);
                }
            }
        }
        walk.finish()
    }

    /// What is in several files and folders, the folders counted.
    #[must_use]
    pub fn of_all(catalog: &Catalog, objects: Vec<ObjectId>) -> Self {
        let mut walk = Walk::new(catalog);
        for object in objects {
            walk.object(object);
            walk.everything_below(object);
        }
        walk.finish()
    }

    /// The files in a state.
    #[must_use]
    pub fn state(&self, state: State) -> Count {
        self.states.get(&state).copied().unwrap_or_default()
    }

    /// Files that are damaged, doubtful or can't be placed.
    #[must_use]
    pub fn lost_files(&self) -> u64 {
        self.states.iter().filter(|(state, _)| state.is_loss()).map(|(_, count)| count.count).sum()
    }

    /// Whether something is damaged, doubtful, unplaced or may be missing.
    #[must_use]
    pub fn has_loss(&self) -> bool {
        self.lost_files() > 0 || self.folders_incomplete > 0 || self.streams_lost > 0
    }

    /// When the newest file was last changed.
    #[must_use]
    pub fn newest(&self) -> Option<Timestamp> {
        self.newest_time
    }

    /// When the oldest file was last changed.
    #[must_use]
    pub fn oldest(&self) -> Option<Timestamp> {
        self.oldest_time
    }
}

struct Walk<'a> {
    catalog: &'a Catalog,
    tally: Tally,
    /// Files with several names that were counted.
    linked: HashSet<ObjectId>,
}

impl<'a> Walk<'a> {
    fn new(catalog: &'a Catalog) -> Self {
        Self { catalog, tally: Tally::default(), linked: HashSet::new() }
    }

    fn everything_below(&mut self, folder: ObjectId) {
        // The catalog's tree has no loops and a bounded depth.
        let mut open = vec![folder];
        while let Some(folder) = open.pop() {
            for name in self.catalog.children(folder) {
                let object = self.catalog.named_object(name);
                self.object(object);
                if self.catalog.object(object).kind == ObjectKind::Folder {
                    open.push(object);
                }
            }
        }
    }

    fn object(&mut self, id: ObjectId) {
        let object = self.catalog.object(id);
        match object.kind {
            ObjectKind::Folder => {
                self.tally.folders += 1;
                self.completeness(id);
            }
            ObjectKind::File => {
                self.tally.file_names += 1;
                let several = self.catalog.names_of(id).nth(1).is_some();
                if several && !self.linked.insert(id) {
                    return;
                }
                self.tally.files.add(object);
                self.tally.states.entry(object.facts.state()).or_default().add(object);
                self.tally.gap_bytes = self.tally.gap_bytes.saturating_add(object.facts.gap_bytes);
                self.time(object);
            }
            ObjectKind::Link => self.tally.links += 1,
            ObjectKind::Stream | ObjectKind::Other => {}
        }
        for stream in self.catalog.streams(id) {
            let stream = self.catalog.object(self.catalog.named_object(stream));
            self.tally.streams.add(stream);
            self.tally.streams_lost += u64::from(stream.facts.state().is_loss());
        }
    }

    fn completeness(&mut self, folder: ObjectId) {
        match self.catalog.object(folder).completeness() {
            Completeness::Complete => {}
            Completeness::Unproven => self.tally.folders_unproven += 1,
            Completeness::Incomplete => self.tally.folders_incomplete += 1,
        }
    }

    fn time(&mut self, object: &Object) {
        let Some(time) = object.modified() else { return };
        if self.tally.newest_time.is_none_or(|newest| time.ticks > newest.ticks) {
            self.tally.newest_time = Some(time);
        }
        if self.tally.oldest_time.is_none_or(|oldest| time.ticks < oldest.ticks) {
            self.tally.oldest_time = Some(time);
        }
    }

    fn finish(mut self) -> Tally {
        self.tally.newest = self.tally.newest_time.and_then(Timestamp::rfc3339);
        self.tally.oldest = self.tally.oldest_time.and_then(Timestamp::rfc3339);
        self.tally
    }
}
