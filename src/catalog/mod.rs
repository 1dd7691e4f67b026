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
mod grouped;
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
pub(crate) use name::{Text, Texts, stored_name};
pub use object::{Attribute, Object, ObjectKind};
pub use path::{Lookup, MAX_DEPTH};
pub use state::{Distrust, Facts, GapKind, Incomplete, State, Unlocated};
pub use time::{Timestamp, Zone};

use std::fmt::Write as _;
use std::ops::Range;

use grouped::Grouped;
use serde::Serialize;

use crate::error::Result;

/// An object of a catalog.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ObjectId(u32);

impl ObjectId {
    /// The object at this place of a list that a catalog is made of.
    pub(crate) fn nth(place: u32) -> Self {
        Self(place)
    }

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
    text: Text,
}

/// What a volume holds.
#[derive(Debug)]
pub struct Catalog {
    objects: Vec<Object>,
    names: Vec<NameEntry>,
    texts: Texts,
    /// Names by parent, those of each by folded text.
    by_parent: Grouped,
    /// Names by object.
    by_object: Grouped,
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
        texts: Texts,
        root: ObjectId,
        address_kind: AddressKind,
        lost_records: u64,
        findings: Findings,
    ) -> Result<Self> {
        u32::try_from(names.len()).map_err(|_| build::too_many("names"))?;
        let mut by_locator: Vec<ObjectId> = (0_u32..)
            .map(ObjectId)
            .zip(&objects)
            .filter(|(_, object)| object.kind != ObjectKind::Stream && !object.attributes.contains(Attribute::Virtual))
            .map(|(id, _)| id)
            .collect();
        by_locator.sort_by_key(|id| id.index().and_then(|index| objects.get(index)).map(|object| object.locator));
        let by_object = Grouped::new(objects.len(), &names, |name| name.object);
        let by_parent = Grouped::new(objects.len(), &names, |name| name.parent);
        let mut catalog = Self {
            objects,
            names,
            texts,
            by_parent,
            by_object,
            by_locator,
            root,
            address_kind,
            lost_records,
            findings,
        };
        catalog.sort_folders();
        Ok(catalog)
    }

    /// Puts the names of each folder into the order of their folded text.
    fn sort_folders(&mut self) {
        let mut by_parent = std::mem::take(&mut self.by_parent);
        // The folded names of one folder stand in one text, so that each takes no room of its own.
        let mut folded = String::new();
        let mut keys: Vec<(Range<usize>, NameId)> = Vec::new();
        for folder in by_parent.groups_mut() {
            folded.clear();
            keys.clear();
            for name in folder.iter() {
                let start = folded.len();
                path::fold_onto(&mut folded, self.name(*name));
                keys.push((start..folded.len(), *name));
            }
            keys.sort_unstable_by(|(one, one_name), (two, two_name)| {
                let text = |range: &Range<usize>| folded.as_bytes().get(range.clone());
                (text(one).cmp(&text(two)))
                    .then_with(|| self.name(*one_name).cmp(&self.name(*two_name)))
                    .then(one_name.cmp(two_name))
            });
            folder.iter_mut().zip(&keys).for_each(|(place, (_, name))| *place = *name);
        }
        self.by_parent = by_parent;
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
        let nothing = NameEntry { parent: self.root, object: self.root, text: Text::default() };
        usize::try_from(id.0).ok().and_then(|index| self.names.get(index)).copied().unwrap_or(nothing)
    }

    /// A name's text.
    #[must_use]
    pub fn name(&self, id: NameId) -> Name<'_> {
        self.texts.get(self.entry(id).text)
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
        self.by_parent.of(parent).iter().copied().filter(|name| self.entry(*name).object != self.root)
    }

    /// The names of an object; several for a hard-linked file.
    pub fn names_of(&self, object: ObjectId) -> impl Iterator<Item = NameId> + '_ {
        self.by_object.of(object).iter().copied()
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

#[cfg(test)]
mod tests;
