//! What is handed over of a volume, and what is left out by choice: each thing left out is counted, by reason.
//!
//! A [`Choice`] is one selection: where to look (paths, or all of the main volumes) and what narrows it. All that
//! narrows holds together: a file is taken if none of the reasons in [`LeftReason`] keeps it out, and counted under
//! the first that does. Several choices make a union: what one of them takes is taken.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::tz::{Offset, TimeZone};
use serde::{Deserialize, Serialize};

use super::job::Selected;
use crate::catalog::{NameId, Timestamp, Zone};
use crate::survey::FileKind;

/// The most selections that one handover holds: each is one bit of what is known of a folder on the way.
pub const MOST_SELECTIONS: usize = 64;

/// One selection in the words in which it was asked for. The records keep it, so that it can be made again.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Selection {
    /// Paths and addresses; empty for all of the main volumes.
    pub paths: Vec<String>,
    /// The volume that was asked for, by its number.
    pub volume: Option<u32>,
    /// Names of people.
    pub persons: Vec<String>,
    /// Kinds of files.
    pub kinds: Vec<FileKind>,
    /// Patterns of which one must fit.
    #[serde(rename = "match")]
    pub matching: Vec<String>,
    /// Patterns of which none may fit.
    pub exclude: Vec<String>,
    /// The day on or after which a file was last changed, as `2009-03-14`.
    pub newer: Option<String>,
    /// The zone of that day; `None` for this computer's, if it has no name.
    pub time_zone: Option<String>,
    /// What a plan says not to take, as `2:/Users/Choir/Videos`; see [`Top`].
    pub left_by_plan: Vec<String>,
}

/// Patterns for names and paths.
pub trait Patterns: Send + Sync {
    /// Whether one of them is held against whole paths. If not, `path` is never looked at.
    fn need_path(&self) -> bool;
    /// Whether one of them fits a file or folder with this name, or one at this path from the volume's root.
    fn fit(&self, name: &str, path: &str, case_counts: bool) -> bool;
}

/// What narrows a choice. Nothing in here takes everything.
#[derive(Default)]
pub struct Filter {
    /// Kinds of files; empty for all.
    pub kinds: BTreeSet<FileKind>,
    /// What must fit a file, or a folder in which it stands.
    pub matching: Option<Box<dyn Patterns>>,
    /// What must fit neither a file nor a folder in which it stands.
    pub exclude: Option<Box<dyn Patterns>>,
    /// Files last changed on this day of the zone or later, and those without a date.
    pub newer: Option<(Date, TimeZone)>,
}

impl Filter {
    /// Whether it says something of single files, so that a folder may become empty by it.
    fn narrows(&self) -> bool {
        !self.kinds.is_empty() || self.matching.is_some() || self.exclude.is_some() || self.newer.is_some()
    }
}

/// Where to look on one volume.
#[derive(Debug, Clone, Default)]
pub struct Base {
    /// Files and folders.
    pub selected: Vec<Selected>,
    /// Only what is in these profiles; `None` for everything.
    pub profiles: Option<Vec<NameId>>,
}

/// One selection, ready to be used.
#[derive(Default)]
pub struct Choice {
    /// Its words.
    pub selection: Selection,
    /// Where to look, by the volume's number.
    pub bases: BTreeMap<u32, Base>,
    /// What narrows it.
    pub filter: Filter,
}

/// What is handed over in all: the union of some choices.
#[derive(Default)]
pub struct Choices {
    /// In the order in which they were asked for; none for all that [`super::VolumeSelection::selected`] says.
    pub list: Vec<Choice>,
    /// The volume that was alone in the handover to which is added: its paths stay without `volume N/`.
    pub alone: Option<u32>,
}

/// Why something that lies where was looked is left out. The first that holds counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeftReason {
    /// The plan says so.
    ByPlan,
    /// It is in none of the profiles.
    OtherPerson,
    /// A pattern excludes it.
    Excluded,
    /// No pattern fits it.
    NotMatched,
    /// It is of another kind.
    OtherKind,
    /// It was last changed before the day.
    Older,
}

impl LeftReason {
    /// What it means, after a number of files.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::ByPlan => "the plan says not to take",
            Self::OtherPerson => "in none of the chosen people's profiles",
            Self::Excluded => "excluded by a pattern",
            Self::NotMatched => "that no pattern fits",
            Self::OtherKind => "of another kind",
            Self::Older => "last changed before the day",
        }
    }
}

/// Some paths that were left out, or stand in one folder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Amount {
    /// Paths: a file with several names counts under each.
    pub paths: u64,
    /// Their sizes together.
    pub bytes: u64,
}

impl Amount {
    pub(super) fn add(&mut self, size: u64) {
        self.paths += 1;
        self.bytes = self.bytes.saturating_add(size);
    }
}

/// What was left out by choice, by reason.
pub type LeftOut = BTreeMap<LeftReason, Amount>;

/// A line of a plan: a folder that can be left out as a whole. Its label is the volume's number, `:` and the path; with
/// `/` at the end it stands for the files directly in that folder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Top {
    /// What is taken of it.
    #[serde(flatten)]
    pub amount: Amount,
    /// Files among them that are damaged, doubtful or can't be placed, by what is known before they are read.
    pub losses: u64,
}

/// What is known of a folder, or of a file in it, on the way down: one bit a choice.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Standing {
    /// It lies where that choice looks.
    pub(super) covered: u64,
    /// It is in one of the profiles, or the choice asks for none.
    inside: u64,
    matched: u64,
    excluded: u64,
    /// The plan has spoken of it or of a folder above it.
    planned: u64,
    left_by_plan: u64,
    /// It belongs to the operating system.
    system: bool,
}

/// What is found of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    /// Nobody looks there.
    Outside,
    /// Taken. Whether only for want of a date.
    Taken {
        undated: bool,
    },
    Left(LeftReason),
}

/// A file or folder that is looked at.
pub(super) struct Seen<'s> {
    pub(super) id: NameId,
    pub(super) is_folder: bool,
    pub(super) in_root: bool,
    pub(super) name: &'s str,
    /// Only asked for where it matters.
    pub(super) path: &'s dyn Fn() -> String,
}

/// The choices as they look on one volume.
pub(super) struct Look<'c> {
    choices: &'c [Choice],
    volume: u32,
    case_counts: bool,
    profiles: BTreeMap<NameId, u64>,
    left_by_plan: Vec<BTreeSet<&'c str>>,
}

/// The choices by number, with their bits.
fn bits(choices: &[Choice]) -> impl Iterator<Item = (u64, &Choice)> {
    (0..MOST_SELECTIONS).map(|bit| 1 << bit).zip(choices)
}

impl<'c> Look<'c> {
    pub(super) fn new(choices: &'c [Choice], volume: u32, case_counts: bool) -> Self {
        let mut profiles: BTreeMap<NameId, u64> = BTreeMap::new();
        for (bit, choice) in bits(choices) {
            let names = choice.bases.get(&volume).and_then(|base| base.profiles.as_ref());
            for name in names.into_iter().flatten() {
                *profiles.entry(*name).or_default() |= bit;
            }
        }
        let left_by_plan =
            choices.iter().map(|choice| choice.selection.left_by_plan.iter().map(String::as_str).collect()).collect();
        Self { choices, volume, case_counts, profiles, left_by_plan }
    }

    /// What was selected on the volume, with the choices that select it.
    pub(super) fn selected(&self) -> impl Iterator<Item = (u64, Selected)> + '_ {
        bits(self.choices).flat_map(|(bit, choice)| {
            let base = choice.bases.get(&self.volume);
            base.into_iter().flat_map(move |base| base.selected.iter().map(move |one| (bit, *one)))
        })
    }

    /// The root, for those of `covered` that take all of the volume.
    pub(super) fn root(&self, covered: u64) -> Standing {
        let mut inside = 0;
        for (bit, choice) in bits(self.choices) {
            if choice.bases.get(&self.volume).is_none_or(|base| base.profiles.is_none()) {
                inside |= bit;
            }
        }
        if self.choices.is_empty() {
            inside = u64::MAX;
        }
        Standing { covered, inside, ..Standing::default() }
    }

    /// From a folder to something in it; `chosen` are the choices that name it.
    pub(super) fn step(&self, folder: Standing, seen: &Seen<'_>, chosen: u64) -> Standing {
        let mut standing = folder;
        standing.covered |= chosen;
        standing.inside |= self.profiles.get(&seen.id).copied().unwrap_or_default();
        standing.system |= seen.in_root && crate::survey::is_systems(&seen.name.to_lowercase(), seen.is_folder);
        for ((bit, choice), left) in bits(self.choices).zip(&self.left_by_plan) {
            let fits = |patterns: &dyn Patterns| {
                let path = if patterns.need_path() { (seen.path)() } else { String::new() };
                patterns.fit(seen.name, &path, self.case_counts)
            };
            if standing.matched & bit == 0 && choice.filter.matching.as_deref().is_some_and(fits) {
                standing.matched |= bit;
            }
            if standing.excluded & bit == 0 && choice.filter.exclude.as_deref().is_some_and(fits) {
                standing.excluded |= bit;
            }
            if left.is_empty() || standing.planned & bit != 0 {
                continue;
            }
            if let Some(label) = self.label(folder, standing, bit, seen) {
                standing.planned |= bit;
                standing.left_by_plan |= if left.contains(&*label) { bit } else { 0 };
            }
        }
        standing
    }

    /// The line of a plan that speaks for something, if that begins here.
    fn label(&self, folder: Standing, own: Standing, bit: u64, seen: &Seen<'_>) -> Option<String> {
        let (above, here) = (folder.covered & folder.inside & bit != 0, own.covered & own.inside & bit != 0);
        let path = || format!("{}:{}", self.volume, (seen.path)());
        match (above, here, seen.is_folder) {
            (true, _, true) | (false, true, false) => Some(path()),
            (true, _, false) => {
                let path = path();
                // The folder's path is what stands before the name; a name may itself look like anything.
                let cut = path.len().saturating_sub(seen.name.len());
                Some(path.get(..cut).filter(|folder| folder.ends_with('/')).map_or(path.clone(), str::to_string))
            }
            (false, ..) => None,
        }
    }

    /// The line of the first choice's plan, if that begins here.
    pub(super) fn first_label(&self, folder: Standing, own: Standing, seen: &Seen<'_>) -> Option<String> {
        self.label(folder, own, 1, seen)
    }

    /// What is to be done with a file. `modified` is its own date, or that of the file beside which it stands.
    pub(super) fn verdict(&self, standing: Standing, name: &str, modified: Option<Timestamp>) -> Verdict {
        if standing.covered == 0 {
            return Verdict::Outside;
        }
        if self.choices.is_empty() {
            return Verdict::Taken { undated: false };
        }
        let mut left = None;
        for (bit, choice) in bits(self.choices).filter(|(bit, _)| standing.covered & bit != 0) {
            match reason(standing, bit, &choice.filter, name, modified) {
                Some(reason) => left = left.or(Some(reason)),
                None => return Verdict::Taken { undated: choice.filter.newer.is_some() && modified.is_none() },
            }
        }
        left.map_or(Verdict::Outside, Verdict::Left)
    }

    /// Whether a folder is handed over as such: `None` if it is not, and whether it is even if it becomes empty.
    pub(super) fn folder(&self, standing: Standing, may_have_lost: bool) -> Option<bool> {
        if self.choices.is_empty() {
            return (standing.covered != 0).then_some(true);
        }
        let taking = |(bit, _): &(u64, &Choice)| {
            standing.covered & standing.inside & !standing.left_by_plan & !standing.excluded & bit != 0
        };
        let mut asked = None;
        for (_, choice) in bits(self.choices).filter(taking) {
            // What it lost may have been what is asked for.
            let stays = !choice.filter.narrows() || may_have_lost;
            asked = Some(asked.unwrap_or_default() || stays);
        }
        asked
    }
}

fn reason(
    standing: Standing,
    bit: u64,
    filter: &Filter,
    name: &str,
    modified: Option<Timestamp>,
) -> Option<LeftReason> {
    let has = |mask: u64| mask & bit != 0;
    let kind = || if standing.system { FileKind::System } else { FileKind::of_name(name) };
    let older = || filter.newer.as_ref().zip(modified).is_some_and(|((day, zone), time)| is_before(time, *day, zone));
    if has(standing.left_by_plan) {
        Some(LeftReason::ByPlan)
    } else if !has(standing.inside) {
        Some(LeftReason::OtherPerson)
    } else if has(standing.excluded) {
        Some(LeftReason::Excluded)
    } else if filter.matching.is_some() && !has(standing.matched) {
        Some(LeftReason::NotMatched)
    } else if !filter.kinds.is_empty() && !filter.kinds.contains(&kind()) {
        Some(LeftReason::OtherKind)
    } else if older() {
        Some(LeftReason::Older)
    } else {
        None
    }
}

/// Whether a time lies before a day begins in the zone; a time that is itself local lies in that zone.
fn is_before(time: Timestamp, day: Date, zone: &TimeZone) -> bool {
    /// Steps of 100 ns in a second.
    const TICKS: i128 = 10_000_000;
    let midnight = day.at(0, 0, 0, 0);
    let begins = match time.zone {
        Zone::Unknown => Offset::UTC.to_timestamp(midnight),
        Zone::Utc => zone.to_timestamp(midnight),
    };
    // A day at the very end of the calendar has nothing after it.
    begins.map_or(true, |begins| i128::from(time.ticks) < i128::from(begins.as_second()) * TICKS)
}

#[cfg(test)]
mod tests;
