//! Filling a catalog: objects and names in any order, then the tree.

use std::collections::{HashMap, HashSet};

use super::name::{Text, Texts};
use super::{
    AddressKind, Attribute, Catalog, Distrust, Facts, FindingKind, Findings, Incomplete, MAX_DEPTH, NO_FOLDER,
    NameEntry, Object, ObjectId, ObjectKind,
};
use crate::error::{Error, Result};

/// The name of an object that has none.
const NO_NAME: &str = "(no name)";

/// Where a name says it stands, before the tree is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Parent {
    /// This folder, or owner of a stream.
    Known(ObjectId),
    /// A folder that is lost: the place of its own number in the builder's list.
    Lost(u32),
}

/// There are millions of them: no larger than what the catalog keeps of each.
#[derive(Debug, Clone, Copy)]
struct Pending {
    parent: Parent,
    object: ObjectId,
    text: Text,
}

/// Collects what a sweep finds and makes the tree of it: loops are cut, and what has no folder stands under
/// `/(no folder)`.
pub struct CatalogBuilder {
    address_kind: AddressKind,
    objects: Vec<Object>,
    names: Vec<Pending>,
    texts: Texts,
    /// The numbers of folders that names say they stand in, and that are lost.
    lost_folders: Vec<u64>,
    /// Facts about the volume, found by the sweep.
    pub findings: Findings,
    /// Records that held something and can't be read.
    pub lost_records: u64,
}

pub(super) fn too_many(what: &str) -> Error {
    Error::Limit {
        what: format!("{what} on one volume"),
        limit: u64::from(u32::MAX),
        next: "this volume is larger than handback can list",
    }
}

impl CatalogBuilder {
    /// An empty catalog of a volume whose objects are addressed by `address_kind`.
    #[must_use]
    pub fn new(address_kind: AddressKind) -> Self {
        Self {
            address_kind,
            objects: Vec::new(),
            names: Vec::new(),
            texts: Texts::default(),
            lost_folders: Vec::new(),
            findings: Findings::default(),
            lost_records: 0,
        }
    }

    /// A catalog of these objects, in their order, with texts for names of theirs.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 objects.
    pub(crate) fn of(address_kind: AddressKind, objects: Vec<Object>, texts: Texts) -> Result<Self> {
        u32::try_from(objects.len()).map_err(|_| too_many("objects"))?;
        Ok(Self { objects, texts, ..Self::new(address_kind) })
    }

    /// Adds an object.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 objects.
    pub fn object(&mut self, object: Object) -> Result<ObjectId> {
        let id =
            u32::try_from(self.objects.len()).ok().filter(|id| *id < u32::MAX).ok_or_else(|| too_many("objects"))?;
        self.objects.push(object);
        Ok(ObjectId(id))
    }

    /// An object added before.
    pub fn object_mut(&mut self, id: ObjectId) -> Option<&mut Object> {
        id.index().and_then(|index| self.objects.get_mut(index))
    }

    /// All objects added so far.
    pub fn objects_mut(&mut self) -> impl Iterator<Item = (ObjectId, &mut Object)> {
        (0_u32..).map(ObjectId).zip(&mut self.objects)
    }

    /// Adds a name stored as UTF-16 that stands in a known folder, or of a stream that belongs to an object.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 names or bytes of names.
    pub fn name(&mut self, parent: ObjectId, object: ObjectId, units: impl IntoIterator<Item = u16>) -> Result<()> {
        let text = self.texts.add(units)?;
        self.known_name(parent, object, text);
        Ok(())
    }

    /// Adds a name whose folder, by its own number, is lost.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 names or bytes of names.
    pub fn homeless_name(&mut self, folder: u64, object: ObjectId, units: impl IntoIterator<Item = u16>) -> Result<()> {
        let text = self.texts.add(units)?;
        self.lost_name(folder, object, text)
    }

    /// Adds a name in a known folder whose text is among the catalog's.
    pub(crate) fn known_name(&mut self, parent: ObjectId, object: ObjectId, text: Text) {
        self.names.push(Pending { parent: Parent::Known(parent), object, text });
    }

    /// The same in a folder that is lost.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 such names.
    pub(crate) fn lost_name(&mut self, folder: u64, object: ObjectId, text: Text) -> Result<()> {
        let parent = self.lost_folder(folder)?;
        self.names.push(Pending { parent, object, text });
        Ok(())
    }

    fn lost_folder(&mut self, number: u64) -> Result<Parent> {
        let at = self.lost_folders.len();
        // Names of one lost folder mostly follow one another.
        if self.lost_folders.last() == Some(&number) {
            return u32::try_from(at.saturating_sub(1)).map(Parent::Lost).map_err(|_| too_many("names"));
        }
        self.lost_folders.push(number);
        u32::try_from(at).map(Parent::Lost).map_err(|_| too_many("names"))
    }

    /// Makes the tree below `root`. Nothing is lost: what can't stand where it says, or has no name at all, stands
    /// under `/(no folder)/record N`, where `N` is the number of the folder it names.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 objects or names.
    pub fn finish(mut self, root: ObjectId) -> Result<Catalog> {
        self.one_name_a_folder(root);
        self.only_folders_hold_names(root)?;
        self.name_the_nameless(root)?;
        self.cut_loops_and_depths(root)?;
        self.name(root, root, [])?;
        self.house_the_homeless(root)?;
        let names = self.names.into_iter();
        let names = names.map(|pending| NameEntry {
            parent: match pending.parent {
                Parent::Known(parent) => parent,
                Parent::Lost(_) => root,
            },
            object: pending.object,
            text: pending.text,
        });
        let names = names.collect();
        Catalog::index(self.objects, names, self.texts, root, self.address_kind, self.lost_records, self.findings)
    }

    fn kind(&self, id: ObjectId) -> ObjectKind {
        id.index().and_then(|index| self.objects.get(index)).map_or(ObjectKind::Other, |object| object.kind)
    }

    fn locator(&self, id: ObjectId) -> u64 {
        id.index().and_then(|index| self.objects.get(index)).map_or(0, |object| object.locator)
    }

    /// A folder with two names would stand in two places, or in itself.
    fn one_name_a_folder(&mut self, root: ObjectId) {
        let mut named = vec![false; self.objects.len()];
        let mut names = std::mem::take(&mut self.names);
        names.retain(|name| {
            let folder = matches!(self.kind(name.object), ObjectKind::Folder | ObjectKind::Link);
            let Some(seen) = name.object.index().and_then(|index| named.get_mut(index)).filter(|_| folder) else {
                return true;
            };
            let second = std::mem::replace(seen, true) || name.object == root;
            if second {
                let locator = self.locator(name.object);
                self.findings.add(FindingKind::FolderSecondName, None, Some(locator), || "");
            }
            !second
        });
        self.names = names;
    }

    /// What stands in something that is no folder would never be come by.
    fn only_folders_hold_names(&mut self, root: ObjectId) -> Result<()> {
        let mut names = std::mem::take(&mut self.names);
        for name in &mut names {
            let Parent::Known(parent) = name.parent else { continue };
            let sound = parent == root
                || self.kind(name.object) == ObjectKind::Stream
                || self.kind(parent) == ObjectKind::Folder;
            if !sound {
                let locator = self.locator(parent);
                name.parent = self.lost_folder(locator)?;
                self.findings.add(FindingKind::ParentLost, None, Some(self.locator(name.object)), || {
                    format!("{} {locator} is no folder", self.address_kind.word())
                });
            }
        }
        self.names = names;
        Ok(())
    }

    fn name_the_nameless(&mut self, root: ObjectId) -> Result<()> {
        let mut named = vec![false; self.objects.len()];
        for name in &self.names {
            if let Some(seen) = name.object.index().and_then(|index| named.get_mut(index)) {
                *seen = true;
            }
        }
        for (id, seen) in (0_u32..).map(ObjectId).zip(named) {
            if !seen && id != root {
                let locator = self.locator(id);
                self.findings.add(FindingKind::NameLost, None, Some(locator), || "");
                self.homeless_name(locator, id, NO_NAME.encode_utf16())?;
            }
        }
        Ok(())
    }

    /// A folder that is not reached from the root stands in itself somewhere up its line: one folder of each such loop
    /// is taken out of it. Folders that stand too deep are taken out likewise.
    fn cut_loops_and_depths(&mut self, root: ObjectId) -> Result<()> {
        // Every folder has at most one name by now. Names are fewer than 2^32.
        const NONE: u32 = u32::MAX;
        let mut name_of: Vec<u32> = vec![NONE; self.objects.len()];
        for (index, name) in (0..NONE).zip(&self.names) {
            if self.kind(name.object) == ObjectKind::Folder
                && let Some(slot) = name.object.index().and_then(|object| name_of.get_mut(object))
            {
                *slot = index;
            }
        }
        let name_of = |at: usize| {
            let index = name_of.get(at).copied().filter(|index| *index != NONE);
            index.and_then(|index| usize::try_from(index).ok())
        };
        // 0: not seen; NOW: on the way that is being walked; else the depth and one.
        const NOW: u32 = u32::MAX;
        let mut depth: Vec<u32> = vec![0; self.objects.len()];
        let mut way: Vec<usize> = Vec::new();
        for start in 0..self.objects.len() {
            let mut at = start;
            // Up to the root, to a folder whose depth is known, or into a loop.
            let mut below = loop {
                match depth.get(at).copied().unwrap_or(1) {
                    0 => {}
                    NOW => {
                        self.take_out(name_of(at), FindingKind::FolderLoop)?;
                        break 1;
                    }
                    known => break known,
                }
                let Some(slot) = depth.get_mut(at) else { break 1 };
                *slot = NOW;
                way.push(at);
                let parent = name_of(at).and_then(|name| self.names.get(name));
                match parent.map(|name| name.parent) {
                    Some(Parent::Known(parent)) if parent != root => at = parent.index().unwrap_or(usize::MAX),
                    _ => break 1,
                }
            };
            while let Some(folder) = way.pop() {
                below = below.saturating_add(1);
                if usize::try_from(below).is_ok_and(|below| below > MAX_DEPTH) {
                    self.take_out(name_of(folder), FindingKind::FolderTooDeep)?;
                    // Under `/(no folder)/record N`.
                    below = 4;
                }
                if let Some(slot) = depth.get_mut(folder) {
                    *slot = below;
                }
            }
        }
        Ok(())
    }

    fn take_out(&mut self, name: Option<usize>, why: FindingKind) -> Result<()> {
        let Some(object) = name.and_then(|index| self.names.get(index)).map(|name| name.object) else { return Ok(()) };
        let locator = self.locator(object);
        let parent = self.lost_folder(locator)?;
        if let Some(pending) = name.and_then(|index| self.names.get_mut(index)) {
            pending.parent = parent;
            self.findings.add(why, None, Some(locator), || "");
        }
        Ok(())
    }

    fn house_the_homeless(&mut self, root: ObjectId) -> Result<()> {
        let homeless: Vec<(usize, u64)> = self
            .names
            .iter()
            .enumerate()
            .filter_map(|(index, name)| match name.parent {
                Parent::Lost(at) => {
                    let folder = usize::try_from(at).ok().and_then(|at| self.lost_folders.get(at)).copied();
                    Some((index, folder.unwrap_or_default()))
                }
                Parent::Known(_) => None,
            })
            .collect();
        if homeless.is_empty() {
            return Ok(());
        }
        let house = self.virtual_folder(root, NO_FOLDER)?;
        let mut rooms: HashMap<u64, ObjectId> = HashMap::new();
        // What gathers nothing but deleted files is no place where a live one may be missing.
        let mut only_deleted: HashSet<ObjectId> = HashSet::from([house]);
        for (index, folder) in homeless {
            let room = match rooms.get(&folder) {
                Some(room) => *room,
                None => {
                    let room = self.virtual_folder(house, &format!("{} {folder}", self.address_kind.word()))?;
                    rooms.insert(folder, room);
                    only_deleted.insert(room);
                    room
                }
            };
            let Some(name) = self.names.get_mut(index) else { continue };
            name.parent = Parent::Known(room);
            let object = name.object.index().and_then(|object| self.objects.get(object));
            if object.is_some_and(|object| !object.facts.distrust.contains(Distrust::Deleted)) {
                only_deleted.remove(&room);
                only_deleted.remove(&house);
            }
        }
        for folder in only_deleted {
            if let Some(object) = self.object_mut(folder) {
                object.facts.distrust.insert(Distrust::Deleted);
            }
        }
        Ok(())
    }

    fn virtual_folder(&mut self, parent: ObjectId, name: &str) -> Result<ObjectId> {
        let mut object = Object::new(ObjectKind::Folder, 0);
        object.facts = Facts::SOUND;
        object.attributes.insert(Attribute::Virtual);
        object.incomplete.insert(Incomplete::NoFolder);
        let id = self.object(object)?;
        self.name(parent, id, name.encode_utf16())?;
        Ok(id)
    }
}
