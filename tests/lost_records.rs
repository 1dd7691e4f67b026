//! What a hole swallows is told: by name where a folder's list still names it, as a lost record where nothing does, and
//! to the cluster in what is in use and unexplained.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

mod common;

use std::ops::Range;

use common::bag::prose;
use common::edit::{Edit, changes, find, hash, object, places, record_of, sweep, sweep_for, word, words};
use common::{Bench, fixture};
use handback::catalog::{Completeness, FindingKind};
use handback::filesystem::{ByteRange, SweepOptions, Swept};

/// In clusters, in a folder whose list stands in blocks of its own; and one in its record.
const FOLDER: &str = "/Sizes";
const PLAIN: &str = "/Sizes/100000.bin";
const RESIDENT: &str = "/Sizes/1.bin";
const PLAIN_CLUSTERS: u64 = 25;

fn sorted(mut holes: Vec<Range<u64>>) -> Vec<Range<u64>> {
    holes.sort_by_key(|hole| hole.start);
    holes
}

fn exactly(bytes: u64) -> Option<ByteRange> {
    Some(ByteRange { at_least: bytes, at_most: bytes })
}

/// The holes in which a file's record and its folder's list are gone.
fn both_gone(volume: &Edit, sound: &Swept, path: &str) -> Vec<Range<u64>> {
    let mut holes = volume.list_blocks(record_of(sound, FOLDER));
    holes.push(volume.record_range(record_of(sound, path)));
    sorted(holes)
}

#[test]
fn a_file_that_only_its_folder_still_names() {
    let volume = Edit::of("ntfs-c4k");
    let sound = volume.sweep();
    let after = sweep(&volume.with_holes(&[volume.record_range(record_of(&sound, PLAIN))]));
    // Its folder's list names it, so every folder is still complete.
    let changed = changes(&words(&sound.catalog), &words(&after.catalog));
    assert_eq!(changed, [(PLAIN.to_string(), "whole".to_string(), "unlocated: record-lost".to_string())]);
    let (was, is) = (object(&sound, PLAIN), object(&after, PLAIN));
    assert_eq!((is.size, is.created(), is.modified()), (was.size, was.created(), was.modified()));
    assert_eq!(is.locator, was.locator, "it keeps its address");
    assert_eq!(after.catalog.lost_records, 0, "it has a name");
    assert_eq!(after.facts.unexplained_bytes, exactly(PLAIN_CLUSTERS * 4096));
    assert_eq!(after.catalog.findings.count(FindingKind::RecordUnread), 1);
    println!("index only: {:?}, {} bytes, modified {:?}", word(is), is.size, is.modified());
}

#[test]
fn files_whose_folders_list_is_gone() {
    let volume = Edit::of("ntfs-c4k");
    let sound = volume.sweep();
    let source = volume.with_holes(&volume.list_blocks(record_of(&sound, FOLDER)));
    let after = sweep_for(&source, SweepOptions { cross_check: true, ..SweepOptions::default() });
    assert!(changes(&words(&sound.catalog), &words(&after.catalog)).is_empty());
    assert_eq!(after.catalog.findings.count(FindingKind::IndexPartlyRead), 1);
    assert_eq!(after.facts.unexplained_bytes, exactly(0));
    let mut right = 0;
    for one in fixture::truth("ntfs-c4k").iter().filter(|one| one.path_text().starts_with("/Sizes/")) {
        let id = find(&after.catalog, &one.path_text());
        assert_eq!((Some(hash(&source, &after, id).0), 0), (one.sha256.clone(), hash(&source, &after, id).1));
        right += 1;
    }
    println!("record only: {right} files right");
    assert_eq!(right, 17);
}

#[test]
fn a_file_of_which_nothing_is_left() {
    let volume = Edit::of("ntfs-c4k");
    let sound = volume.sweep();
    for (path, unexplained) in [(PLAIN, PLAIN_CLUSTERS * 4096), (RESIDENT, 0)] {
        let after = sweep(&volume.with_holes(&both_gone(&volume, &sound, path)));
        let changed = changes(&words(&sound.catalog), &words(&after.catalog));
        let folder = "incomplete: lost-records list-partly-read".to_string();
        assert_eq!(
            changed,
            [
                (FOLDER.to_string(), "complete".to_string(), folder),
                (path.to_string(), "whole".to_string(), "-".to_string())
            ]
        );
        assert_eq!(after.catalog.lost_records, 1, "{path}");
        assert_eq!(after.facts.unexplained_bytes, exactly(unexplained), "{path}");
        println!("both gone: {path}: 1 lost record, {unexplained} bytes unexplained");
    }
    let held: u64 = places(&volume.source(), &sound, PLAIN).iter().map(|range| range.end - range.start).sum();
    assert_eq!(held, PLAIN_CLUSTERS * 4096);
}

#[test]
fn every_healthy_volume_explains_all_that_is_in_use() {
    let mut shown = 0;
    for name in [
        "ntfs-c512",
        "ntfs-c4k",
        "ntfs-c64k",
        "ntfs-c2m",
        "ntfs-attrlist",
        "ntfs-mftfrag",
        "ntfs-compressed",
        "ntfs-sparse",
        "ntfs-rec4k",
        "ntfs-deleted",
        "ntfs-wof-lzx",
    ] {
        let swept = sweep(&fixture::all_read(name));
        assert_eq!(swept.facts.unexplained_bytes, exactly(0), "{name}");
        assert!(swept.facts.used_bytes.expect("read").at_least > 0, "{name}");
        assert_eq!(swept.catalog.findings.count(FindingKind::RecordNotInUse), 0, "{name}");
        shown += 1;
    }
    println!("{shown} healthy volumes: 0 bytes unexplained");
}

#[test]
fn a_parents_record_that_was_taken_again() {
    let mut volume = Edit::of("ntfs-c4k");
    let sound = volume.sweep();
    let record = record_of(&sound, FOLDER);
    let at = volume.record(record);
    let sequence = volume.number(at + 0x10, 2) as u16;
    volume.write(at + 0x10, &(sequence + 1).to_le_bytes());
    let after = volume.sweep();
    let home = format!("/(no folder)/record {record}");
    for one in fixture::truth("ntfs-c4k").iter().filter(|one| one.path_text().starts_with("/Sizes/")) {
        let path = one.path_text().replacen(FOLDER, &home, 1);
        assert_eq!(word(object(&after, &path)), ("whole", Vec::new()), "{path}");
    }
    assert_eq!(object(&after, &home).completeness(), Completeness::Incomplete);
    assert_eq!(after.catalog.findings.count(FindingKind::ParentLost), 17);
    // Its own list says that these stood in it.
    assert_eq!(word(object(&after, FOLDER)), ("incomplete", vec!["list-disagrees"]));
    let mut others = changes(&words(&sound.catalog), &words(&after.catalog));
    others.retain(|(path, ..)| path != FOLDER);
    assert!(
        others.iter().all(|(path, ..)| path.starts_with("/Sizes/") || path.starts_with("/(no folder)")),
        "{others:?}"
    );
}

#[test]
fn screen_json_and_handover_say_what_nothing_explains() {
    let volume = Edit::of("ntfs-c4k");
    let sound = volume.sweep();
    let bench = Bench::new();
    bench.fixture("ntfs-c4k");
    bench.map_beside("ntfs-c4k", &[]);
    bench.run("survey ntfs-c4k.img").code(0).out_lacks("explains");
    bench.remove("ntfs-c4k.map.csv");
    bench.map_beside("ntfs-c4k", &both_gone(&volume, &sound, PLAIN));
    let words = "102.4 kB (102,400 bytes) are in use that no file we found explains.";
    bench.run("survey ntfs-c4k.img").code(1).out_has(words).out_has("1 file record lost");
    let facts = &bench.run("survey ntfs-c4k.img --json").code(1).json("survey")["volumes"][0]["facts"];
    assert_eq!(facts["unexplained_bytes"], serde_json::json!({"at_least": 102_400, "at_most": 102_400}));
    assert!(facts["used_bytes"]["at_least"].as_u64() > Some(102_400));
    bench.run("extract ntfs-c4k.img /Sizes --to out").code(1);
    assert!(
        prose(&bench.text("out/READ ME FIRST.txt"))
            .contains("102,400 bytes of it are in use that no file we found explains")
    );
    // Where the bitmap has a hole, too, a range.
    let mut holes = both_gone(&volume, &sound, PLAIN);
    let bitmap = volume.place(volume.data(6), 0) as u64;
    holes.push(bitmap..bitmap + 512);
    bench.remove("ntfs-c4k.map.csv");
    bench.map_beside("ntfs-c4k", &sorted(holes));
    bench.run("survey ntfs-c4k.img").code(1).out_has("a part of what says so was not read");
}
