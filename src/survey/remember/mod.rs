//! What is easily forgotten: found by the names that programs give to their folders and files, in one pass over a
//! catalog.
//!
//! A name proves nothing: whether a file is what it is called is for a look inside. The rules are data, in
//! `rules`; each says why it is there and what to tell the customer.

mod pattern;
mod rule;
mod rules;
mod walk;

use std::collections::BTreeSet;

use serde::Serialize;

pub use rule::{HandOver, Topic};

use super::{Survey, Tally};
use crate::bytes::to_u64;
use crate::catalog::{Catalog, ObjectId, ObjectKind, State};
use rule::{Mark, Rule};

/// A folder in the root with so many files is large.
const MANY_FILES: u64 = 1000;

/// A folder in the root of this size, in bytes, is large; so is a smaller one that has a twentieth of all that is not the
/// system's.
const MANY_BYTES: u64 = 1_000_000_000;

/// Files that stand in more folders than this are not asked for the folder that all of them stand in.
const MOST_COMPARED: usize = 10_000;

/// Something that is not to be forgotten.
#[derive(Debug, Clone, Serialize)]
pub struct Hit {
    /// The rule's name.
    pub rule: &'static str,
    /// What the rule is about.
    pub topic: Topic,
    /// What it is, as people say it.
    pub what: &'static str,
    /// The path of the file, or of the folder that it is or in which the files stand.
    pub path: String,
    /// Which files of the folder are meant, as patterns; empty: all of it.
    pub only: Vec<&'static str>,
    /// In how many folders the files stand; if several, `path` is the folder that all of those stand in.
    pub folders: u64,
    /// What should stand with it and was not found, as patterns of names.
    pub lacking: Vec<&'static str>,
    /// Why it is easily forgotten, or matters.
    pub reason: &'static str,
    /// What to tell the customer.
    pub say: &'static str,
    /// How it is handed over.
    pub hand_over: HandOver,
    /// What it is in numbers.
    pub tally: Tally,
}

impl Hit {
    fn new(rule: &Rule, path: String, tally: Tally) -> Self {
        Self {
            rule: rule.id,
            topic: rule.topic,
            what: rule.what,
            path,
            only: Vec::new(),
            folders: 1,
            lacking: Vec::new(),
            reason: rule.reason,
            say: rule.say,
            hand_over: rule.hand_over,
            tally,
        }
    }
}

/// Goes through a volume that was surveyed. Hits stand in the order of the rules, of one rule the largest first.
pub(super) fn find(catalog: &Catalog, survey: &Survey) -> Vec<Hit> {
    let mut found: Vec<(usize, Hit)> = walk::hits(catalog);
    for (place, rule) in rules::all().enumerate() {
        for mark in rule.marks {
            let hits = match mark {
                Mark::RecycleBin => recycle_bin(catalog, survey, rule).into_iter().collect(),
                Mark::LargeInRoot => large(survey, rule, &found),
                Mark::Absent => in_state(catalog, rule, State::Absent).into_iter().collect(),
                Mark::Locked => in_state(catalog, rule, State::Locked).into_iter().collect(),
                Mark::Folder(_) | Mark::FolderWith(..) | Mark::File(_) => Vec::new(),
            };
            found.extend(hits.into_iter().map(|hit| (place, hit)));
        }
    }
    found.retain(|(place, hit)| {
        let least = rules::all().nth(*place).map_or(1, |rule| rule.least);
        hit.tally.files.count >= least || hit.tally.folders_incomplete > 0
    });
    found.sort_by(|(one, first), (other, second)| {
        one.cmp(other).then(second.tally.files.bytes.cmp(&first.tally.files.bytes)).then(first.path.cmp(&second.path))
    });
    found.into_iter().map(|(_, hit)| hit).collect()
}

fn recycle_bin(catalog: &Catalog, survey: &Survey, rule: &Rule) -> Option<Hit> {
    let mut bins = super::below(catalog, catalog.root(), |name| super::known::RECYCLE_BINS.contains(&name));
    Some(Hit::new(rule, catalog.path(bins.next()?), survey.recycle_bin.clone()))
}

/// Large folders in the root that nothing else names.
fn large(survey: &Survey, rule: &Rule, found: &[(usize, Hit)]) -> Vec<Hit> {
    let own = survey.total.files.bytes.saturating_sub(survey.system.files.bytes);
    let is_large = |files: super::Count| {
        files.count >= MANY_FILES || files.bytes >= MANY_BYTES || (files.bytes > 0 && files.bytes >= own / 20)
    };
    let folders = survey.other_folders.iter().filter(|folder| folder.path.rfind('/') == Some(0));
    let large = folders.filter(|folder| is_large(folder.tally.files));
    large
        .filter(|folder| !found.iter().any(|(_, hit)| hit.path == folder.path))
        // Cameras' folders have a table of their own.
        .filter(|folder| !survey.cameras.iter().any(|camera| is_in(&camera.path, &folder.path)))
        .map(|folder| Hit::new(rule, folder.path.clone(), folder.tally.clone()))
        .collect()
}

/// Whether a path is `folder` or leads into it.
fn is_in(path: &str, folder: &str) -> bool {
    path.strip_prefix(folder).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// Files in a state, wherever they stand; the path is all that theirs have in common.
fn in_state(catalog: &Catalog, rule: &Rule, state: State) -> Option<Hit> {
    let is_meant = |object: &crate::catalog::Object| object.kind == ObjectKind::File && object.facts.state() == state;
    let meant: Vec<ObjectId> =
        catalog.objects().filter(|(_, object)| is_meant(object)).map(|(object, _)| object).collect();
    let folders: BTreeSet<ObjectId> =
        meant.iter().filter_map(|object| catalog.names_of(*object).next()).map(|name| catalog.parent(name)).collect();
    if folders.is_empty() {
        return None;
    }
    let mut hit = Hit::new(rule, common_folder(catalog, &folders), Tally::of_all(catalog, meant));
    hit.folders = to_u64(folders.len());
    Some(hit)
}

/// The path of the folder that all of these stand in, or are.
fn common_folder(catalog: &Catalog, folders: &BTreeSet<ObjectId>) -> String {
    if folders.len() > MOST_COMPARED {
        return "/".to_string();
    }
    let mut paths = folders.iter().map(|folder| catalog.first_path(*folder));
    let first = paths.next().unwrap_or_default();
    paths.fold(first, |common, path| in_common(&common, &path))
}

/// The folder that both paths stand in.
fn in_common(one: &str, other: &str) -> String {
    let parts = one.split('/').zip(other.split('/')).take_while(|(one, other)| one == other);
    let path: Vec<&str> = parts.map(|(part, _)| part).collect();
    match path.join("/") {
        path if path.is_empty() => "/".to_string(),
        path => path,
    }
}

#[cfg(test)]
mod tests;
