//! What a volume means to the customer: whose folders are there, how much is in them, and what touches holes.

mod camera;
mod cost;
mod elsewhere;
mod holes;
mod kind;
mod known;
mod people;
pub mod picture;
pub mod recycle;
pub mod remember;
pub mod suspect;
mod system;
mod tally;
#[cfg(test)]
mod testing;
pub mod wanted;

use std::collections::HashSet;

use serde::Serialize;

pub use camera::{CameraFolder, Gap, MOST_GAPS, Numbers};
pub(crate) use cost::is_systems;
pub use cost::{Cost, Costs, FolderCost, KindCost, MOST_FOLDERS, costs};
pub use elsewhere::{MayBelong, Whose, elsewhere};
pub use holes::{Account, DiskHoles, VolumeHoles, holes};
pub use kind::FileKind;
pub use people::{Person, Place, Standing, Usual};
pub use remember::Hit;
pub use tally::{Count, Tally};

use people::plain;
use system::System;

use crate::catalog::{Catalog, NameId, ObjectId, ObjectKind};

/// A folder with all that is below it.
#[derive(Debug, Clone, Serialize)]
pub struct FolderSurvey {
    /// Its path from the volume's root.
    pub path: String,
    /// What is in it.
    pub tally: Tally,
}

/// The survey of one volume.
#[derive(Debug, Clone, Serialize)]
pub struct Survey {
    /// All files of the volume.
    pub total: Tally,
    /// The people, by name.
    pub people: Vec<Person>,
    /// Folders outside the profiles that hold files and don't belong to the operating system.
    pub other_folders: Vec<FolderSurvey>,
    /// Files directly in the root that don't belong to the operating system.
    pub root_files: Tally,
    /// What belongs to the operating system and its programs.
    pub system: Tally,
    /// The folders of cameras and phones, wherever they stand. They are counted above, too.
    pub cameras: Vec<CameraFolder>,
    /// The recycle bins.
    pub recycle_bin: Tally,
    /// What is easily forgotten: mail, browsers, backups of phones, books of a business. It is counted above, too.
    pub remember: Vec<Hit>,
    /// Records that can't be read: what they described is missing without a name.
    pub lost_records: u64,
    /// Files and folders that are people's, with all that is below them.
    #[serde(skip)]
    own: Vec<ObjectId>,
}

impl Survey {
    /// The files that people made or keep, each once by the name under which it was met first: all but the system's, the
    /// programs' own data and what was thrown away. `catalog` is the one that was surveyed.
    #[must_use]
    pub fn own_files(&self, catalog: &Catalog) -> Vec<NameId> {
        let mut files = Vec::new();
        let mut seen = HashSet::new();
        // The catalog's tree has no loops and a bounded depth.
        let mut open = Vec::new();
        for object in &self.own {
            open.extend(catalog.names_of(*object).next());
            while let Some(name) = open.pop() {
                let object = catalog.named_object(name);
                match catalog.object(object).kind {
                    ObjectKind::Folder => open.extend(catalog.children(object)),
                    ObjectKind::File => files.extend(seen.insert(object).then_some(name)),
                    ObjectKind::Link | ObjectKind::Stream | ObjectKind::Other => {}
                }
            }
        }
        files
    }
}

/// Surveys a volume.
#[must_use]
pub fn survey(catalog: &Catalog) -> Survey {
    let root = catalog.root();
    let mut survey = Survey {
        total: Tally::of_folder(catalog, root),
        people: Vec::new(),
        other_folders: Vec::new(),
        root_files: Tally::default(),
        system: Tally::default(),
        cameras: camera::find(catalog),
        recycle_bin: Tally::default(),
        remember: Vec::new(),
        lost_records: catalog.lost_records,
        own: Vec::new(),
    };
    let system = System::of(catalog);
    let (mut own, mut systems, mut bins) = (Vec::new(), Vec::new(), Vec::new());
    for name in catalog.children(root) {
        let object = catalog.named_object(name);
        let text = plain(&catalog.name(name).text());
        if catalog.object(object).kind != ObjectKind::Folder {
            if known::SYSTEM_ROOT_FILES.contains(&&*text) { systems.push(object) } else { own.push(object) }
        } else if known::PROFILE_FOLDERS.contains(&&*text)
            || (text == known::HOMES && (system == System::Linux || holds_profiles(catalog, object)))
        {
            people::of_container(catalog, object, false, &mut survey);
        } else if known::RECYCLE_BINS.contains(&&*text) {
            bins.push(object);
        } else if system.owns(&text) {
            let peoples = if known::WINDOWS.contains(&&*text) { known::PEOPLES_IN_WINDOWS } else { &[] };
            let inside: Vec<NameId> = below(catalog, object, |name| peoples.contains(&name)).collect();
            if inside.is_empty() {
                systems.push(object);
                continue;
            }
            systems.extend(
                catalog.children(object).filter(|name| !inside.contains(name)).map(|name| catalog.named_object(name)),
            );
            for name in inside {
                if plain(&catalog.name(name).text()) == known::OLD_PROFILES {
                    people::of_container(catalog, catalog.named_object(name), false, &mut survey);
                } else {
                    survey.own.push(catalog.named_object(name));
                    survey.other_folders.push(folder(catalog, name));
                }
            }
        } else if people::is_profile(catalog, object) {
            people::person(catalog, name, false, &mut survey);
        } else {
            if !text.starts_with(known::FORMER) {
                survey.own.push(object);
            } else {
                below(catalog, object, |name| known::PROFILE_FOLDERS.contains(&name))
                    .for_each(|name| people::of_container(catalog, catalog.named_object(name), true, &mut survey));
            }
            survey.other_folders.push(folder(catalog, name));
        }
    }
    survey.own.extend(&own);
    survey.root_files = Tally::of_all(catalog, own);
    survey.system = Tally::of_all(catalog, systems);
    survey.recycle_bin = Tally::of_all(catalog, bins);
    // An empty folder is of no interest, unless it may have lost what it held.
    survey.other_folders.retain(|folder| folder.tally.files.count > 0 || folder.tally.folders_incomplete > 0);
    survey.people.sort_by_key(|person| (person.former, person.name.to_lowercase()));
    survey.remember = remember::find(catalog, &survey);
    survey
}

fn folder(catalog: &Catalog, name: NameId) -> FolderSurvey {
    FolderSurvey { path: catalog.path(name), tally: Tally::of_folder(catalog, catalog.named_object(name)) }
}

/// The folders directly in `folder` whose plain names are wanted.
fn below(catalog: &Catalog, folder: ObjectId, wanted: impl Fn(&str) -> bool) -> impl Iterator<Item = NameId> {
    catalog.children(folder).filter(move |name| {
        catalog.object(catalog.named_object(*name)).kind == ObjectKind::Folder
            && wanted(&plain(&catalog.name(*name).text()))
    })
}

/// Whether profiles stand in a folder.
fn holds_profiles(catalog: &Catalog, folder: ObjectId) -> bool {
    below(catalog, folder, |_| true).any(|name| people::is_profile(catalog, catalog.named_object(name)))
}

#[cfg(test)]
mod tests;
