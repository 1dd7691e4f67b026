//! Which object a name or a reference means.

use super::Reference;
use crate::catalog::ObjectId;

/// A record that has become an object.
#[derive(Clone, Copy)]
pub(super) struct Entry {
    pub(super) record: u64,
    pub(super) id: ObjectId,
    pub(super) sequence: u16,
    pub(super) deleted: bool,
    pub(super) folder: bool,
}

impl Entry {
    /// Whether a reference means this folder. Deleting raises a record's sequence number by one, so a deleted folder is
    /// meant by references with the number before; only deleted files can still stand in it.
    pub(super) fn is_meant(&self, reference: Reference, by_deleted: bool) -> bool {
        match self.deleted {
            false => reference.means(self.sequence),
            true => by_deleted && reference.sequence.wrapping_add(1) == self.sequence,
        }
    }
}

/// Entries in the order of their records. Names come mostly in the order of their records, and those of one folder together.
pub(super) struct Entries {
    entries: Vec<Entry>,
    /// Where the entry of the last name was.
    file: usize,
    folder: Option<Entry>,
}

impl Entries {
    pub(super) fn new(entries: Vec<Entry>) -> Self {
        Self { entries, file: 0, folder: None }
    }

    fn find(&self, record: u64) -> Option<usize> {
        self.entries.binary_search_by_key(&record, |entry| entry.record).ok()
    }

    pub(super) fn file(&mut self, record: u64) -> Option<Entry> {
        let near = [self.file, self.file.saturating_add(1)];
        let is_it = |at: &usize| self.entries.get(*at).is_some_and(|entry| entry.record == record);
        let place = near.into_iter().find(is_it).or_else(|| self.find(record))?;
        self.file = place;
        self.entries.get(place).copied()
    }

    pub(super) fn folder(&mut self, record: u64) -> Option<Entry> {
        if self.folder.is_none_or(|folder| folder.record != record) {
            self.folder = self.find(record).and_then(|place| self.entries.get(place)).copied();
        }
        self.folder
    }
}
