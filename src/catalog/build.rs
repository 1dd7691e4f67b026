//! Filling a catalog: objects and names in any order, then the tree.

use std::collections::HashMap;

use super::{
    AddressKind, Attribute, Catalog, FindingKind, Findings, Incomplete, NO_FOLDER, NameEntry, NameId, Object, ObjectId,
    ObjectKind, name,
};
use crate::error::{Error, Result};

/// Where a name says it stands, before the tree is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Parent {
    /// This folder, or owner of a stream.
    Known(ObjectId),
    /// A folder that is lost, by its own number.
    Lost(u64),
}

struct Pending {
    parent: Parent,
    object: ObjectId,
    text_start: u32,
    text_length: u16,
}

/// Collects what a sweep finds and makes the tree of it: loops are cut, and what has no folder stands under
/// `/(no folder)`.
pub struct CatalogBuilder {
    address_kind: AddressKind,
    objects: Vec<Object>,
    names: Vec<Pending>,
    text: Vec<u8>,
    /// Facts about the volume, found by the sweep.
    pub findings: Findings,
    /// Records that held something and can't be read.
    pub lost_records: u64,
}

fn too_many(what: &str) -> Error {
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
            text: Vec::new(),
            findings: Findings::default(),
            lost_records: 0,
        }
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
        usize::try_from(id.0).ok().and_then(|index| self.objects.get_mut(index))
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
        self.push(Parent::Known(parent), object, units)
    }

    /// Adds a name whose folder, by its own number, is lost.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 names or bytes of names.
    pub fn homeless_name(&mut self, folder: u64, object: ObjectId, units: impl IntoIterator<Item = u16>) -> Result<()> {
        self.push(Parent::Lost(folder), object, units)
    }

    fn push(&mut self, parent: Parent, object: ObjectId, units: impl IntoIterator<Item = u16>) -> Result<()> {
        let start = self.text.len();
        name::push_units(&mut self.text, units);
        let text_start = u32::try_from(start).map_err(|_| too_many("bytes of names"))?;
        let text_length =
            u16::try_from(self.text.len().saturating_sub(start)).map_err(|_| too_many("bytes in a name"))?;
        self.names.push(Pending { parent, object, text_start, text_length });
        Ok(())
    }

    /// Makes the tree below `root`. Names are never lost: what can't stand where it says stands under
    /// `/(no folder)/record N`, where `N` is the number of the folder it names.
    ///
    /// # Errors
    /// [`Error::Limit`] past 2^32 objects or names.
    pub fn finish(mut self, root: ObjectId) -> Result<Catalog> {
        self.name(root, root, [])?;
        self.cut_loops(root);
        self.house_the_homeless(root)?;
        let names: Vec<NameEntry> = self
            .names
            .iter()
            .map(|pending| NameEntry {
                parent: match pending.parent {
                    Parent::Known(parent) => parent,
                    Parent::Lost(_) => root,
                },
                object: pending.object,
                text_start: pending.text_start,
                text_length: pending.text_length,
            })
            .collect();
        let count = u32::try_from(names.len()).map_err(|_| too_many("names"))?;
        let mut catalog = Catalog {
            objects: self.objects,
            names,
            text: self.text,
            by_parent: Vec::new(),
            by_object: (0..count).map(NameId).collect(),
            root,
            address_kind: self.address_kind,
            lost_records: self.lost_records,
            findings: self.findings,
        };
        let mut by_parent: Vec<(ObjectId, String, NameId)> =
            (0..count).map(NameId).map(|id| (catalog.parent(id), super::path::fold(catalog.name(id)), id)).collect();
        by_parent.sort_unstable_by(|one, two| {
            let exact = |id: NameId| catalog.name(id);
            (one.0, &one.1).cmp(&(two.0, &two.1)).then_with(|| exact(one.2).cmp(&exact(two.2))).then(one.2.cmp(&two.2))
        });
        catalog.by_parent = by_parent.into_iter().map(|(_, _, id)| id).collect();
        let names = &catalog.names;
        let object = |id: &NameId| {
            usize::try_from(id.0).ok().and_then(|index| names.get(index)).map_or(ObjectId(u32::MAX), |name| name.object)
        };
        catalog.by_object.sort_by_key(object);
        Ok(catalog)
    }

    /// A folder that is not reached from the root stands in itself somewhere up its line: one name of each such loop
    /// is taken out of it.
    fn cut_loops(&mut self, root: ObjectId) {
        #[derive(Clone, Copy, PartialEq)]
        enum Seen {
            No,
            OnThisWay(usize),
            Done,
        }
        // The first name of each folder decides where it stands; files can't be part of a loop.
        let mut first_name: Vec<Option<usize>> = vec![None; self.objects.len()];
        for (index, name) in self.names.iter().enumerate() {
            if let Some(slot) = usize::try_from(name.object.0).ok().and_then(|object| first_name.get_mut(object)) {
                slot.get_or_insert(index);
            }
        }
        let mut seen = vec![Seen::No; self.objects.len()];
        for start in 0..self.objects.len() {
            let mut at = start;
            loop {
                match seen.get(at) {
                    Some(Seen::No) => {}
                    Some(Seen::OnThisWay(way)) if *way == start => {
                        self.take_out(first_name.get(at).copied().flatten(), root);
                        break;
                    }
                    _ => break,
                }
                if let Some(slot) = seen.get_mut(at) {
                    *slot = Seen::OnThisWay(start);
                }
                let parent = first_name
                    .get(at)
                    .copied()
                    .flatten()
                    .and_then(|name| self.names.get(name))
                    .and_then(|name| match name.parent {
                        Parent::Known(parent) if parent != root && name.object != root => Some(parent),
                        _ => None,
                    })
                    .and_then(|parent| usize::try_from(parent.0).ok());
                match parent {
                    Some(parent) => at = parent,
                    None => break,
                }
            }
            // Everything on this way is settled now.
            let mut at = start;
            while let Some(slot) = seen.get_mut(at).filter(|slot| matches!(slot, Seen::OnThisWay(_))) {
                *slot = Seen::Done;
                let next = first_name.get(at).copied().flatten().and_then(|name| self.names.get(name));
                match next.map(|name| name.parent) {
                    Some(Parent::Known(parent)) => at = usize::try_from(parent.0).unwrap_or(usize::MAX),
                    _ => break,
                }
            }
        }
    }

    fn take_out(&mut self, name: Option<usize>, root: ObjectId) {
        let Some(pending) = name.and_then(|index| self.names.get_mut(index)) else { return };
        if pending.object == root {
            return;
        }
        let locator = usize::try_from(pending.object.0)
            .ok()
            .and_then(|index| self.objects.get(index))
            .map_or(0, |object| object.locator);
        pending.parent = Parent::Lost(locator);
        self.findings.add(FindingKind::FolderLoop, None, Some(locator), || "its line of folders comes back to it");
    }

    fn house_the_homeless(&mut self, root: ObjectId) -> Result<()> {
        let homeless: Vec<(usize, u64)> = self
            .names
            .iter()
            .enumerate()
            .filter_map(|(index, name)| match name.parent {
                Parent::Lost(folder) => Some((index, folder)),
                Parent::Known(_) => None,
            })
            .collect();
        if homeless.is_empty() {
            return Ok(());
        }
        let house = self.virtual_folder(root, NO_FOLDER)?;
        let mut rooms: HashMap<u64, ObjectId> = HashMap::new();
        for (index, folder) in homeless {
            let room = match rooms.get(&folder) {
                Some(room) => *room,
                None => {
                    let room = self.virtual_folder(house, &format!("{} {folder}", self.address_kind.word()))?;
                    rooms.insert(folder, room);
                    room
                }
            };
            if let Some(name) = self.names.get_mut(index) {
                name.parent = Parent::Known(room);
            }
        }
        Ok(())
    }

    fn virtual_folder(&mut self, parent: ObjectId, name: &str) -> Result<ObjectId> {
        let mut object = Object::new(ObjectKind::Folder, 0);
        object.attributes.insert(Attribute::Virtual);
        object.incomplete.insert(Incomplete::NoFolder);
        let id = self.object(object)?;
        self.name(parent, id, name.encode_utf16())?;
        Ok(id)
    }
}
