//! The conditions of `whole` for NTFS (docs/states.md) that a file's own records show, each broken alone by a byte edit
//! of a volume that outside tools wrote: exactly the state and reasons that it names change, and everything else stays
//! as it was.

mod common;

use common::edit::{
    ATTRIBUTE_LIST, BITMAP, DATA, Edit, MFT, REPARSE_POINT, STANDARD_INFORMATION, changes, record_of, words,
};
use handback::catalog::FindingKind;

/// What an edit of a file changes: path and words after it. The edit is told the file's record.
fn broken(fixture: &str, path: &str, edit: impl FnOnce(&mut Edit, u64)) -> Vec<(String, String)> {
    let mut volume = Edit::of(fixture);
    let before = volume.sweep();
    let record = record_of(&before, path);
    edit(&mut volume, record);
    let changed = changes(&words(&before.catalog), &volume.words());
    changed.into_iter().map(|(path, _, after)| (path, after)).collect()
}

#[track_caller]
fn only(fixture: &str, path: &str, words: &str, edit: impl FnOnce(&mut Edit, u64)) {
    assert_eq!(broken(fixture, path, edit), [(path.to_string(), words.to_string())]);
}

/// A file in clusters, one in its record, one whose runs go on in extension records.
const PLAIN: &str = "/Sizes/100000.bin";
const RESIDENT: &str = "/Sizes/700.bin";

#[test]
fn condition_1_a_record_that_is_none() {
    only("ntfs-c4k", PLAIN, "unlocated: record-lost", |volume, record| {
        let at = volume.record(record);
        volume.bytes[at] = b'G';
    });
    // The first fixup.
    only("ntfs-c4k", PLAIN, "unlocated: record-lost", |volume, record| {
        let at = volume.record(record);
        volume.bytes[at + 510] ^= 1;
    });
}

#[test]
fn condition_2_a_record_that_is_not_in_use() {
    let mut volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    let at = volume.record(record_of(&before, PLAIN));
    volume.write(at + 0x16, &[0]);
    let after = volume.sweep();
    let changed = changes(&words(&before.catalog), &words(&after.catalog));
    // The table's bitmap and its folder's list know better; where they don't, see `ntfs_silent.rs`.
    assert_eq!(changed, [(PLAIN.to_string(), "whole".to_string(), "doubtful: not-in-use".to_string())]);
    assert_eq!(after.catalog.findings.count(FindingKind::RecordNotInUse), 1);
}

#[test]
fn condition_3_a_record_partly_read() {
    // The second fixup: of no matter where nothing in use stands there, and else what stood there is lost.
    assert!(
        broken("ntfs-c4k", RESIDENT, |volume, record| {
            let at = volume.record(record);
            assert!(volume.number(at + 0x18, 4) <= 512);
            volume.bytes[at + 1022] ^= 1;
        })
        .is_empty()
    );
    only("ntfs-c4k", "/Sizes/511.bin", "unlocated: description-lost record-partly-read", |volume, record| {
        let at = volume.record(record);
        assert!(volume.number(at + 0x18, 4) > 512);
        volume.bytes[at + 1022] ^= 1;
    });
}

#[test]
fn condition_4_a_record_that_contradicts_itself() {
    only("ntfs-c4k", PLAIN, "doubtful: record-inconsistent", |volume, record| {
        let at = volume.record(record);
        volume.write(at + 0x1c, &2048_u32.to_le_bytes());
    });
    only("ntfs-c4k", PLAIN, "doubtful: record-inconsistent", |volume, record| {
        let at = volume.attributes(record, STANDARD_INFORMATION)[0];
        // A value of 8 bytes.
        volume.write(at + 0x10, &8_u32.to_le_bytes());
    });
}

#[test]
fn condition_5_a_record_with_another_number() {
    only("ntfs-c4k", RESIDENT, "doubtful: other-number", |volume, record| {
        let at = volume.record(record);
        volume.write(at + 0x2c, &(record as u32 + 1).to_le_bytes());
    });
}

#[test]
fn condition_6_a_record_that_the_tables_bitmap_calls_free() {
    only("ntfs-c4k", RESIDENT, "doubtful: record-free", |volume, record| {
        let bitmap = volume.attributes(MFT, BITMAP)[0];
        volume.clear_bit(bitmap, record);
    });
}

/// A file with an attribute list in its record, and one of its extension records.
fn extended(volume: &Edit) -> (String, u64, u64) {
    let swept = volume.sweep();
    swept
        .catalog
        .objects()
        .filter(|(_, object)| object.kind == handback::catalog::ObjectKind::File)
        .find_map(|(id, object)| {
            let record = object.locator;
            let list = *volume.attributes(record, ATTRIBUTE_LIST).first()?;
            let piece = entries(volume, list)
                .into_iter()
                .find(|(kind, first, other, _)| *kind == u64::from(DATA) && *first > 0 && *other != record)?;
            Some((swept.catalog.first_path(id), record, piece.2))
        })
        .expect("the fixture has one")
}

/// The entries of an attribute list: type, first cluster, record, and where each stands.
fn entries(volume: &Edit, list: usize) -> Vec<(u64, u64, u64, usize)> {
    let length =
        if volume.is_resident(list) { volume.value(list).len() } else { volume.number(list + 0x30, 8) as usize };
    let mut found = Vec::new();
    let mut at = 0;
    while at + 0x1a <= length {
        let place = volume.place(list, at);
        let record = volume.number(place + 0x10, 6);
        found.push((volume.number(place, 4), volume.number(place + 8, 8), record, place));
        at += volume.number(place + 4, 2) as usize;
    }
    found
}

#[test]
fn conditions_7_and_8_extension_records() {
    let volume = Edit::of("ntfs-attrlist");
    let (path, record, extension) = extended(&volume);
    let at = volume.record(extension);
    let stale = |edit: &dyn Fn(&mut Edit)| broken("ntfs-attrlist", &path, |volume, _| edit(volume));
    let piece_lost = "damaged: unplaced record-inconsistent extension-stale".to_string();
    // It is another file's now; it was freed and taken again; the list means an earlier one; it is not in use.
    for (offset, bytes) in [(0x20, (record as u32 + 1).to_le_bytes()), (0x26, [9, 0, 0, 0])] {
        assert_eq!(stale(&|volume| volume.write(at + offset, &bytes[..2])), [(path.clone(), piece_lost.clone())]);
    }
    assert_eq!(stale(&|volume| volume.write(at + 0x10, &[9])), [(path.clone(), piece_lost.clone())]);
    assert_eq!(stale(&|volume| volume.write(at + 0x16, &[0])), [(path.clone(), piece_lost.clone())]);
    // Its own number, and the table's bitmap.
    let wrong = vec![(path.clone(), "doubtful: other-number".to_string())];
    assert_eq!(stale(&|volume| volume.write(at + 0x2c, &[0xee])), wrong);
    let free = vec![(path.clone(), "doubtful: record-free".to_string())];
    assert_eq!(
        stale(&|volume| {
            let bitmap = volume.attributes(MFT, BITMAP)[0];
            volume.clear_bit(bitmap, extension);
        }),
        free
    );
    // An entry of the list that can be none: what comes after it is not known.
    let partly = stale(&|volume| {
        let list = volume.attributes(record, ATTRIBUTE_LIST)[0];
        let (_, _, _, place) = *entries(volume, list).last().expect("entries");
        if volume.is_resident(list) { volume.write(place + 4, &[3, 0]) } else { volume.bytes[place + 4] = 3 }
    });
    assert_eq!(partly, [(path, "damaged: unplaced record-partly-read record-inconsistent".to_string())]);
}

#[test]
fn condition_9_an_extension_record_that_is_lost() {
    let (path, _, extension) = extended(&Edit::of("ntfs-attrlist"));
    let lost = broken("ntfs-attrlist", &path, |volume, _| {
        let at = volume.record(extension);
        volume.bytes[at] = b'G';
    });
    assert_eq!(lost, [(path, "damaged: unplaced record-inconsistent".to_string())]);
}

#[test]
fn condition_10_content_described_twice() {
    let path = "/Songs/Evening over the Mill.txt";
    let twice = broken("ntfs-streams", path, |volume, record| {
        let named = volume.attributes(record, DATA).into_iter().find(|at| volume.bytes[at + 9] > 0).expect("a stream");
        volume.write(named + 9, &[0]);
    });
    // By the first of its names.
    let name = "/Evening link.txt";
    let expected = [(name, "doubtful: record-inconsistent"), ("/Evening link.txt:remark", "-")];
    assert_eq!(twice, expected.map(|(path, words)| (path.to_string(), words.to_string())));
}

/// The extension piece of a file moved by `by` clusters in the file, in its own record and in the list.
fn moved(by: i64) -> Vec<(String, String)> {
    let (path, record, extension) = extended(&Edit::of("ntfs-attrlist"));
    broken("ntfs-attrlist", &path, |volume, _| {
        let piece = volume.data(extension);
        let first = volume.number(piece + 0x10, 8);
        for field in [0x10, 0x18] {
            let value = volume.number(piece + field, 8).checked_add_signed(by).expect("a cluster");
            volume.write(piece + field, &value.to_le_bytes());
        }
        let list = volume.attributes(record, ATTRIBUTE_LIST)[0];
        let (_, _, _, place) =
            *entries(volume, list).iter().find(|entry| entry.2 == extension && entry.1 == first).expect("its entry");
        let value = first.checked_add_signed(by).expect("a cluster").to_le_bytes();
        if volume.is_resident(list) {
            volume.write(place + 8, &value)
        } else {
            volume.bytes[place + 8..place + 16].copy_from_slice(&value)
        }
    })
}

#[test]
fn conditions_11_and_12_pieces_follow_one_another() {
    let (path, ..) = extended(&Edit::of("ntfs-attrlist"));
    assert_eq!(moved(-1), [(path.clone(), "damaged: unplaced record-inconsistent pieces-overlap".to_string())]);
    assert_eq!(moved(1), [(path, "damaged: unplaced record-inconsistent".to_string())]);
}

#[test]
fn condition_13_runs_that_do_not_decode_or_cover() {
    only("ntfs-c4k", PLAIN, "damaged: unplaced record-inconsistent", |volume, record| {
        let runs = volume.run_list(volume.data(record));
        volume.write(runs, &[0xff]);
    });
    // The run ends before the last cluster that the attribute names.
    only("ntfs-c4k", PLAIN, "damaged: unplaced record-inconsistent", |volume, record| {
        let runs = volume.run_list(volume.data(record));
        let length = volume.bytes[runs + 1];
        volume.write(runs + 1, &[length - 1]);
    });
}

#[test]
fn condition_14_runs_outside_the_volume() {
    only("ntfs-c4k", PLAIN, "damaged: unplaced outside-volume", |volume, record| {
        let runs = volume.run_list(volume.data(record));
        let (lengths, places) = (usize::from(volume.bytes[runs] & 15), usize::from(volume.bytes[runs] >> 4));
        volume.write(runs + lengths + places, &[0x7f]);
    });
}

#[test]
fn condition_15_sizes_that_do_not_fit() {
    // An allocated size of one cluster too few, a size beyond the clusters, a valid size beyond the size.
    for (field, value) in [(0x28, 4096_u64 * 24), (0x30, 4096 * 25 + 1), (0x38, 100_001)] {
        let changed = broken("ntfs-c4k", PLAIN, |volume, record| {
            let data = volume.data(record);
            volume.write(data + field, &value.to_le_bytes());
        });
        assert_eq!(changed, [(PLAIN.to_string(), "doubtful: record-inconsistent".to_string())], "field {field:#x}");
    }
}

#[test]
fn condition_16_clusters_left_out_where_none_may_be() {
    only("ntfs-sparse", "/Holes/hole in the middle.bin", "doubtful: record-inconsistent", |volume, record| {
        let data = volume.data(record);
        volume.write(data + 0x0c, &[0, 0]);
    });
}

#[test]
fn condition_17_a_way_of_compression_that_is_not_known() {
    for (field, value) in [(0x0c, 2), (0x22, 9)] {
        only("ntfs-compressed", "/Compressed/exactly a unit.txt", "unlocated: unknown-storage", |volume, record| {
            let data = volume.data(record);
            volume.write(data + field, &[value]);
        });
    }
}

#[test]
fn condition_18_content_elsewhere() {
    let elsewhere = broken("ntfs-wof-lzx", "/text.txt", |volume, record| {
        let tag = volume.attributes(record, REPARSE_POINT)[0];
        // The provider: an archive.
        let value = volume.value(tag).start;
        volume.write(value + 12, &[1]);
    });
    // What was the packed content is an ordinary stream then.
    let stream = ("/text.txt:WofCompressedData".to_string(), "whole".to_string());
    assert_eq!(elsewhere, [("/text.txt".to_string(), "unlocated: content-elsewhere".to_string()), stream]);
}

#[test]
fn condition_22_encrypted() {
    only("ntfs-c4k", PLAIN, "locked", |volume, record| {
        let data = volume.data(record);
        volume.write(data + 0x0d, &[0x40]);
    });
}
