use std::collections::BTreeSet;

use super::*;
use crate::catalog::{GapKind, Unlocated};
use crate::survey::survey;
use crate::survey::testing::Maker;

fn hits(make: Maker) -> Vec<Hit> {
    let root = make.root;
    survey(&make.builder.finish(root).unwrap()).remember
}

fn seen(hits: &[Hit]) -> Vec<(&str, &str, u64)> {
    hits.iter().map(|hit| (hit.rule, &*hit.path, hit.tally.files.count)).collect()
}

#[test]
fn rules_are_told_apart_and_say_what_they_must() {
    let mut ids = BTreeSet::new();
    for rule in rules::all() {
        assert!(ids.insert(rule.id), "`{}` stands twice", rule.id);
        assert!(!rule.marks.is_empty() && !rule.what.is_empty(), "{}", rule.id);
        for sentence in [rule.reason, rule.say] {
            assert!(sentence.ends_with('.') && sentence.starts_with(|c: char| !c.is_lowercase()), "{}", rule.id);
        }
        for mark in rule.marks {
            let patterns = match mark {
                Mark::Folder(one) | Mark::File(one) => vec![*one],
                Mark::FolderWith(one, other) => vec![*one, *other],
                Mark::RecycleBin | Mark::LargeInRoot | Mark::Absent | Mark::Locked => vec![],
            };
            for pattern in patterns {
                assert_eq!(crate::survey::people::plain(pattern), pattern, "{}", rule.id);
                assert!(!pattern.ends_with('/') && !pattern.contains("//"), "{}", rule.id);
            }
        }
    }
    assert!(ids.len() > 60, "{}", ids.len());
    let topics: Vec<Topic> = rules::all().map(|rule| rule.topic).collect();
    assert!(topics.is_sorted(), "the list goes by topic");
}

/// Each rule's first name, as a path that it must find, by itself.
#[test]
fn every_rule_finds_what_it_names() {
    for rule in rules::all() {
        for mark in rule.marks {
            let (folder, file) = match *mark {
                Mark::Folder(path) => (path.to_string(), "a file"),
                Mark::FolderWith(path, inside) => (path.to_string(), inside),
                Mark::File(path) => path.rsplit_once('/').map_or((String::new(), path), |(at, file)| (at.into(), file)),
                Mark::RecycleBin | Mark::LargeInRoot | Mark::Absent | Mark::Locked => continue,
            };
            let mut make = Maker::new();
            // What is a whole path stands at the root; anything else deep in somebody's things.
            let above = if folder.starts_with('/') { "" } else { "Users/Hanna/AppData/Choir/" };
            let mut at = make.root;
            for part in format!("{above}{folder}").split('/').filter(|part| !part.is_empty()) {
                at = make.folder(at, &part.replace('*', "x"));
            }
            for number in 0..rule.least {
                let name =
                    if number == 0 { file.replace('*', "x") } else { format!("{number}-{}", file.replace('*', "x")) };
                make.file(at, &name, 10);
            }
            let hits = hits(make);
            assert!(hits.iter().any(|hit| hit.rule == rule.id), "{}: {mark:?} finds {:?}", rule.id, seen(&hits));
        }
    }
}

#[test]
fn what_stands_in_a_hit_is_not_named_again_and_a_place_is_open() {
    let mut make = Maker::new();
    let root = make.root;
    let thunderbird = make.folders(root, "Users/Hanna/AppData/Roaming/Thunderbird");
    make.file(thunderbird, "profiles.ini", 5);
    let profile = make.folders(thunderbird, "Profiles/ab.default");
    make.file(profile, "logins.json", 5);
    let calendars = make.folders(profile, "calendar-data");
    make.file(calendars, "local.ics", 5);
    // The cache of the same program is nothing to remember.
    let cache = make.folders(root, "Users/Hanna/AppData/Local/Thunderbird/Profiles/ab.default");
    make.file(cache, "cache.bin", 5);
    let old = make.folders(root, "Windows.old/Users/Hanna/Documents");
    make.file(old, "old.PST", 700);
    let system = make.folders(root, "Windows.old/Windows/System32");
    make.file(system, "setup.mdb", 700);
    let hits = hits(make);
    assert_eq!(
        seen(&hits),
        [
            ("outlook_store", "/Windows.old/Users/Hanna/Documents/old.PST", 1),
            ("thunderbird", "/Users/Hanna/AppData/Roaming/Thunderbird", 3),
            ("former_windows", "/Windows.old", 2),
        ]
    );
    assert_eq!(hits[1].lacking, ["key*.db"], "saved passwords without their key");
    assert!(hits[0].lacking.is_empty() && hits[0].only == ["*.pst"]);
}

#[test]
fn sets_are_one_hit_a_folder_and_strays_one_altogether() {
    let mut make = Maker::new();
    let root = make.root;
    let till = make.folders(root, "Till");
    for name in ["MEMBERS.DBF", "MEMBERS.CDX", "FEES.dbf"] {
        make.file(till, name, 100);
    }
    let few = make.folders(root, "Maps/Shapes");
    make.file(few, "village.dbf", 100);
    let data = make.folders(root, "Program Files/Microsoft SQL Server/MSSQL12.CHOIR/MSSQL/DATA");
    make.file(data, "choir.mdf", 900);
    make.file(data, "choir_log.ldf", 90);
    make.file(data, "alone.mdf", 9);
    let alone = make.folders(root, "Backup");
    make.file(alone, "choir.mdf", 900);
    let pictures = make.folders(root, "Users/Hanna/Pictures");
    for folder in ["2009", "2010"] {
        let folder = make.folders(pictures, folder);
        make.file(folder, ".picasa.ini", 10);
    }
    let samples = make.folders(root, "Program Files/Choir Planner/Samples");
    make.file(samples, "sample.ics", 10);
    let hits = hits(make);
    let named: Vec<_> = hits.iter().filter(|hit| hit.topic != Topic::Places).collect();
    let seen: Vec<_> = named.iter().map(|hit| (hit.rule, &*hit.path, hit.tally.files.count, hit.folders)).collect();
    assert_eq!(
        seen,
        [
            ("sql_server", "/Program Files/Microsoft SQL Server/MSSQL12.CHOIR/MSSQL/DATA", 3, 1),
            ("sql_server", "/Backup/choir.mdf", 1, 1),
            ("dbase", "/Till", 3, 1),
            ("picasa", "/Users/Hanna/Pictures", 2, 2),
        ]
    );
    assert_eq!((&named[0].lacking[..], &named[1].lacking[..]), (&[][..], &["*.ldf"][..]));
    assert_eq!(named[2].only, ["*.cdx", "*.dbf"]);
}

#[test]
fn states_make_hits_of_their_own() {
    let mut make = Maker::new();
    let root = make.root;
    let documents = make.folders(root, "Users/Hanna/OneDrive/Documents");
    for (folder, name) in [("2009", "to the mayor.odt"), ("2010", "to the choir.odt")] {
        let folder = make.folders(documents, folder);
        let file = make.file(folder, name, 500);
        make.builder.object_mut(file).unwrap().facts.add_gap(GapKind::NeverHere, 500);
    }
    let locked = make.file(documents, "diary.odt", 80);
    make.builder.object_mut(locked).unwrap().facts.encrypted = true;
    let lost = make.file(documents, "choir.pst", 80);
    make.builder.object_mut(lost).unwrap().facts.unlocated = Some(Unlocated::RecordLost);
    let bin = make.folders(root, "$Recycle.Bin/S-1-5-21");
    make.file(bin, "$RABCDEF.pst", 80);
    let hits = hits(make);
    assert_eq!(
        seen(&hits),
        [
            ("outlook_store", "/Users/Hanna/OneDrive/Documents/choir.pst", 1),
            ("encrypted_files", "/Users/Hanna/OneDrive/Documents", 1),
            ("only_in_the_cloud", "/Users/Hanna/OneDrive/Documents", 2),
            ("recycle_bin", "/$Recycle.Bin", 1),
        ]
    );
    assert_eq!((hits[0].tally.lost_files(), hits[2].folders), (1, 2));
}

#[test]
fn a_systems_own_folders_are_left_alone() {
    let mut make = Maker::new();
    let root = make.root;
    for (folder, file) in [
        ("etc", "passwd"),
        ("usr/share/doc/mail", "sample.mbox"),
        ("usr/lib/firefox", "profiles.ini"),
        ("var/lib/mysql", "ibdata1"),
        ("var/mail", "old.mbox"),
        ("home/hanna/.mozilla/firefox", "profiles.ini"),
    ] {
        let at = make.folders(root, folder);
        make.file(at, file, 10);
    }
    assert_eq!(seen(&hits(make)), [("firefox", "/home/hanna/.mozilla/firefox", 1), ("mysql", "/var/lib/mysql", 1)]);
}

/// A name that also stands where anything may stand does not make a hit of all that stands beside it.
#[test]
fn one_file_does_not_take_a_whole_folder_of_documents() {
    let mut make = Maker::new();
    let root = make.root;
    let documents = make.folders(root, "Users/Hanna/Documents");
    make.file(documents, "plum.sqlite", 10);
    make.file(documents, "members.accdb", 10);
    let machine = make.folders(documents, "Old office");
    make.file(machine, "office.vmx", 1);
    make.file(machine, "office.vmdk", 1000);
    assert_eq!(
        seen(&hits(make)),
        [
            ("access", "/Users/Hanna/Documents/members.accdb", 1),
            ("sticky_notes", "/Users/Hanna/Documents/plum.sqlite", 1),
            ("virtual_machines", "/Users/Hanna/Documents/Old office", 2),
        ]
    );
}

#[test]
fn people_of_the_first_windows_have_mail_in_the_folder_of_windows() {
    let mut make = Maker::new();
    let root = make.root;
    let mail = make.folders(root, "WINDOWS/Application Data/Identities/{1}/Microsoft/Outlook Express");
    make.file(mail, "Inbox.dbx", 10);
    make.file(mail, "Folders.dbx", 10);
    let own = make.folders(root, "WINDOWS/SYSTEM");
    make.file(own, "ias.mdb", 10);
    let hits = hits(make);
    assert_eq!(
        seen(&hits),
        [("outlook_express", "/WINDOWS/Application Data/Identities/{1}/Microsoft/Outlook Express", 2)]
    );
}

#[test]
fn the_documentation_has_every_rule_and_no_other() {
    let text = include_str!("../../../docs/survey.md");
    let rows = text.lines().filter_map(|line| line.strip_prefix("| `")?.split_once("` |"));
    let described: Vec<&str> =
        rows.map(|(id, _)| id).filter(|id| id.chars().all(|c| c.is_lowercase() || c == '_')).collect();
    let rules: Vec<&str> = rules::all().map(|rule| rule.id).collect();
    let listed: Vec<&str> = described.into_iter().filter(|id| !matches!(*id, "sound" | "locked" | "absent")).collect();
    assert_eq!(listed, rules);
    for rule in rules::all() {
        let row = text.lines().find(|line| line.starts_with(&format!("| `{}` |", rule.id))).unwrap();
        for mark in rule.marks {
            if let Mark::Folder(pattern) | Mark::File(pattern) | Mark::FolderWith(_, pattern) = mark {
                assert!(row.contains(&format!("`{pattern}")), "{}: {pattern}", rule.id);
            }
        }
    }
}
