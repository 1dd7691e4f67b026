//! The types that everyone shares: objects, names, extents, states, findings. Nothing in here reads.
//!
//! A [`Catalog`] is two arenas. **Objects** are what a filesystem keeps once: a file, a folder, a link, a stream.
//! **Names** are where an object stands: a hard-linked file is one object with several names. Totals count objects,
//! what is copied counts names.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

mod build;
mod completeness;
mod extents;
mod finding;
mod name;
mod object;
mod path;
mod state;
mod time;

pub use build::CatalogBuilder;
pub use completeness::Completeness;
pub use extents::{Encoding, Extents, Gap, Packed, Packing, Place, Run, Runs};
pub use finding::{Finding, FindingKind, Findings, Kept};
pub use name::Name;
pub use object::{Attribute, Object, ObjectKind};
pub use path::{Lookup, MAX_DEPTH};
pub use state::{Distrust, Facts, GapKind, Incomplete, State, Unlocated};
pub use time::{Timestamp, Zone};

use std::fmt::Write as _;

use serde::Serialize;

use crate::error::Result;

/// An object of a catalog.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ObjectId(u32);

impl ObjectId {
    fn index(self) -> Option<usize> {
        usize::try_from(self.0).ok()
    }
}

/// A name of a catalog.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NameId(u32);

/// The name that stands for "the folder of these is not known".
pub const NO_FOLDER: &str = "(no folder)";

/// By which word and number a filesystem's objects are addressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum AddressKind {
    /// `record:N`, an NTFS file record number.
    Record,
    /// `entry:OFFSET`, the byte offset in the volume of a FAT or exFAT directory entry.
    Entry,
    /// `inode:N`.
    Inode,
}

impl AddressKind {
    /// All, in the order of the type.
    pub const ALL: [Self; 3] = [Self::Record, Self::Entry, Self::Inode];

    /// The word before the colon.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Record => "record",
            Self::Entry => "entry",
            Self::Inode => "inode",
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct NameEntry {
    /// The folder the name stands in, or the object a stream belongs to; the root is its own.
    parent: ObjectId,
    object: ObjectId,
    text_start: u32,
    text_length: u16,
}

/// What a volume holds.
#[derive(Debug)]
pub struct Catalog {
    objects: Vec<Object>,
    names: Vec<NameEntry>,
    text: Vec<u8>,
    /// Names by parent, then by folded text: the children of an object are one stretch.
    by_parent: Vec<NameId>,
    /// Where the stretch of each object begins.
    first_below: Vec<u32>,
    /// Names by object: the names of an object are one stretch.
    by_object: Vec<NameId>,
    /// Where the stretch of each object begins.
    first_name: Vec<u32>,
    /// Objects other than streams and virtual folders by their own number.
    by_locator: Vec<ObjectId>,
    root: ObjectId,
    address_kind: AddressKind,
    /// Records that held something and can't be read: what they described is missing without a name.
    pub lost_records: u64,
    /// Facts about the volume, found by the sweep.
    pub findings: Findings,
}

impl Catalog {
    /// Sorts what the look-ups need.
    fn index(
        objects: Vec<Object>,
        names: Vec<NameEntry>,
        text: Vec<u8>,
        root: ObjectId,
        address_kind: AddressKind,
        lost_records: u64,
        findings: Findings,
    ) -> Result<Self> {
        let name_count = u32::try_from(names.len()).map_err(|_| build::too_many("names"))?;
        let mut by_locator: Vec<ObjectId> = (0_u32..)
            .map(ObjectId)
            .zip(&objects)
            .filter(|(_, object)| object.kind != ObjectKind::Stream && !object.attributes.contains(Attribute::Virtual))
            .map(|(id, _)| id)
            .collect();
        by_locator.sort_by_key(|id| id.index().and_then(|index| objects.get(index)).map(|object| object.locator));
        let mut by_object: Vec<NameId> = (0..name_count).map(NameId).collect();
        by_object
            .sort_by_key(|id| usize::try_from(id.0).ok().and_then(|index| names.get(index)).map(|name| name.object));
        let mut catalog = Self {
            objects,
            names,
            text,
            by_parent: Vec::new(),
            first_below: Vec::new(),
            by_object,
            first_name: Vec::new(),
            by_locator,
            root,
            address_kind,
            lost_records,
            findings,
        };
        // All folded names stand in one text, so that millions of them take no room each of their own.
        let mut folded = String::new();
        let mut by_parent: Vec<(ObjectId, usize, usize, NameId)> = Vec::with_capacity(catalog.names.len());
        for id in (0..name_count).map(NameId) {
            let start = folded.len();
            path::fold_onto(&mut folded, catalog.name(id));
            by_parent.push((catalog.parent(id), start, folded.len(), id));
        }
        by_parent.sort_unstable_by(|one, two| {
            let text = |start, end| folded.as_bytes().get(start..end);
            let exact = |id: NameId| catalog.name(id);
            (one.0.cmp(&two.0))
                .then_with(|| text(one.1, one.2).cmp(&text(two.1, two.2)))
                .then_with(|| exact(one.3).cmp(&exact(two.3)))
                .then(one.3.cmp(&two.3))
        });
        catalog.by_parent = by_parent.into_iter().map(|(.., id)| id).collect();
        let objects = catalog.objects.len();
        catalog.first_below = first_of_each(objects, catalog.by_parent.iter().map(|name| catalog.parent(*name)));
        catalog.first_name = first_of_each(objects, catalog.by_object.iter().map(|name| catalog.named_object(*name)));
        Ok(catalog)
    }

    /// The root folder.
    #[must_use]
    pub fn root(&self) -> ObjectId {
        self.root
    }

    /// How objects are addressed.
    #[must_use]
    pub fn address_kind(&self) -> AddressKind {
        self.address_kind
    }

    /// An object. An id of another catalog gives one that nobody has examined.
    #[must_use]
    pub fn object(&self, id: ObjectId) -> &Object {
        static NOTHING: Object = Object::new(ObjectKind::Other, 0);
        id.index().and_then(|index| self.objects.get(index)).unwrap_or(&NOTHING)
    }

    /// Notes a reason for distrust of these objects.
    pub(crate) fn doubt(&mut self, objects: &[ObjectId], reason: Distrust) {
        for id in objects {
            if let Some(object) = id.index().and_then(|index| self.objects.get_mut(index)) {
                object.facts.distrust.insert(reason);
            }
        }
    }

    /// All objects with their ids, in the order of the sweep.
    pub fn objects(&self) -> impl Iterator<Item = (ObjectId, &Object)> {
        (0_u32..).map(ObjectId).zip(&self.objects)
    }

    /// How many objects there are, streams and virtual folders included.
    #[must_use]
    pub fn object_count(&self) -> usize {
        self.objects.len()
    }

    /// How many names there are.
    #[must_use]
    pub fn name_count(&self) -> usize {
        self.names.len()
    }

    fn entry(&self, id: NameId) -> NameEntry {
        let nothing = NameEntry { parent: self.root, object: self.root, text_start: 0, text_length: 0 };
        usize::try_from(id.0).ok().and_then(|index| self.names.get(index)).copied().unwrap_or(nothing)
    }

    /// A name's text.
    #[must_use]
    pub fn name(&self, id: NameId) -> Name<'_> {
        let entry = self.entry(id);
        let start = usize::try_from(entry.text_start).unwrap_or(usize::MAX);
        let bytes = crate::bytes::slice(&self.text, start, usize::from(entry.text_length)).unwrap_or_default();
        Name::from_stored(bytes)
    }

    /// The object a name stands for.
    #[must_use]
    pub fn named_object(&self, id: NameId) -> ObjectId {
        self.entry(id).object
    }

    /// The folder a name stands in; the object a stream belongs to.
    #[must_use]
    pub fn parent(&self, id: NameId) -> ObjectId {
        self.entry(id).parent
    }

    /// The names in a folder, sorted by folded text; streams of the folder are not among them.
    pub fn children(&self, folder: ObjectId) -> impl Iterator<Item = NameId> + '_ {
        self.below(folder).filter(|name| self.object(self.entry(*name).object).kind != ObjectKind::Stream)
    }

    /// The names of the streams of an object.
    pub fn streams(&self, owner: ObjectId) -> impl Iterator<Item = NameId> + '_ {
        self.below(owner).filter(|name| self.object(self.entry(*name).object).kind == ObjectKind::Stream)
    }

    fn below(&self, parent: ObjectId) -> impl Iterator<Item = NameId> + '_ {
        stretch(&self.by_parent, &self.first_below, parent).filter(|name| self.entry(*name).object != self.root)
    }

    /// The names of an object; several for a hard-linked file.
    pub fn names_of(&self, object: ObjectId) -> impl Iterator<Item = NameId> + '_ {
        stretch(&self.by_object, &self.first_name, object)
    }

    /// The stable address of an object: `record:68`, or `record:68:STREAM`. Virtual folders have none.
    #[must_use]
    pub fn address(&self, id: ObjectId) -> Option<String> {
        let mut address = String::new();
        self.address_onto(&mut address, id);
        (!address.is_empty()).then_some(address)
    }

    /// Adds the address of an object to a text, if it has one.
    pub(crate) fn address_onto(&self, text: &mut String, id: ObjectId) {
        let object = self.object(id);
        if object.attributes.contains(Attribute::Virtual) {
            return;
        }
        // Writing to a String can't fail.
        let _ = write!(text, "{}:{}", self.address_kind.word(), object.locator);
        if object.kind == ObjectKind::Stream
            && let Some(name) = self.names_of(id).next()
        {
            text.push(':');
            text.push_str(&self.name(name).text());
        }
    }
}

/// For each of `count` objects where its stretch begins among names whose objects are `sorted`; then where the last one
/// ends. The catalog has fewer than 2^32 names.
fn first_of_each(count: usize, sorted: impl Iterator<Item = ObjectId>) -> Vec<u32> {
    let mut first = Vec::with_capacity(count.saturating_add(1));
    let mut at = 0_u32;
    for object in sorted {
        // What belongs to no object is sorted last, and never come by.
        let Some(index) = object.index().filter(|index| *index < count) else { break };
        if index >= first.len() {
            first.resize(index.saturating_add(1), at);
        }
        at = at.saturating_add(1);
    }
    first.resize(count.saturating_add(1), at);
    first
}

/// The names of an object among those of all.
fn stretch<'a>(names: &'a [NameId], first: &[u32], object: ObjectId) -> impl Iterator<Item = NameId> + 'a {
    let place = |at: Option<usize>| at.and_then(|at| first.get(at)).and_then(|at| usize::try_from(*at).ok());
    let (start, end) = (place(object.index()), place(object.index().and_then(|index| index.checked_add(1))));
    let range = start.zip(end).map(|(start, end)| start..end);
    range.and_then(|range| names.get(range)).unwrap_or_default().iter().copied()
}

#[cfg(test)]
mod tests;
