//! What is to be copied.

use std::path::PathBuf;

use clap::Args;
use jiff::civil::Date;

use super::choose::patterns::{self, Pattern};
use crate::survey::FileKind;

#[derive(Debug, Args)]
pub(super) struct SelectionArgs {
    /// Where to look: `/Users/Anna`, `2:/Photos`, an address such as `record:57`, or `/` for everything [default, with
    /// one of the options that follow: all of every main volume]
    #[arg(value_name = "PATH")]
    pub(super) paths: Vec<String>,
    /// Only what is in this person's profile, as `handback survey` names the people; repeat it for several
    #[arg(long = "person", value_name = "NAME")]
    pub(super) persons: Vec<String>,
    /// Only files of this kind: photos, films, music, documents, mail, archives or other; repeat it for several. What
    /// belongs to Windows and its programs is left out
    #[arg(long = "kind", value_name = "KIND", value_parser = kind)]
    pub(super) kinds: Vec<FileKind>,
    /// Only what this pattern fits, such as `*.jpg`, `IMG_*` or `/Users/*/Pictures/**`, with all below a folder that it
    /// fits; repeat it for several
    #[arg(long = "match", value_name = "PATTERN", value_parser = patterns::parse)]
    pub(super) matching: Vec<Pattern>,
    /// Leave out what this pattern fits, with all below a folder that it fits; repeat it for several
    #[arg(long, value_name = "PATTERN", value_parser = patterns::parse)]
    pub(super) exclude: Vec<Pattern>,
    /// Only files last changed on this day or later, such as `2009-03-14`; files without a date are kept and counted
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub(super) newer: Option<Date>,
    /// A plan, a text file that can be edited: written with `--dry-run` if it is not there, and else it says what to copy
    #[arg(long, value_name = "FILE")]
    pub(super) plan: Option<PathBuf>,
    /// Say what would be copied, in what state, how long it takes and whether it fits; write nothing
    #[arg(long)]
    pub(super) dry_run: bool,
    /// Add to a finished handover of the same image and map; what is there already stays as it is
    #[arg(long, requires = "to")]
    pub(super) add: bool,
}

/// A kind of files by its word.
pub(super) fn kind(word: &str) -> Result<FileKind, String> {
    FileKind::from_word(word)
        .ok_or_else(|| "kinds are photos, films, music, documents, mail, archives and other".to_string())
}

/// A day.
pub(super) fn date(text: &str) -> Result<Date, String> {
    let is_plain = text.len() == 10 && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
    text.parse().ok().filter(|_| is_plain).ok_or_else(|| "days are written as `2009-03-14`".to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_and_days_are_words_and_numbers() {
        assert_eq!((kind("photos"), kind("pictures")), (Ok(FileKind::Pictures), Ok(FileKind::Pictures)));
        assert!(kind("system").is_err() && kind("Photos").is_err());
        for kind_of in FileKind::ALL.into_iter().filter(|kind| *kind != FileKind::System) {
            assert_eq!(kind(kind_of.word()), Ok(kind_of));
        }
        assert_eq!(date("2009-03-14").map(|day| day.to_string()).as_deref(), Ok("2009-03-14"));
        for wrong in ["2009-02-30", "14.3.2009", "2009-3-14", "2009-03-14T00:00", "", "-009-03-14"] {
            assert!(date(wrong).is_err(), "{wrong}");
        }
    }
}
