//! What stands in a folder, and what each of it is called in the handover.

use super::names::{Mapped, assign, safe_component, safe_component_bytes, unchanged};
use crate::catalog::{AddressKind, Catalog, NameId, ObjectId};

/// Where folders stand whose path would be too long, each under the filesystem's own number of it.
pub(super) const LONG_PATHS: &str = "(long paths)";

/// Something in a folder that has a name of its own there.
pub(super) struct Item {
    pub(super) name: NameId,
    /// For a stream: the file's name beside which it stands.
    pub(super) beside: Option<NameId>,
}

/// Everything in a folder that may get a name, in an order that depends on nothing but the catalog.
fn items(catalog: &Catalog, folder: ObjectId) -> Vec<Item> {
    let mut children: Vec<NameId> = catalog.children(folder).collect();
    children.sort_by(|one, two| catalog.name(*one).cmp(&catalog.name(*two)).then(one.cmp(two)));
    let mut items = Vec::with_capacity(children.len());
    let streams_of = |owner: ObjectId, beside: Option<NameId>, items: &mut Vec<Item>| {
        let mut streams: Vec<NameId> = catalog.streams(owner).collect();
        streams.sort_by(|one, two| catalog.name(*one).cmp(&catalog.name(*two)).then(one.cmp(two)));
        // The root's own name is empty; its streams stand in it.
        let beside = beside.or_else(|| catalog.names_of(owner).next());
        items.extend(streams.into_iter().map(|name| Item { name, beside }));
    };
    if folder == catalog.root() {
        streams_of(folder, None, &mut items);
    }
    for name in children {
        items.push(Item { name, beside: None });
        streams_of(catalog.named_object(name), Some(name), &mut items);
    }
    items
}

/// What stands in a folder, in an order that depends on nothing but the catalog, and the name that each of it has in the
/// handover.
pub(super) fn named(catalog: &Catalog, folder: ObjectId) -> Vec<(Item, String)> {
    let items = items(catalog, folder);
    let mut names = mapped(catalog, &items);
    if folder == catalog.root() {
        names.push(ours(LONG_PATHS));
    }
    assign(&mut names);
    items.into_iter().zip(names.into_iter().map(|mapped| mapped.name)).collect()
}

fn mapped(catalog: &Catalog, items: &[Item]) -> Vec<Mapped> {
    let bytes = catalog.address_kind() == AddressKind::Inode;
    let mapped = |item: &Item| {
        let name = catalog.name(item.name);
        match (item.beside.map(|owner| catalog.name(owner)), bytes) {
            (None, false) => unchanged(name.as_bytes()).unwrap_or_else(|| safe_component(&name.units())),
            (None, true) => safe_component_bytes(name.as_bytes()),
            (Some(owner), false) => safe_component(&[owner.units(), vec![u16::from(b':')], name.units()].concat()),
            (Some(owner), true) => safe_component_bytes(&[owner.as_bytes(), b":", name.as_bytes()].concat()),
        }
    };
    items.iter().map(mapped).collect()
}

/// A name of ours.
fn ours(name: &str) -> Mapped {
    Mapped { name: name.to_string(), changed: true }
}

/// A name for a folder of ours in a volume's root that nothing of the volume's has. It comes last, so that it and not
/// the customer's folder takes the number.
pub(super) fn free_in_root(catalog: &Catalog, wanted: &str) -> String {
    let mut names = mapped(catalog, &items(catalog, catalog.root()));
    if wanted != LONG_PATHS {
        names.push(ours(LONG_PATHS));
    }
    names.push(ours(wanted));
    assign(&mut names);
    names.pop().map_or_else(|| wanted.to_string(), |last| last.name)
}
