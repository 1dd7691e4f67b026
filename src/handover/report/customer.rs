//! `report.html`: what the customer reads, or has read out to them.

use maud::{Markup, PreEscaped, html};

use super::page::{document, lines, name, path};
use super::pictures::{blank, look_at, pictures, unopened};
use super::sheets::Written;
use crate::amount::{counted, grouped, human};
use crate::handover::account::{Account, Fate, Tally, UNPROVEN, names_below};
use crate::handover::meaning::Kind;
use crate::handover::readme::{CAUTIONS, CHECKS, OK_MEANS, PLACES, by, facts};
use crate::handover::results::Results;
use crate::handover::sign::signing_note;
use crate::hidden::visible;

/// What the words mean, for people who have never read about drives.
const WORDS: [(&str, &str); 7] = [
    ("Whole", "Every byte is as the drive held it."),
    (
        "Parts missing",
        "Some places of the drive could not be read, and this file lies on one of them. Where a part is missing, the copy \
         has zeros. What could be read is all there.",
    ),
    (
        "In doubt",
        "The file was read, but something about it does not fit: it may hold another file's content, in part or in all.",
    ),
    (
        "Not brought back",
        "The file's name is known, and its content could not be read, or is locked. It was not copied.",
    ),
    (
        "Image",
        "A copy of the whole drive in one file, made before anything else, so that the drive had to be read only once.",
    ),
    ("Map", "The record of which places of the drive could be read and which could not."),
    ("Checksum", "A long number made from a file's content. If one byte changes, the number is another one."),
];

/// The heading to which other parts of the page lead.
const OPENS: &str = "Do they open?";

/// The whole page.
pub(super) fn page(results: &Results<'_>, account: &Account, sheets: &Written, strip: Option<&str>) -> String {
    let details = &results.job.details;
    let body = html! {
        header {
            h1 { "What came back from your drive" }
            p class="sub" {
                "Handed over" (by(details)) " on " (account.day) ". Copied out of the drive's image "
                (name(&visible(&results.job.image_name))) "."
            }
        }
        main {
            @if let Some(line) = &account.notes.unproven {
                div class="notice" role="note" {
                    p {
                        strong { (line) }
                        @if account.blank.count > 0 { " " a href="#blank" { (names_below(account.blank.count)) } }
                    }
                    p { (UNPROVEN) }
                }
            }
            p class="headline" { (account.total.headline()) }
            (counts(&account.total))
            (job(results))
            (recovered(account))
            (not_recovered(account, sheets))
            (unopened(account, sheets))
            (blank(account))
            (sentences("Missing without a name", &account.notes.nameless))
            (pictures(account, sheets))
            (drive(account, strip))
            (check(results.job.record.signer.is_some()))
            section {
                h2 { "What to mind" }
                ul { @for line in CAUTIONS { li { (line) } } }
            }
            (sentences("Left out on purpose", &account.notes.left_out))
            (sentences(OPENS, &account.notes.opens))
            (sentences("Read twice", &account.notes.second))
            (sentences("How the computer stopped", &account.notes.stopped))
            (sentences("On whose word", &account.notes.word))
            section {
                h2 { "What the words mean" }
                dl { @for (word, meaning) in WORDS { dt { strong { (word) } } dd { (meaning) } } }
                p {
                    "A sign in a name that can't be seen, or that turns the direction of writing, is shown by its number: "
                    code { "\\u{202E}" } "; a backslash is shown as two."
                }
            }
        }
    };
    document("What came back from your drive", &body)
}

/// The numbers, large.
fn counts(total: &Tally) -> Markup {
    let all = [
        (total.whole, "well", "whole"),
        (total.unproven, "open", "came back, and nobody can say whether all could be read"),
        (total.damaged, "ill", "with parts missing"),
        (total.doubtful, "open", "in doubt"),
        (total.left, "ill", "not brought back"),
    ];
    html! {
        ul class="counts" {
            @for (count, class, words) in all.into_iter().filter(|(count, ..)| *count > 0) {
                li class=(class) { b { (grouped(count)) } (words) }
            }
        }
    }
}

fn job(results: &Results<'_>) -> Markup {
    let facts = facts(&results.job.details);
    if facts.is_empty() {
        return html! {};
    }
    html! {
        section {
            h2 { "The job" }
            div class="box" {
                dl { @for (word, value) in &facts { dt { (word) } dd { (name(&lines(value))) } } }
            }
        }
    }
}

/// A column of the table of folders.
#[derive(Clone, Copy)]
struct Column {
    heading: &'static str,
    /// The same where a row is no row, on a telephone.
    label: &'static str,
    count: fn(&Tally) -> u64,
}

const COLUMNS: [Column; 3] = [
    Column { heading: "With parts missing", label: "with parts missing:", count: |tally| tally.damaged },
    Column { heading: "In doubt", label: "in doubt:", count: |tally| tally.doubtful },
    Column { heading: "Not brought back", label: "not brought back:", count: |tally| tally.left },
];

fn recovered(account: &Account) -> Markup {
    let total = &account.total;
    // A column of nothing but zeros is left out.
    let mut columns = COLUMNS.to_vec();
    columns.retain(|column| (column.count)(total) > 0);
    let row = |line: &str, tally: &Tally| {
        html! {
            th scope="row" { (path(line)) }
            td class="number" data-label="files:" { (grouped(tally.copied())) }
            td class="number" data-label="size:" { (human(tally.bytes)) }
            @for column in &columns {
                @match (column.count)(tally) {
                    0 => td class="number none" { "–" },
                    count => td class="number" data-label=(column.label) { (grouped(count)) },
                }
            }
        }
    };
    html! {
        section {
            h2 { "What came back" }
            table class="wide" {
                caption { "Files that are in this handover, by folder" }
                thead {
                    tr {
                        th scope="col" { "Folder" }
                        th scope="col" class="number" { "Files" }
                        th scope="col" class="number" { "Size" }
                        @for column in &columns { th scope="col" class="number" { (column.heading) } }
                    }
                }
                tbody { @for line in &account.folders { tr { (row(&line.name, &line.tally)) } } }
                tfoot { tr { (row("All", total)) } }
            }
            p { "Where they are:" }
            ul {
                @for (folder, what) in PLACES {
                    li { code { (folder) } " – " (what) }
                }
            }
        }
    }
}

fn not_recovered(account: &Account, sheets: &Written) -> Markup {
    let named = account.not_whole.len();
    let more = account.total.not_whole().saturating_sub(named as u64);
    let word = |kind: Kind| if kind == Kind::Other { String::new() } else { format!(" ({})", kind.word()) };
    html! {
        section {
            h2 { "What did not come back as it was" }
            @if named == 0 {
                p { (nothing_missing(&account.total)) }
            } @else {
                table class="wide" {
                    caption { "Each file, what of it is missing, and what that means" }
                    thead {
                        tr {
                            th scope="col" { "File" }
                            th scope="col" { "What is missing" }
                            th scope="col" { "What that means" }
                        }
                    }
                    tbody {
                        @for file in &account.not_whole {
                            tr {
                                th scope="row" { (path(&file.path)) (word(file.kind)) }
                                td { (file.missing()) @if file.fate == Fate::Left { "." } }
                                td { (file.meaning()) }
                            }
                        }
                    }
                }
            }
            @if more > 0 {
                p {
                    "… and " (grouped(more)) " more. All of them stand in " a href="records/lost.csv" { "records/lost.csv" }
                    " and " a href="records/manifest.csv" { "records/manifest.csv" } "; by folder:"
                }
                ul { @for (folder, count) in account.further(named) { li { (name(&folder)) ": " (counted(count, "file")) } } }
            }
            (look_at(account, sheets))
        }
    }
}

/// What can be said if no file is known to have lost anything.
fn nothing_missing(total: &Tally) -> String {
    let known = "No part of any file that has a name is known to be missing";
    match total.unproven {
        0 => "Nothing: every file that has a name came back as the drive held it, as far as is known.".to_string(),
        unproven if unproven == total.files() => {
            format!("{known}. But nobody recorded what could be read, so something may be missing all the same.")
        }
        unproven => format!(
            "{known}. But for {} nobody recorded whether all of it could be read; the others came back as the drive held \
             them, as far as is known.",
            counted(unproven, "file")
        ),
    }
}

fn sentences(heading: &str, lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            section id=[(heading == OPENS).then_some("opens")] {
                h2 { (heading) }
                ul { @for line in lines { li { (line) } } }
            }
        }
    }
}

fn drive(account: &Account, strip: Option<&str>) -> Markup {
    html! {
        section {
            h2 { "The drive, and what was done" }
            ul { @for line in &account.notes.done { li { (line) } } }
            @if let Some(svg) = strip {
                p { "The drive as one long strip, from its beginning to its end:" }
                p class="hint" { "It is wider than this screen: push it to the left to see the rest. →" }
                div class="strip" tabindex="0" role="group" aria-label="Picture of the drive" { (PreEscaped(svg)) }
            }
        }
    }
}

fn check(is_signed: bool) -> Markup {
    let signed = is_signed.then(signing_note);
    html! {
        section {
            h2 { "How to check that nothing changed since" }
            p { "The same stands in " code { "READ ME FIRST.txt" } ", from where it is easier to copy." }
            @for check in CHECKS {
                h3 { (check.system) }
                p { (check.open) }
                pre { (check.command) }
                p { (check.well) " " (check.ill) }
            }
            p { (OK_MEANS) }
            @if let Some((words, command)) = signed {
                p { (words) }
                pre { (command) }
            }
            p {
                "This folder is a BagIt bag (RFC 8493); programs that know such bags can check it as a whole."
            }
        }
    }
}
