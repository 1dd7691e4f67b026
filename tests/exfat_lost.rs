//! What of an exFAT volume comes back when the boot sectors, the root folder, a sub-folder's list or the table lie in a
//! hole: counted, by name and SHA-256, against what was written.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use common::edit::{any, find, hash, object, sweep, words};
use common::exfat::Volume;
use common::{Bench, fixture};
use handback::catalog::{Completeness, FindingKind, ObjectKind, State};
use handback::filesystem::{self, Swept};
use handback::source::Source;

/// What came back of the files of a volume.
#[derive(Debug, Default, PartialEq, Eq)]
struct Back {
    /// In its own folder, and whole.
    whole: usize,
    /// Under `/(no folder)`, doubtful, with its name and every byte.
    doubtful: usize,
    /// Not listed.
    gone: usize,
}

/// Names end in the same parts: the folders above may be lost.
fn same_ending(path: &str, found: &str) -> bool {
    match found.strip_prefix("/(no folder)/").and_then(|rest| rest.split_once('/')) {
        Some((_, rest)) => path.ends_with(&format!("/{rest}")),
        None => path == found,
    }
}

fn count(name: &str, source: &Source, swept: &Swept) -> Back {
    let mut found: BTreeMap<String, Vec<(String, State)>> = BTreeMap::new();
    for (id, object) in swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File) {
        if object.facts.unlocated.is_none() {
            let (sha256, _) = hash(source, swept, id);
            found.entry(sha256).or_default().push((swept.catalog.first_path(id), object.facts.state()));
        }
    }
    let mut back = Back::default();
    let mut seen = BTreeSet::new();
    for truth in fixture::truth(name).iter().filter(|truth| truth.kind == "file") {
        let path = truth.path_text();
        let same = found.get(truth.sha256.as_ref().expect("a file has one")).into_iter().flatten();
        match same.clone().find(|(other, _)| same_ending(&path, other)) {
            Some((other, State::Whole)) => {
                assert_eq!(*other, path, "what is whole stands where it stood");
                back.whole += 1;
                seen.insert(other.clone());
            }
            Some((other, State::Doubtful)) => {
                assert!(other.starts_with("/(no folder)/"), "{other}");
                back.doubtful += 1;
                seen.insert(other.clone());
            }
            other => {
                assert_eq!(other, None, "{path}");
                back.gone += 1;
            }
        }
    }
    // Nothing came back that was not there.
    for (path, state) in found.values().flatten() {
        assert!(seen.contains(path) || *state == State::Damaged, "{path} is {state} and was never written");
    }
    back
}

#[test]
fn boot_sectors_of_zeros() {
    for name in ["exfat-c512", "exfat-c4k", "exfat-s4k"] {
        let mut volume = Volume::of(name);
        let region = 12 * volume.sector;
        for length in [512, region] {
            volume.bytes[..length].fill(0);
            let source = volume.source();
            let back = count(name, &source, &sweep(&source));
            println!("{name}, first {length} bytes zeroed: {back:?}");
            assert_eq!((back.doubtful, back.gone), (0, 0));
            let found = filesystem::open(&source).expect("in memory").expect("by its backup");
            assert_eq!(found.findings().count(FindingKind::BackupBootUsed), 1);
        }
        // Without the backup, root folder and up-case table say how the volume is laid out (`tests/exfat_headless.rs`).
        volume.bytes[..2 * region].fill(0);
        let source = volume.source();
        let found = any(&source).expect("by what is left");
        assert_eq!(found.findings().count(FindingKind::HeadRebuilt), 1);
        let back = count(name, &source, &sweep(&source));
        assert_eq!((back.doubtful, back.gone), (0, 0));
    }
}

#[test]
fn a_whole_image_without_its_boot_sector_is_still_a_volume() {
    for name in ["exfat-c4k", "exfat-s4k"] {
        let bench = Bench::new();
        let mut volume = Volume::of(name);
        volume.bytes[..512].fill(0);
        bench.read_only("choir.img", &volume.bytes);
        bench.run("layout choir.img").code(0).out_has("exFAT").out_has("Choir 2009");
        bench.run("list choir.img /Sizes").code(0).out_has("512.bin");
    }
}

/// The holes of the root's first cluster.
fn without_root(volume: &Volume) -> Range<u64> {
    volume.place(volume.root)
}

#[test]
fn the_roots_first_cluster_in_a_hole() {
    for (name, all_else) in [("exfat-c512", false), ("exfat-c4k", true), ("exfat-c32k", true), ("exfat-s4k", true)] {
        let volume = Volume::of(name);
        let sound = volume.sweep();
        let source = volume.with_holes(&[without_root(&volume)]);
        let after = sweep(&source);
        let back = count(name, &source, &after);
        let in_root = fixture::truth(name)
            .iter()
            .filter(|truth| truth.kind == "file" && truth.path_text().matches('/').count() == 1)
            .count();
        println!("{name}, root's first cluster in a hole: {back:?}, {in_root} files stood in the root itself");
        assert_eq!(object(&after, "/").completeness(), Completeness::Incomplete);
        assert!(back.doubtful > 40, "{back:?}");
        if all_else {
            // Only what the root itself lists in this cluster is gone.
            assert!(back.gone <= in_root, "{back:?}");
        }
        // The bitmap's own entry is lost with it: what is in use can't be told.
        assert_eq!(after.facts.used_bytes, None);
        assert!(sound.facts.used_bytes.is_some());
        assert!(after.catalog.findings.count(FindingKind::LostFolderFound) > 0);
    }
}

#[test]
fn a_sub_folders_cluster_in_a_hole() {
    for (name, folder) in
        [("exfat-c4k", "/Deep"), ("exfat-c512", "/Deep"), ("exfat-c4k", "/Pieces"), ("exfat-c32k", "/Sizes")]
    {
        let volume = Volume::of(name);
        let sound = volume.sweep();
        let (first, _) = volume.content(volume.set(folder));
        let source = volume.with_holes(&[volume.place(first)]);
        let after = sweep(&source);
        let back = count(name, &source, &after);
        let unexplained = after.facts.unexplained_bytes.expect("the bitmap was read");
        println!("{name}, {folder}'s first cluster in a hole: {back:?}, {unexplained:?}");
        assert_eq!(object(&after, folder).completeness(), Completeness::Incomplete);
        // Nothing outside it suffers.
        for (path, word) in words(&sound.catalog) {
            if !path.starts_with(folder) {
                assert_eq!(words(&after.catalog).get(&path), Some(&word), "{path}");
            }
        }
        // What was in it and is not named any more is in use and unexplained; what was found explains the rest.
        let lost: u64 = sound
            .catalog
            .objects()
            .filter(|(id, object)| {
                sound.catalog.first_path(*id).starts_with(&format!("{folder}/"))
                    && !after.catalog.objects().any(|(_, other)| other.locator == object.locator)
            })
            .map(|(_, object)| object.allocated)
            .sum();
        // Folders that are empty but for what is lost show nothing, and are never found.
        assert!(
            unexplained.at_least == unexplained.at_most && unexplained.at_least <= lost,
            "{unexplained:?} of {lost}"
        );
    }
}

#[test]
fn what_lies_below_a_lost_folder_keeps_its_names() {
    let volume = Volume::of("exfat-c4k");
    let (first, _) = volume.content(volume.set("/Deep"));
    let source = volume.with_holes(&[volume.place(first)]);
    let after = sweep(&source);
    let second = volume.content(volume.set("/Deep/level 1 of the old score cupboard")).0;
    let room = format!("/(no folder)/entry {}", volume.place(second).start);
    assert_eq!(object(&after, &room).completeness(), Completeness::Incomplete);
    let deep = format!("{room}/level 2 of the old score cupboard/level 3 of the old score cupboard");
    let inner = object(&after, &deep);
    assert_eq!((inner.completeness(), inner.facts.reasons()), (Completeness::Incomplete, vec!["folder-doubtful"]));
    let file =
        object(&after, &format!("{deep}/level 4 of the old score cupboard/level 5 of the old score cupboard/at 5.txt"));
    assert_eq!((file.facts.state(), file.facts.reasons()), (State::Doubtful, vec!["folder-doubtful"]));
    let id = find(
        &after.catalog,
        &format!("{deep}/level 4 of the old score cupboard/level 5 of the old score cupboard/at 5.txt"),
    );
    let truth = fixture::truth("exfat-c4k").into_iter().find(|truth| truth.path_text().ends_with("/at 5.txt"));
    assert_eq!(Some(hash(&source, &after, id).0), truth.expect("it was written").sha256);
}

#[test]
fn one_sector_of_a_list_costs_what_it_holds() {
    let volume = Volume::of("exfat-c4k");
    let sound = volume.sweep();
    let (first, _) = volume.content(volume.set("/Pieces"));
    let start = volume.place(first).start + 1024;
    let after = sweep(&volume.with_holes(&[start..start + 512]));
    let (before, now) = (words(&sound.catalog), words(&after.catalog));
    let gone = before.keys().filter(|path| !now.contains_key(*path)).count();
    // 16 entries, three a set, and every other one is a deleted file's.
    assert!((2..=4).contains(&gone), "{gone}");
    assert_eq!(
        object(&after, "/Pieces").incomplete.iter().map(|why| why.word()).collect::<Vec<_>>(),
        ["list-partly-read"]
    );
}

#[test]
fn without_the_table_files_in_one_piece_stay_whole() {
    for name in ["exfat-c4k", "exfat-c512"] {
        let volume = Volume::of(name);
        let table = volume.link_at(0) as u64..volume.place(2).start;
        let source = volume.with_holes(&[table]);
        let after = sweep(&source);
        let mut states: BTreeMap<&str, u64> = BTreeMap::new();
        for (_, object) in after.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File) {
            *states.entry(object.facts.state().word()).or_default() += 1;
        }
        println!("{name}, all of the table in a hole: {states:?}");
        assert!(states.get("whole").is_some_and(|count| *count > 20), "{states:?}");
        let wrong: Vec<String> = after
            .catalog
            .objects()
            .filter(|(_, object)| object.facts.state() == State::Whole && object.kind == ObjectKind::File)
            .filter(|(id, _)| {
                let path = after.catalog.first_path(*id);
                let truth = fixture::truth(name).into_iter().find(|truth| truth.path_text() == path);
                truth.is_none_or(|truth| truth.sha256 != Some(hash(&source, &after, *id).0))
            })
            .map(|(id, _)| after.catalog.first_path(id))
            .collect();
        assert!(wrong.is_empty(), "{wrong:?}");
    }
}
