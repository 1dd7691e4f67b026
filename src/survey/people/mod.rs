//! Whose computer it was: profiles, and the places where each person's things stand.

mod kinds;
mod names;

use serde::Serialize;

pub use names::Usual;
pub(super) use names::{plain, usual};

use super::cost::KindCost;
use super::known;
use super::tally::Tally;
use super::{FolderSurvey, Survey, folder};
use crate::catalog::{Attribute, Catalog, NameId, ObjectId, ObjectKind};

/// Somebody who used the computer.
#[derive(Debug, Clone, Serialize)]
pub struct Person {
    /// The name of the profile folder.
    pub name: String,
    /// Its path.
    pub path: String,
    /// Whether the profile is of an installation that a newer one has put aside (`Windows.old`).
    pub former: bool,
    /// All of the profile.
    pub tally: Tally,
    /// The usual folders of it that are there.
    pub folders: Vec<FolderSurvey>,
    /// The same once more, told apart: folders that were moved to a cloud program's tree, and those that stand inside
    /// others. Nothing is in two of them.
    pub places: Vec<Place>,
    /// What the person has by kind of file, the programs' own data left out.
    pub kinds: Vec<KindCost>,
    /// Files and folders of the profile that stand in none of the usual folders, the programs' own data left out.
    pub rest: Tally,
    /// What programs keep for this person.
    pub programs: Tally,
}

/// How a usual folder came to stand where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// In the profile, as systems make it.
    Usual,
    /// Inside the folder of documents, as in Windows 2000 and XP.
    Nested,
    /// In a cloud program's tree, to which it was moved.
    Moved,
    /// What else is in a cloud program's tree.
    Rest,
}

/// A place where a person keeps things. What stands in another place of the list is not in it.
#[derive(Debug, Clone, Serialize)]
pub struct Place {
    /// Its path.
    pub path: String,
    /// What it is for.
    pub what: Usual,
    /// How it came to stand there.
    pub standing: Standing,
    /// What is in it.
    pub tally: Tally,
}

/// The profiles in a folder such as `/Users`.
pub(super) fn of_container(catalog: &Catalog, profiles: ObjectId, former: bool, survey: &mut Survey) {
    let (mut nobodys, mut loose) = (Vec::new(), Vec::new());
    for name in catalog.children(profiles) {
        let text = plain(&catalog.name(name).text());
        let object = catalog.named_object(name);
        // Windows leaves links under the old names of folders.
        if catalog.object(object).kind != ObjectKind::Folder {
            loose.extend((!catalog.object(object).attributes.contains(Attribute::System)).then_some(object));
            continue;
        }
        if known::NOBODY.contains(&&*text) || known::NOBODY_BEGINS.iter().any(|begin| text.starts_with(begin)) {
            nobodys.push(name);
        } else {
            person(catalog, name, former, survey);
        }
    }
    if !former {
        // What stands beside the profiles is in none of them.
        let path = catalog.first_path(profiles);
        survey.own.extend(&loose);
        survey.other_folders.push(FolderSurvey { path, tally: Tally::of_all(catalog, loose) });
    }
    // Public and Default are nobody's profile, and what somebody put there is still somebody's.
    for name in nobodys.into_iter().filter(|_| !former) {
        let shared = folder(catalog, name);
        let own = !catalog.object(catalog.named_object(name)).attributes.contains(Attribute::System);
        if shared.tally.files.count > 0 && own {
            survey.own.push(catalog.named_object(name));
            survey.other_folders.push(shared);
        }
    }
}

/// Whether a folder that stands somewhere else is a profile, by what is in it.
pub(super) fn is_profile(catalog: &Catalog, folder: ObjectId) -> bool {
    catalog.children(folder).any(|name| known::PROFILE_MARKS.contains(&&*plain(&catalog.name(name).text())))
}

/// One profile.
pub(super) fn person(catalog: &Catalog, profile: NameId, former: bool, survey: &mut Survey) {
    let object = catalog.named_object(profile);
    let mut person = Person {
        name: catalog.name(profile).text().into_owned(),
        path: catalog.path(profile),
        former,
        tally: Tally::of_folder(catalog, object),
        folders: Vec::new(),
        places: Vec::new(),
        kinds: Vec::new(),
        rest: Tally::default(),
        programs: Tally::default(),
    };
    let (mut own, mut rest, mut programs) = (Vec::new(), Vec::new(), Vec::new());
    for name in catalog.children(object) {
        let text = plain(&catalog.name(name).text());
        let inside = catalog.named_object(name);
        let is_folder = catalog.object(inside).kind == ObjectKind::Folder;
        if let Some(what) = usual(&text).filter(|_| is_folder) {
            person.folders.push(folder(catalog, name));
            places(catalog, name, what, &mut person.places);
            own.push(inside);
        } else if known::PROGRAMS_FOLDERS.contains(&&*text)
            || text.starts_with('.')
            || known::PROFILE_FILES.iter().any(|one| text.starts_with(one))
        {
            programs.push(inside);
        } else {
            rest.push(inside);
            own.push(inside);
        }
    }
    person.kinds = kinds::of(catalog, &own);
    person.rest = Tally::of_all(catalog, rest);
    person.programs = Tally::of_all(catalog, programs);
    person.places.sort_by(|one, other| (one.standing, &one.path).cmp(&(other.standing, &other.path)));
    survey.people.push(person);
    survey.own.extend(own);
}

/// A usual folder, and those that stand inside it and are places of their own.
fn places(catalog: &Catalog, name: NameId, what: Usual, places: &mut Vec<Place>) {
    let folder = catalog.named_object(name);
    let mut inside = Vec::new();
    for child in catalog.children(folder) {
        let object = catalog.named_object(child);
        if catalog.object(object).kind != ObjectKind::Folder {
            continue;
        }
        let text = plain(&catalog.name(child).text());
        let (found, standing) = match what {
            Usual::Cloud => (usual(&text).filter(|what| *what != Usual::Cloud), Standing::Moved),
            Usual::Documents => (names::nested(&text), Standing::Nested),
            _ => (None, Standing::Usual),
        };
        let Some(what) = found else { continue };
        inside.push(object);
        places.push(Place { path: catalog.path(child), what, standing, tally: Tally::of_folder(catalog, object) });
    }
    let tally = Tally::of_folder_without(catalog, folder, &inside);
    let standing = if what == Usual::Cloud { Standing::Rest } else { Standing::Usual };
    if standing == Standing::Usual || tally.files.count > 0 || tally.folders_incomplete > 0 {
        places.push(Place { path: catalog.path(name), what, standing, tally });
    }
}
