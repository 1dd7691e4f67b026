//! `READ ME FIRST.txt`: what people need who were handed the folder and nothing else.
//!
//! It is UTF-8 with a byte-order mark, and its lines end with CR and LF: the editors of Windows before 2018 take a text
//! without the mark for one of the computer's own code page, and show one without CR as a single line (Microsoft,
//! "Extended line endings in Notepad" and the notes of Windows 10, version 1903). Every other editor leaves the mark out.

use std::fmt::Write as _;

use super::account::{Account, BLANK, Beside, Fate, UNPROVEN, blank_words, names_below, unopened_sentence};
use super::details::JobDetails;
use super::meaning::Kind;
use super::results::Results;
use super::sign::signing_note;
use crate::amount::{counted, grouped, human};
use crate::hidden::visible;

/// Its name in the bag.
pub(crate) const READ_ME_FIRST: &str = "READ ME FIRST.txt";

/// Lines are no longer, but for commands, which must stay in one piece.
const WIDTH: usize = 96;

/// Files that are named one by one; the others are counted by folder. A text of more pages is not read.
const MOST_NAMED: usize = 60;

const MARK: char = '\u{feff}';

/// What the customer does to check the copy, by system: what it is called, how to open the folder there, the command,
/// and what it prints if all is well, and if not.
pub(crate) struct Check {
    pub(crate) system: &'static str,
    pub(crate) open: &'static str,
    pub(crate) command: &'static str,
    pub(crate) well: &'static str,
    pub(crate) ill: &'static str,
}

/// Sources: Microsoft, "Get-FileHash", "Get-Content", "about_Split"; GNU coreutils manual, "md5sum invocation"; the manual
/// of `shasum`, which macOS brings with Perl.
pub(crate) const CHECKS: [Check; 3] = [
    Check {
        system: "Windows",
        open: "Hold the Shift key, click with the right button on an empty place in this folder, and choose \"Open \
               PowerShell window here\" or \"Open in Terminal\". Copy this one long line, paste it there and press Enter:",
        command: "$all = 0; $bad = 0; Get-Content -Encoding UTF8 -LiteralPath manifest-sha256.txt | ForEach-Object { \
                  $sum, $path = $_ -split '  ', 2; $all++; if ((Get-FileHash -Algorithm SHA256 -LiteralPath \
                  $path).Hash -ne $sum) { $bad++; \"DIFFERENT: $path\" } }; \"$all files checked, $bad different\"",
        well: "It works for a while and then says how many files were checked; \"0 different\" means that all is well. It \
               needs Windows 8.1 or newer. If it complains that a path is too long, move this folder to the top of the disk, \
               under a short name, and try again.",
        ill: "Each file that was changed, or is missing, gets a line DIFFERENT with its name, and the number at the end is \
              not 0.",
    },
    Check {
        system: "macOS",
        open: "Open the program Terminal, type cd and a space, drag this folder into the window and press Enter. Then type:",
        command: "shasum -a 256 -c manifest-sha256.txt",
        well: "It says OK for each file.",
        ill: "Behind the name of a file that was changed it says FAILED, and of one that is missing FAILED open or read; the \
              last lines then begin with \"shasum: WARNING:\" and say how many.",
    },
    Check {
        system: "Linux",
        open: "Open a terminal in this folder and type:",
        command: "sha256sum -c manifest-sha256.txt",
        well: "It says OK for each file.",
        ill: "Behind the name of a file that was changed it says FAILED, and of one that is missing FAILED open or read; the \
              last lines then begin with \"sha256sum: WARNING:\" and say how many. Some \
              systems write this in their own language.",
    },
];

/// What the answer means, and what it doesn't.
pub(crate) const OK_MEANS: &str = "\
    OK means \"the same as we wrote\". It does not mean that a file is undamaged: a file in data/damaged is OK too if its \
    missing parts are still the zeros that we put there. The same command with tagmanifest-sha256.txt in place of \
    manifest-sha256.txt checks the lists and this text.";

/// What to mind.
pub(crate) const CAUTIONS: [&str; 5] = [
    "Keep two copies of this folder on two different disks before you rely on it. One copy is none: disks fail.",
    "Look at the files that matter most, now: open them, and look into data/damaged and data/doubtful.",
    "Do not use the original drive again. Even if somebody repairs it, it is for getting data off and for nothing else; each \
     time it is switched on may cost more.",
    "If something is missing that can't be replaced, leave the drive switched off, and ask a specialist laboratory before \
     anybody tries anything else.",
    "These may be other people's private files. The law where you live says who may recover, look at, keep and delete \
     them, and who needs a licence for such work.",
];

/// What the folders of the handover are.
pub(crate) const PLACES: [(&str, &str); 4] = [
    ("data/recovered", "the files, in their own folders"),
    ("data/damaged", "if it is there: files with parts missing; where a part is missing there are zeros"),
    ("data/doubtful", "if it is there: files that were read, but may hold something else"),
    ("records", "lists for checking: everything (manifest.csv), what was lost (lost.csv), links (links.csv)"),
];

/// Writes the text.
struct Page {
    text: String,
}

impl Page {
    fn heading(&mut self, words: &str) {
        let _ = write!(self.text, "\n{words}\n{}\n", "-".repeat(words.chars().count()));
    }

    fn paragraph(&mut self, words: &str) {
        self.lines("", "", words);
    }

    fn item(&mut self, words: &str) {
        self.lines("- ", "  ", words);
    }

    /// Text in lines of [`WIDTH`]; the first begins with `first`, the others with `other`.
    fn lines(&mut self, first: &str, other: &str, words: &str) {
        for line in wrapped(words, WIDTH - other.chars().count()).iter().enumerate() {
            let (at, line) = line;
            let _ = writeln!(self.text, "{}{line}", if at == 0 { first } else { other });
        }
    }
}

/// Cuts a text at its blanks, and a word that is longer than a line after a `/` or anywhere.
fn wrapped(words: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut length = 0;
    for word in words.split(' ').filter(|word| !word.is_empty()) {
        for (at, piece) in pieces(word, width).into_iter().enumerate() {
            let count = piece.chars().count();
            let blank = usize::from(length > 0 && at == 0);
            if length > 0 && (at > 0 || length + blank + count > width) {
                lines.push(String::new());
                length = 0;
            } else if blank > 0 {
                lines.last_mut().expect("there is one").push(' ');
                length += 1;
            }
            lines.last_mut().expect("there is one").push_str(&piece);
            length += count;
        }
    }
    lines
}

fn pieces(word: &str, width: usize) -> Vec<String> {
    let mut rest: Vec<char> = word.chars().collect();
    let mut pieces = Vec::new();
    while rest.len() > width {
        let cut = rest[..width].iter().rposition(|c| *c == '/').map_or(width, |at| at + 1);
        let later = rest.split_off(cut);
        pieces.push(rest.into_iter().collect());
        rest = later;
    }
    pieces.push(rest.into_iter().collect());
    pieces
}

/// The text, with the mark and the line ends that every computer's editor shows.
pub(crate) fn text(results: &Results<'_>, account: &Account, beside: &Beside) -> String {
    let mut page = Page { text: String::new() };
    if let Some(line) = &account.notes.unproven {
        page.paragraph(&format!("{line} {}", names_below(account.blank.count)));
        page.paragraph(&format!("What this means: {UNPROVEN}"));
        page.text.push('\n');
    }
    received(results, account, &mut page);
    recovered(account, beside, &mut page);
    not_recovered(account, &mut page);
    look_at(account, beside, &mut page);
    for (heading, lines) in [
        ("MISSING WITHOUT A NAME", &account.notes.nameless),
        ("LEFT OUT", &account.notes.left_out),
        ("DO THEY OPEN?", &account.notes.opens),
        ("READ TWICE", &account.notes.second),
        ("HOW THE COMPUTER STOPPED", &account.notes.stopped),
        ("ON WHOSE WORD", &account.notes.word),
    ] {
        if !lines.is_empty() {
            page.heading(heading);
            lines.iter().for_each(|line| page.item(line));
        }
    }
    check(results.job.record.signer.is_some(), &mut page);
    page.heading("CAUTIONS");
    CAUTIONS.iter().for_each(|line| page.item(line));
    format!("{MARK}{}", page.text.replace('\n', "\r\n"))
}

fn received(results: &Results<'_>, account: &Account, page: &mut Page) {
    let details = &results.job.details;
    page.paragraph("WHAT THIS IS");
    page.paragraph("------------");
    page.paragraph(&format!(
        "Files from a drive, copied out of its image {}. Handed over{} on {}.",
        visible(&results.job.image_name),
        by(details),
        account.day
    ));
    for (word, value) in facts(details) {
        let first = format!("  {:<14} ", format!("{word}:"));
        for (at, line) in value.lines().enumerate() {
            let first = if at == 0 { first.as_str() } else { "                 " };
            page.lines(first, "                 ", &visible(line));
        }
    }
    page.heading("WHAT WAS DONE");
    account.notes.done.iter().for_each(|line| page.item(line));
}

/// ` by WHOM`, if it is known.
pub(crate) fn by(details: &JobDetails) -> String {
    match (&details.workshop, &details.technician) {
        (Some(workshop), Some(person)) => format!(" by {}, {}", visible(workshop), visible(person)),
        (Some(one), None) | (None, Some(one)) => format!(" by {}", visible(one)),
        (None, None) => String::new(),
    }
}

/// What is known of the job, each with its word. The values are as they were given.
pub(crate) fn facts(details: &JobDetails) -> Vec<(String, String)> {
    let mut facts = Vec::new();
    let mut put = |word: &str, value: Option<String>| facts.extend(value.map(|value| (word.to_string(), value)));
    put("Job", details.ticket.clone());
    put("Customer", details.customer.clone());
    put("Drive", details.drive.line());
    put("Fault", details.fault.clone());
    put("Received on", details.received.map(|day| day.to_string()));
    put("Image made on", details.imaged.map(|day| day.to_string()));
    put("Workshop", details.workshop.clone());
    put("Technician", details.technician.clone());
    put("Notes", details.notes.clone());
    facts
}

fn recovered(account: &Account, beside: &Beside, page: &mut Page) {
    page.heading("WHAT CAME BACK");
    page.paragraph(&account.total.headline());
    page.text.push('\n');
    for line in &account.folders {
        let tally = &line.tally;
        let mut what = format!("{}, {}", counted(tally.copied(), "file"), human(tally.bytes));
        for (count, words) in
            [(tally.damaged, "with parts missing"), (tally.doubtful, "in doubt"), (tally.left, "not brought back")]
        {
            if count > 0 {
                let _ = write!(what, "; {} {words}", grouped(count));
            }
        }
        page.lines("  ", "      ", &format!("{}: {what}", line.name));
    }
    page.text.push('\n');
    page.paragraph("Where they are:");
    let mut place = |name: &str, what: &str| page.lines(&format!("  {name:<16} "), "                   ", what);
    if beside.page {
        place("report.html", "what stands here, as a page with a picture of the drive; a double click opens it");
    }
    if beside.sheets > 0 {
        let pages = counted(beside.sheets, "page");
        place("contact sheets", &format!("all pictures, small, on {pages}; report.html leads to them"));
    }
    for (folder, what) in PLACES {
        place(folder, what);
    }
}

/// What should be looked at although nothing of it is known to be missing.
fn look_at(account: &Account, beside: &Beside, page: &mut Page) {
    let unopened = beside.unopened.count;
    if unopened > 0 {
        page.heading("PICTURES THAT DO NOT OPEN");
        let them = if unopened == 1 { "It is" } else { "They are" };
        page.paragraph(&format!(
            "{} {them} named in report.html, under \"Pictures that do not open\".",
            unopened_sentence(unopened, account.total.unproven > 0)
        ));
    }
    let blank = &account.blank;
    if blank.count > 0 {
        page.heading("FILES THAT ARE BLANK");
        page.paragraph(&format!("{} {}. {BLANK}", counted(blank.count, "file"), blank_words(blank.count)));
        blank.first.iter().take(MOST_NAMED).for_each(|file| page.item(&file.shown));
        let more = blank.beyond(MOST_NAMED);
        if more > 0 {
            page.item(&format!("… and {} more; in records/manifest.json all are marked \"blank\".", grouped(more)));
        }
    }
}

fn not_recovered(account: &Account, page: &mut Page) {
    if account.not_whole.is_empty() {
        return;
    }
    page.heading("WHAT DID NOT COME BACK AS IT WAS");
    let named = &account.not_whole[..account.not_whole.len().min(MOST_NAMED)];
    for file in named {
        page.item(&format!("{}: {}.", file.path, file.missing()));
        // What a hole means is said once for all files of a kind.
        if file.fate != Fate::Damaged || file.meaning() != file.kind.with_a_hole() {
            page.lines("  ", "  ", &file.meaning());
        }
    }
    let more = account.total.not_whole() - named.len() as u64;
    if more > 0 {
        page.item(&format!("… and {} more; all of them stand in records/lost.csv and manifest.csv.", grouped(more)));
        for (folder, count) in account.further(named.len()) {
            page.lines("    ", "      ", &format!("{folder}: {}", counted(count, "file")));
        }
    }
    let mut kinds: Vec<Kind> = account
        .not_whole
        .iter()
        .filter(|file| file.fate == Fate::Damaged && file.meaning() == file.kind.with_a_hole())
        .map(|file| file.kind)
        .collect();
    kinds.sort_unstable();
    kinds.dedup();
    if !kinds.is_empty() {
        page.text.push('\n');
        page.paragraph("What a missing part means:");
        for kind in kinds {
            page.item(&format!("For a {}: {}", kind.word(), kind.with_a_hole()));
        }
    }
}

fn check(is_signed: bool, page: &mut Page) {
    page.heading("HOW TO CHECK THAT NOTHING CHANGED SINCE");
    for one in CHECKS {
        page.paragraph(&format!("{}: {}", one.system, one.open));
        let _ = writeln!(page.text, "    {}", one.command);
        page.paragraph(&format!("{} {}", one.well, one.ill));
        page.text.push('\n');
    }
    page.paragraph(OK_MEANS);
    if is_signed {
        let (words, command) = signing_note();
        page.paragraph(&words);
        let _ = writeln!(page.text, "    {command}");
    }
    page.paragraph("This folder is a BagIt bag (RFC 8493); programs that know such bags can check it as a whole.");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_cut_at_blanks_and_long_paths_after_a_folder() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(wrapped("", 7), [""]);
        assert_eq!(wrapped("x /aaa/bbbb/c y", 6), ["x", "/aaa/", "bbbb/c", "y"]);
        assert_eq!(wrapped("abcdefghij", 4), ["abcd", "efgh", "ij"]);
    }

    #[test]
    fn commands_have_no_line_end() {
        for check in CHECKS {
            assert!(!check.command.contains(['\n', '\r']) && !check.command.contains("   "), "{}", check.command);
        }
    }
}
