//! Records that are no file by their own word only, and names that a record lost: folders' lists are asked, what they
//! know better is shown, and a volume that was unplugged in mid-work is not spoiled.

mod common;

use common::edit::{
    ATTRIBUTE_LIST, Edit, FILE_NAME, changes, find, hash, object, record_of, sweep, sweep_for, word, words,
};
use common::fixture;
use handback::catalog::{Completeness, FindingKind, ObjectKind};
use handback::filesystem::{SweepOptions, Swept};

const FOLDER: &str = "/Sizes";
const PLAIN: &str = "/Sizes/100000.bin";
const CLUSTERS: u64 = 25;

/// Where a record keeps these.
const SEQUENCE: usize = 0x10;
const LINKS: usize = 0x12;
const FLAGS: usize = 0x16;
const BASE: usize = 0x20;

/// What an edit of a file's record changes: path, before and after; and the volume and what is found in it.
fn edited(
    fixture: &str,
    path: &str,
    edit: impl FnOnce(&mut Edit, u64),
) -> (Vec<(String, String, String)>, Edit, Swept) {
    let mut volume = Edit::of(fixture);
    let before = volume.sweep();
    edit(&mut volume, record_of(&before, path));
    let after = volume.sweep();
    (changes(&words(&before.catalog), &words(&after.catalog)), volume, after)
}

fn change(path: &str, before: &str, after: &str) -> (String, String, String) {
    (path.to_string(), before.to_string(), after.to_string())
}

fn clear_in_use(volume: &mut Edit, record: u64) {
    let at = volume.record(record);
    let flags = volume.number(at + FLAGS, 2);
    assert_eq!(flags & 1, 1);
    volume.write(at + FLAGS, &[flags as u8 & !1]);
}

#[test]
fn a_file_whose_record_alone_calls_itself_free_is_shown_and_doubtful() {
    let (changed, volume, after) = edited("ntfs-c4k", PLAIN, clear_in_use);
    assert_eq!(changed, [change(PLAIN, "whole", "doubtful: not-in-use")]);
    assert_eq!(after.catalog.findings.count(FindingKind::RecordNotInUse), 1);
    assert_eq!((after.catalog.lost_records, after.facts.unexplained_bytes.expect("read").at_most), (0, 0));
    let truth = fixture::truth("ntfs-c4k").into_iter().find(|one| one.path_text() == PLAIN).expect("it is there");
    let (digest, gaps) = hash(&volume.source(), &after, find(&after.catalog, PLAIN));
    assert_eq!((Some(digest), gaps), (truth.sha256, 0));
    // It is not a deleted file as well.
    let deleted = sweep_for(&volume.source(), SweepOptions { deleted: true, ..SweepOptions::default() });
    assert_eq!(words(&deleted.catalog), words(&after.catalog));
}

#[test]
fn a_folder_whose_record_alone_calls_itself_free_is_shown_with_what_is_in_it() {
    let (changed, ..) = edited("ntfs-c4k", FOLDER, clear_in_use);
    assert_eq!(changed, [change(FOLDER, "complete", "incomplete: not-in-use lost-records list-partly-read")]);
}

#[test]
fn where_the_list_can_not_say_either_the_folder_is_incomplete() {
    let mut volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    clear_in_use(&mut volume, record_of(&before, PLAIN));
    let after = sweep(&volume.with_holes(&volume.list_blocks(record_of(&before, FOLDER))));
    assert_eq!(
        changes(&words(&before.catalog), &words(&after.catalog)),
        [change(FOLDER, "complete", "incomplete: lost-records list-partly-read"), change(PLAIN, "whole", "-")]
    );
    assert_eq!(after.facts.unexplained_bytes.expect("read").at_least, CLUSTERS * 4096);
}

#[test]
fn a_free_record_with_another_name_is_not_taken_for_the_file() {
    let (changed, ..) = edited("ntfs-c4k", PLAIN, |volume, record| {
        clear_in_use(volume, record);
        let names = volume.attributes(record, FILE_NAME);
        let value = volume.value(names[0]);
        volume.write(value.start + 0x42, b"X");
    });
    assert_eq!(changed, [change(PLAIN, "whole", "unlocated: record-lost")]);
}

#[test]
fn a_deletion_that_was_cut_short_takes_nothing_from_its_folder() {
    // The record was freed, which raises its sequence number; the bitmap and the folder's list came not to it.
    let (changed, volume, after) = edited("ntfs-c4k", PLAIN, |volume, record| {
        clear_in_use(volume, record);
        let at = volume.record(record);
        let sequence = volume.number(at + SEQUENCE, 2) as u16;
        volume.write(at + SEQUENCE, &(sequence + 1).to_le_bytes());
    });
    assert_eq!(changed, [change(PLAIN, "whole", "-")]);
    assert_eq!(after.catalog.findings.count(FindingKind::RecordNotInUse), 1);
    assert_eq!(after.catalog.findings.count(FindingKind::IndexDisagrees), 1);
    // It is a deleted file.
    let deleted = sweep_for(&volume.source(), SweepOptions { deleted: true, ..SweepOptions::default() });
    assert_eq!(word(object(&deleted, PLAIN)), ("doubtful", vec!["deleted"]));
}

#[test]
fn a_first_record_that_calls_itself_another_files_is_no_file_and_its_name_is_kept() {
    let (changed, _, after) =
        edited("ntfs-c4k", PLAIN, |volume, record| volume.write(volume.record(record) + BASE, &[77]));
    assert_eq!(changed, [change(PLAIN, "whole", "unlocated: record-lost")]);
    assert_eq!(after.catalog.findings.count(FindingKind::ExtensionUnlisted), 1);
}

#[test]
fn extension_records_that_no_file_lists_are_said() {
    let mut volume = Edit::of("ntfs-attrlist");
    let before = volume.sweep();
    let files = before.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File);
    let lists = files.filter(|(_, object)| !volume.attributes(object.locator, ATTRIBUTE_LIST).is_empty());
    let records: Vec<u64> = lists.map(|(_, object)| object.locator).collect();
    assert!(records.len() > 2);
    for record in records {
        let kept = volume.clone();
        let list = volume.attributes(record, ATTRIBUTE_LIST)[0];
        volume.write(list, &[0xf0]);
        let after = volume.sweep();
        assert!(after.catalog.findings.count(FindingKind::ExtensionUnlisted) > 0, "record {record}");
        // No name is missing.
        let names = |swept: &Swept| {
            let all = swept.catalog.objects().filter(|(_, object)| object.kind != ObjectKind::Stream);
            let names = all.flat_map(|(id, _)| swept.catalog.names_of(id).map(|name| swept.catalog.path(name)));
            names.collect::<std::collections::BTreeSet<_>>()
        };
        assert_eq!(names(&before).difference(&names(&after)).next(), None, "record {record}");
        volume = kept;
    }
}

#[test]
fn a_name_that_the_count_of_links_knows_of_is_taken_from_the_list() {
    // The only name of a file, and its type is changed.
    let (changed, volume, after) = edited("ntfs-c4k", PLAIN, |volume, record| {
        let at = volume.record(record);
        assert_eq!(volume.number(at + LINKS, 2), 1);
        let names = volume.attributes(record, FILE_NAME);
        volume.write(names[0], &[0xf0]);
    });
    assert!(changed.is_empty(), "{changed:?}");
    assert_eq!(after.catalog.findings.count(FindingKind::NameLost), 1);
    let sound = Edit::of("ntfs-c4k").sweep();
    let blocks = volume.list_blocks(record_of(&sound, FOLDER));
    let after = sweep(&volume.with_holes(&blocks));
    assert_eq!(word(object(&after, FOLDER)), ("incomplete", vec!["lost-names", "list-partly-read"]));
}

#[test]
fn a_folder_is_whole_with_its_list_and_nothing_else_has_one() {
    let (changed, ..) = edited("ntfs-c4k", PLAIN, |volume, record| volume.write(volume.record(record) + FLAGS, &[3]));
    assert_eq!(changed, [change(PLAIN, "whole", "incomplete: record-inconsistent")]);
    let mut volume = Edit::of("ntfs-c4k");
    let record = record_of(&volume.sweep(), FOLDER);
    volume.write(volume.record(record) + FLAGS, &[1]);
    let after = volume.sweep();
    assert_eq!(word(object(&after, FOLDER)), ("doubtful", vec!["record-inconsistent"]));
    assert_eq!(object(&after, &format!("/(no folder)/record {record}")).completeness(), Completeness::Incomplete);
}

#[test]
fn no_healthy_volume_is_spoiled() {
    for name in [
        "ntfs-attrlist",
        "ntfs-c2m",
        "ntfs-c4k",
        "ntfs-c512",
        "ntfs-c64k",
        "ntfs-compressed",
        "ntfs-compressed-1k",
        "ntfs-compressed-512",
        "ntfs-deleted",
        "ntfs-encrypted",
        "ntfs-mftfrag",
        "ntfs-rec4k",
        "ntfs-recycle",
        "ntfs-reparse",
        "ntfs-sparse",
        "ntfs-streams",
        "ntfs-valid",
        "ntfs-wof-lzx",
        "ntfs-wof-xpress16k",
        "ntfs-wof-xpress4k",
        "ntfs-wof-xpress8k",
        // Not closed properly or asleep, and nothing is missing.
        "ntfs-dirty",
        "ntfs-faststart",
        "ntfs-hibernated",
        "ntfs-resumed",
    ] {
        for cross_check in [false, true] {
            let swept = sweep_for(&fixture::all_read(name), SweepOptions { cross_check, ..SweepOptions::default() });
            let folders = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::Folder);
            for (id, folder) in folders {
                assert_eq!(word(folder), ("complete", Vec::new()), "{name}: {}", swept.catalog.first_path(id));
            }
            for kind in [
                FindingKind::RecordNotInUse,
                FindingKind::ExtensionUnlisted,
                FindingKind::NameLost,
                FindingKind::ParentLost,
                FindingKind::AttributeBad,
                FindingKind::IndexDisagrees,
            ] {
                assert_eq!(swept.catalog.findings.count(kind), 0, "{name}: {kind:?}");
            }
        }
    }
}
