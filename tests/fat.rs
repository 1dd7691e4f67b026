//! FAT volumes written by outside tools, read whole: every file with its size and SHA-256, and nothing else.
//!
//! Truth: the source files that the fixture script wrote through mtools (see `test-images/README.md`).

mod common;

use std::collections::BTreeMap;

use common::edit::{find, hash, open, words};
use common::fixture;
use handback::catalog::{Catalog, Completeness, Distrust, FindingKind, ObjectId, ObjectKind, State};
use handback::filesystem::{ByteRange, CodePage, SweepOptions};
use handback::progress::Silent;
use handback::source::Source;

/// Every sound FAT volume among the fixtures, and what it is.
const VOLUMES: [(&str, &str, u64, u64); 13] = [
    ("fat12", "FAT12", 512, 512),
    ("fat16", "FAT16", 512, 1024),
    ("fat32-few", "FAT32", 512, 512),
    ("fat32", "FAT32", 512, 512),
    ("fat12-s1024", "FAT12", 1024, 1024),
    ("fat16-s2048", "FAT16", 2048, 2048),
    ("fat32-s4096", "FAT32", 4096, 4096),
    ("fat16-frag", "FAT16", 512, 512),
    ("fat16-deleted", "FAT16", 512, 1024),
    ("fat4084", "FAT12", 512, 512),
    ("fat4085", "FAT16", 512, 512),
    ("fat65524", "FAT16", 512, 512),
    ("fat65525", "FAT32", 512, 512),
];

/// All objects with names by path.
fn by_path(catalog: &Catalog) -> BTreeMap<String, ObjectId> {
    let all = catalog.objects().filter(|(id, _)| *id != catalog.root());
    all.map(|(id, _)| (catalog.first_path(id), id)).collect()
}

fn check(name: &str, source: &Source, best: State) {
    let volume = open(source);
    let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
    let zero = ByteRange { at_least: 0, at_most: 0 };
    assert_eq!(swept.facts.unexplained_bytes, Some(zero), "{name}");
    let mut left = by_path(&swept.catalog);
    let mut compared = 0;
    for truth in fixture::truth(name).iter().filter(|truth| !truth.has("deleted")) {
        let path = truth.path_text();
        let id = left.remove(&path).unwrap_or_else(|| panic!("{name}: {path} is missing"));
        let object = swept.catalog.object(id);
        assert_eq!(object.kind.word(), truth.kind, "{name}: {path}");
        if object.kind == ObjectKind::Folder {
            let complete = if best == State::Whole { Completeness::Complete } else { Completeness::Unproven };
            assert_eq!(object.completeness(), complete, "{name}: {path} {:?}", object.incomplete);
            continue;
        }
        assert_eq!(object.facts.state(), best, "{name}: {path} {:?}", object.facts.reasons());
        assert_eq!(Some(object.size), truth.size, "{name}: {path}");
        assert_eq!(Some(hash(source, &swept, id).0), truth.sha256, "{name}: {path}");
        let modified = object.modified().and_then(|time| time.rfc3339()).unwrap_or_default();
        // Local time: no zone is stored.
        assert_eq!(Some(modified.as_str()), truth.value("modified").map(|time| time.trim_end_matches('Z')), "{path}");
        compared += 1;
    }
    assert!(left.is_empty(), "{name}: not in the truth: {:?}", left.keys());
    assert!(compared > 0, "{name}");
}

#[test]
fn every_file_of_every_volume_is_right_and_whole() {
    for (name, kind, sector, cluster) in VOLUMES {
        let source = fixture::all_read(name);
        check(name, &source, State::Whole);
        let volume = open(&source);
        let facts = volume.facts();
        assert_eq!((facts.filesystem, facts.sector_size, facts.cluster_size), (kind, sector, cluster), "{name}");
        assert_eq!((facts.label.as_deref(), facts.dirty), (Some("CHOIR"), Some(false)), "{name}");
        let few = volume.findings().count(FindingKind::FewClusters);
        assert_eq!(few, u64::from(matches!(name, "fat32-few" | "fat32-s4096")), "{name}");
        let other: Vec<_> = volume.findings().kinds().filter(|(kind, _)| *kind != FindingKind::FewClusters).collect();
        assert!(other.is_empty(), "{name}: {other:?}");
    }
}

#[test]
fn without_a_map_the_same_files_are_unproven() {
    for name in ["fat12", "fat16", "fat32-few"] {
        check(name, &fixture::unmapped(name), State::Unproven);
    }
}

#[test]
fn every_cluster_at_the_borders_is_in_use() {
    for (name, _, _, cluster) in VOLUMES {
        let Some(clusters) = name.strip_prefix("fat").and_then(|rest| rest.parse::<u64>().ok()).filter(|n| *n > 4000)
        else {
            continue;
        };
        let swept = open(&fixture::all_read(name)).sweep(SweepOptions::default(), &Silent).expect("in memory");
        let all = clusters * cluster;
        assert_eq!(swept.facts.used_bytes, Some(ByteRange { at_least: all, at_most: all }), "{name}");
    }
}

#[test]
fn addresses_and_case_find_the_same_file() {
    let swept = open(&fixture::all_read("fat16")).sweep(SweepOptions::default(), &Silent).expect("in memory");
    let id = find(&swept.catalog, "/names/NOTEN FÜR anna.TXT");
    assert_eq!(swept.catalog.first_path(id), "/Names/Noten für Anna.txt");
    let address = swept.catalog.address(id).expect("a file has one");
    assert!(address.starts_with("entry:"), "{address}");
    assert!(matches!(swept.catalog.find_address(&address), handback::catalog::Lookup::Found(found, _) if found == id));
    // The root's own address is not that of its first entry.
    assert_eq!(swept.catalog.address(swept.catalog.root()).as_deref(), Some("entry:0"));
}

#[test]
fn short_names_are_read_by_code_page() {
    // mtools writes 99h, which is one letter in Western Europe and another one in Russia.
    let source = fixture::unmapped("fat16");
    for (page, path) in [(850, "/Names/CHÖR.TXT"), (437, "/Names/CHÖR.TXT"), (866, "/Names/CHЩR.TXT")] {
        let options = SweepOptions { codepage: CodePage::new(page).expect("known"), ..SweepOptions::default() };
        let swept = open(&source).sweep(options, &Silent).expect("in memory");
        assert!(by_path(&swept.catalog).contains_key(path), "{page}: {:?}", by_path(&swept.catalog).keys());
    }
}

#[test]
fn deleted_files_come_back_as_a_guess() {
    let source = fixture::all_read("fat16-deleted");
    let options = SweepOptions { deleted: true, ..SweepOptions::default() };
    let swept = open(&source).sweep(options, &Silent).expect("in memory");
    let all = by_path(&swept.catalog);
    let mut found = 0;
    for truth in fixture::truth("fat16-deleted").iter().filter(|truth| truth.has("deleted")) {
        let path = truth.path_text();
        // A first letter comes back only with a long name's checksum.
        let short = path.rsplit_once('/').map(|(folder, name)| format!("{folder}/?{}", &name[1..])).expect("a path");
        let id = *all.get(&path).or_else(|| all.get(&short)).unwrap_or_else(|| panic!("{path}: {:?}", all.keys()));
        let object = swept.catalog.object(id);
        assert!(object.facts.distrust.contains(Distrust::Deleted), "{path}");
        if truth.kind == "folder" {
            continue;
        }
        assert_eq!((Some(object.size), object.facts.state()), (truth.size, State::Doubtful), "{path}");
        let same = Some(hash(&source, &swept, id).0) == truth.sha256;
        let claimed = swept.claimed.get(&id);
        if path == "/over.bin" {
            assert_eq!((same, claimed.map(Vec::as_slice)), (true, Some(&[0..2048][..])));
        } else {
            assert!(same && claimed.is_none(), "{path}: {claimed:?}");
            assert_eq!(object.facts.distrust.contains(Distrust::ContiguousGuess), object.size > 0, "{path}");
        }
        found += 1;
    }
    assert_eq!(found, 6);
    // What lives is as it was, and nothing deleted is shown unasked.
    let live = open(&source).sweep(SweepOptions::default(), &Silent).expect("in memory");
    let (with, without) = (words(&swept.catalog), words(&live.catalog));
    assert!(without.iter().all(|(path, word)| with.get(path) == Some(word)));
    assert_eq!(with.len(), without.len() + 7);
}
