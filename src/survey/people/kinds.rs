//! What a person has, by kind of file.

use std::collections::{BTreeMap, HashSet};

use crate::catalog::{Catalog, ObjectId, ObjectKind};
use crate::survey::cost::{Cost, KindCost};
use crate::survey::kind::FileKind;

/// Files by kind, in the order of the type. A file with several names counts once, where it was met first.
pub(super) fn of(catalog: &Catalog, objects: &[ObjectId]) -> Vec<KindCost> {
    let mut kinds: BTreeMap<FileKind, Cost> = BTreeMap::new();
    let mut linked = HashSet::new();
    let mut add = |name, object| {
        let entry = catalog.object(object);
        let several = catalog.names_of(object).nth(1).is_some();
        if entry.kind == ObjectKind::File && (!several || linked.insert(object)) {
            kinds.entry(FileKind::of_name(&catalog.name(name).text())).or_default().add(entry);
        }
    };
    // The catalog's tree has no loops and a bounded depth.
    let mut open = Vec::new();
    for object in objects {
        match catalog.object(*object).kind {
            ObjectKind::Folder => open.push(*object),
            _ => catalog.names_of(*object).take(1).for_each(|name| add(name, *object)),
        }
    }
    while let Some(folder) = open.pop() {
        for name in catalog.children(folder) {
            let object = catalog.named_object(name);
            match catalog.object(object).kind {
                ObjectKind::Folder => open.push(object),
                _ => add(name, object),
            }
        }
    }
    kinds.into_iter().map(|(kind, cost)| KindCost { kind, cost }).collect()
}
