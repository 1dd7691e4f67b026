//! Books, taxes and databases, which seldom stand in people's own folders.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const BUSINESS: Rule = Rule { topic: Topic::Business, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "accounting",
        what: "Books and taxes",
        marks: &[
            Mark::Folder("datev"),
            Mark::Folder("lexware"),
            Mark::Folder("quickbooks"),
            Mark::Folder("intuit"),
            // A name that people give to folders, too.
            Mark::Folder("/sage"),
            Mark::Folder("/programdata/sage"),
            Mark::Folder("/program files*/sage"),
            Mark::Folder("sage software"),
            Mark::Folder("buhl"),
            Mark::Folder("buhl data service"),
            Mark::Folder("elster"),
            Mark::Folder("elsterformular"),
            Mark::Folder("starmoney*"),
            Mark::Folder("banana*accounting*"),
            Mark::File("*.qbw"),
            Mark::File("*.qbb"),
            Mark::File("*.qdf"),
            Mark::File("*.gnucash"),
            Mark::File("*.steuer*"),
            Mark::File("*.elfo"),
            Mark::File("*.ac2"),
        ],
        reason: "The program keeps its data beside itself, outside of people's folders; the law wants it kept for years.",
        say: "The books are in here. They go together with the program of the same version, or through its own backup.",
        hand_over: HandOver::Together,
        ..BUSINESS
    },
    Rule {
        id: "sql_server",
        what: "SQL Server databases",
        marks: &[Mark::File("*.mdf"), Mark::File("*.ndf"), Mark::File("*.ldf")],
        pairs: &[("*.mdf", "*.ldf"), ("*.ldf", "*.mdf")],
        reason: "The program on the screen shows nothing of where its data is.",
        say: "Data (.mdf) and its log (.ldf) belong together; whoever looks after the program attaches them again.",
        hand_over: HandOver::Together,
        ..BUSINESS
    },
    Rule {
        id: "mysql",
        what: "MySQL and MariaDB databases",
        marks: &[Mark::FolderWith("*", "ibdata1")],
        reason: "The program on the screen shows nothing of where its data is.",
        say: "The whole folder is one database server's data; whoever looks after the program puts it back as one.",
        hand_over: HandOver::Together,
        ..BUSINESS
    },
    Rule {
        id: "postgresql",
        what: "PostgreSQL databases",
        marks: &[Mark::FolderWith("*", "pg_version")],
        reason: "The program on the screen shows nothing of where its data is.",
        say: "The whole folder is one database server's data, and only the same version reads it.",
        hand_over: HandOver::Together,
        ..BUSINESS
    },
    Rule {
        id: "firebird",
        what: "Firebird and InterBase databases",
        marks: &[Mark::File("*.fdb"), Mark::File("*.gdb")],
        reason: "The program on the screen shows nothing of where its data is.",
        say: "One file is one database; whoever looks after the program connects it again.",
        ..BUSINESS
    },
    Rule {
        id: "access",
        what: "Access databases",
        marks: &[Mark::File("*.mdb"), Mark::File("*.accdb")],
        reason: "Small firms and clubs keep their members and books in them, often beside the program.",
        say: "One file is one database.",
        ..BUSINESS
    },
    Rule {
        id: "dbase",
        what: "dBase and FoxPro tables",
        marks: &[
            Mark::File("*.dbf"),
            Mark::File("*.cdx"),
            Mark::File("*.fpt"),
            Mark::File("*.dbt"),
            Mark::File("*.mdx"),
            Mark::File("*.ndx"),
        ],
        least: 3,
        reason: "Old programs keep their data in the root of the drive or beside themselves.",
        say: "The files of the folder are one program's data and belong together.",
        hand_over: HandOver::Together,
        ..BUSINESS
    },
    Rule {
        id: "paradox",
        what: "Paradox tables",
        marks: &[Mark::FolderWith("*", "*.px")],
        reason: "Old programs keep their data beside themselves.",
        say: "The files of the folder are one program's data and belong together.",
        hand_over: HandOver::Together,
        ..BUSINESS
    },
    Rule {
        id: "filemaker",
        what: "FileMaker databases",
        marks: &[Mark::File("*.fmp12"), Mark::File("*.fp7"), Mark::File("*.fp5")],
        reason: "Clubs and practices keep everything in one such file.",
        say: "Files of one folder may need each other.",
        hand_over: HandOver::Together,
        ..BUSINESS
    },
    Rule {
        id: "base",
        what: "LibreOffice databases",
        marks: &[Mark::File("*.odb")],
        reason: "It is a document and a database in one.",
        say: "One file is one database, if it does not connect to another.",
        ..BUSINESS
    },
    Rule {
        id: "websites",
        what: "Web sites",
        marks: &[Mark::Folder("inetpub/wwwroot"), Mark::Folder("xampp/htdocs"), Mark::Folder("/var/www")],
        least: 3,
        reason: "What was made here may be the only copy of a site.",
        say: "A web server's pages are in here.",
        hand_over: HandOver::Ask,
        ..BUSINESS
    },
];
