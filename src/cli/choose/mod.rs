//! From the words of the command line, a plan or an earlier handover to what is handed over.

mod glob;
pub(super) mod patterns;
pub(super) mod plan_file;
pub(super) mod preview;
pub(super) mod tell;

use std::collections::BTreeSet;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::Context;
use super::disk::{Named, OpenedDisk, Refused};
use super::selection_args::SelectionArgs;
use super::{escape, selection_args};
use crate::catalog::{Lookup, NameId};
use crate::error::{Error, Result};
use crate::handover::{Choice, Filter, Patterns, Selected, Selection};
use crate::survey::wanted::where_it_may_have_stood;
use crate::survey::{self, FileKind};
use patterns::{Any, Pattern};

/// A choice, or why there is none.
pub(super) type Chosen = Result<Choice, Refused>;

/// What is asked for, checked word by word and not yet looked up.
#[derive(Debug, Clone, Default)]
pub(super) struct Wanted {
    pub(super) paths: Vec<String>,
    pub(super) volume: Option<u32>,
    pub(super) persons: Vec<String>,
    pub(super) kinds: Vec<FileKind>,
    pub(super) matching: Vec<Pattern>,
    pub(super) exclude: Vec<Pattern>,
    pub(super) newer: Option<Date>,
    pub(super) zone: Option<TimeZone>,
    pub(super) left_by_plan: Vec<String>,
}

impl Wanted {
    /// From the command line.
    pub(super) fn of(args: &SelectionArgs, volume: Option<u32>, zone: Option<&TimeZone>) -> Self {
        Self {
            paths: args.paths.clone(),
            volume,
            persons: args.persons.clone(),
            kinds: args.kinds.clone(),
            matching: args.matching.clone(),
            exclude: args.exclude.clone(),
            newer: args.newer,
            zone: zone.cloned(),
            left_by_plan: Vec::new(),
        }
    }

    /// From the records of a handover, which this program wrote.
    pub(super) fn again(selection: &Selection) -> Result<Self> {
        let wrong = |what: String| Error::Usage(format!("a selection in the handover's records can't be read: {what}"));
        let patterns = |texts: &[String]| -> Result<Vec<Pattern>> {
            texts.iter().map(|text| text.parse().map_err(wrong)).collect()
        };
        let zone = |name: &String| TimeZone::get(name).map_err(|_| wrong(format!("there is no zone `{name}`")));
        Ok(Self {
            paths: selection.paths.clone(),
            volume: selection.volume,
            persons: selection.persons.clone(),
            kinds: selection.kinds.clone(),
            matching: patterns(&selection.matching)?,
            exclude: patterns(&selection.exclude)?,
            newer: selection.newer.as_ref().map(|day| selection_args::date(day).map_err(wrong)).transpose()?,
            zone: selection.time_zone.as_ref().map(zone).transpose()?,
            left_by_plan: selection.left_by_plan.clone(),
        })
    }

    /// Whether nothing at all is asked for.
    pub(super) fn is_empty(&self) -> bool {
        self.paths.is_empty()
            && self.persons.is_empty()
            && self.kinds.is_empty()
            && self.matching.is_empty()
            && self.exclude.is_empty()
            && self.newer.is_none()
    }

    fn zone(&self) -> TimeZone {
        self.zone.clone().unwrap_or_else(TimeZone::system)
    }

    /// The words, for the records. The order in which something is named changes nothing.
    fn words(&self) -> Selection {
        let texts = |patterns: &[Pattern]| sorted(patterns.iter().map(|pattern| pattern.text().to_string()));
        let zone = self.newer.map(|_| self.zone());
        Selection {
            paths: sorted(self.paths.iter().cloned()),
            volume: self.volume,
            persons: sorted(self.persons.iter().cloned()),
            kinds: sorted(self.kinds.iter().copied()),
            matching: texts(&self.matching),
            exclude: texts(&self.exclude),
            newer: self.newer.map(|day| day.to_string()),
            time_zone: zone.and_then(|zone| zone.iana_name().map(str::to_string)),
            left_by_plan: sorted(self.left_by_plan.iter().cloned()),
        }
    }

    /// Looks everything up; volumes are swept as far as needed.
    pub(super) fn look_up(&self, opened: &mut OpenedDisk, context: &mut Context<'_>) -> Result<Chosen> {
        let any = |patterns: &[Pattern]| -> Option<Box<dyn Patterns>> {
            (!patterns.is_empty()).then(|| Box::new(Any(patterns.to_vec())) as Box<dyn Patterns>)
        };
        // By its number, so that the records say it whatever named it.
        let volume = match opened.asked(self.volume) {
            Ok(volume) => volume,
            Err(refused) => return Ok(Err(refused)),
        };
        let mut choice = Choice {
            selection: Selection { volume, ..self.words() },
            filter: Filter {
                kinds: self.kinds.iter().copied().collect(),
                matching: any(&self.matching),
                exclude: any(&self.exclude),
                newer: self.newer.map(|day| (day, self.zone())),
            },
            ..Choice::default()
        };
        for path in &self.paths {
            let Named { volume, name, .. } = match opened.find(path, self.volume, context)? {
                Ok(named) => named,
                Err(refused) => return Ok(Err(refused)),
            };
            let base = choice.bases.entry(volume).or_default();
            base.selected.push(name.map_or(Selected::Root, Selected::Name));
        }
        if self.paths.is_empty() {
            let numbers = match opened.main_volumes(self.volume) {
                Ok(numbers) => numbers,
                Err(refused) => return Ok(Err(refused)),
            };
            for number in numbers {
                opened.sweep(number, context)?;
                choice.bases.entry(number).or_default().selected.push(Selected::Root);
            }
        }
        if let Err(refused) = self.people(&mut choice, opened) {
            return Ok(Err(refused));
        }
        Ok(Ok(choice))
    }

    /// Narrows a choice to the people's profiles.
    fn people(&self, choice: &mut Choice, opened: &OpenedDisk) -> Result<(), Refused> {
        if self.persons.is_empty() {
            return Ok(());
        }
        let wanted: BTreeSet<String> = self.persons.iter().map(|name| name.to_lowercase()).collect();
        let (mut met, mut known) = (BTreeSet::new(), BTreeSet::new());
        for (number, base) in &mut choice.bases {
            let Some((_, swept)) = opened.swept(*number) else { continue };
            let mut profiles: Vec<NameId> = Vec::new();
            for person in survey::survey(&swept.catalog).people {
                let lower = person.name.to_lowercase();
                known.insert(person.name.clone());
                if !wanted.contains(&lower) {
                    continue;
                }
                match swept.catalog.find(&person.path) {
                    Lookup::Found(_, Some(name)) => profiles.push(name),
                    // Two profiles under one name are both meant.
                    Lookup::Ambiguous(names) => profiles.extend(names),
                    Lookup::Found(_, None) | Lookup::Missing { .. } => continue,
                }
                met.insert(lower);
            }
            base.profiles = Some(profiles);
        }
        let missing = self.persons.iter().find(|name| !met.contains(&name.to_lowercase()));
        if let Some(missing) = missing {
            let known: Vec<String> = known.iter().map(|name| format!("`{}`", escape::for_terminal(name))).collect();
            let known = match known.is_empty() {
                true => "no profile of anybody is known".to_string(),
                false => format!("there are {}", known.join(", ")),
            };
            let may_be_lost = choice.bases.keys().any(|number| may_have_had(opened, *number, missing));
            let message = format!("there is no profile of `{}` here; {known}", escape::for_terminal(missing));
            return Err(Refused::missing(message, may_be_lost));
        }
        if self.paths.is_empty() {
            // Nothing was asked of a volume on which none of them has a profile, and none can have lost one.
            choice.bases.retain(|number, base| {
                base.profiles.as_ref().is_some_and(|profiles| !profiles.is_empty())
                    || self.persons.iter().any(|person| may_have_had(opened, *number, person))
            });
        }
        Ok(())
    }
}

/// Whether a volume may have had a profile of somebody that its lists don't show any more.
fn may_have_had(opened: &OpenedDisk, volume: u32, person: &str) -> bool {
    let places = ["Users", "Documents and Settings"].map(|folder| format!("/{folder}/{person}"));
    opened.swept(volume).is_some_and(|(_, swept)| {
        swept.catalog.lost_records > 0
            || places.iter().any(|place| where_it_may_have_stood(&swept.catalog, place).is_some())
    })
}

fn sorted<T: Ord>(items: impl Iterator<Item = T>) -> Vec<T> {
    items.collect::<BTreeSet<T>>().into_iter().collect()
}
