//! Catalogs made by hand, for tests.

use std::collections::HashMap;

use crate::catalog::{AddressKind, CatalogBuilder, Facts, Object, ObjectId, ObjectKind};

/// A catalog in the making.
pub(super) struct Maker {
    pub(super) builder: CatalogBuilder,
    pub(super) root: ObjectId,
    made: HashMap<(ObjectId, String), ObjectId>,
}

impl Maker {
    pub(super) fn new() -> Self {
        let mut builder = CatalogBuilder::new(AddressKind::Record);
        let mut root = Object::new(ObjectKind::Folder, 5);
        root.facts = Facts::SOUND;
        let root = builder.object(root).unwrap();
        Self { builder, root, made: HashMap::new() }
    }

    pub(super) fn add(&mut self, parent: ObjectId, kind: ObjectKind, name: &str, size: u64) -> ObjectId {
        let mut object = Object::new(kind, 30);
        object.facts = Facts::SOUND;
        object.size = size;
        let id = self.builder.object(object).unwrap();
        self.builder.name(parent, id, name.encode_utf16()).unwrap();
        id
    }

    pub(super) fn folder(&mut self, parent: ObjectId, name: &str) -> ObjectId {
        self.add(parent, ObjectKind::Folder, name, 0)
    }

    pub(super) fn file(&mut self, parent: ObjectId, name: &str, size: u64) -> ObjectId {
        self.add(parent, ObjectKind::File, name, size)
    }

    /// The last of several folders, each in the one before; those that are there already are not made again.
    pub(super) fn folders(&mut self, mut parent: ObjectId, path: &str) -> ObjectId {
        for part in path.split('/') {
            let key = (parent, part.to_string());
            parent = match self.made.get(&key) {
                Some(folder) => *folder,
                None => {
                    let folder = self.folder(parent, part);
                    self.made.insert(key, folder);
                    folder
                }
            };
        }
        parent
    }
}
