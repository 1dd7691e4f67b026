//! Folders outside every profile that may be somebody's: on another volume, or in the root.
//!
//! Windows lets people move their folders to another drive, where nothing says whose they are. So this is never more
//! than "may be": by a person's name, or by the name of a usual folder.

use std::collections::{BTreeSet, HashMap};

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

/// With more people than this a usual name says nothing of whose a folder is.
const MOST_PEOPLE: usize = 20;

/// Looks through the roots of volumes for folders that may be somebody's. Surveys stand beside their volumes' numbers.
#[must_use]
pub fn elsewhere(surveys: &[(u32, &Survey)]) -> Vec<MayBelong> {
    let mut people: HashMap<String, Vec<Whose>> = HashMap::new();
    for (volume, survey) in surveys {
        for person in survey.people.iter().filter(|person| !person.former) {
            let whose = Whose { volume: *volume, name: person.name.clone() };
            people.entry(plain(&person.name)).or_default().push(whose);
        }
    }
    let mut everybody: Vec<Whose> = people.values().flatten().take(MOST_PEOPLE + 1).cloned().collect();
    everybody.sort();
    let mut found = Vec::new();
    for (volume, survey) in surveys {
        for folder in &survey.other_folders {
            let Some(name) = folder.path.strip_prefix('/').filter(|name| !name.contains('/')) else { continue };
            let name = plain(name);
            let named: BTreeSet<Whose> =
                borne(&name).filter_map(|name| people.get(name)).flatten().take(MOST_PEOPLE).cloned().collect();
            let (what, people) = match usual(&name) {
                _ if !named.is_empty() => (None, named.into_iter().collect()),
                Some(what) if what != Usual::Other => (Some(what), everybody.clone()),
                _ => continue,
            };
            if (1..=MOST_PEOPLE).contains(&people.len()) {
                let (path, tally) = (folder.path.clone(), folder.tally.clone());
                found.push(MayBelong { volume: *volume, path, what, people, tally });
            }
        }
    }
    found
}

/// The plain names of people that a folder's plain name may stand for: itself, and words of it.
fn borne(folder: &str) -> impl Iterator<Item = &str> {
    let words = folder.split(|c: char| !c.is_alphanumeric()).filter(|word| word.chars().count() >= SHORTEST_NAME);
    // "gretas pictures", "greta's pictures"
    let owners = words.flat_map(|word| [Some(word), word.strip_suffix('s')]).flatten();
    std::iter::once(folder).chain(owners)
}
