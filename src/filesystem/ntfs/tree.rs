//! From records with references to their folders to a catalog.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::object::Made;
use super::structures::{FileName, record_number};
use super::units::Reference;
use crate::catalog::{
    AddressKind, Catalog, CatalogBuilder, Facts, FindingKind, Findings, Incomplete, Object, ObjectId, ObjectKind,
};
use crate::error::Result;

/// The place of an object in the tree's list.
pub(super) type Slot = u32;

struct Found {
    record: u64,
    sequence: u16,
    deleted: bool,
    object: Slot,
    streams: Vec<(Vec<u16>, Slot)>,
}

struct FoundName {
    record: u64,
    parent: Reference,
    start: usize,
    end: usize,
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
    names: Vec<FoundName>,
    units: Vec<u16>,
}

impl Tree {
    /// Adds a file or folder, live or deleted, and answers where it and its streams are.
    pub(super) fn add(
        &mut self,
        reference: Reference,
        deleted: bool,
        made: Made,
        names: &[&FileName],
    ) -> (Slot, &[(Vec<u16>, Slot)]) {
        for name in names {
            self.name(reference.record, name.parent, &name.units);
        }
        let object = self.object(made.object);
        let streams = made.streams.into_iter().map(|(name, stream)| (name, self.object(stream))).collect();
        self.found.push(Found { record: reference.record, sequence: reference.sequence, deleted, object, streams });
        (object, self.found.last().map_or(&[], |found| found.streams.as_slice()))
    }

    fn object(&mut self, object: Object) -> Slot {
        self.objects.push(object);
        // The catalog refuses more than this; until then nothing is mixed up.
        Slot::try_from(self.objects.len().saturating_sub(1)).unwrap_or(Slot::MAX)
    }

    /// Adds a name of a record.
    pub(super) fn name(&mut self, record: u64, parent: Reference, units: &[u16]) {
        let start = self.units.len();
        self.units.extend_from_slice(units);
        self.names.push(FoundName { record, parent, start, end: self.units.len() });
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
        usize::try_from(slot).ok().and_then(|index| self.objects.get(index))
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

    /// Names by the record they belong to: parent and units.
    pub(super) fn names_by_record(&self) -> HashMap<u64, Vec<(Reference, &[u16])>> {
        let mut all: HashMap<u64, Vec<(Reference, &[u16])>> = HashMap::new();
        for name in &self.names {
            let units = self.units.get(name.start..name.end).unwrap_or_default();
            all.entry(name.record).or_default().push((name.parent, units));
        }
        all
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
            .filter(|name| name.parent.record != record_number::ROOT && !deleted.contains(&name.record))
            .filter(|name| folders.get(&name.parent.record).is_some_and(|sequence| !name.parent.means(*sequence)))
            .map(|name| name.parent.record)
            .collect()
    }

    /// The root's record number, after making sure that there is one.
    pub(super) fn root_or_stand_in(&mut self) -> u64 {
        let root = record_number::ROOT;
        if !self.live().any(|known| known.record == root && self.is_folder(known.object)) {
            self.found.retain(|found| found.record != root);
            let mut object = Object::new(ObjectKind::Folder, root);
            object.facts = Facts::SOUND;
            object.incomplete.insert(Incomplete::RecordLost);
            self.add(Reference { record: root, sequence: 0 }, false, Made { object, streams: Vec::new() }, &[]);
        }
        root
    }

    /// Records of the filesystem's own files below $Extend. They are neither listed nor extracted. Only what begins
    /// with `$` counts, so that no stray reference hides a customer's file.
    pub(super) fn own_files(&self) -> HashSet<u64> {
        let mut own = HashSet::new();
        loop {
            let before = own.len();
            for name in &self.names {
                let below_extend = name.parent.record == record_number::EXTEND
                    && self.units.get(name.start..name.end).and_then(<[u16]>::first) == Some(&u16::from(b'$'));
                if below_extend || own.contains(&name.parent.record) {
                    own.insert(name.record);
                }
            }
            // $Extend holds a few files in two levels; each round goes one deeper.
            if own.len() == before {
                return own;
            }
        }
    }

    /// Makes the catalog, and says what became of the places of deleted files.
    pub(super) fn build(
        mut self,
        root: u64,
        lost_records: u64,
        findings: &mut Findings,
    ) -> Result<(Catalog, BTreeMap<Slot, ObjectId>)> {
        let own = self.own_files();
        self.found.sort_by_key(|found| found.record);
        let mut builder = CatalogBuilder::new(AddressKind::Record);
        builder.lost_records = lost_records;
        // Records in order, with what is needed to tell whether a reference means them.
        let mut index: Vec<Entry> = Vec::with_capacity(self.found.len());
        let mut places = BTreeMap::new();
        let mut root_id = None;
        let mut objects: Vec<Option<Object>> = self.objects.into_iter().map(Some).collect();
        let mut take = |slot: Slot| {
            let place = usize::try_from(slot).ok().and_then(|index| objects.get_mut(index));
            place.and_then(Option::take).unwrap_or(Object::new(ObjectKind::Other, 0))
        };
        for found in self.found {
            if own.contains(&found.record) && found.record != root {
                continue;
            }
            let object = take(found.object);
            let folder = object.kind == ObjectKind::Folder;
            let id = builder.object(object)?;
            if found.deleted {
                places.insert(found.object, id);
            }
            index.push(Entry { record: found.record, sequence: found.sequence, deleted: found.deleted, folder, id });
            for (name, slot) in found.streams {
                let mut stream = take(slot);
                stream.owner = Some(id);
                let stream = builder.object(stream)?;
                if found.deleted {
                    places.insert(slot, stream);
                }
                builder.name(id, stream, name)?;
            }
            if found.record == root {
                root_id = Some(id);
            }
        }
        let find = |record: u64| {
            index.binary_search_by_key(&record, |entry| entry.record).ok().and_then(|at| index.get(at)).copied()
        };
        for name in &self.names {
            // The root's own name is `.`; files of the filesystem's own are not in the index.
            let Some(file) = find(name.record).filter(|entry| entry.record != root) else { continue };
            let units = self.units.get(name.start..name.end).unwrap_or_default().iter().copied();
            match find(name.parent.record) {
                Some(folder)
                    if folder.folder && (folder.is_meant(name.parent, file.deleted) || folder.record == root) =>
                {
                    builder.name(folder.id, file.id, units)?;
                }
                _ => {
                    // That the folder of a deleted file is gone, too, is no finding.
                    if !file.deleted {
                        findings.add(FindingKind::ParentLost, None, Some(name.record), || format!("{}", name.parent));
                    }
                    builder.homeless_name(name.parent.record, file.id, units)?;
                }
            }
        }
        let root_id = match root_id {
            Some(id) => id,
            None => builder.object(Object::new(ObjectKind::Folder, root))?,
        };
        Ok((builder.finish(root_id)?, places))
    }
}

/// A record that has become an object.
#[derive(Clone, Copy)]
struct Entry {
    record: u64,
    sequence: u16,
    deleted: bool,
    folder: bool,
    id: ObjectId,
}

impl Entry {
    /// Whether a reference means this folder. Deleting raises a record's sequence number by one, so a deleted folder is
    /// meant by references with the number before; only deleted files can still stand in it.
    fn is_meant(&self, reference: Reference, by_deleted: bool) -> bool {
        match self.deleted {
            false => reference.means(self.sequence),
            true => by_deleted && reference.sequence.wrapping_add(1) == self.sequence,
        }
    }
}
