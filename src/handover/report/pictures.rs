//! The parts of the page that lead to files to be looked at: small pictures, and what may be damaged though nothing of it
//! is known to be missing.

use maud::{Markup, html};

use super::SHEETS;
use super::page::{link, path};
use super::sheets::{Written, page_name};
use crate::amount::{counted, grouped};
use crate::handover::account::{Account, BLANK, Named, blank_words, listed, unopened_sentence};

/// What a red frame says.
const RED_FRAMES: &str = "\
    A red frame marks a picture that is not as it should be: parts are missing (it shows how far it goes), it does not open, \
    it is in doubt, or it could not be brought back; which of these stands below it.";

/// Folders that are listed with their pages; of the others only the pages are said.
const MOST_FOLDERS: usize = 300;

/// A list of more folders or pages is folded up: what comes after it matters to everybody.
const SHORT: (usize, usize) = (8, 24);

/// Why a picture without a red frame may be grey.
pub(super) fn grey(account: &Account) -> &'static str {
    match account.total.unproven {
        0 => "A picture without a red frame that is grey in part was so on the drive, as far as is known.",
        _ => {
            "A picture without a red frame that is grey in part may have been so on the drive, or that part could not be \
             read and nobody recorded it."
        }
    }
}

/// A link to a sheet.
fn sheet(number: usize, words: &str) -> Markup {
    html! { a class="at" href=(link("", &format!("{SHEETS}/{}", page_name(number)))) { (words) } }
}

/// What else should be looked at, after the files with parts missing.
pub(super) fn look_at(account: &Account, sheets: &Written) -> Markup {
    let mut links = Vec::new();
    if sheets.unopened.count > 0 {
        let verb = if sheets.unopened.count == 1 { "does" } else { "do" };
        links.push(("#unopened", format!("{} that {verb} not open", counted(sheets.unopened.count, "picture"))));
    }
    if account.blank.count > 0 {
        let verb = blank_words(account.blank.count);
        links.push(("#blank", format!("{} that {verb}", counted(account.blank.count, "file"))));
    }
    if account.notes.has_broken {
        links.push(("#opens", "files that do not open as they should".to_string()));
    }
    html! {
        @if !links.is_empty() {
            p {
                "Look here, too, although nothing is known to be missing: "
                @for (at, (to, words)) in links.iter().enumerate() {
                    @if at > 0 { "; " }
                    a href=(to) { (words) }
                }
                "."
            }
        }
    }
}

/// Links to files, and to the sheets that show them.
fn list(named: &Named, where_more: &str) -> Markup {
    let more = named.beyond(named.first.len());
    html! {
        ul {
            @for file in &named.first {
                li {
                    a href=(link("", &file.copy)) { (path(&file.shown)) }
                    @if let Some(number) = file.sheet { " – on " (sheet(number, &format!("page {}", grouped(number as u64)))) }
                }
            }
        }
        @if more > 0 { p { "… and " (grouped(more)) " more; " (where_more) "." } }
    }
}

/// Pictures that could not be opened although no hole is known.
pub(super) fn unopened(account: &Account, sheets: &Written) -> Markup {
    html! {
        @if sheets.unopened.count > 0 {
            section id="unopened" {
                h2 { "Pictures that do not open" }
                p { (unopened_sentence(sheets.unopened.count, account.total.unproven > 0)) }
                (list(&sheets.unopened, "on the pages of small pictures each has a red frame and the words \"does not open\""))
            }
        }
    }
}

/// Blank files among those that no map speaks for.
pub(super) fn blank(account: &Account) -> Markup {
    html! {
        @if account.blank.count > 0 {
            section id="blank" {
                h2 { "Files that are blank" }
                p { (counted(account.blank.count, "file")) " " (blank_words(account.blank.count)) ". " (BLANK) }
                (list(&account.blank, "in records/manifest.json all are marked \"blank\""))
            }
        }
    }
}

/// The sheets.
pub(super) fn pictures(account: &Account, sheets: &Written) -> Markup {
    if sheets.pages == 0 {
        return html! {};
    }
    let is_short = sheets.folders.len() <= SHORT.0 && sheets.pages <= SHORT.1;
    let all = [counted(sheets.folders.len() as u64, "folder"), counted(sheets.pages as u64, "page")];
    html! {
        section {
            h2 { "Your pictures at a glance" }
            p {
                @match sheets.pictures {
                    1 => "Your picture is shown small on a page of its own, as it could be read from the drive. ",
                    many => {
                        "Each of the " (counted(many, "picture")) " is shown small on "
                        @if sheets.pages == 1 { "one page" } @else { "these pages" }
                        ", as it could be read from the drive. "
                    }
                }
                (RED_FRAMES)
            }
            p { (grey(account)) }
            @if sheets.silent > 0 {
                p {
                    (counted(sheets.silent, "picture")) " can't be shown small by this program (a camera's own form, or too \
                    large): only name and date stand there, which says nothing about the file."
                }
            }
            @if sheets.unopened.count > 0 {
                p {
                    (counted(sheets.unopened.count, "picture")) " could not be opened: "
                    a href="#unopened" { "see above" } "."
                }
            }
            @if sheets.more > 0 {
                @let verb = if sheets.more == 1 { " is" } else { " are" };
                p { (counted(sheets.more, "further picture")) (verb) " in the handover and not on these pages." }
            }
            @if is_short {
                (folders(sheets))
            } @else {
                p { (sheet(1, "Begin with page 1")) }
                details {
                    summary { "Which folder is on which page (" (listed(&all)) ")" }
                    (folders(sheets))
                }
            }
        }
    }
}

/// Each folder with its pages.
fn folders(sheets: &Written) -> Markup {
    let (shown, others) = sheets.folders.split_at(sheets.folders.len().min(MOST_FOLDERS));
    html! {
        ul class="pages" {
            @for (folder, pages) in shown {
                li {
                    @if folder.is_empty() { "In no folder" } @else { (path(folder)) }
                    @if pages.len() == 1 { ": page " } @else { ": pages " }
                    @for number in pages { (sheet(*number, &number.to_string())) " " }
                }
            }
            @if let Some(first) = others.first().and_then(|(_, pages)| pages.first()) {
                li {
                    "… and " (counted(others.len() as u64, "further folder")) ", in this order, on the pages from "
                    (sheet(*first, &first.to_string())) " to " (sheet(sheets.pages, &sheets.pages.to_string()))
                }
            }
        }
    }
}
