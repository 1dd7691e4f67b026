//! What became of each entry of the plan: the one place where facts, reading and path come together for all records.

use std::collections::{BTreeMap, HashSet};

use super::job::{Job, VolumeSelection};
use super::locate::Located;
use super::place::{Reading, Tree, merged};
use super::plan::{Entry, Plan, address, source_path};
use super::summary::{Count, Lost, MOST_LOST, Summary};
use crate::catalog::{Completeness, Distrust, Facts, Gap, GapKind, Object, ObjectKind, State};
use crate::content::Verdict;
use crate::content::contents::Contents;
use crate::content::second::{self, Outcome};

/// Everything that is known when all is copied.
pub(crate) struct Results<'r> {
    pub(crate) job: &'r Job<'r>,
    pub(crate) plan: &'r Plan,
    pub(crate) located: &'r Located,
    pub(crate) done: &'r [Option<Reading>],
    /// What the second reader says, by entry of the plan.
    pub(crate) second: &'r [Option<Outcome>],
    /// Whether it opens, by entry of the plan.
    pub(crate) opens: &'r [Option<Verdict>],
}

/// What became of one entry.
pub(crate) struct Row<'r> {
    pub(crate) entry: &'r Entry,
    pub(crate) volume: &'r VolumeSelection<'r>,
    pub(crate) object: &'r Object,
    pub(crate) facts: Facts,
    pub(crate) reading: Option<&'r Reading>,
    /// Where it was written; `None` if it was not copied.
    pub(crate) tree: Option<Tree>,
    /// Why nothing could be placed, in a sentence.
    pub(crate) unplaced: Option<&'r str>,
    /// What the second reader says, if it was asked.
    pub(crate) second: Option<&'r Outcome>,
    /// Whether it opens, if that was asked.
    pub(crate) opens: Option<&'r Verdict>,
}

impl<'r> Results<'r> {
    pub(crate) fn row(&self, index: usize) -> Row<'r> {
        let entry = &self.plan.entries[index];
        let volume = &self.job.volumes[entry.volume];
        let object = volume.catalog.object(entry.object);
        let reading = self.done[index].as_ref();
        let unplaced = self.located.unplaced.get(&index).map(String::as_str);
        let facts = merged(&object.facts, reading, unplaced.is_none());
        let tree = match entry.kind {
            ObjectKind::Folder => Some(Tree::Recovered),
            _ => reading.and_then(|reading| Tree::of(&facts, reading.size)),
        };
        let (second, opens) = (self.second[index].as_ref(), self.opens[index].as_ref());
        Row { entry, volume, object, facts, reading, tree, unplaced, second, opens }
    }

    /// All entries, in the order of the plan.
    pub(crate) fn rows(&self) -> impl Iterator<Item = Row<'r>> + '_ {
        (0..self.plan.entries.len()).map(|index| self.row(index))
    }

    /// What was written, sorted by the path in the bag.
    pub(crate) fn written(&self) -> impl Iterator<Item = Row<'r>> + '_ {
        let mut order: Vec<(&'static str, usize)> =
            (0..self.plan.entries.len()).filter_map(|index| Some((self.row(index).tree?.folder(), index))).collect();
        order.sort_unstable();
        order.into_iter().map(|(_, index)| self.row(index))
    }

    /// What the caller shows and decides by.
    pub(crate) fn summary(&self, folder: std::path::PathBuf, resumed: bool) -> Summary {
        let plan = self.plan;
        let mut summary = Summary {
            folder,
            resumed,
            read_back: None,
            states: BTreeMap::new(),
            reasons: BTreeMap::new(),
            written_files: 0,
            written_bytes: 0,
            unproven_files: 0,
            unproven_blank: 0,
            folders: 0,
            incomplete_folders: 0,
            not_copied: 0,
            lost: Vec::new(),
            lost_count: 0,
            losses: 0,
            lost_records: self.job.volumes.iter().map(|volume| volume.catalog.lost_records).sum(),
            links: plan.links.len() as u64,
            streams_left: plan.streams_left,
            special_files: plan.special_files,
            deleted_left: plan.deleted_left,
            left_out: plan.left_out.clone(),
            undated: plan.undated,
            second_reader: self.job.options.second_reader.then(second::Report::default),
            contents: self.job.options.check.then(Contents::default),
        };
        let mut seen = HashSet::new();
        for row in self.rows() {
            let is_new = seen.insert((row.entry.volume, row.entry.object));
            if row.entry.kind == ObjectKind::Folder {
                summary.folders += u64::from(is_new);
                let is_deleted = row.object.facts.distrust.contains(Distrust::Deleted);
                let incomplete = !is_deleted && row.object.completeness() == Completeness::Incomplete;
                summary.incomplete_folders += u64::from(is_new && incomplete);
                continue;
            }
            self.count(&row, is_new, &mut summary);
        }
        summary
    }

    fn count(&self, row: &Row<'_>, is_new: bool, summary: &mut Summary) {
        if let (Some(second), Some(outcome)) = (&mut summary.second_reader, row.second) {
            second.add(outcome, || (row.volume.number, row.source_path(), address(row.volume, row.entry.object)));
        }
        let state = row.facts.state();
        if let (Some(contents), Some(verdict), true) = (&mut summary.contents, row.opens, is_new) {
            contents.add(state, row.size(), verdict, || (row.source_path(), address(row.volume, row.entry.object)));
        }
        let count: &mut Count = summary.states.entry(state).or_default();
        count.paths += 1;
        if is_new {
            count.objects += 1;
            count.bytes = count.bytes.saturating_add(row.size());
            for reason in row.reasons() {
                *summary.reasons.entry(reason).or_default() += 1;
            }
        }
        if let (Some(_), Some(reading)) = (row.tree, row.reading) {
            summary.written_files += 1;
            summary.written_bytes = summary.written_bytes.saturating_add(reading.size);
            if state == State::Unproven {
                summary.unproven_files += 1;
                summary.unproven_blank += u64::from(reading.blank);
            }
        } else {
            summary.not_copied += 1;
        }
        let is_deleted = row.facts.distrust.contains(Distrust::Deleted);
        summary.losses += u64::from(state.is_loss() && !is_deleted);
        if row.tree.is_none() || state.is_loss() || state == State::Absent {
            summary.lost_count += 1;
            if summary.lost.len() < MOST_LOST {
                summary.lost.push(Lost {
                    volume: row.volume.number,
                    source_path: row.source_path(),
                    address: address(row.volume, row.entry.object),
                    state,
                    why: row.why(),
                    size: row.size(),
                    gap_bytes: row.facts.gap_bytes,
                    copied: row.tree.is_some(),
                });
            }
        }
    }
}

impl Row<'_> {
    /// Where it stands on the volume.
    pub(crate) fn source_path(&self) -> String {
        source_path(self.volume, self.entry)
    }

    /// The whole path in the bag; `None` if it was not copied.
    pub(crate) fn path(&self) -> Option<String> {
        let folder = self.tree?.folder();
        Some(match self.entry.path.as_str() {
            "" => folder.to_string(),
            path => [folder, "/", path].concat(),
        })
    }

    /// Bytes of the content.
    pub(crate) fn size(&self) -> u64 {
        self.reading.map_or(self.object.size, |reading| reading.size)
    }

    /// The word for its state: a file's, or for a folder whether its list is all there.
    pub(crate) fn state_word(&self) -> &'static str {
        match self.entry.kind {
            ObjectKind::Folder => self.object.completeness().word(),
            _ => self.facts.state().word(),
        }
    }

    /// Every reason behind the state, as words.
    pub(crate) fn reasons(&self) -> Vec<&'static str> {
        if self.entry.kind == ObjectKind::Folder {
            let incomplete = self.object.incomplete.iter().map(|reason| reason.word());
            return incomplete.chain(self.facts.reasons()).collect();
        }
        let mut reasons = self.facts.reasons();
        if self.facts.encrypted {
            reasons.push("encrypted");
        }
        reasons
    }

    /// The reasons in one text, with a sentence where there is one.
    pub(crate) fn why(&self) -> String {
        let words = self.reasons().join(" ");
        match self.unplaced {
            Some(sentence) => format!("{words}: {sentence}"),
            None => words,
        }
    }

    /// What is missing of a copied file, in order. A kind of gap that has no range (the lost end of a list of runs)
    /// stands at the end with no length.
    pub(crate) fn gaps(&self) -> Vec<Gap> {
        let mut gaps = self.reading.map(|reading| reading.gaps.clone()).unwrap_or_default();
        let ranged: HashSet<GapKind> = gaps.iter().map(|gap| gap.why).collect();
        let size = self.size();
        gaps.extend(
            self.facts.gaps.iter().filter(|kind| !ranged.contains(kind)).map(|why| Gap { range: size..size, why }),
        );
        gaps
    }
}
