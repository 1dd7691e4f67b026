//! The paths of a listing, each folder's put together once.

use std::collections::HashMap;

use super::Entry;
use crate::catalog::{Catalog, Name, NameId, ObjectId, ObjectKind};

/// Folders whose paths are kept. The listing goes from folder to folder, so that few are asked for again later.
const MOST_KEPT: usize = 4096;

/// Writes paths; each name is written by `write`, and a stream follows its owner after `:`.
pub(super) struct Paths<'a> {
    catalog: &'a Catalog,
    write: fn(&mut String, Name<'_>),
    folders: HashMap<ObjectId, String>,
}

impl<'a> Paths<'a> {
    pub(super) fn new(catalog: &'a Catalog, write: fn(&mut String, Name<'_>)) -> Self {
        Self { catalog, write, folders: HashMap::new() }
    }

    pub(super) fn of(&mut self, entry: Entry) -> String {
        let mut path = String::new();
        self.onto(&mut path, entry);
        path
    }

    /// Adds an entry's path to a text.
    pub(super) fn onto(&mut self, text: &mut String, entry: Entry) {
        let name = entry.beside.unwrap_or(entry.name);
        self.folder_onto(text, self.catalog.parent(name));
        self.add(text, name);
        if entry.beside.is_some() {
            self.add(text, entry.name);
        }
    }

    fn folder_onto(&mut self, text: &mut String, folder: ObjectId) {
        if let Some(known) = self.folders.get(&folder) {
            text.push_str(known);
            return;
        }
        let path = self.of_folder(folder);
        text.push_str(&path);
        if self.folders.len() >= MOST_KEPT {
            self.folders.clear();
        }
        self.folders.insert(folder, path);
    }

    fn of_folder(&self, folder: ObjectId) -> String {
        let mut path = String::new();
        if folder != self.catalog.root()
            && let Some(name) = self.catalog.names_of(folder).next()
        {
            self.catalog.line(name).into_iter().for_each(|part| self.add(&mut path, part));
        }
        path
    }

    fn add(&self, path: &mut String, name: NameId) {
        let is_stream = self.catalog.object(self.catalog.named_object(name)).kind == ObjectKind::Stream;
        path.push(if is_stream { ':' } else { '/' });
        (self.write)(path, self.catalog.name(name));
    }
}
