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
        let name = entry.beside.unwrap_or(entry.name);
        let folder = self.catalog.parent(name);
        let mut path = match self.folders.get(&folder) {
            Some(known) => known.clone(),
            None => {
                let text = self.of_folder(folder);
                if self.folders.len() >= MOST_KEPT {
                    self.folders.clear();
                }
                self.folders.insert(folder, text.clone());
                text
            }
        };
        self.add(&mut path, name);
        if entry.beside.is_some() {
            self.add(&mut path, entry.name);
        }
        path
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
