//! Folders outside every profile that may be somebody's: on another volume, or in the root.
//!
//! Windows lets people move their folders to another drive, where nothing says whose they are. So this is never more
//! than "may be": by a person's name, or by the name of a usual folder.

use serde::Serialize;

use super::people::{Usual, plain, usual};
use super::{Survey, Tally};

/// A folder that may be somebody's.
#[derive(Debug, Clone, Serialize)]
pub struct MayBelong {
    /// The volume it stands on.
    pub volume: u32,
    /// Its path.
    pub path: String,
    /// What its name says it is for; null if it bears a person's name.
    pub what: Option<Usual>,
    /// Whose it may be. Several if only the usual name speaks.
    pub people: Vec<Whose>,
    /// What is in it.
    pub tally: Tally,
}

/// A person of a volume.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Whose {
    /// The volume with the profile.
    pub volume: u32,
    /// The person's name.
    pub name: String,
}

/// Names shorter than this, in characters, are no evidence when they stand among other words.
const SHORTEST_NAME: usize = 3;

/// Looks through the roots of volumes for folders that may be somebody's. Surveys stand beside their volumes' numbers.
#[must_use]
pub fn elsewhere(surveys: &[(u32, &Survey)]) -> Vec<MayBelong> {
    let people: Vec<Whose> = surveys
        .iter()
        .flat_map(|(volume, survey)| {
            let present = survey.people.iter().filter(|person| !person.former);
            present.map(|person| Whose { volume: *volume, name: person.name.clone() })
        })
        .collect();
    let mut found = Vec::new();
    for (volume, survey) in surveys {
        for folder in &survey.other_folders {
            let Some(name) = folder.path.strip_prefix('/').filter(|name| !name.contains('/')) else { continue };
            let name = plain(name);
            let named: Vec<Whose> = people.iter().filter(|one| bears(&name, &plain(&one.name))).cloned().collect();
            let (what, people) = match usual(&name) {
                _ if !named.is_empty() => (None, named),
                Some(what) if what != Usual::Other => (Some(what), people.clone()),
                _ => continue,
            };
            if !people.is_empty() {
                let (path, tally) = (folder.path.clone(), folder.tally.clone());
                found.push(MayBelong { volume: *volume, path, what, people, tally });
            }
        }
    }
    found
}

/// Whether a folder's plain name is a person's or has it as a word.
fn bears(folder: &str, person: &str) -> bool {
    folder == person
        || (person.chars().count() >= SHORTEST_NAME
            && folder.split(|c: char| !c.is_alphanumeric()).any(|word| {
                // "gretas pictures", "greta's pictures"
                word == person || word.strip_suffix('s') == Some(person)
            }))
}
