//! Files by folder, in as many lines as one can read.

use std::collections::{BTreeMap, BTreeSet};

use super::{FolderLine, Tally};
use crate::hidden::visible;

/// Folders further down than this are counted with the one above them.
const DEEPEST: usize = 3;
/// A folder is shown by those in it as long as there are no more lines than this.
const WANTED_LINES: usize = 14;
/// Lines at the most; the rest are counted together.
const MOST_LINES: usize = 40;
/// What files are counted under that stand in no folder.
const TOP: &str = "(in no folder)";

/// The folder of a path in the handover, cut to [`DEEPEST`]; empty for none.
pub(super) fn key(path: &str) -> String {
    let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
    let end = folder.match_indices('/').nth(DEEPEST - 1).map_or(folder.len(), |(at, _)| at);
    folder[..end].to_string()
}

/// A folder with all that is below it, or only what stands directly in it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Group {
    prefix: String,
    below: bool,
}

impl Group {
    fn holds(&self, key: &str) -> bool {
        match key.strip_prefix(self.prefix.as_str()) {
            Some("") => true,
            Some(rest) => self.below && (self.prefix.is_empty() || rest.starts_with('/')),
            None => false,
        }
    }

    /// The folders directly in it, and itself if files stand directly in it.
    fn split(&self, keys: &BTreeMap<String, Tally>) -> BTreeSet<Self> {
        let mut parts = BTreeSet::new();
        for key in keys.keys().filter(|key| self.holds(key)) {
            let rest = key[self.prefix.len()..].trim_start_matches('/');
            parts.insert(match (rest.split('/').next().unwrap_or(rest), self.prefix.as_str()) {
                ("", _) => Self { prefix: self.prefix.clone(), below: false },
                (name, "") => Self { prefix: name.to_string(), below: true },
                (name, prefix) => Self { prefix: format!("{prefix}/{name}"), below: true },
            });
        }
        parts
    }
}

/// The folders that say most: a folder in which there is only one other is shown as that one, and large ones by what is in
/// them.
fn groups(keys: &BTreeMap<String, Tally>) -> BTreeSet<Group> {
    let mut groups = BTreeSet::from([Group { prefix: String::new(), below: true }]);
    loop {
        let files = |group: &Group| -> u64 {
            keys.iter().filter(|(key, _)| group.holds(key)).map(|(_, tally)| tally.files()).sum()
        };
        let mut candidates: Vec<(u64, Group, BTreeSet<Group>)> = groups
            .iter()
            .filter(|group| group.below)
            .map(|group| (files(group), group.clone(), group.split(keys)))
            .filter(|(_, group, parts)| {
                let is_itself = parts.iter().all(|part| part.prefix == group.prefix);
                let fits = groups.len() - 1 + parts.len() <= WANTED_LINES;
                !is_itself && (fits || group.prefix.is_empty() || parts.len() == 1)
            })
            .collect();
        candidates.sort_by(|one, two| two.0.cmp(&one.0).then_with(|| one.1.cmp(&two.1)));
        let Some((_, group, parts)) = candidates.into_iter().next() else { return groups };
        groups.remove(&group);
        groups.extend(parts);
    }
}

/// The lines of the table.
pub(super) fn lines(keys: &BTreeMap<String, Tally>) -> Vec<FolderLine> {
    let mut lines: Vec<FolderLine> = Vec::new();
    let mut others = Tally::default();
    for group in groups(keys) {
        let mut tally = Tally::default();
        keys.iter().filter(|(key, _)| group.holds(key)).for_each(|(_, one)| tally.join(one));
        if tally.files() == 0 {
            continue;
        }
        let name = if group.prefix.is_empty() { TOP.to_string() } else { visible(&group.prefix).into_owned() };
        match lines.len() < MOST_LINES {
            true => lines.push(FolderLine { name, tally }),
            false => others.join(&tally),
        }
    }
    if others.files() > 0 {
        lines.push(FolderLine { name: "other folders".to_string(), tally: others });
    }
    lines
}

/// Counts by folder, at most [`MOST_LINES`] and one for the rest.
pub(super) fn counts(keys: &BTreeMap<String, u64>) -> Vec<(String, u64)> {
    let name = |key: &str| if key.is_empty() { TOP.to_string() } else { visible(key).into_owned() };
    let mut counts: Vec<_> = keys.iter().take(MOST_LINES).map(|(key, count)| (name(key), *count)).collect();
    let rest: u64 = keys.values().skip(MOST_LINES).sum();
    if rest > 0 {
        counts.push(("other folders".to_string(), rest));
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(paths: &[&str]) -> Vec<(String, u64)> {
        let mut keys = BTreeMap::new();
        for path in paths {
            keys.entry(key(path)).or_insert_with(Tally::default).whole += 1;
        }
        lines(&keys).into_iter().map(|line| (line.name, line.tally.files())).collect()
    }

    #[test]
    fn a_folder_is_shown_by_what_is_in_it() {
        let paths = [
            "Users/Choir/Pictures/Concert 2009/1.jpg",
            "Users/Choir/Pictures/Outing/2.jpg",
            "Users/Choir/Music/3.mid",
            "Users/Choir/NTUSER.DAT",
            "Scores 2009/4.pdf",
        ];
        let expected = [("Scores 2009", 1), ("Users/Choir", 1), ("Users/Choir/Music", 1), ("Users/Choir/Pictures", 2)];
        assert_eq!(shown(&paths), expected.map(|(name, files)| (name.to_string(), files)));
        assert_eq!(shown(&["a.txt"]), [(TOP.to_string(), 1)]);
        assert_eq!(shown(&[]), []);
    }

    #[test]
    fn nothing_is_lost_where_there_are_many() {
        let paths: Vec<String> = (0..900).map(|at| format!("folder {}/{}/x{at}", at % 90, at % 7)).collect();
        let lines = shown(&paths.iter().map(String::as_str).collect::<Vec<_>>());
        assert_eq!(lines.len(), MOST_LINES + 1);
        assert_eq!(lines.iter().map(|(_, files)| files).sum::<u64>(), 900);
        let many: BTreeMap<String, u64> = (0..90).map(|at| (format!("{at}"), 2)).collect();
        assert_eq!(counts(&many).iter().map(|(_, count)| count).sum::<u64>(), 180);
    }

    #[test]
    fn a_name_is_not_taken_for_the_beginning_of_another() {
        let lines = shown(&["Music/a/1", "Music/b/2", "Music old/3", "Music/4"]);
        let expected = [("Music", 1), ("Music old", 1), ("Music/a", 1), ("Music/b", 1)];
        assert_eq!(lines, expected.map(|(name, files)| (name.to_string(), files)));
    }
}
