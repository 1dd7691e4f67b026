//! `READ ME FIRST.txt`: what people need who were handed the folder and nothing else.

use std::fmt::Write as _;

use super::results::Results;
use super::summary::Summary;
use crate::catalog::State;
use crate::filesystem::ByteRange;

/// Its name in the bag.
pub(crate) const READ_ME_FIRST: &str = "READ ME FIRST.txt";

/// The sentence that a handover opens with where no map speaks for a file in it.
pub(crate) fn unproven_line(files: u64, blank: u64) -> String {
    format!(
        "No map speaks for {files} of these files; holes can't be ruled out. {blank} of them are blank or end in long \
         blanks."
    )
}

const UNPROVEN: &str = "\
What this means: when a failing drive is copied, places that can't be read are often left blank
or filled with something else. A record of those places (a \"map\") tells which files they touch.
Without one, a file may have such a hole that nobody knows of. Open the files that matter.
";

const CHECK: &str = "\
HOW TO CHECK THAT NOTHING CHANGED SINCE
Open a terminal in this folder and type:
  Linux:    sha256sum -c manifest-sha256.txt
  macOS:    shasum -a 256 -c manifest-sha256.txt
  Windows (PowerShell):
    Get-Content -Encoding UTF8 manifest-sha256.txt | ForEach-Object { $sum, $path = $_ -split '  ', 2; if ((Get-FileHash -LiteralPath $path -Algorithm SHA256).Hash -ne $sum) { \"DIFFERENT: $path\" } }
The first two say OK for each file; the last says nothing if all is well.
OK means \"the same as we wrote\". It does not mean that a file is undamaged: a file under
data/damaged is OK too if its missing parts are still the zeros that we put there.
This folder is a BagIt bag (RFC 8493); programs that know such bags can check it as a whole.
";

const CAUTIONS: &str = "\
CAUTIONS
- Keep two copies of this folder on two different disks before you rely on it.
- Do not use the original drive again, not even to \"have another look\": each use may cost more.
- If something that can't be replaced is missing, leave the drive switched off and ask a
  specialist laboratory first.
- These may be another person's private files. The law where you live says how to keep,
  hand over and delete them.
";

/// The text, with the line ends that every computer's editor shows.
pub(crate) fn text(results: &Results<'_>, summary: &Summary) -> String {
    let mut text = String::new();
    if let Some(line) = summary.unproven_line() {
        let _ = writeln!(text, "{line}\n{UNPROVEN}");
    }
    let _ =
        writeln!(text, "WHAT THIS IS\nFiles from the drive image {}, copied out by handback.", results.job.image_name);
    if let Some(ticket) = &results.job.ticket {
        let _ = writeln!(text, "Job: {ticket}");
    }
    let (files, bytes) = (summary.written_files, summary.written_bytes);
    let _ = writeln!(text, "{files} files with {bytes} bytes.\n");
    for (folder, what) in [
        ("data/recovered", "the files, in their own folders"),
        ("data/doubtful", "if it is there: read, but not shown to be the file's own content"),
        ("data/damaged", "if it is there: parts are missing and were filled with zeros"),
        ("records", "lists: everything (manifest.csv), what was lost (lost.csv), links (links.csv)"),
    ] {
        let _ = writeln!(text, "  {folder:<16} {what}");
    }
    text.push('\n');
    second_reader(summary, &mut text);
    losses(summary, &mut text);
    unsettled(results, &mut text);
    basis(results, &mut text);
    let _ = write!(text, "{CHECK}\n{CAUTIONS}");
    text.replace('\n', "\r\n")
}

/// What an independent program says, in plain words.
fn second_reader(summary: &Summary, text: &mut String) {
    let Some(second) = &summary.second_reader else { return };
    let totals = &second.totals;
    let _ = writeln!(
        text,
        "READ TWICE (file by file in the column second_reader of records/manifest.csv)\n\
         An independent program read {} of these files and got the same bytes.",
        totals.agrees
    );
    if totals.differs > 0 {
        let _ = writeln!(text, "It DIFFERS on {}: look at those before you rely on them.", totals.differs);
    }
    if totals.not_checkable > 0 {
        let _ = writeln!(text, "{} could not be compared, which says nothing about them.", totals.not_checkable);
    }
    text.push('\n');
}

fn losses(summary: &Summary, text: &mut String) {
    let mut lines = Vec::new();
    let mut say = |count: u64, what: &str| {
        if count > 0 {
            lines.push(format!("- {count} {what}\n"));
        }
    };
    say(summary.count(State::Damaged).paths, "files are damaged: parts of them could not be read.");
    say(summary.count(State::Doubtful).paths, "files are doubtful: that their content is their own can't be shown.");
    say(summary.count(State::Unlocated).paths, "files are known by name only: their content can't be found or read.");
    say(summary.count(State::Locked).paths, "files are encrypted and were not copied.");
    say(summary.count(State::Absent).paths, "files were kept by a cloud service, and not (or not all) on this drive.");
    say(summary.incomplete_folders, "folders may have held more files than are listed.");
    say(
        summary.lost_records,
        "records of the drive's own file list could not be read: what they described has no name here.",
    );
    say(summary.links, "links were recorded and not followed.");
    say(summary.streams_left, "hidden extra streams of files were left out.");
    say(summary.special_files, "special files without content were left out.");
    say(summary.deleted_left, "deleted files were left out.");
    let left_out = summary.left_out.values().map(|amount| amount.paths).sum();
    say(left_out, "other files were not asked for and were left out (records/job.json says by which choice).");
    if !lines.is_empty() {
        let _ = writeln!(
            text,
            "WHAT IS MISSING OR NOT CERTAIN (file by file in records/lost.csv and manifest.csv)\n{}",
            lines.concat()
        );
    }
}

/// What `whole` can't know: how the computer stopped, and what the drive's table doesn't tell any more.
fn unsettled(results: &Results<'_>, text: &mut String) {
    if !results.job.volumes_complete {
        text.push_str(
            "NOTE ON THE DRIVE\nA part of its partition table could not be read: it may have had volumes that are not \
             known, with files that are not listed here.\n\n",
        );
    }
    for volume in &results.job.volumes {
        if let Some(bytes) = volume.facts.unexplained_bytes.filter(|bytes| bytes.at_most > 0) {
            let _ = writeln!(
                text,
                "NOTE ON VOLUME {}\n{} of it are in use that no file we found explains: files may be missing whose names\n\
                 are not known either.\n",
                volume.number,
                in_use(bytes)
            );
        }
        let why = match (volume.facts.dirty, volume.facts.hibernated) {
            (_, Some(true)) => "was in use by a sleeping Windows",
            (Some(true), _) => "was not closed properly",
            _ => continue,
        };
        let _ = writeln!(
            text,
            "NOTE ON VOLUME {}\nIt {why}: the newest changes may never have reached the drive. Whole means \"as the \
             drive held it\".\n",
            volume.number
        );
    }
}

fn in_use(ByteRange { at_least, at_most }: ByteRange) -> String {
    match at_least {
        least if least == at_most => format!("{at_most} bytes"),
        0 => format!("Up to {at_most} bytes"),
        least => format!("At least {least} and at most {at_most} bytes"),
    }
}

/// On whose word a file is called whole.
fn basis(results: &Results<'_>, text: &mut String) {
    let map = &results.job.map;
    let Some(basis) = map.basis else { return };
    let _ = writeln!(text, "ON WHOSE WORD\nA file is called whole by a map of the drive (basis: {basis}).");
    if map.asserted {
        let _ = writeln!(text, "That all it does not list was read is the technician's word and stands in no log.");
    }
    if !map.doubts.is_empty() {
        let verdict = if map.accepted { "the technician accepted it" } else { "so its good word was not used" };
        let _ = writeln!(text, "The map may belong to another image ({}); {verdict}.", map.doubts.join("; "));
    }
    text.push('\n');
}
