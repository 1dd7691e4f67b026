//! What the holes of a volume cost: folders and kinds of files, those that lost most first.

use std::collections::{BTreeMap, HashMap, HashSet};

use serde::Serialize;

use super::kind::FileKind;
use super::known;
use super::tally::Count;
use crate::catalog::{Catalog, Completeness, NameId, Object, ObjectId, ObjectKind, State};

/// How many folders are ranked; the rest are in the number of those that lost something.
pub const MOST_FOLDERS: usize = 1000;

/// What is lost of some files. A file with several names counts once, where it was met first.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Cost {
    /// All of the files.
    pub files: Count,
    /// Files with gaps.
    pub damaged: u64,
    /// Files that can't be placed at all.
    pub unlocated: u64,
    /// Files that can't be shown to be theirs.
    pub doubtful: u64,
    /// Bytes that are not there: the gaps of damaged files, and the sizes of those that can't be placed.
    pub lost_bytes: u64,
}

impl Cost {
    /// Files of which something is lost or can't be shown.
    #[must_use]
    pub fn lost_files(&self) -> u64 {
        self.damaged.saturating_add(self.unlocated).saturating_add(self.doubtful)
    }

    pub(super) fn add(&mut self, object: &Object) {
        self.files.add(object);
        let facts = &object.facts;
        match facts.state() {
            State::Damaged => {
                self.damaged += 1;
                self.lost_bytes = self.lost_bytes.saturating_add(facts.gap_bytes);
            }
            State::Unlocated => {
                self.unlocated += 1;
                self.lost_bytes = self.lost_bytes.saturating_add(object.size);
            }
            State::Doubtful => self.doubtful += 1,
            State::Locked | State::Absent | State::Unproven | State::NotDecoded | State::Whole => {}
        }
    }

    /// The order of a ranking: bytes, then files.
    fn rank(&self) -> std::cmp::Reverse<(u64, u64)> {
        std::cmp::Reverse((self.lost_bytes, self.lost_files()))
    }
}

/// A folder that lost something, what stands in its own folders left out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FolderCost {
    /// Its path from the volume's root.
    pub path: String,
    /// What it lost.
    #[serde(flatten)]
    pub cost: Cost,
    /// Whether names may be lost, too.
    pub incomplete: bool,
}

/// A kind of files of which something is lost.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct KindCost {
    /// The kind.
    pub kind: FileKind,
    /// What is lost.
    #[serde(flatten)]
    pub cost: Cost,
}

/// What is lost of a volume, what lost most first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Costs {
    /// All files together.
    pub total: Cost,
    /// Kinds of files of which something is lost.
    pub kinds: Vec<KindCost>,
    /// Folders in which something is lost, the first [`MOST_FOLDERS`].
    pub folders: Vec<FolderCost>,
    /// How many folders lost something.
    pub folders_with_losses: u64,
}

/// Ranks the folders and kinds of files of a volume.
#[must_use]
pub fn costs(catalog: &Catalog) -> Costs {
    let mut total = Cost::default();
    let mut kinds: BTreeMap<FileKind, Cost> = BTreeMap::new();
    let mut folders: HashMap<ObjectId, (Option<NameId>, Cost)> = HashMap::new();
    let mut linked = HashSet::new();
    let root = catalog.root();
    // The catalog's tree has no loops and a bounded depth.
    let mut open = vec![(root, None, false)];
    while let Some((folder, own_name, system)) = open.pop() {
        for name in catalog.children(folder) {
            let id = catalog.named_object(name);
            let object = catalog.object(id);
            let text = catalog.name(name).text();
            let system =
                system || (folder == root && is_systems(&text.to_lowercase(), object.kind == ObjectKind::Folder));
            match object.kind {
                ObjectKind::Folder => open.push((id, Some(name), system)),
                ObjectKind::File => {
                    if catalog.names_of(id).nth(1).is_some() && !linked.insert(id) {
                        continue;
                    }
                    let kind = if system { FileKind::System } else { FileKind::of_name(&text) };
                    total.add(object);
                    kinds.entry(kind).or_default().add(object);
                    folders.entry(folder).or_insert((own_name, Cost::default())).1.add(object);
                }
                ObjectKind::Link | ObjectKind::Stream | ObjectKind::Other => {}
            }
        }
    }
    let mut kinds: Vec<KindCost> = kinds
        .into_iter()
        .filter(|(_, cost)| cost.lost_files() > 0)
        .map(|(kind, cost)| KindCost { kind, cost })
        .collect();
    kinds.sort_by_key(|one| (one.cost.rank(), one.kind));
    let mut folders: Vec<FolderCost> = folders
        .into_iter()
        .filter(|(_, (_, cost))| cost.lost_files() > 0)
        .map(|(folder, (name, cost))| FolderCost {
            path: name.map_or_else(|| "/".to_string(), |name| catalog.path(name)),
            cost,
            incomplete: catalog.object(folder).completeness() == Completeness::Incomplete,
        })
        .collect();
    folders.sort_by(|one, other| (one.cost.rank(), &one.path).cmp(&(other.cost.rank(), &other.path)));
    let folders_with_losses = crate::bytes::to_u64(folders.len());
    folders.truncate(MOST_FOLDERS);
    Costs { total, kinds, folders, folders_with_losses }
}

/// Whether something in the root, by its name in lower case, belongs to the operating system.
pub(crate) fn is_systems(name: &str, is_folder: bool) -> bool {
    match is_folder {
        true => known::SYSTEM_ROOT_FOLDERS.contains(&name),
        false => known::SYSTEM_ROOT_FILES.contains(&name),
    }
}
