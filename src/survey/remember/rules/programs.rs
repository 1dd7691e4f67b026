//! Whole computers, games, fonts.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const PROGRAMS: Rule = Rule { topic: Topic::Programs, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "virtual_machines",
        what: "Virtual machines",
        marks: &[
            Mark::Folder("*.vmwarevm"),
            Mark::Folder("*.pvm"),
            Mark::Folder("*.utm"),
            Mark::FolderWith("*", "*.vmx"),
            Mark::FolderWith("*", "*.vbox"),
            Mark::File("*.vhdx"),
            Mark::File("*.avhdx"),
            Mark::File("*.vhd"),
            Mark::File("*.vmdk"),
            Mark::File("*.vdi"),
            Mark::File("*.qcow2"),
        ],
        in_programs: false,
        reason: "A whole computer with its own files is in it; one damaged part can cost all of it.",
        say: "A whole computer is in here, with files of its own that this page does not count. Files that stand beside it \
              belong to it.",
        hand_over: HandOver::Together,
        ..PROGRAMS
    },
    Rule {
        id: "system_backups",
        what: "Backups that Windows and Macs make",
        marks: &[
            Mark::Folder("windowsimagebackup"),
            Mark::FolderWith("*", "mediaid.bin"),
            Mark::Folder("filehistory"),
            Mark::Folder("backups.backupdb"),
            Mark::File("*.bkf"),
        ],
        reason: "Files that are lost elsewhere on the drive may be whole in it.",
        say: "A backup is in here: what is damaged elsewhere may be whole in it.",
        hand_over: HandOver::Together,
        ..PROGRAMS
    },
    Rule {
        id: "saved_games",
        what: "Saved games",
        marks: &[
            Mark::Folder("saved games"),
            Mark::Folder("my games"),
            Mark::Folder(".minecraft/saves"),
            Mark::Folder("steam/userdata"),
        ],
        least: 2,
        reason: "Children ask for them first.",
        say: "Where games were left off. Some of it may come back from the game's account.",
        hand_over: HandOver::Ask,
        ..PROGRAMS
    },
    Rule {
        id: "fonts",
        what: "Fonts of one's own",
        marks: &[
            Mark::Folder("local/microsoft/windows/fonts"),
            Mark::Folder("/users/*/library/fonts"),
            Mark::Folder("share/fonts"),
            Mark::Folder("/home/*/.fonts"),
        ],
        reason: "Letters and posters look wrong without them.",
        say: "Somebody installed these fonts for themselves; bought ones come with a licence.",
        hand_over: HandOver::Ask,
        ..PROGRAMS
    },
];
