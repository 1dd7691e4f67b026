//! The kinds of ZIP archives that people know by a name of their own.
//!
//! Each is told twice: exactly, by what stands in its first bytes, so that a document under a strange name is still
//! called what it is; and by its name's ending, where an archive of any order of members will do.

use super::archive::Archive;
use super::office::{self, Office};
use super::open_document::{self, Open};
use super::parts;
use crate::content::formats::documents::{ole, text};
use crate::content::formats::{Format, Step, Strength, Subject};

/// Kinds by their first bytes alone.
pub(in crate::content::formats::documents) const EXACT: &[Format] = &[
    exact("Word document", |head| told(head) == Told::Office(Office::Word), word),
    exact("Excel table", |head| told(head) == Told::Office(Office::Excel), excel),
    exact("PowerPoint slides", |head| told(head) == Told::Office(Office::PowerPoint), slides),
    exact("OpenDocument text", |head| told(head) == Told::Open(Open::Text), open_text),
    exact("OpenDocument table", |head| told(head) == Told::Open(Open::Table), open_table),
    exact("OpenDocument slides", |head| told(head) == Told::Open(Open::Slides), open_slides),
    exact("OpenDocument drawing", |head| told(head) == Told::Open(Open::Drawing), open_drawing),
    exact("EPUB book", |head| told(head) == Told::Book, parts::book),
];

/// The archive that is nothing else. It comes before those that need a name's ending.
pub(in crate::content::formats::documents) const PLAIN: &[Format] = &[named("ZIP archive", ARCHIVES, plain)];

const ARCHIVES: &[&str] = &["zip", "jar", "war", "cbz", "apk", "xpi", "whl", "nupkg", "3mf", "ora", "kra", "idml"];

/// Kinds by their endings.
pub(in crate::content::formats::documents) const NAMED: &[Format] = &[
    Format {
        name: "Word document",
        endings: &["docx", "docm", "dotx", "dotm"],
        opens: |head| ole::opens(head) || fits(head, Told::Office(Office::Word)),
        check: word,
    },
    Format {
        name: "Excel table",
        endings: &["xlsx", "xlsm", "xlsb", "xltx", "xltm", "xlam"],
        opens: |head| ole::opens(head) || fits(head, Told::Office(Office::Excel)),
        check: excel,
    },
    Format {
        name: "PowerPoint slides",
        endings: &["pptx", "pptm", "ppsx", "ppsm", "potx", "potm", "ppam"],
        opens: |head| ole::opens(head) || fits(head, Told::Office(Office::PowerPoint)),
        check: slides,
    },
    Format {
        name: "OpenDocument text",
        endings: &["odt", "ott", "odm", "sxw", "stw"],
        opens: |head| fits(head, Told::Open(Open::Text)),
        check: open_text,
    },
    Format {
        name: "OpenDocument table",
        endings: &["ods", "ots", "sxc", "stc"],
        opens: |head| fits(head, Told::Open(Open::Table)),
        check: open_table,
    },
    Format {
        name: "OpenDocument slides",
        endings: &["odp", "otp", "sxi", "sti"],
        opens: |head| fits(head, Told::Open(Open::Slides)),
        check: open_slides,
    },
    Format {
        name: "OpenDocument drawing",
        endings: &["odg", "otg", "odf", "odc", "odb", "sxd", "sxm"],
        opens: |head| fits(head, Told::Open(Open::Drawing)),
        check: open_drawing,
    },
    Format { name: "EPUB book", endings: &["epub"], opens: |head| fits(head, Told::Book), check: parts::book },
    named("XPS document", &["xps", "oxps"], parts::page_description),
    named("music score", &["mscz", "mxl"], parts::score),
    named("map places", &["kmz"], parts::places),
    named("iWork document", &["pages", "numbers"], parts::work),
];

const fn exact(name: &'static str, opens: fn(&[u8]) -> bool, check: fn(&Subject<'_>) -> Step<Strength>) -> Format {
    Format { name, endings: &[], opens, check }
}

const fn named(
    name: &'static str,
    endings: &'static [&'static str],
    check: fn(&Subject<'_>) -> Step<Strength>,
) -> Format {
    Format { name, endings, opens: opens_as_archive, check }
}

/// What the first bytes tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Told {
    Office(Office),
    Open(Open),
    Book,
    Nothing,
}

fn opens_as_archive(head: &[u8]) -> bool {
    // Marks of an archive that was to be in several parts and became one (APPNOTE.TXT 6.3, section 8.5).
    let head = head.strip_prefix(b"PK00").or_else(|| head.strip_prefix(b"PK\x07\x08")).unwrap_or(head);
    head.starts_with(b"PK\x03\x04") || head.starts_with(b"PK\x05\x06")
}

fn told(head: &[u8]) -> Told {
    if !head.starts_with(b"PK\x03\x04") {
        return Told::Nothing;
    }
    // A first member `mimetype` that is not packed: OpenDocument 1.3, part 2, section 3.3; EPUB OCF 3.3, section 4.3.
    if head.get(0x1e..).is_some_and(|rest| rest.starts_with(b"mimetype")) {
        return match open_document::kind(head.get(0x26..).unwrap_or_default()) {
            Some(kind) => Told::Open(kind),
            None if text::holds(head, b"application/epub+zip") => Told::Book,
            None => Told::Nothing,
        };
    }
    if !text::holds(head, b"[Content_Types].xml") && !text::holds(head, b"_rels/.rels") {
        return Told::Nothing;
    }
    office::told_by_names(head).map_or(Told::Nothing, Told::Office)
}

/// Whether a file may be of a kind: its first bytes tell no other.
fn fits(head: &[u8], kind: Told) -> bool {
    opens_as_archive(head) && [kind, Told::Nothing].contains(&told(head))
}

fn plain(subject: &Subject<'_>) -> Step<Strength> {
    Archive::walk(subject)?.finish()
}

fn word(subject: &Subject<'_>) -> Step<Strength> {
    office::check(subject, Office::Word)
}

fn excel(subject: &Subject<'_>) -> Step<Strength> {
    office::check(subject, Office::Excel)
}

fn slides(subject: &Subject<'_>) -> Step<Strength> {
    office::check(subject, Office::PowerPoint)
}

fn open_text(subject: &Subject<'_>) -> Step<Strength> {
    open_document::check(subject, Open::Text)
}

fn open_table(subject: &Subject<'_>) -> Step<Strength> {
    open_document::check(subject, Open::Table)
}

fn open_slides(subject: &Subject<'_>) -> Step<Strength> {
    open_document::check(subject, Open::Slides)
}

fn open_drawing(subject: &Subject<'_>) -> Step<Strength> {
    open_document::check(subject, Open::Drawing)
}
