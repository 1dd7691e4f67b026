//! Notes, which programs keep where nobody looks.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const NOTES: Rule = Rule { topic: Topic::Notes, hand_over: HandOver::Together, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "sticky_notes",
        what: "Sticky Notes",
        marks: &[Mark::FolderWith("*", "plum.sqlite"), Mark::File("*.snt")],
        reason: "The yellow notes on the screen are in a hidden database.",
        say: "The notes on the screen are in here; the database and the files of the same name beside it go together.",
        ..NOTES
    },
    Rule {
        id: "onenote_cache",
        what: "OneNote's own copies",
        marks: &[Mark::Folder("onenote/*/cache"), Mark::Folder("onenote/*/backup")],
        reason: "Notes that never reached the account exist only here.",
        say: "Notebooks come back from the account; the latest notes may be only in this copy.",
        ..NOTES
    },
    Rule {
        id: "onenote",
        what: "OneNote notebooks",
        marks: &[Mark::FolderWith("*", "*.onetoc2"), Mark::File("*.one")],
        reason: "A notebook is a folder of files that belong together.",
        say: "The notebook opens from these files, without an account.",
        in_programs: false,
        ..NOTES
    },
    Rule {
        id: "evernote",
        what: "Evernote, Joplin and Obsidian notes",
        marks: &[
            Mark::File("*.enex"),
            Mark::File("*.exb"),
            Mark::Folder("roaming/evernote"),
            Mark::Folder("local/evernote"),
            Mark::Folder(".config/joplin-desktop"),
            Mark::FolderWith("*", ".obsidian"),
        ],
        reason: "Notes without an account exist only here.",
        say: "Notes of an account come back from there; local notebooks are only here.",
        ..NOTES
    },
    Rule {
        id: "apple_notes",
        what: "Apple Notes",
        marks: &[Mark::Folder("group.com.apple.notes")],
        reason: "It stands in the hidden Library folder.",
        say: "Notes of an account come back from there; those `On My Mac` are only here.",
        ..NOTES
    },
    Rule {
        id: "zotero",
        what: "Zotero libraries",
        marks: &[Mark::FolderWith("*", "zotero.sqlite")],
        reason: "Years of reading may be in it.",
        say: "The list and the attached papers go as one folder.",
        ..NOTES
    },
];
