//! What else must be said: what is missing without a name, on whose word a file is whole, what a second reader says.

use crate::amount::{counted, grouped, human};
use crate::content::Opens;
use crate::content::contents::Fault;
use crate::filesystem::ByteRange;
use crate::handover::results::Results;
use crate::handover::summary::Summary;
use crate::hidden::visible;
use crate::sector_map::{Basis, ByteState};

/// Sentences, each list under a heading of its own.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Notes {
    /// The sentences that a handover opens with where no map speaks for a file in it.
    pub(crate) unproven: Option<String>,
    /// How the work was done.
    pub(crate) done: Vec<String>,
    /// What is missing that has no name.
    pub(crate) nameless: Vec<String>,
    /// What was left out on purpose.
    pub(crate) left_out: Vec<String>,
    /// What `whole` can't know: how the computer stopped.
    pub(crate) stopped: Vec<String>,
    /// On whose word a file is called whole.
    pub(crate) word: Vec<String>,
    /// What an independent program says.
    pub(crate) second: Vec<String>,
    /// Whether the files open, by their formats.
    pub(crate) opens: Vec<String>,
    /// Whether they name files that were read without a hole and do not open.
    pub(crate) has_broken: bool,
}

/// What it means that nobody speaks for a file.
pub(crate) const UNPROVEN: &str = "\
    When a failing drive is copied, places that can't be read are often left blank or filled with something else. A \
    record of those places (a \"map\") tells which files they touch. No such record speaks for these files, so one of them \
    may have a hole that nobody knows of.";

impl Notes {
    pub(super) fn of(results: &Results<'_>, summary: &Summary) -> Self {
        Self {
            unproven: summary.unproven_words(),
            done: done(results, summary),
            nameless: nameless(results, summary),
            left_out: left_out(summary),
            stopped: stopped(results),
            word: word(results),
            second: second(summary),
            opens: opens(summary),
            has_broken: broken(summary).next().is_some(),
        }
    }
}

fn done(results: &Results<'_>, summary: &Summary) -> Vec<String> {
    let job = results.job;
    let image = visible(&job.image_name);
    let mut lines = vec![format!(
        "The drive was copied to an image file first, {image} with {}. The files were copied out of that image; nothing \
         was ever written to it.",
        human(job.image.length())
    )];
    if let Some(map) = job.disk.map(|disk| disk.source.map()) {
        let all = 0..map.length();
        let places = map.segments(all.clone()).filter(|segment| segment.state == ByteState::Unread).count() as u64;
        let (unread, unreached) = (map.count(all.clone(), ByteState::Unread), map.count(all, ByteState::Unreached));
        if unread > 0 {
            lines.push(format!("The drive would not give {} in {}.", human(unread), counted(places, "place")));
        }
        if unreached > 0 {
            lines.push(format!("{} were not tried, or are not in the image.", human(unreached)));
        }
    }
    let checked = match job.options.read_back {
        true => "was read back and compared with what had been read from the image",
        false => "was not read back",
    };
    lines.push(format!(
        "{} with {} were written here, by the program handback {}. The checksum of each was taken as it was read, and what \
         was written {checked}.",
        counted(summary.written_files, "file"),
        human(summary.written_bytes),
        env!("CARGO_PKG_VERSION"),
    ));
    lines
}

fn nameless(results: &Results<'_>, summary: &Summary) -> Vec<String> {
    let mut lines = Vec::new();
    if summary.lost_records > 0 {
        let entries = match summary.lost_records {
            1 => "1 entry".to_string(),
            many => format!("{} entries", grouped(many)),
        };
        lines.push(format!(
            "{entries} of the drive's own list of files could not be read. Whatever stood there, files or folders, is \
             missing, and nobody can say what it was called."
        ));
    }
    if summary.incomplete_folders > 0 {
        let (what, verb) = match summary.incomplete_folders {
            1 => ("1 folder".to_string(), "is"),
            many => (format!("{} folders", grouped(many)), "are"),
        };
        lines.push(format!(
            "The contents of {what} {verb} not all known: more files may have been there than are listed."
        ));
    }
    for volume in &results.job.volumes {
        if let Some(bytes) = volume.facts.unexplained_bytes.filter(|bytes| bytes.at_most > 0) {
            lines.push(format!(
                "Volume {}: {} of it are in use that no file we found explains. Files may be missing whose names are not \
                 known either.",
                volume.number,
                in_use(bytes)
            ));
        }
    }
    if !results.job.volumes_complete {
        lines.push(
            "A part of the drive's partition table could not be read: it may have had volumes that are not known, with \
             files that are not listed here."
                .to_string(),
        );
    }
    lines
}

/// How many files that were read whole and don't open are named; all stand in `records/manifest.csv`.
const MOST_BROKEN: usize = 50;

/// What the rules of their formats show, in plain words.
fn opens(summary: &Summary) -> Vec<String> {
    let Some(contents) = &summary.contents else { return Vec::new() };
    let are = |count: u64| if count == 1 { "is" } else { "are" };
    let mut lines = Vec::new();
    let sound = contents.count(Opens::Sound);
    lines.push(format!(
        "{} {} sound by the rules of its kind of file, as far as those can show it (file by file in the column opens of \
         records/manifest.csv).",
        counted(sound, "file"),
        are(sound)
    ));
    for (result, what) in [
        (Opens::Unchecked, "could not be checked in this way, which says nothing against them."),
        (Opens::Mislabelled, "open, but with another program than their name says."),
        (Opens::Protected, "need a password of their own."),
    ] {
        let count = contents.count(result);
        if count > 0 {
            lines.push(format!("{} {what}", grouped(count)));
        }
    }
    let news: Vec<_> = broken(summary).collect();
    if !news.is_empty() {
        lines.push(
            "These do not open as they should, although every byte of them was read. Most such files were broken before \
             the drive was copied, or have a name that does not fit:"
                .to_string(),
        );
    }
    for fault in news.iter().take(MOST_BROKEN) {
        lines.push(format!("{}: {}", visible(&fault.source_path), visible(&fault.verdict.why)));
    }
    if news.len() > MOST_BROKEN {
        lines.push("There are more of them; records/manifest.csv has all.".to_string());
    }
    lines
}

/// Files that were read without a hole and do not open.
fn broken(summary: &Summary) -> impl Iterator<Item = &Fault> {
    let faults = summary.contents.iter().flat_map(|contents| &contents.faults);
    faults.filter(|fault| !fault.state.is_loss())
}

fn in_use(ByteRange { at_least, at_most }: ByteRange) -> String {
    match at_least {
        least if least == at_most => format!("{} bytes", grouped(at_most)),
        0 => format!("Up to {} bytes", grouped(at_most)),
        least => format!("At least {} and at most {} bytes", grouped(least), grouped(at_most)),
    }
}

fn left_out(summary: &Summary) -> Vec<String> {
    let not_asked = summary.left_out.values().map(|amount| amount.paths).sum();
    [
        (summary.links, "link", "recorded in records/links.csv and not followed"),
        (summary.streams_left, "hidden extra stream of files", "left out"),
        (summary.special_files, "special file without content", "left out"),
        (summary.deleted_left, "deleted file", "left out"),
        (not_asked, "other file", "not asked for and left out; records/job.json says by which choice"),
    ]
    .into_iter()
    .filter(|(count, ..)| *count > 0)
    .map(|(count, noun, what)| {
        let verb = if count == 1 { "was" } else { "were" };
        let noun = if count == 1 { noun.to_string() } else { plural(noun) };
        format!("{} {noun} {verb} {what}.", grouped(count))
    })
    .collect()
}

/// More than one of what is named by the first noun of `noun`.
fn plural(noun: &str) -> String {
    for (one, many) in [("stream ", "streams "), ("special file ", "special files ")] {
        if noun.contains(one) {
            return noun.replacen(one, many, 1);
        }
    }
    format!("{noun}s")
}

fn stopped(results: &Results<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    for volume in &results.job.volumes {
        let why = match (volume.facts.dirty, volume.facts.hibernated) {
            (_, Some(true)) => "was in use by a sleeping Windows",
            (Some(true), _) => "was not closed properly",
            _ => continue,
        };
        lines.push(format!(
            "Volume {} {why} when the drive stopped: the newest changes may never have reached the drive.",
            volume.number
        ));
    }
    lines
}

fn word(results: &Results<'_>) -> Vec<String> {
    let map = &results.job.map;
    let Some(basis) = map.basis else {
        return vec![
            "No record of what could be read was kept with this image. So no file is called whole, however sound it looks."
                .to_string(),
        ];
    };
    let mut lines = vec![
        match basis {
            Basis::Full => {
                "The program that copied the drive kept a complete record (a \"map\") of what it could read. A file is called \
                 whole if that record says that all of it was read."
            }
            Basis::BadList => {
                "A list (a \"map\") names the places of the drive that could not be read. It does not say that all others \
                 could be, so no file is called whole for not being on it."
            }
            Basis::Marker => {
                "The program that copied the drive left a mark where it could not read, and places with that mark were taken \
                 for unread. That does not show that all others were read, so no file is called whole for having no such mark."
            }
            Basis::Asserted => {
                "That a file is called whole rests in part on the technician's word, and not only on a record (a \"map\") of \
                 what could be read."
            }
        }
        .to_string(),
    ];
    if map.asserted {
        lines.push(
            "It is the technician's word, and stands in no record, that every place was read which no record calls unread."
                .to_string(),
        );
    }
    if !map.doubts.is_empty() {
        let verdict = if map.accepted { "the technician accepted it" } else { "so its good word was not used" };
        let doubts = map.doubts.join("; ");
        lines.push(format!("The map may belong to another image ({}); {verdict}.", visible(&doubts)));
    }
    lines.push(
        "\"Whole\" means \"as the drive held it\". If a file was damaged before the drive failed, the copy is damaged in the \
         same way."
            .to_string(),
    );
    lines
}

fn second(summary: &Summary) -> Vec<String> {
    let Some(second) = &summary.second_reader else { return Vec::new() };
    let totals = &second.totals;
    let mut lines =
        vec![format!("An independent program read {} of these files and got the same bytes.", totals.agrees)];
    if totals.differs > 0 {
        lines.push(format!("It DIFFERS on {}: look at those before you rely on them.", totals.differs));
    }
    if totals.not_checkable > 0 {
        lines.push(format!("{} could not be compared, which says nothing about them.", totals.not_checkable));
    }
    lines.push("File by file it stands in the column second_reader of records/manifest.csv.".to_string());
    lines
}
