//! Tallies on the screen: as the row of a table, and as words.

use jiff::tz::TimeZone;

use super::super::output::{Align, Table};
use super::super::{escape, size};
use crate::catalog::{State, Timestamp};
use crate::survey::Tally;

/// Columns that go where a table is too wide; the sentences beside it and the JSON have what stood there.
pub(super) const DISPENSABLE: &[&str] = &["oldest"];

/// An empty table of tallies.
pub(super) fn table(first: &'static str) -> Table {
    Table::new(&[
        (first, Align::Left),
        ("files", Align::Right),
        ("size", Align::Right),
        ("oldest", Align::Left),
        ("newest", Align::Left),
        ("sound", Align::Right),
        ("damaged", Align::Right),
        ("doubtful", Align::Right),
        ("not found", Align::Right),
        ("locked", Align::Right),
        ("absent", Align::Right),
    ])
}

/// A row of it.
pub(super) fn row(name: &str, tally: &Tally, zone: &TimeZone) -> Vec<String> {
    let number = |state| match tally.state(state).count {
        0 => String::new(),
        count => size::grouped(count),
    };
    let sound: u64 =
        [State::Whole, State::NotDecoded, State::Unproven].into_iter().map(|state| tally.state(state).count).sum();
    let doubt = if tally.state(State::Unproven).count > 0 { "?" } else { "" };
    vec![
        escape::for_terminal(name).into_owned(),
        size::grouped(tally.files.count),
        size::human(tally.files.bytes),
        day(tally.oldest(), zone),
        day(tally.newest(), zone),
        if sound == 0 { String::new() } else { format!("{}{doubt}", size::grouped(sound)) },
        number(State::Damaged),
        number(State::Doubtful),
        number(State::Unlocated),
        number(State::Locked),
        number(State::Absent),
    ]
}

/// The day of a time; empty if there is none.
pub(super) fn day(time: Option<Timestamp>, zone: &TimeZone) -> String {
    let text = time.and_then(|time| time.display(zone)).unwrap_or_default();
    text.split(' ').next().unwrap_or_default().to_string()
}

/// When the files were last changed, as a clause; empty if nothing says.
pub(super) fn changed(tally: &Tally, zone: &TimeZone) -> String {
    match (day(tally.oldest(), zone), day(tally.newest(), zone)) {
        (_, newest) if newest.is_empty() => String::new(),
        (oldest, newest) if oldest == newest => format!(", last changed on {newest}"),
        (oldest, newest) => format!(", last changed between {oldest} and {newest}"),
    }
}

/// What is not well with some files, each as a number and a word: `2 damaged`. Empty if all is well.
pub(super) fn troubles(tally: &Tally) -> Vec<String> {
    let words = [
        (State::Damaged, "damaged"),
        (State::Unlocated, "not to be found"),
        (State::Doubtful, "doubtful"),
        (State::Locked, "locked (encrypted)"),
        (State::Absent, "only in the cloud"),
    ];
    let mut parts: Vec<String> = words
        .into_iter()
        .map(|(state, word)| (tally.state(state).count, word))
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{} {word}", size::grouped(count)))
        .collect();
    if tally.gap_bytes > 0 {
        parts.push(format!("{} missing", size::human(tally.gap_bytes)));
    }
    if tally.folders_incomplete > 0 {
        parts.push(format!("{} may have lost names", size::counted(tally.folders_incomplete, "folder")));
    }
    parts
}

/// All of a tally as a sentence, with exact numbers.
pub(super) fn sentence(tally: &Tally) -> String {
    let mut parts = vec![format!("{}, {}", size::counted(tally.files.count, "file"), size::both(tally.files.bytes))];
    for (state, word) in [
        (State::Whole, "whole"),
        (State::NotDecoded, "whole, not decoded yet"),
        (State::Unproven, "unproven (no map speaks for their sectors)"),
        (State::Absent, "absent (kept in a cloud, never on this drive)"),
        (State::Locked, "locked (encrypted)"),
        (State::Doubtful, "doubtful"),
        (State::Damaged, "damaged"),
        (State::Unlocated, "not to be found"),
    ] {
        let count = tally.state(state);
        if count.count > 0 {
            parts.push(format!("{} {word}", size::grouped(count.count)));
        }
    }
    if tally.gap_bytes > 0 {
        parts.push(format!("{} missing", size::both(tally.gap_bytes)));
    }
    if tally.file_names > tally.files.count {
        parts.push(format!("{} names, as some files have several", size::grouped(tally.file_names)));
    }
    if tally.folders_incomplete > 0 {
        parts.push(format!("{} may have lost names", size::counted(tally.folders_incomplete, "folder")));
    }
    parts.join("; ")
}
