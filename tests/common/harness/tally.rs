//! What many damages did.

use std::collections::BTreeMap;

/// What one damage did.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    /// Whether anything is said that was not said of the sound image: a state, a folder, a finding, unexplained bytes.
    pub(crate) noticed: bool,
    /// Whether a name, place, size or time that is shown is another one.
    pub(crate) relisted: bool,
    /// What is called whole or complete and is not.
    pub(crate) wrong: Vec<String>,
}

/// What many damages did.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) damages: u64,
    pub(crate) files: BTreeMap<&'static str, u64>,
    pub(crate) folders: BTreeMap<&'static str, u64>,
    /// Volumes that were not opened at all.
    pub(crate) closed: u64,
    /// Of one sector broken alone: which kind kept a volume from being opened.
    pub(crate) closed_by: BTreeMap<&'static str, u64>,
    /// Files and streams that took harm from a sector that is not theirs, by the sector's kind.
    pub(crate) files_spoiled: BTreeMap<&'static str, u64>,
    /// Folders likewise.
    pub(crate) folders_spoiled: BTreeMap<&'static str, u64>,
    pub(crate) wrong: Vec<String>,
}

impl Tally {
    /// The counts in a line for people.
    pub(crate) fn line(&self, files: usize) -> String {
        format!(
            "{} damages, {} files x damages, files {:?}, folders {:?}, volumes closed {}, spoiled by others' sectors: \
             files {:?}, folders {:?}; wrong {}",
            self.damages,
            self.damages * u64::try_from(files).expect("few"),
            self.files,
            self.folders,
            self.closed,
            self.files_spoiled,
            self.folders_spoiled,
            self.wrong.len()
        )
    }
}

/// What was noticed of damages nobody told of, by the kind of place.
#[derive(Debug, Default)]
pub(crate) struct Notice {
    rows: BTreeMap<String, Row>,
}

#[derive(Debug, Default, Clone)]
struct Row {
    cases: u64,
    noticed: u64,
    nothing_wrong: u64,
    relisted: u64,
    wrong: u64,
    wrong_silently: u64,
    example: String,
}

impl Notice {
    pub(crate) fn add(&mut self, kind: &str, case: &str, seen: &Seen) {
        let row = self.rows.entry(kind.to_string()).or_default();
        row.cases += 1;
        if let Some(first) = seen.wrong.first() {
            row.wrong += 1;
            row.wrong_silently += u64::from(!seen.noticed);
            if row.example.is_empty() {
                row.example = format!("{case}: {first}");
            }
        } else if seen.noticed {
            row.noticed += 1;
        } else if seen.relisted {
            row.relisted += 1;
        } else {
            row.nothing_wrong += 1;
        }
    }

    pub(crate) fn merge(&mut self, other: Self) {
        for (kind, row) in other.rows {
            let own = self.rows.entry(kind).or_default();
            own.cases += row.cases;
            own.noticed += row.noticed;
            own.nothing_wrong += row.nothing_wrong;
            own.relisted += row.relisted;
            own.wrong += row.wrong;
            own.wrong_silently += row.wrong_silently;
            if own.example.is_empty() {
                own.example = row.example;
            }
        }
    }

    pub(crate) fn wrong(&self, kind: &str) -> u64 {
        self.rows.get(kind).map_or(0, |row| row.wrong)
    }

    /// The table of `docs/damage.md`.
    pub(crate) fn table(&self) -> String {
        let mut text = String::from(
            "| place | cases | noticed | nothing shown is wrong | only the listing is wrong | wrong `whole` or `complete` | of these, without a word |\n\
             |---|--:|--:|--:|--:|--:|--:|\n",
        );
        for (kind, row) in &self.rows {
            text.push_str(&format!(
                "| {kind} | {} | {} | {} | {} | {} | {} |\n",
                row.cases, row.noticed, row.nothing_wrong, row.relisted, row.wrong, row.wrong_silently
            ));
        }
        text
    }

    /// One example of each kind that went wrong.
    pub(crate) fn examples(&self) -> Vec<String> {
        self.rows
            .iter()
            .filter(|(_, row)| row.wrong > 0)
            .map(|(kind, row)| format!("{kind}: {}", row.example))
            .collect()
    }
}
