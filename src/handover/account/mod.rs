//! What the customer is told, gathered once: `READ ME FIRST.txt` and `report.html` say the same.

mod folders;
mod named;
mod notes;

use std::collections::BTreeMap;
use std::ops::Range;

pub(crate) use named::{BLANK, Beside, Named, blank_words, names_below, unopened_sentence, unproven_line};
pub(crate) use notes::{Notes, UNPROVEN};

use super::meaning::Kind;
use super::place::Tree;
use super::results::{Results, Row};
use super::summary::Summary;
use crate::amount::{counted, grouped, human};
use crate::catalog::{ObjectKind, State};
use crate::hidden::visible;

/// How many files that are not as they were, or do not open, are named one by one; the rest are counted. More would be no help to a reader.
pub(crate) const MOST_NAMED: usize = 500;

/// What became of a file, as the customer sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fate {
    Whole,
    /// Copied, and nobody says whether all of it could be read.
    Unproven,
    /// Copied with parts missing.
    Damaged,
    /// Copied, and not shown to be its own content.
    Doubtful,
    /// Not copied.
    Left,
}

impl Fate {
    /// What became of a file of the plan.
    pub(crate) fn of(row: &Row<'_>) -> Self {
        match row.tree {
            None => Self::Left,
            Some(Tree::Damaged) => Self::Damaged,
            Some(Tree::Doubtful) => Self::Doubtful,
            Some(Tree::Recovered) if row.facts.state() == State::Unproven => Self::Unproven,
            Some(Tree::Recovered) => Self::Whole,
        }
    }
}

/// Files by what became of them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Tally {
    pub(crate) whole: u64,
    pub(crate) unproven: u64,
    pub(crate) damaged: u64,
    pub(crate) doubtful: u64,
    pub(crate) left: u64,
    /// Bytes that were written.
    pub(crate) bytes: u64,
}

impl Tally {
    fn add(&mut self, fate: Fate, bytes: u64) {
        let count = match fate {
            Fate::Whole => &mut self.whole,
            Fate::Unproven => &mut self.unproven,
            Fate::Damaged => &mut self.damaged,
            Fate::Doubtful => &mut self.doubtful,
            Fate::Left => &mut self.left,
        };
        *count += 1;
        self.bytes = self.bytes.saturating_add(bytes);
    }

    fn join(&mut self, other: &Self) {
        self.whole += other.whole;
        self.unproven += other.unproven;
        self.damaged += other.damaged;
        self.doubtful += other.doubtful;
        self.left += other.left;
        self.bytes = self.bytes.saturating_add(other.bytes);
    }

    /// All files.
    pub(crate) fn files(&self) -> u64 {
        self.whole + self.unproven + self.damaged + self.doubtful + self.left
    }

    /// Files that are in the handover, in whatever state.
    pub(crate) fn copied(&self) -> u64 {
        self.files() - self.left
    }

    /// Files that are not as they were, or not here.
    pub(crate) fn not_whole(&self) -> u64 {
        self.damaged + self.doubtful + self.left
    }

    /// The one sentence that says how it went.
    pub(crate) fn headline(&self) -> String {
        let files = self.files();
        if files == 0 {
            return "There were no files to copy.".to_string();
        }
        if self.whole == files {
            return match files {
                1 => "Your file came back whole.".to_string(),
                _ => format!("All of your {} files came back whole.", grouped(files)),
            };
        }
        if self.unproven == files {
            let what = "but nobody can say whether all of";
            return match files {
                1 => format!("Your file came back, {what} it could be read."),
                _ => format!("All of your {} files came back, {what} each could be read.", grouped(files)),
            };
        }
        let mut parts = Vec::new();
        let mut say = |count: u64, one: &str, many: &str| {
            if count > 0 {
                parts.push(format!("{} {}", grouped(count), if count == 1 { one } else { many }));
            }
        };
        say(self.whole, "came back whole", "came back whole");
        say(
            self.unproven,
            "came back, but nobody can say whether all of it could be read",
            "came back, but nobody can say whether all of each could be read",
        );
        say(self.damaged, "has parts missing", "have parts missing");
        say(self.doubtful, "came back, but may hold something else", "came back, but may hold something else");
        say(self.left, "could not be brought back", "could not be brought back");
        format!("Of your {}, {}.", counted(files, "file"), listed(&parts))
    }
}

/// `a, b and c`.
pub(crate) fn listed(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// A folder and what became of the files in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct FolderLine {
    /// Its path in the handover, as it may be shown.
    pub(crate) name: String,
    pub(crate) tally: Tally,
}

/// A file that is not as it was, or not here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct NotWhole {
    /// Its path on the volume, as it may be shown.
    pub(crate) path: String,
    /// Its folder, as in [`Account::folders`].
    folder: String,
    pub(crate) fate: Fate,
    pub(crate) kind: Kind,
    state: State,
    size: u64,
    gap_bytes: u64,
    gaps: usize,
    first_gap: Option<Range<u64>>,
    /// Why nothing could be placed, in a sentence.
    unplaced: Option<String>,
}

impl NotWhole {
    fn of(row: &Row<'_>, fate: Fate) -> Self {
        let gaps = if row.tree.is_some() { row.gaps() } else { Vec::new() };
        let path = row.source_path();
        Self {
            kind: Kind::of(&path),
            path: visible(&path).into_owned(),
            folder: folders::key(&row.entry.path),
            fate,
            state: row.facts.state(),
            size: row.size(),
            gap_bytes: row.facts.gap_bytes.saturating_add(row.facts.never_here_bytes).min(row.size()),
            gaps: gaps.len(),
            first_gap: gaps.first().map(|gap| gap.range.clone()).filter(|range| range.start < range.end),
            unplaced: row.unplaced.map(|why| visible(why).into_owned()),
        }
    }

    /// What of it is missing.
    pub(crate) fn missing(&self) -> String {
        if self.fate != Fate::Damaged {
            return match self.fate {
                Fate::Left => "not copied".to_string(),
                _ => "read, but in doubt".to_string(),
            };
        }
        let size = human(self.size);
        let Some(first) = self.first_gap.as_ref().filter(|_| self.gap_bytes > 0) else {
            return format!("a part of its {size} is missing; how much can't be told");
        };
        let place = match (first.start, self.gaps) {
            (0, 1) => "at its beginning".to_string(),
            (0, _) => format!("in {} places, the first at its beginning", grouped(self.gaps as u64)),
            (start, 1) if first.end >= self.size => format!("its end, from {} on", human(start)),
            (start, 1) => format!("after the first {}", human(start)),
            (start, gaps) => format!("in {} places, the first after {}", grouped(gaps as u64), human(start)),
        };
        format!("{} of {size} missing, {place}", human(self.gap_bytes))
    }

    /// What that means for whoever opens it.
    pub(crate) fn meaning(&self) -> String {
        match (self.fate, self.state) {
            (Fate::Damaged, State::Absent) => {
                "The rest was kept by a cloud service and never was on this drive: get it from there.".to_string()
            }
            (Fate::Damaged, _) => self.kind.with_a_hole().to_string(),
            (Fate::Doubtful, _) => {
                "It can't be shown that this is the file's own content: open it and look before you rely on it."
                    .to_string()
            }
            (_, State::Absent) => {
                "It was kept by a cloud service and never was on this drive: get it from there.".to_string()
            }
            (_, State::Unlocated) => match &self.unplaced {
                Some(why) => format!("Only its name is known: {why}."),
                None => "Only its name is known; where its content lay, or how to read it, is not.".to_string(),
            },
            _ => "It is encrypted, and only its owner's key or password opens it. The image still has it.".to_string(),
        }
    }
}

/// What the customer is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Account {
    /// The day of the handover.
    pub(crate) day: String,
    pub(crate) total: Tally,
    pub(crate) folders: Vec<FolderLine>,
    /// The first [`MOST_NAMED`], by path.
    pub(crate) not_whole: Vec<NotWhole>,
    /// The others, by folder.
    further: BTreeMap<String, u64>,
    /// Blank files among those that no map speaks for.
    pub(crate) blank: Named,
    pub(crate) notes: Notes,
}

impl Account {
    /// Gathers it. `ended` is when all was written, in RFC 3339.
    pub(crate) fn of(results: &Results<'_>, summary: &Summary, ended: &str) -> Self {
        let mut total = Tally::default();
        let mut by_folder = BTreeMap::new();
        let mut not_whole = Vec::new();
        let mut further: BTreeMap<String, u64> = BTreeMap::new();
        let mut blank = Named::default();
        for row in results.rows().filter(|row| row.entry.kind != ObjectKind::Folder) {
            let fate = Fate::of(&row);
            let bytes = row.tree.map_or(0, |_| row.size());
            total.add(fate, bytes);
            by_folder.entry(folders::key(&row.entry.path)).or_insert_with(Tally::default).add(fate, bytes);
            if fate == Fate::Unproven && row.reading.is_some_and(|reading| reading.blank) {
                blank.add(&row, None);
            }
            if matches!(fate, Fate::Whole | Fate::Unproven) {
                continue;
            }
            if not_whole.len() < MOST_NAMED {
                not_whole.push(NotWhole::of(&row, fate));
            } else {
                *further.entry(folders::key(&row.entry.path)).or_default() += 1;
            }
        }
        Self {
            day: ended.get(..10).unwrap_or(ended).to_string(),
            total,
            folders: folders::lines(&by_folder),
            not_whole,
            further,
            blank,
            notes: Notes::of(results, summary),
        }
    }

    /// Counts of files that are not as they were, by folder, without the first `named`.
    pub(crate) fn further(&self, named: usize) -> Vec<(String, u64)> {
        let mut further = self.further.clone();
        for file in self.not_whole.iter().skip(named) {
            *further.entry(file.folder.clone()).or_default() += 1;
        }
        folders::counts(&further)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tally(whole: u64, unproven: u64, damaged: u64, doubtful: u64, left: u64) -> Tally {
        Tally { whole, unproven, damaged, doubtful, left, bytes: 0 }
    }

    #[test]
    fn the_headline_is_a_sentence() {
        for (tally, text) in [
            (tally(0, 0, 0, 0, 0), "There were no files to copy."),
            (tally(1, 0, 0, 0, 0), "Your file came back whole."),
            (tally(2000, 0, 0, 0, 0), "All of your 2,000 files came back whole."),
            (
                tally(15, 0, 2, 0, 1),
                "Of your 18 files, 15 came back whole, 2 have parts missing and 1 could not be brought back.",
            ),
            (tally(0, 0, 1, 0, 0), "Of your 1 file, 1 has parts missing."),
            (
                tally(0, 3, 0, 0, 0),
                "All of your 3 files came back, but nobody can say whether all of each could be read.",
            ),
            (tally(1, 0, 0, 1, 0), "Of your 2 files, 1 came back whole and 1 came back, but may hold something else."),
        ] {
            assert_eq!(tally.headline(), text);
        }
    }

    #[test]
    fn a_hole_is_told_in_words() {
        let mut file = NotWhole {
            path: "/a.jpg".to_string(),
            folder: String::new(),
            fate: Fate::Damaged,
            kind: Kind::Picture,
            state: State::Damaged,
            size: 34_000,
            gap_bytes: 4096,
            gaps: 1,
            first_gap: Some(8192..12288),
            unplaced: None,
        };
        assert_eq!(file.missing(), "4.0 kB of 34.0 kB missing, after the first 8.1 kB");
        assert!(file.meaning().contains("stripes"));
        file.first_gap = Some(29_904..34_000);
        assert_eq!(file.missing(), "4.0 kB of 34.0 kB missing, its end, from 29.9 kB on");
        file.first_gap = Some(0..10);
        file.gaps = 2;
        assert_eq!(file.missing(), "4.0 kB of 34.0 kB missing, in 2 places, the first at its beginning");
        file.first_gap = None;
        assert!(file.missing().contains("how much can't be told"));
        file.fate = Fate::Left;
        file.state = State::Locked;
        assert!(file.meaning().contains("key or password"));
    }
}
