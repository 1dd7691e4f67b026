//! What a sweep found, with the folders that it stands in, and the catalog of it.

use crate::catalog::{AddressKind, Catalog, CatalogBuilder, Object, ObjectId};
use crate::error::Result;

/// The place of an object in the tree's list.
pub(super) type Slot = u32;

/// Where a name stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Parent {
    /// In this folder.
    Folder(Slot),
    /// In a folder whose own entry is lost; its list lies at this byte of the volume.
    Lost(u64),
}

struct Name {
    parent: Parent,
    start: usize,
    end: usize,
}

/// Objects in the order they were found; the first one is the root.
#[derive(Default)]
pub(super) struct Tree {
    objects: Vec<Object>,
    /// One for each object but the root, in the same order.
    names: Vec<Name>,
    units: Vec<u16>,
}

impl Tree {
    /// A tree that has only its root.
    pub(super) fn new(root: Object) -> Self {
        Self { objects: vec![root], ..Self::default() }
    }

    /// Adds a file or folder.
    pub(super) fn add(&mut self, object: Object, parent: Parent, name: &[u16]) -> Slot {
        let start = self.units.len();
        self.units.extend_from_slice(name);
        self.names.push(Name { parent, start, end: self.units.len() });
        self.objects.push(object);
        // The catalog refuses more than this; until then nothing is mixed up.
        Slot::try_from(self.objects.len().saturating_sub(1)).unwrap_or(Slot::MAX)
    }

    pub(super) fn object_mut(&mut self, slot: Slot) -> Option<&mut Object> {
        usize::try_from(slot).ok().and_then(|index| self.objects.get_mut(index))
    }

    pub(super) fn objects_mut(&mut self) -> impl Iterator<Item = &mut Object> {
        self.objects.iter_mut()
    }

    /// Makes the catalog, and says what became of the places, in their order.
    pub(super) fn build(self) -> Result<(Catalog, Vec<ObjectId>)> {
        let mut builder = CatalogBuilder::new(AddressKind::Entry);
        let mut places = Vec::with_capacity(self.objects.len());
        for object in self.objects {
            places.push(builder.object(object)?);
        }
        let root = match places.first() {
            Some(root) => *root,
            None => builder.object(Object::new(crate::catalog::ObjectKind::Folder, 0))?,
        };
        for (object, name) in places.iter().skip(1).zip(&self.names) {
            let units = self.units.get(name.start..name.end).unwrap_or_default().iter().copied();
            match name.parent {
                Parent::Folder(folder) => {
                    let folder = usize::try_from(folder).ok().and_then(|folder| places.get(folder));
                    builder.name(folder.copied().unwrap_or(root), *object, units)?;
                }
                Parent::Lost(place) => builder.homeless_name(place, *object, units)?,
            }
        }
        Ok((builder.finish(root)?, places))
    }
}
