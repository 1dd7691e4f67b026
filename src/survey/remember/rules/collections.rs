//! Collections that a program keeps as one thing.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const COLLECTIONS: Rule = Rule { topic: Topic::Collections, hand_over: HandOver::Together, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "photos_library",
        what: "Photos, iPhoto and Aperture libraries",
        marks: &[
            Mark::Folder("*.photoslibrary"),
            Mark::Folder("*.photolibrary"),
            Mark::Folder("*.migratedphotolibrary"),
            Mark::Folder("*.aplibrary"),
            Mark::FolderWith("iphoto library*", "albumdata.xml"),
        ],
        reason: "It looks like one file on a Mac and like thousands of strange ones everywhere else.",
        say: "All pictures, albums and edits are in this one package. Some pictures may be only in iCloud.",
        ..COLLECTIONS
    },
    Rule {
        id: "lightroom",
        what: "Lightroom catalogs",
        marks: &[Mark::File("*.lrcat"), Mark::File("*.lrcat-data")],
        reason: "Ratings, albums and edits are in it, and not in the pictures.",
        say: "Without the catalog the pictures are there and all work on them is gone. The pictures stand elsewhere, and \
              the catalog looks for them under the paths they had.",
        hand_over: HandOver::Files,
        ..COLLECTIONS
    },
    Rule {
        id: "lightroom_previews",
        what: "Lightroom previews",
        marks: &[Mark::Folder("*.lrdata")],
        reason: "Where an original is lost, its preview may be all that is left.",
        say: "Lightroom makes them again from the originals; of lost originals they are the only picture left.",
        hand_over: HandOver::Ask,
        ..COLLECTIONS
    },
    Rule {
        id: "picasa",
        what: "Picasa albums and edits",
        marks: &[Mark::File(".picasa.ini"), Mark::File("picasa.ini"), Mark::Folder("google/picasa2*")],
        gathered: true,
        reason: "Faces, albums and edits are in small hidden files beside the pictures.",
        say: "Copy the pictures with the hidden files that stand beside them.",
        hand_over: HandOver::Files,
        ..COLLECTIONS
    },
    Rule {
        id: "digikam",
        what: "digiKam databases",
        marks: &[Mark::File("digikam4.db"), Mark::File("recognition.db"), Mark::File("similarity.db")],
        reason: "Tags and albums are in it, and not in every picture.",
        say: "It belongs to the pictures beside which it stands.",
        ..COLLECTIONS
    },
    Rule {
        id: "elements",
        what: "Photoshop Elements catalogs",
        marks: &[Mark::FolderWith("*", "catalog.psedb"), Mark::FolderWith("*", "catalog.pse*db")],
        reason: "Albums and tags are in it, and not in the pictures.",
        say: "The catalog looks for the pictures under the paths they had.",
        ..COLLECTIONS
    },
    Rule {
        id: "music_library",
        what: "iTunes and Music libraries",
        marks: &[
            Mark::FolderWith("itunes", "*.itl"),
            Mark::Folder("*.musiclibrary"),
            Mark::FolderWith("itunes", "itunes media"),
        ],
        reason: "Playlists and ratings are in the library's own file, not in the music.",
        say: "The folder goes as one, and playlists come along. Bought pieces may ask for the account.",
        ..COLLECTIONS
    },
    Rule {
        id: "film_projects",
        what: "Film projects",
        marks: &[Mark::Folder("*.imovielibrary"), Mark::Folder("*.fcpbundle"), Mark::Folder("*.tvlibrary")],
        reason: "It looks like one file on a Mac and is a folder everywhere else.",
        say: "Films and projects are in this one package.",
        ..COLLECTIONS
    },
    Rule {
        id: "calibre",
        what: "Calibre books",
        marks: &[Mark::FolderWith("calibre*", "metadata.db")],
        reason: "The list of the books is in a database beside them.",
        say: "Books and their list go as one folder.",
        ..COLLECTIONS
    },
    Rule {
        id: "scans",
        what: "Scanned papers",
        marks: &[
            Mark::Folder("scans"),
            Mark::Folder("my scans"),
            Mark::Folder("scanned documents"),
            Mark::Folder("gescannte dokumente"),
            Mark::Folder("eingescannte dokumente"),
            Mark::Folder("documents numérisés"),
        ],
        in_programs: false,
        reason: "The scanner's program chose the folder, and the paper is often thrown away.",
        say: "Papers that were scanned are in here.",
        hand_over: HandOver::Files,
        ..COLLECTIONS
    },
];
