//! Files of which nothing is known to be missing and that should be looked at all the same: named up to a bound, and
//! counted beyond it.

use super::MOST_NAMED;
use crate::amount::{counted, grouped};
use crate::handover::results::Row;
use crate::hidden::visible;

/// A file that is named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct NamedFile {
    /// Its path on the volume, as it may be shown.
    pub(crate) shown: String,
    /// Where its copy stands in the bag.
    pub(crate) copy: String,
    /// The sheet on which it is shown small.
    pub(crate) sheet: Option<usize>,
}

/// Files of one kind.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Named {
    pub(crate) count: u64,
    /// The first [`MOST_NAMED`] of them.
    pub(crate) first: Vec<NamedFile>,
}

impl Named {
    /// Adds a file that was copied.
    pub(crate) fn add(&mut self, row: &Row<'_>, sheet: Option<usize>) {
        self.count += 1;
        if self.first.len() < MOST_NAMED {
            self.first.push(NamedFile {
                shown: visible(&row.source_path()).into_owned(),
                copy: row.path().unwrap_or_default(),
                sheet,
            });
        }
    }

    /// How many there are beyond the first `named`.
    pub(crate) fn beyond(&self, named: usize) -> u64 {
        self.count.saturating_sub(named.min(self.first.len()) as u64)
    }
}

/// What stands in the bag beside the text, for people to look at.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Beside {
    /// Whether there is a page that says the same.
    pub(crate) page: bool,
    /// How many sheets of small pictures there are.
    pub(crate) sheets: u64,
    /// Pictures that could not be opened.
    pub(crate) unopened: Named,
}

/// That pictures could not be opened, and why that may be. `unrecorded`: nobody says of some files whether all of them was
/// read.
pub(crate) fn unopened_sentence(count: u64, unrecorded: bool) -> String {
    let (them, they) = if count == 1 { ("it", "It") } else { ("them", "They") };
    let or = if unrecorded { ", or have lost a part without anybody's knowing" } else { "" };
    format!(
        "{} could not be opened, although no part of {them} is known to be missing. {they} may have been damaged before the \
         drive failed{or}. Try another program before you give {them} up.",
        counted(count, "picture")
    )
}

/// How many files are blank.
pub(crate) fn blank_words(count: u64) -> String {
    match count {
        1 => "is blank or ends in a long blank".to_string(),
        _ => "are blank or end in long blanks".to_string(),
    }
}

/// That their names follow; nothing if there are none.
pub(crate) fn names_below(count: u64) -> &'static str {
    match count {
        0 => "",
        1 => "Its name stands below.",
        _ => "Their names stand below.",
    }
}

/// What it means that files are blank.
pub(crate) const BLANK: &str = "\
    Such files hold nothing but zeros, or end in at least 32,768 of them. Some programs make them on purpose. In a picture, a \
    document or a film it is more often a part that could not be read: open it and look.";

/// The sentences that a handover opens with where no map speaks for `files` of the `written` ones.
pub(crate) fn unproven_line(files: u64, written: u64, blank: u64) -> String {
    let whose = match (files, files == written) {
        (1, true) => "this file".to_string(),
        (_, true) => format!("these {} files", grouped(files)),
        _ => format!("{} of these files", grouped(files)),
    };
    let (them, look) = if files == 1 { ("it", "it looks") } else { ("them", "they look") };
    let mut line = format!(
        "Nobody recorded whether every part of {whose} could be read from the drive (no map speaks for {them}), so parts may \
         be empty although {look} complete: open what matters and look."
    );
    if blank > 0 {
        let which = if files == 1 { "It".to_string() } else { format!("{} of them", grouped(blank)) };
        line.push_str(&format!(" {which} {}.", blank_words(blank)));
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_agree_with_their_numbers() {
        for (count, start) in [
            (
                1,
                "1 picture could not be opened, although no part of it is known to be missing. It may have been damaged",
            ),
            (
                4000,
                "4,000 pictures could not be opened, although no part of them is known to be missing. They may have been",
            ),
        ] {
            assert!(unopened_sentence(count, false).starts_with(start), "{}", unopened_sentence(count, false));
        }
        assert!(
            unopened_sentence(2, true).contains("failed, or have lost a part without anybody's knowing. Try another")
        );
        assert!(!unopened_sentence(2, false).contains("anybody"));
    }

    #[test]
    fn the_first_sentence_says_what_it_means() {
        let end = "open what matters and look.";
        for (files, written, blank, line) in [
            (
                20_006,
                20_006,
                1,
                "Nobody recorded whether every part of these 20,006 files could be read from the drive (no map speaks for \
                 them), so parts may be empty although they look complete: open what matters and look. 1 of them is blank or \
                 ends in a long blank.",
            ),
            (
                1,
                1,
                1,
                "Nobody recorded whether every part of this file could be read from the drive (no map speaks for it), so \
                 parts may be empty although it looks complete: open what matters and look. It is blank or ends in a long \
                 blank.",
            ),
        ] {
            assert_eq!(unproven_line(files, written, blank), line);
        }
        let line = unproven_line(3000, 9000, 1200);
        assert!(line.starts_with("Nobody recorded whether every part of 3,000 of these files could"), "{line}");
        assert!(line.ends_with(" 1,200 of them are blank or end in long blanks."), "{line}");
        assert!(unproven_line(1, 2, 0).ends_with(end) && unproven_line(1, 2, 0).contains("part of 1 of these files"));
    }
}
