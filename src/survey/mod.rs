//! What a volume means to the customer: whose folders are there, how much is in them, and what touches holes.

mod camera;
mod cost;
mod holes;
mod kind;
mod known;
pub mod picture;
pub mod recycle;
pub mod suspect;
mod tally;
pub mod wanted;

use serde::Serialize;

pub use camera::{CameraFolder, Gap, MOST_GAPS, Numbers};
pub(crate) use cost::is_systems;
pub use cost::{Cost, Costs, FolderCost, KindCost, MOST_FOLDERS, costs};
pub use holes::{Account, DiskHoles, VolumeHoles, holes};
pub use kind::FileKind;
pub use tally::{Count, Tally};

use crate::catalog::{Attribute, Catalog, NameId, ObjectId, ObjectKind};

/// A folder with all that is below it.
#[derive(Debug, Clone, Serialize)]
pub struct FolderSurvey {
    /// Its path from the volume's root.
    pub path: String,
    /// What is in it.
    pub tally: Tally,
}

/// Somebody who used the computer.
#[derive(Debug, Clone, Serialize)]
pub struct Person {
    /// The name of the profile folder.
    pub name: String,
    /// Its path.
    pub path: String,
    /// All of the profile.
    pub tally: Tally,
    /// The usual folders of it that are there.
    pub folders: Vec<FolderSurvey>,
    /// Files and folders of the profile that stand in none of the usual folders, the programs' own data left out.
    pub rest: Tally,
    /// What programs keep for this person.
    pub programs: Tally,
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
    /// Records that can't be read: what they described is missing without a name.
    pub lost_records: u64,
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
        lost_records: catalog.lost_records,
    };
    let mut own = Vec::new();
    let mut system = Vec::new();
    let mut bins = Vec::new();
    for name in catalog.children(root) {
        let object = catalog.named_object(name);
        let text = catalog.name(name).text().to_lowercase();
        if catalog.object(object).kind != ObjectKind::Folder {
            if known::SYSTEM_ROOT_FILES.contains(&&*text) { system.push(object) } else { own.push(object) }
        } else if known::PROFILE_FOLDERS.contains(&&*text) {
            people(catalog, object, &mut survey);
        } else if known::RECYCLE_BINS.contains(&&*text) {
            bins.push(object);
        } else if known::SYSTEM_ROOT_FOLDERS.contains(&&*text) {
            system.push(object);
        } else {
            survey.other_folders.push(folder(catalog, name));
        }
    }
    survey.root_files = Tally::of_all(catalog, own);
    survey.system = Tally::of_all(catalog, system);
    survey.recycle_bin = Tally::of_all(catalog, bins);
    // An empty folder is of no interest, unless it may have lost what it held.
    survey.other_folders.retain(|folder| folder.tally.files.count > 0 || folder.tally.folders_incomplete > 0);
    survey.people.sort_by_key(|person| person.name.to_lowercase());
    survey
}

fn folder(catalog: &Catalog, name: NameId) -> FolderSurvey {
    FolderSurvey { path: catalog.path(name), tally: Tally::of_folder(catalog, catalog.named_object(name)) }
}

/// The profiles below `/Users` or its like.
fn people(catalog: &Catalog, profiles: ObjectId, survey: &mut Survey) {
    for name in catalog.children(profiles) {
        let text = catalog.name(name).text();
        let object = catalog.named_object(name);
        // Windows leaves links under the old names of folders.
        if catalog.object(object).kind != ObjectKind::Folder || known::NOBODY.contains(&&*text.to_lowercase()) {
            continue;
        }
        let mut person = Person {
            name: text.into_owned(),
            path: catalog.path(name),
            tally: Tally::of_folder(catalog, object),
            folders: Vec::new(),
            rest: Tally::default(),
            programs: Tally::default(),
        };
        let (mut rest, mut programs) = (Vec::new(), Vec::new());
        for name in catalog.children(object) {
            let text = catalog.name(name).text().to_lowercase();
            let inside = catalog.named_object(name);
            let entry = catalog.object(inside);
            if entry.kind == ObjectKind::Folder && known::USUAL_FOLDERS.contains(&&*text) {
                person.folders.push(folder(catalog, name));
            } else if known::PROGRAMS_FOLDERS.contains(&&*text)
                || known::PROFILE_FILES.iter().any(|one| text.starts_with(one))
            {
                programs.push(inside);
            } else {
                rest.push(inside);
            }
        }
        person.rest = Tally::of_all(catalog, rest);
        person.programs = Tally::of_all(catalog, programs);
        survey.people.push(person);
    }
    // Public and Default are nobody's profile, and what somebody put there is still somebody's.
    for name in catalog.children(profiles) {
        let object = catalog.named_object(name);
        let is_folder = catalog.object(object).kind == ObjectKind::Folder;
        if is_folder && known::NOBODY.contains(&&*catalog.name(name).text().to_lowercase()) {
            let shared = folder(catalog, name);
            if shared.tally.files.count > 0 && !catalog.object(object).attributes.contains(Attribute::System) {
                survey.other_folders.push(shared);
            }
        }
    }
}

#[cfg(test)]
mod tests;
