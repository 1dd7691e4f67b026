//! From records with references to their folders to a catalog.

use std::collections::HashSet;

use super::structures::{FileName, record_number};
use super::units::Reference;
use crate::catalog::{
    AddressKind, Catalog, CatalogBuilder, Facts, FindingKind, Findings, Incomplete, Object, ObjectId, ObjectKind,
};
use crate::error::Result;

struct Found {
    record: u64,
    sequence: u16,
    object: Object,
    streams: Vec<(Vec<u16>, Object)>,
}

struct FoundName {
    record: u64,
    parent: Reference,
    start: usize,
    end: usize,
}

/// What the sweep found, in the order it was found.
#[derive(Default)]
pub(super) struct Tree {
    found: Vec<Found>,
    names: Vec<FoundName>,
    units: Vec<u16>,
}

impl Tree {
    /// Adds a file or folder with its names.
    pub(super) fn add<'a>(
        &mut self,
        record: u64,
        sequence: u16,
        object: Object,
        names: impl Iterator<Item = &'a FileName>,
        streams: Vec<(Vec<u16>, Object)>,
    ) {
        for name in names {
            let start = self.units.len();
            self.units.extend_from_slice(&name.units);
            self.names.push(FoundName { record, parent: name.parent, start, end: self.units.len() });
        }
        self.found.push(Found { record, sequence, object, streams });
    }

    /// Marks all folders.
    pub(super) fn mark_folders(&mut self, mut mark: impl FnMut(&mut Object) -> bool) {
        for found in self.found.iter_mut().filter(|found| found.object.kind == ObjectKind::Folder) {
            mark(&mut found.object);
        }
    }

    /// The root's record number, after making sure that there is one.
    pub(super) fn root_or_stand_in(&mut self) -> u64 {
        let root = record_number::ROOT;
        if !self.found.iter().any(|found| found.record == root && found.object.kind == ObjectKind::Folder) {
            self.found.retain(|found| found.record != root);
            let mut object = Object::new(ObjectKind::Folder, root);
            object.facts = Facts::SOUND;
            object.incomplete.insert(Incomplete::RecordLost);
            self.found.push(Found { record: root, sequence: 0, object, streams: Vec::new() });
        }
        root
    }

    /// Records of the filesystem's own files below $Extend. They are neither listed nor extracted. Only what begins
    /// with `$` counts, so that no stray reference hides a customer's file.
    fn own_files(&self) -> HashSet<u64> {
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

    /// Makes the catalog.
    pub(super) fn build(mut self, root: u64, lost_records: u64, findings: &mut Findings) -> Result<Catalog> {
        let own = self.own_files();
        self.found.sort_by_key(|found| found.record);
        let mut builder = CatalogBuilder::new(AddressKind::Record);
        builder.lost_records = lost_records;
        // Records in order, with what is needed to tell whether a reference means them.
        let mut index: Vec<(u64, u16, bool, ObjectId)> = Vec::with_capacity(self.found.len());
        let mut root_id = None;
        for found in self.found {
            if own.contains(&found.record) && found.record != root {
                continue;
            }
            let folder = found.object.kind == ObjectKind::Folder;
            let id = builder.object(found.object)?;
            index.push((found.record, found.sequence, folder, id));
            for (name, mut stream) in found.streams {
                stream.owner = Some(id);
                let stream = builder.object(stream)?;
                builder.name(id, stream, name)?;
            }
            if found.record == root {
                root_id = Some(id);
            }
        }
        let find = |record: u64| {
            index.binary_search_by_key(&record, |entry| entry.0).ok().and_then(|at| index.get(at)).copied()
        };
        for name in &self.names {
            // The root's own name is `.`; files of the filesystem's own are not in the index.
            let Some((_, _, _, object)) = find(name.record).filter(|entry| entry.0 != root) else { continue };
            let units = self.units.get(name.start..name.end).unwrap_or_default().iter().copied();
            match find(name.parent.record) {
                Some((_, sequence, true, parent)) if name.parent.means(sequence) || name.parent.record == root => {
                    builder.name(parent, object, units)?;
                }
                _ => {
                    findings.add(FindingKind::ParentLost, None, Some(name.record), || format!("{}", name.parent));
                    builder.homeless_name(name.parent.record, object, units)?;
                }
            }
        }
        let root_id = match root_id {
            Some(id) => id,
            None => builder.object(Object::new(ObjectKind::Folder, root))?,
        };
        builder.finish(root_id)
    }
}
