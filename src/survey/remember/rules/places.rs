//! Folders and copies outside of people's own.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const PLACES: Rule = Rule { topic: Topic::Places, closed: false, hand_over: HandOver::Ask, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "only_in_the_cloud",
        what: "Files that are only in the cloud",
        marks: &[Mark::Absent],
        reason: "They show on the old computer like any other file, and their content, or a part of it, never was on its \
                 drive.",
        say: "All or a part of what is in them is only in the cloud: sign in there, and it is there. It can't be copied \
              from this drive.",
        hand_over: HandOver::Account,
        ..PLACES
    },
    Rule {
        id: "cloud_folders",
        what: "Folders of cloud programs",
        marks: &[
            Mark::Folder("/users/*/dropbox*"),
            Mark::Folder("/users/*/google drive*"),
            Mark::Folder("/users/*/googledrive*"),
            Mark::Folder("/users/*/my drive*"),
            Mark::Folder("/users/*/iclouddrive"),
            Mark::Folder("/users/*/nextcloud*"),
            Mark::Folder("/users/*/owncloud*"),
            Mark::Folder("/home/*/dropbox*"),
            Mark::Folder("/home/*/nextcloud*"),
            Mark::Folder("library/mobile documents"),
            Mark::Folder("library/cloudstorage"),
        ],
        reason: "It stands beside the usual folders, and only a part of it may be on the drive.",
        say: "The service has this, too, unless it was full or signed out. What is damaged here may be whole there.",
        ..PLACES
    },
    Rule {
        id: "former_windows",
        what: "A former Windows",
        marks: &[Mark::Folder("/windows.old*")],
        reason: "Whoever installed Windows anew over it may have thought that everything was gone.",
        say: "People's folders of the time before may be in here.",
        ..PLACES
    },
    Rule {
        id: "public",
        what: "What all people of the computer share",
        marks: &[
            Mark::Folder("/users/public"),
            Mark::Folder("/users/shared"),
            Mark::Folder("/documents and settings/all users"),
        ],
        least: 2,
        reason: "It belongs to nobody, and so nobody asks for it.",
        say: "Anybody may have put something here.",
        ..PLACES
    },
    Rule {
        id: "recycle_bin",
        what: "The recycle bin",
        marks: &[Mark::RecycleBin],
        reason: "Some people keep things there.",
        say: "Thrown away and still there.",
        ..PLACES
    },
    Rule {
        id: "large_in_root",
        what: "Large folders in the root",
        marks: &[Mark::LargeInRoot],
        reason: "They stand outside of everybody's own folders.",
        say: "Somebody made these outside of all usual folders.",
        ..PLACES
    },
];
