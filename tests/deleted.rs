//! Deleted files: whatever record survives is found, by the sequence rule in its folder, and never better than
//! doubtful; what others claim of it now is named.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

mod common;

use std::collections::BTreeMap;

use common::Bench;
use common::bag::{Bag, sha256};
use common::edit::{BITMAP, Edit, MFT, VOLUME_BITMAP, find, hash, object, record_of, sweep_for};
use common::fixture::{self, Truth};
use handback::catalog::{Completeness, Distrust, ObjectId, ObjectKind, State};
use handback::filesystem::{SweepOptions, Swept};

const WITH_DELETED: SweepOptions =
    SweepOptions { deleted: true, cross_check: false, codepage: handback::filesystem::CodePage::IBM_PC };

/// Deleted files whose record is still theirs.
fn survivors() -> Vec<Truth> {
    let mut truth = fixture::truth("ntfs-deleted");
    truth.retain(|one| one.has("deleted") && !one.has("record-reused") && one.kind == "file");
    truth
}

fn number(one: &Truth, key: &str) -> u64 {
    one.value(key).map_or(0, |value| value.parse().expect("a number"))
}

fn deleted_files(swept: &Swept) -> BTreeMap<u64, ObjectId> {
    let deleted = swept
        .catalog
        .objects()
        .filter(|(_, object)| object.kind == ObjectKind::File && object.facts.distrust.contains(Distrust::Deleted));
    deleted.map(|(id, object)| (object.locator, id)).collect()
}

#[test]
fn every_deleted_file_whose_record_survives_is_found() {
    let source = fixture::all_read("ntfs-deleted");
    let swept = sweep_for(&source, WITH_DELETED);
    let found = deleted_files(&swept);
    let truth = survivors();
    let cluster = swept.facts.cluster_size;
    let (mut right, mut reused) = (0, 0);
    for one in &truth {
        let path = one.path_text();
        let id = found[&number(one, "record")];
        let object = swept.catalog.object(id);
        assert_eq!((object.facts.state(), Some(object.size)), (State::Doubtful, one.size), "{path}");
        assert_eq!(object.facts.reasons(), ["deleted"], "{path}");
        let name = swept.catalog.first_path(id);
        assert_eq!(name.rsplit('/').next(), path.rsplit('/').next());
        let ranges = swept.claimed.get(&id).cloned().unwrap_or_default();
        let clusters: u64 = ranges.iter().map(|range| (range.end - range.start).div_ceil(cluster)).sum();
        assert_eq!(clusters, number(one, "clusters-reused"), "{path}: {ranges:?}");
        let (digest, gaps) = hash(&source, &swept, id);
        assert_eq!(gaps, 0);
        if clusters == 0 {
            assert_eq!(Some(digest), one.sha256, "{path}");
            right += 1;
        } else {
            assert_ne!(Some(digest), one.sha256, "{path}");
            reused += 1;
        }
    }
    assert_eq!(found.len(), truth.len(), "and nothing else");
    println!("deleted: {} found, {right} right, {reused} with clusters that are others' now", truth.len());
    assert!(right > 15 && reused >= 3);
}

#[test]
fn deleted_files_change_nothing_else() {
    let source = fixture::all_read("ntfs-deleted");
    let (without, with) = (sweep_for(&source, SweepOptions::default()), sweep_for(&source, WITH_DELETED));
    assert!(deleted_files(&without).is_empty() && without.claimed.is_empty());
    assert_eq!(without.facts.unexplained_bytes, with.facts.unexplained_bytes);
    for (id, object) in without.catalog.objects() {
        let path = without.catalog.first_path(id);
        let same = with.catalog.object(find(&with.catalog, &path));
        assert_eq!(common::edit::word(object), common::edit::word(same), "{path}");
    }
    assert_eq!(without.catalog.findings, with.catalog.findings);
}

#[test]
fn parents_are_found_by_the_sequence_rule() {
    let swept = sweep_for(&fixture::all_read("ntfs-deleted"), WITH_DELETED);
    let found = deleted_files(&swept);
    for one in survivors() {
        let path = one.path_text();
        let stands = swept.catalog.first_path(found[&number(&one, "record")]);
        let name = path.rsplit('/').next().expect("a name");
        // The folder still lives; or its record is another's, and the number that the file names is all that is left.
        let expected = match path.rsplit_once('/').expect("a folder").0 {
            "/Half" => path.clone(),
            "/Gone" => format!("/(no folder)/record 65/{name}"),
            _ => format!("/(no folder)/record 66/{name}"),
        };
        assert_eq!(stands, expected);
    }
    assert!(swept.catalog.object(find(&swept.catalog, "/(no folder)")).facts.distrust.contains(Distrust::Deleted));
}

/// A folder and its files deleted as a system does it: out of use, the sequence number raised, both bitmaps cleared.
#[test]
fn files_of_a_deleted_folder_stand_in_it() {
    let mut volume = Edit::of("ntfs-c4k");
    let sound = volume.sweep();
    let truth: Vec<Truth> =
        fixture::truth("ntfs-c4k").into_iter().filter(|one| one.path_text().starts_with("/Sizes")).collect();
    for one in &truth {
        let record = record_of(&sound, &one.path_text());
        let at = volume.record(record);
        if one.kind == "file" {
            let data = volume.data(record);
            let runs = if volume.is_resident(data) { Vec::new() } else { volume.runs(data) };
            for cluster in runs.iter().flat_map(|(_, length, lcn)| lcn.iter().flat_map(move |lcn| *lcn..lcn + length)) {
                let bitmap = volume.data(VOLUME_BITMAP);
                volume.clear_bit(bitmap, cluster);
            }
        }
        let sequence = volume.number(at + 0x10, 2) as u16;
        let flags = volume.bytes[at + 0x16];
        volume.write(at + 0x10, &(sequence + 1).to_le_bytes());
        volume.write(at + 0x16, &[flags & !1]);
        let bitmap = volume.attributes(MFT, BITMAP)[0];
        volume.clear_bit(bitmap, record);
    }
    let source = volume.source();
    let swept = sweep_for(&source, WITH_DELETED);
    let folder = object(&swept, "/Sizes");
    assert!(folder.facts.distrust.contains(Distrust::Deleted));
    assert_eq!(folder.completeness(), Completeness::Incomplete, "its list proves nothing any more");
    for one in truth.iter().filter(|one| one.kind == "file") {
        let id = find(&swept.catalog, &one.path_text());
        assert_eq!(swept.catalog.object(id).facts.state(), State::Doubtful);
        assert_eq!((Some(hash(&source, &swept, id).0), swept.claimed.get(&id)), (one.sha256.clone(), None));
    }
    // A live file never stands in a deleted folder, and the folder's own number was raised for its files only.
    assert!(volume.sweep().catalog.objects().all(|(_, object)| !object.facts.distrust.contains(Distrust::Deleted)));
}

fn sound_bench() -> Bench {
    let bench = Bench::new();
    bench.fixture("ntfs-deleted");
    bench.map_beside("ntfs-deleted", &[]);
    bench
}

#[test]
fn list_marks_deleted_files_and_counts_them_apart() {
    let bench = sound_bench();
    bench.run("list ntfs-deleted.img / --recursive").code(0).out_lacks("deleted");
    let truth = survivors();
    let outcome = bench.run("list ntfs-deleted.img / --recursive --deleted").code(0);
    assert_eq!(outcome.lines_with(&["doubtful", "(deleted"]).len(), truth.len());
    assert_eq!(outcome.lines_with(&["half 11.bin", "of it are others' now)"]).len(), 1);
    outcome.err_has(&format!("{} deleted among them", truth.len())).err_lacks("damaged, doubtful");
    let lines = bench.run("list ntfs-deleted.img / --recursive --deleted --json").code(0).json_lines("list");
    let mut claimed = 0;
    for line in &lines {
        let is_deleted = line["reasons"].as_array().expect("a list").iter().any(|reason| reason == "deleted");
        assert_eq!(line.get("claimed").is_some(), is_deleted, "{line}");
        claimed += line["claimed"].as_array().map_or(0, Vec::len);
    }
    assert!(claimed >= 3);
    let half = lines.iter().find(|line| line["path"] == "/Half/half 11.bin").expect("it is there");
    let total: u64 =
        half["claimed"].as_array().expect("a list").iter().map(|one| one["length"].as_u64().expect("a number")).sum();
    assert_eq!((half["state"].as_str(), total.div_ceil(4096)), (Some("doubtful"), 15));
}

#[test]
fn deleted_files_are_handed_over_apart() {
    let bench = sound_bench();
    bench.run("extract ntfs-deleted.img / --to without").code(0);
    assert!(Bag::at(bench.path("without")).payload().keys().all(|path| path.starts_with("recovered/")));
    bench.run("extract ntfs-deleted.img / --deleted --to with").code(0);
    let mut payload = Bag::at(bench.path("with")).payload();
    for one in survivors() {
        let name = one.path_text().rsplit('/').next().expect("a name").to_string();
        let path = payload.keys().find(|path| path.starts_with("doubtful/") && path.ends_with(&name)).cloned();
        let bytes = payload.remove(&path.unwrap_or_else(|| panic!("{name}"))).expect("it is there");
        if one.value("clusters-reused").is_none() {
            assert_eq!(Some(sha256(&bytes)), one.sha256, "{name}");
        }
    }
    assert!(payload.keys().all(|path| path.starts_with("recovered/")), "{:?}", payload.keys());
    bench.run("verify with").code(0);

    // A hole in a deleted file.
    let swept = sweep_for(&fixture::all_read("ntfs-deleted"), WITH_DELETED);
    let source = fixture::all_read("ntfs-deleted");
    let place = common::edit::places(&source, &swept, "/Half/half 05.bin")[0].start;
    bench.remove("ntfs-deleted.map.csv");
    bench.map_beside("ntfs-deleted", &[place..place + 512]);
    bench.run("extract ntfs-deleted.img /Half --deleted --to holed").code(0);
    assert!(Bag::at(bench.path("holed")).payload().contains_key("damaged/Half/half 05.bin"));
    bench.run("list ntfs-deleted.img /Half --deleted").code(0);
}
