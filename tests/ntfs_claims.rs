//! The conditions of `whole` for NTFS (docs/states.md) that no single record can show: bytes, the way to the record, and
//! files against one another and against the bitmaps. Each is broken alone.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

mod common;

use common::edit::{
    BITMAP, DATA, Edit, MFT, VOLUME_BITMAP, changes, find, hash, object, open, record_of, sweep, words,
};
use handback::catalog::{FindingKind, GapKind};

const PLAIN: &str = "/Sizes/100000.bin";

#[test]
fn condition_19_every_byte_was_read() {
    let volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    let record = record_of(&before, PLAIN);
    let start = volume.place(volume.data(record), 8192) as u64;
    let after = sweep(&volume.with_holes(&[start + 512..start + 1024]));
    let changed = changes(&words(&before.catalog), &words(&after.catalog));
    assert_eq!(changed, [(PLAIN.to_string(), "whole".to_string(), "damaged: unread".to_string())]);
    assert_eq!(object(&after, PLAIN).facts.gap_bytes, 512);
}

/// What reading a file of an edited volume says.
fn read(volume: &Edit, path: &str) -> (u64, Vec<GapKind>) {
    let source = volume.source();
    let swept = sweep(&source);
    let id = find(&swept.catalog, path);
    let extents = open(&source).extents(&swept.catalog, id).expect("placed");
    let outcome = handback::content::read(&source, &extents, &mut |_| Ok(())).expect("in memory");
    let bytes = outcome.gaps.iter().map(|gap| gap.range.end - gap.range.start).sum();
    (bytes, outcome.gaps.iter().map(|gap| gap.why).collect())
}

#[test]
fn condition_20_units_and_chunks_decode() {
    let mut volume = Edit::of("ntfs-compressed");
    let before = volume.words();
    let path = "/Compressed/exactly a unit.txt";
    assert_eq!(read(&volume, path).0, 0);
    let data = volume.data(record_of(&volume.sweep(), path));
    let place = volume.place(data, 0);
    volume.bytes[place] ^= 0x40;
    volume.bytes[place + 3] ^= 0xff;
    let (bytes, kinds) = read(&volume, path);
    println!("LZNT1: {bytes} bytes {kinds:?}");
    assert!(bytes > 0 && kinds.iter().all(|kind| *kind == GapKind::Undecodable), "{kinds:?}");
    assert!(changes(&before, &volume.words()).is_empty(), "the sweep does not decode");

    let mut volume = Edit::of("ntfs-wof-xpress4k");
    let before = volume.words();
    let path = "/text.txt";
    assert_eq!(read(&volume, path).0, 0);
    let record = record_of(&volume.sweep(), path);
    let stored = volume.attributes(record, DATA).into_iter().find(|at| volume.bytes[at + 9] > 0).expect("packed");
    // Past the table of chunks: 18 chunks of 4096 bytes have 17 entries of 4 bytes; then the first chunk's own table.
    let place = volume.place(stored, 17 * 4);
    for byte in &mut volume.bytes[place..place + 256] {
        *byte = 0x11;
    }
    let (bytes, kinds) = read(&volume, path);
    println!("XPRESS: {bytes} bytes {kinds:?}");
    assert_eq!((bytes, kinds), (4096, vec![GapKind::Undecodable]));
    assert!(changes(&before, &volume.words()).is_empty(), "the sweep does not decode");
}

#[test]
fn condition_23_backups_are_taken_and_said() {
    let mut volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    let hashed = hash(&volume.source(), &before, find(&before.catalog, PLAIN));
    let mut said = Vec::new();
    for kind in [FindingKind::BackupBootUsed, FindingKind::MirrorUsed] {
        let at = if kind == FindingKind::MirrorUsed { volume.record(MFT) } else { 0 };
        volume.bytes[at..at + 512].fill(0);
        let source = volume.source();
        let swept = sweep(&source);
        assert!(changes(&words(&before.catalog), &words(&swept.catalog)).is_empty(), "{kind:?}");
        assert_eq!(hash(&source, &swept, find(&swept.catalog, PLAIN)), hashed);
        said.push(open(&source).findings().count(kind));
    }
    assert_eq!(said, [1, 1]);
}

#[test]
fn condition_24_two_files_on_one_cluster() {
    let mut volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    let (one, other) = (PLAIN, "/Sizes/65536.bin");
    let first = volume.runs(volume.data(record_of(&before, one)))[0];
    let second = volume.data(record_of(&before, other));
    let (_, length, old) = volume.runs(second)[0];
    let runs = volume.run_list(second);
    let (lengths, places) = (usize::from(volume.bytes[runs] & 15), usize::from(volume.bytes[runs] >> 4));
    // They share one cluster: the first file's last one is the second one's first.
    let shared = (first.2.expect("placed") + first.1 - 1).to_le_bytes();
    assert!(old.is_some() && shared[places..].iter().all(|byte| *byte == 0));
    volume.write(runs + 1 + lengths, &shared[..places]);
    let after = volume.sweep();
    let changed = changes(&words(&before.catalog), &words(&after.catalog));
    let doubtful = |path: &str| (path.to_string(), "whole".to_string(), "doubtful: claimed-twice".to_string());
    assert_eq!(changed, [doubtful(one), doubtful(other)]);
    // What the second file really holds is in use and explained by nobody now, to the cluster.
    let unexplained = after.facts.unexplained_bytes.expect("the bitmap was read");
    assert_eq!((unexplained.at_least, unexplained.at_most), (length * 4096, length * 4096));
}

/// A run of clusters: their number, and how far from the run before; 0 for none.
fn run(length: u64, distance: u64) -> Vec<u8> {
    let places = if distance == 0 { &[][..] } else { &distance.to_le_bytes()[..4] };
    [&[(places.len() as u8) << 4 | 4][..], &length.to_le_bytes()[..4], places].concat()
}

#[test]
fn condition_24_bad_clusters_may_lie_in_a_file() {
    let mut volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    let (_, _, start) = volume.runs(volume.data(record_of(&before, PLAIN)))[0];
    let start = start.expect("placed");
    // $Bad is one hole as long as the volume; a bad cluster is a run in it.
    const BAD_CLUSTERS: u64 = 8;
    let bad = *volume.attributes(BAD_CLUSTERS, DATA).last().expect("the stream");
    let clusters = volume.runs(bad)[0].1;
    let list = [run(start, 0), run(1, start), run(clusters - start - 1, 0), vec![0]].concat();
    let at = volume.run_list(bad);
    let length = (at - bad + list.len()).next_multiple_of(8);
    assert_eq!(volume.number(bad + volume.number(bad + 4, 4) as usize, 4), 0xffff_ffff, "it is the last attribute");
    volume.write(at, &list);
    volume.write(bad + 4, &(length as u32).to_le_bytes());
    volume.write(bad + length, &[0xff; 4]);
    let record = volume.record(BAD_CLUSTERS);
    volume.write(record + 0x18, &((bad - record + length + 8) as u32).to_le_bytes());
    assert_eq!(volume.runs(bad).iter().map(|run| run.2).collect::<Vec<_>>(), [None, Some(start), None]);
    let after = volume.sweep();
    assert!(changes(&words(&before.catalog), &words(&after.catalog)).is_empty());
    // The same run in another file of the filesystem's own would count: the mirror of the table's first records.
    let mirror = volume.data(1);
    let runs = volume.run_list(mirror);
    let lengths = usize::from(volume.bytes[runs] & 15);
    let places = usize::from(volume.bytes[runs] >> 4);
    volume.write(runs + 1 + lengths, &start.to_le_bytes()[..places]);
    let changed = changes(&words(&before.catalog), &volume.words());
    assert_eq!(changed, [(PLAIN.to_string(), "whole".to_string(), "doubtful: claimed-twice".to_string())]);
}

#[test]
fn condition_25_a_file_over_free_clusters() {
    let mut volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    let (_, length, start) = volume.runs(volume.data(record_of(&before, PLAIN)))[0];
    let bitmap = volume.data(VOLUME_BITMAP);
    volume.clear_bit(bitmap, start.expect("placed") + length - 1);
    let after = volume.sweep();
    let changed = changes(&words(&before.catalog), &words(&after.catalog));
    assert_eq!(changed, [(PLAIN.to_string(), "whole".to_string(), "doubtful: clusters-free".to_string())]);
    let bytes = |swept: &handback::filesystem::Swept| {
        let facts = &swept.facts;
        (facts.used_bytes.expect("read").at_most, facts.unexplained_bytes.expect("read").at_most)
    };
    assert_eq!(bytes(&before).1, 0, "all that is in use is explained");
    assert_eq!(bytes(&after), (bytes(&before).0 - 4096, 0));
}

#[test]
fn evidence_that_is_gone_proves_nothing_and_spoils_nothing() {
    let volume = Edit::of("ntfs-c4k");
    let before = volume.sweep();
    let bitmap = volume.data(VOLUME_BITMAP);
    let of_table = volume.attributes(MFT, BITMAP)[0];
    for (attribute, what) in [(bitmap, "$Bitmap"), (of_table, "$MFT's bitmap")] {
        let start = volume.place(attribute, 0) as u64;
        let after = sweep(&volume.with_holes(&[start..start + 512]));
        assert!(changes(&words(&before.catalog), &words(&after.catalog)).is_empty(), "{what}");
        let bytes = after.facts.unexplained_bytes.expect("a range");
        let is_range = bytes.at_least < bytes.at_most;
        println!("{what} unread: unexplained {} to {}", bytes.at_least, bytes.at_most);
        assert_eq!(is_range, attribute == bitmap);
        assert_eq!(bytes.at_least, 0);
    }
}
