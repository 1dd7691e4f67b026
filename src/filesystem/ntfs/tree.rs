//! From records with references to their folders to a catalog.

mod entries;
mod known_names;
mod order;

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use entries::{Entries, Entry};
pub(super) use known_names::KnownNames;
use order::Order;

use super::object::Made;
use super::structures::{FileName, record_number};
use super::units::Reference;
use crate::catalog::{
    AddressKind, Catalog, CatalogBuilder, Facts, FindingKind, Findings, Incomplete, Object, ObjectId, ObjectKind, Text,
    Texts,
};
use crate::error::Result;

/// The place of an object in the tree's list.
pub(super) type Slot = u32;

/// A file or folder.
#[derive(Debug, Clone, Copy)]
struct Found {
    record: u64,
    object: Slot,
    sequence: u16,
    deleted: bool,
}

/// A stream with a name; the streams of a file lie behind it in the list of objects.
#[derive(Debug, Clone, Copy)]
struct FoundStream {
    owner: Slot,
    slot: Slot,
    name: Text,
}

/// A name of a record. There are millions, so the reference to the folder stays as packed as on the volume.
#[derive(Debug, Clone, Copy)]
struct FoundName {
    record: u64,
    parent: u64,
    text: Text,
}

impl FoundName {
    fn parent(&self) -> Reference {
        Reference::from_field(self.parent)
    }
}

/// A file or folder as the tree has it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known {
    pub(super) record: u64,
    pub(super) sequence: u16,
    pub(super) object: Slot,
}

/// What the sweep found, in the order it was found.
#[derive(Default)]
pub(super) struct Tree {
    objects: Vec<Object>,
    found: Vec<Found>,
    streams: Vec<FoundStream>,
    names: Vec<FoundName>,
    texts: Texts,
}

/// The places of a file or folder and of its streams.
#[derive(Debug)]
pub(super) struct Added {
    pub(super) object: Slot,
    pub(super) streams: Vec<(Vec<u16>, Slot)>,
}

fn at<T>(list: &[T], slot: Slot) -> Option<&T> {
    usize::try_from(slot).ok().and_then(|index| list.get(index))
}

impl Tree {
    /// Adds a file or folder, live or deleted, and answers where it and its streams are.
    ///
    /// # Errors
    /// [`crate::Error::Limit`] past 2^32 objects or bytes of names.
    pub(super) fn add(
        &mut self,
        reference: Reference,
        deleted: bool,
        made: Made,
        names: &[&FileName],
    ) -> Result<Added> {
        for name in names {
            self.name(reference.record, name.parent, &name.units)?;
        }
        let object = self.object(made.object);
        self.found.push(Found { record: reference.record, sequence: reference.sequence, deleted, object });
        let mut streams = Vec::with_capacity(made.streams.len());
        for (name, stream) in made.streams {
            let slot = self.object(stream);
            let text = self.texts.add(name.iter().copied())?;
            self.streams.push(FoundStream { owner: object, slot, name: text });
            streams.push((name, slot));
        }
        Ok(Added { object, streams })
    }

    fn object(&mut self, object: Object) -> Slot {
        self.objects.push(object);
        // The catalog refuses more than this; until then nothing is mixed up.
        Slot::try_from(self.objects.len().saturating_sub(1)).unwrap_or(Slot::MAX)
    }

    /// Adds a name of a record.
    ///
    /// # Errors
    /// [`crate::Error::Limit`] past 2^32 bytes of names.
    pub(super) fn name(&mut self, record: u64, parent: Reference, units: &[u16]) -> Result<()> {
        let text = self.texts.add(units.iter().copied())?;
        self.names.push(FoundName { record, parent: parent.field(), text });
        Ok(())
    }

    /// Adds what was found behind all that is here, and answers where its objects begin.
    ///
    /// # Errors
    /// [`crate::Error::Limit`] past 2^32 bytes of names.
    pub(super) fn append(&mut self, other: Self) -> Result<Slot> {
        let first = Slot::try_from(self.objects.len()).unwrap_or(Slot::MAX);
        let moved = |slot: Slot| slot.saturating_add(first);
        let texts = self.texts.append(other.texts)?;
        self.objects.extend(other.objects);
        self.found.extend(other.found.into_iter().map(|found| Found { object: moved(found.object), ..found }));
        for FoundStream { owner, slot, name } in other.streams {
            self.streams.push(FoundStream { owner: moved(owner), slot: moved(slot), name: name.behind(texts)? });
        }
        for name in other.names {
            self.names.push(FoundName { text: name.text.behind(texts)?, ..name });
        }
        Ok(first)
    }

    /// An object by its place.
    pub(super) fn object_mut(&mut self, slot: Slot) -> Option<&mut Object> {
        usize::try_from(slot).ok().and_then(|index| self.objects.get_mut(index))
    }

    /// All objects, in the order in which they were found.
    pub(super) fn objects_mut(&mut self) -> impl Iterator<Item = &mut Object> {
        self.objects.iter_mut()
    }

    /// Whether an object is a folder, or a file of this size.
    pub(super) fn has_size(&self, slot: Slot, size: u64) -> bool {
        self.object_at(slot).is_some_and(|object| object.kind == ObjectKind::Folder || object.size == size)
    }

    fn object_at(&self, slot: Slot) -> Option<&Object> {
        at(&self.objects, slot)
    }

    /// The streams of an object.
    fn streams_of(&self, owner: Slot) -> &[FoundStream] {
        let from = self.streams.partition_point(|stream| stream.owner < owner);
        let rest = self.streams.get(from..).unwrap_or_default();
        rest.get(..rest.partition_point(|stream| stream.owner == owner)).unwrap_or_default()
    }

    /// Live files and folders.
    pub(super) fn live(&self) -> impl Iterator<Item = Known> + '_ {
        self.found.iter().filter(|found| !found.deleted).map(|found| Known {
            record: found.record,
            sequence: found.sequence,
            object: found.object,
        })
    }

    /// Whether an object is a folder.
    pub(super) fn is_folder(&self, slot: Slot) -> bool {
        self.object_at(slot).is_some_and(|object| object.kind == ObjectKind::Folder)
    }

    /// Names by the record they belong to, and by the folder they stand in.
    pub(super) fn known_names(&self) -> KnownNames<'_> {
        KnownNames::new(&self.names, &self.texts)
    }

    /// Live folders that a live file means by another sequence number than they have.
    pub(super) fn misnumbered(&self) -> HashSet<u64> {
        let folders: HashMap<u64, u16> = self
            .live()
            .filter(|known| self.is_folder(known.object))
            .map(|known| (known.record, known.sequence))
            .collect();
        let deleted: HashSet<u64> = self.found.iter().filter(|found| found.deleted).map(|found| found.record).collect();
        self.names
            .iter()
            .filter(|name| name.parent().record != record_number::ROOT && !deleted.contains(&name.record))
            .map(FoundName::parent)
            .filter(|parent| folders.get(&parent.record).is_some_and(|sequence| !parent.means(*sequence)))
            .map(|parent| parent.record)
            .collect()
    }

    /// The root's record number, after making sure that there is one.
    pub(super) fn root_or_stand_in(&mut self) -> Result<u64> {
        let root = record_number::ROOT;
        if !self.live().any(|known| known.record == root && self.is_folder(known.object)) {
            self.found.retain(|found| found.record != root);
            let mut object = Object::new(ObjectKind::Folder, root);
            object.facts = Facts::SOUND;
            object.incomplete.insert(Incomplete::RecordLost);
            self.add(Reference { record: root, sequence: 0 }, false, Made { object, streams: Vec::new() }, &[])?;
        }
        Ok(root)
    }

    /// Records of the filesystem's own files below $Extend. They are neither listed nor extracted. Only what begins
    /// with `$` counts, so that no stray reference hides a customer's file.
    pub(super) fn own_files(&self) -> BTreeSet<u64> {
        // A handful, asked for of every name.
        let mut own = BTreeSet::new();
        loop {
            let before = own.len();
            for name in &self.names {
                let parent = name.parent().record;
                let below_extend =
                    parent == record_number::EXTEND && self.texts.get(name.text).as_bytes().first() == Some(&b'$');
                if below_extend || own.contains(&parent) {
                    own.insert(name.record);
                }
            }
            // $Extend holds a few files in two levels; each round goes one deeper.
            if own.len() == before {
                return own;
            }
        }
    }

    /// The places of those files and of their streams.
    pub(super) fn own_slots(&self) -> HashSet<Slot> {
        let own = self.own_files();
        let found = self.found.iter().filter(|found| own.contains(&found.record));
        found
            .flat_map(|found| self.streams_of(found.object).iter().map(|stream| stream.slot).chain([found.object]))
            .collect()
    }

    /// Makes the catalog, and says what became of the places of deleted files.
    ///
    /// # Errors
    /// [`crate::Error::Limit`] past 2^32 objects, names or bytes of names.
    pub(super) fn build(
        mut self,
        root: u64,
        lost_records: u64,
        findings: &mut Findings,
    ) -> Result<(Catalog, BTreeMap<Slot, ObjectId>)> {
        let own = self.own_files();
        // The catalog has objects in the order of their records, each with its streams behind it.
        self.found.sort_by_key(|found| found.record);
        self.found.retain(|found| found.record == root || !own.contains(&found.record));
        let mut order = Order::of(self.objects.len());
        let mut places = BTreeMap::new();
        let mut entries: Vec<Entry> = Vec::with_capacity(self.found.len());
        let mut stream_names = Vec::with_capacity(self.streams.len());
        for found in &self.found {
            let Found { record, object, sequence, deleted } = *found;
            let id = order.next(object);
            let folder = self.object_at(object).is_some_and(|object| object.kind == ObjectKind::Folder);
            entries.push(Entry { record, sequence, deleted, folder, id });
            if deleted {
                places.insert(object, id);
            }
            for stream in self.streams_of(object) {
                let stream_id = order.next(stream.slot);
                stream_names.push((id, stream_id, stream.name));
                if deleted {
                    places.insert(stream.slot, stream_id);
                }
            }
        }
        self.found = Vec::new();
        order.apply(&mut self.objects);
        let mut builder = CatalogBuilder::of(AddressKind::Record, self.objects, self.texts)?;
        builder.lost_records = lost_records;
        for (owner, stream, name) in stream_names {
            if let Some(object) = builder.object_mut(stream) {
                object.owner = Some(owner);
            }
            builder.known_name(owner, stream, name);
        }
        let mut entries = Entries::new(entries);
        for name in &self.names {
            // The root's own name is `.`; files of the filesystem's own are not in the index.
            let Some(file) = entries.file(name.record).filter(|entry| entry.record != root) else { continue };
            let parent = name.parent();
            match entries.folder(parent.record) {
                Some(folder) if folder.folder && (folder.is_meant(parent, file.deleted) || folder.record == root) => {
                    builder.known_name(folder.id, file.id, name.text);
                }
                _ => {
                    // That the folder of a deleted file is gone, too, is no finding.
                    if !file.deleted {
                        findings.add(FindingKind::ParentLost, None, Some(name.record), || format!("{parent}"));
                    }
                    builder.lost_name(parent.record, file.id, name.text)?;
                }
            }
        }
        let root_id = match entries.file(root) {
            Some(entry) => entry.id,
            None => builder.object(Object::new(ObjectKind::Folder, root))?,
        };
        drop(entries);
        self.names = Vec::new();
        Ok((builder.finish(root_id)?, places))
    }
}
