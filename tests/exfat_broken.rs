//! The conditions of `whole` for exFAT (docs/states.md), each broken alone by a byte edit or a hole of a volume that
//! outside tools wrote: exactly the state and reasons that it names change, and everything else stays as it was.

mod common;

use std::sync::Arc;

use common::edit::{object, sweep, words};
use common::exfat::{BAD, END, Set, Volume};
use handback::catalog::{Completeness, FindingKind, State};
use handback::filesystem::SweepOptions;
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;

/// In one piece without a chain, in the middle of a folder's list; the same with a chain of four clusters.
const PLAIN: &str = "/Odd/whole.bin";
const CHAINED: &str = "/Odd/chained.bin";
const FOLDER: &str = "/Odd";

/// What an edit of a file changes: path and words after it.
fn broken(path: &str, edit: impl FnOnce(&mut Volume, Set)) -> Vec<(String, String)> {
    let mut volume = Volume::of("exfat-odd");
    let before = volume.sweep();
    let set = volume.set(path);
    edit(&mut volume, set);
    volume.changed(&before, &[])
}

fn pairs(expected: &[(&str, &str)]) -> Vec<(String, String)> {
    expected.iter().map(|(path, word)| (path.to_string(), word.to_string())).collect()
}

#[track_caller]
fn only(path: &str, words: &str, edit: impl FnOnce(&mut Volume, Set)) {
    assert_eq!(broken(path, edit), pairs(&[(path, words)]));
}

/// A file whose own entries are wrong: its folder's list is not sound, either.
#[track_caller]
fn with_folder(path: &str, words: &str, edit: impl FnOnce(&mut Volume, Set)) {
    assert_eq!(broken(path, edit), pairs(&[(FOLDER, "incomplete: entries-unsound"), (path, words)]));
}

#[test]
fn condition_1_the_boot_checksum_or_the_backups() {
    let mut volume = Volume::of("exfat-odd");
    let before = volume.sweep();
    // The serial number of the first boot sector; the backup is right.
    volume.bytes[0x64] ^= 1;
    assert_eq!(volume.changed(&before, &[]), []);
    let backup = 12 * volume.sector;
    volume.bytes[backup + 0x64] ^= 1;
    let after = volume.sweep();
    for (path, (word, reasons)) in words(&after.catalog) {
        let expected = if path == "/" || path == FOLDER { "incomplete" } else { "doubtful" };
        assert_eq!((word, reasons), (expected, vec!["boot-checksum"]), "{path}");
    }
    // Evidence in a hole proves nothing and spoils nothing.
    let volume = Volume::of("exfat-odd");
    let holes = [1024..1536, backup as u64 + 1024..backup as u64 + 1536];
    assert_eq!(volume.changed(&before, &holes), []);
    let found = handback::filesystem::open(&volume.with_holes(&holes)).expect("in memory").expect("a volume");
    assert_eq!(found.findings().count(FindingKind::BootChecksumUnread), 1);
}

/// The set of a file that begins or ends at a sector's border, so that a hole takes a part of it.
fn cut(volume: &Volume, first_in_hole: usize) -> (String, Set) {
    let swept = volume.sweep();
    swept
        .catalog
        .objects()
        .filter(|(_, object)| object.locator > 0)
        .map(|(id, _)| swept.catalog.first_path(id))
        .find_map(|path| {
            let at = object(&swept, &path).locator as usize;
            let count = 1 + usize::from(volume.bytes[at + 1]);
            let is_cut = (at + 32 * first_in_hole).is_multiple_of(512) && count > first_in_hole;
            let in_one_piece = at / volume.cluster == (at + 32 * count - 1) / volume.cluster;
            (is_cut && in_one_piece && path.ends_with(".bin")).then_some((path, Set { start: at, count }))
        })
        .expect("a volume has such a file")
}

#[test]
fn condition_2_all_entries_were_read() {
    let volume = Volume::of("exfat-c4k");
    let before = volume.sweep();
    // From the name on; from the stream entry on, without which nothing is placed; the first entry alone.
    for (first, word) in [(2, "doubtful: record-partly-read"), (1, "unlocated: description-lost record-partly-read")] {
        let (path, set) = cut(&volume, first);
        let hole = (set.start + 32 * first) as u64;
        let after = sweep(&volume.with_holes(&[hole..hole + 512]));
        let found = words(&after.catalog);
        let lost =
            after.catalog.objects().find(|(_, object)| object.locator == set.start as u64).expect("it is listed");
        let (state, reasons) = &found[&after.catalog.first_path(lost.0)];
        assert_eq!(format!("{state}: {}", reasons.join(" ")), word, "{path}");
        let folder = path.rsplit_once('/').expect("a path").0;
        assert_eq!(found[folder], ("incomplete", vec!["list-partly-read"]), "{path}");
        // A name of which a part was read is not taken for another one.
        assert!(
            after.catalog.first_path(lost.0).contains('\u{fffd}')
                && after.catalog.findings.count(FindingKind::NameLost) > 0
        );
        assert!(before.catalog.findings.is_empty());
    }
    // What stands after the one that was not read.
    let (path, set) = cut(&volume, 1);
    let hole = (set.start + 32) as u64 - 512;
    let after = sweep(&volume.with_holes(&[hole..hole + 512]));
    let file = object(&after, &path);
    assert_eq!(file.locator, set.stream() as u64);
    assert_eq!((file.facts.state(), file.facts.reasons()), (State::Doubtful, vec!["record-partly-read"]));
}

#[test]
fn condition_3_the_set_checksum() {
    with_folder(PLAIN, "doubtful: checksum-wrong", |volume, set| volume.bytes[set.start + 4] ^= 1);
}

#[test]
fn condition_4_a_set_that_has_the_form_of_one() {
    // One name entry more than the name has units for.
    with_folder(PLAIN, "doubtful: record-inconsistent", |volume, set| {
        volume.bytes[set.stream() + 3] = 16;
        volume.mend(set);
    });
    // More secondary entries than there are before the next file's.
    with_folder(PLAIN, "doubtful: record-inconsistent", |volume, set| volume.bytes[set.start + 1] += 1);
    // A stream entry that is none.
    with_folder(PLAIN, "unlocated: description-lost record-inconsistent", |volume, set| {
        volume.bytes[set.stream()] = 0xc1;
        volume.mend(set);
    });
}

#[test]
fn condition_5_nothing_in_it_that_one_must_know() {
    only("/Odd/vendor.bin", "unlocated: unknown-storage", |volume, set| {
        volume.bytes[set.start + 32 * (set.count - 1)] = 0xc5;
        volume.mend(set);
    });
    // What one may leave out of account changes nothing.
    let benign = |volume: &mut Volume, set: Set| {
        volume.bytes[set.start + 32 * (set.count - 1)] = 0xe7;
        volume.mend(set);
    };
    assert_eq!(broken("/Odd/vendor.bin", benign), []);
}

#[test]
fn condition_6_a_stream_entry_that_does_not_contradict_itself() {
    // More bytes are valid than there are.
    only(PLAIN, "doubtful: record-inconsistent", |volume, set| {
        let size = volume.content(set).1 + 1;
        volume.write(set.stream() + 8, &size.to_le_bytes());
        volume.mend(set);
    });
    // No clusters are possible, and there are some.
    only(PLAIN, "doubtful: record-inconsistent", |volume, set| {
        volume.bytes[set.stream() + 1] &= !1;
        volume.mend(set);
    });
}

#[test]
fn condition_7_clusters_inside_the_heap() {
    for first in [0, 1, u32::MAX] {
        only(PLAIN, "damaged: unplaced outside-volume", |volume, set| {
            volume.write(set.stream() + 20, &first.to_le_bytes());
            volume.mend(set);
        });
    }
    // In one piece, and past the last cluster: the volume's last one is free, which is another condition.
    only(PLAIN, "damaged: unplaced outside-volume clusters-free", |volume, set| {
        let last = volume.clusters + 1;
        volume.write(set.stream() + 20, &last.to_le_bytes());
        volume.mend(set);
    });
}

#[test]
fn condition_8_a_chain_without_a_loop() {
    only(CHAINED, "damaged: unplaced chain-loop", |volume, set| {
        let chain = volume.chain(volume.content(set).0);
        assert_eq!(chain.len(), 4);
        volume.set_link(chain[2], chain[1]);
    });
    // All clusters are there, and the last one leads back.
    only(CHAINED, "doubtful: chain-loop", |volume, set| {
        let chain = volume.chain(volume.content(set).0);
        volume.set_link(chain[3], chain[0]);
    });
}

#[test]
fn condition_9_a_chain_without_free_bad_or_foreign_links() {
    for (link, reason) in
        [(0, "clusters-free"), (BAD, "cluster-bad"), (1, "outside-volume"), (END - 1, "outside-volume")]
    {
        only(CHAINED, &format!("damaged: unplaced {reason}"), |volume, set| {
            let chain = volume.chain(volume.content(set).0);
            volume.set_link(chain[1], link);
        });
        only(CHAINED, &format!("doubtful: {reason}"), |volume, set| {
            let chain = volume.chain(volume.content(set).0);
            volume.set_link(chain[3], link);
        });
    }
}

#[test]
fn condition_10_a_chain_not_shorter_than_the_size() {
    only(CHAINED, "damaged: unplaced record-inconsistent", |volume, set| {
        let chain = volume.chain(volume.content(set).0);
        volume.set_link(chain[2], END);
    });
    // A longer one is no fault: clusters may be set aside for a file that grows.
    let volume = Volume::of("exfat-odd");
    let (first, size) = volume.content(volume.set("/Odd/longer.bin"));
    assert!(volume.chain(first).len() as u64 > size.div_ceil(4096));
}

#[test]
fn condition_11_links_that_were_read_and_of_the_table_in_use() {
    let volume = Volume::of("exfat-c4k");
    let before = volume.sweep();
    // A file in pieces whose links lie in one sector of the table, and the sector of its last link alone.
    let at = volume.link_at(volume.content(volume.set("/Pieces/scattered 000.bin")).0) / 512 * 512;
    let changed = volume.changed(&before, &[at as u64..at as u64 + 512]);
    let found =
        changed.iter().find(|(path, _)| path.starts_with("/(no folder)") && path.ends_with("/scattered 000.bin"));
    assert_eq!(found.expect("it is found").1, "damaged: unplaced chain-partly-read folder-doubtful");
    let folder = ("/Pieces".to_string(), "incomplete: chain-partly-read list-partly-read".to_string());
    assert!(changed.contains(&folder), "{changed:?}");
    // The folder's own links are among them, too: what it lists from there on is found again, without its place.
    let others = |path: &str| !path.starts_with("/Pieces") && !path.starts_with("/(no folder)");
    let outside: Vec<_> = changed.iter().filter(|(path, _)| others(path)).collect();
    assert!(outside.is_empty(), "{outside:?}");
    // Files without a chain need no table, and one whose clusters are all known does not need its last link.
    let one_cluster = Volume::of("exfat-odd");
    let before = one_cluster.sweep();
    let link = one_cluster.link_at(one_cluster.content(one_cluster.set("/Odd/longer.bin")).0) as u64 / 512 * 512;
    let changed = one_cluster.changed(&before, &[link..link + 512]);
    assert_eq!(changed, pairs(&[(CHAINED, "damaged: unplaced chain-partly-read")]));
}

/// A volume whose second table stands before the heap, where there is room.
fn two_tables() -> Volume {
    let mut volume = Volume::of("exfat-odd");
    let needed = (4 * (volume.clusters as usize + 2)).next_multiple_of(volume.sector);
    let start = volume.number(0x50, 4) as usize * volume.sector;
    assert!(start + 2 * needed <= volume.place(2).start as usize, "there is room");
    let table = volume.bytes[start..start + needed].to_vec();
    volume.write(start + needed, &table);
    let sectors = (needed / volume.sector) as u32;
    for boot in [0, 12 * volume.sector] {
        volume.write(boot + 0x54, &sectors.to_le_bytes());
        volume.bytes[boot + 0x6e] = 2;
        let kept = volume.bytes[boot..boot + 11 * volume.sector].iter().enumerate();
        let sum = kept
            .filter(|(index, _)| !matches!(index, 106 | 107 | 112))
            .fold(0_u32, |sum, (_, byte)| sum.rotate_right(1).wrapping_add(u32::from(*byte)));
        let sums = sum.to_le_bytes().repeat(volume.sector / 4);
        volume.write(boot + 11 * volume.sector, &sums);
    }
    volume
}

#[test]
fn condition_11_two_tables() {
    let volume = two_tables();
    let before = volume.sweep();
    assert_eq!(volume.changed(&Volume::of("exfat-odd").sweep(), &[]), []);
    let (first, _) = volume.content(volume.set(CHAINED));
    let link = volume.link_at(first) as u64 / 512 * 512;
    let changed = volume.changed(&before, &[link..link + 512]);
    assert!(changed.contains(&(CHAINED.to_string(), "doubtful: other-table".to_string())), "{changed:?}");
    assert!(changed.iter().all(|(_, word)| word.ends_with("other-table")), "{changed:?}");
    // By its flag the second one is in use: the first may say what it will.
    let mut second = volume.clone();
    second.bytes[0x6a] |= 1;
    second.set_link(first, 0);
    let after = second.sweep();
    assert_eq!(object(&after, CHAINED).facts.state(), State::Whole, "{:?}", object(&after, CHAINED).facts.reasons());
}

#[test]
fn condition_12_all_bytes_up_to_the_valid_length() {
    let volume = Volume::of("exfat-odd");
    let before = volume.sweep();
    let (first, _) = volume.content(volume.set("/Odd/short.bin"));
    let start = volume.place(first).start;
    // 5,000 of 20,000 bytes are valid.
    assert_eq!(volume.changed(&before, &[start + 5120..start + 20_480]), []);
    let changed = volume.changed(&before, &[start + 4608..start + 5120]);
    assert_eq!(changed, pairs(&[("/Odd/short.bin", "damaged: unread")]));
    let after = sweep(&volume.with_holes(&[start + 4608..start + 5120]));
    assert_eq!(object(&after, "/Odd/short.bin").facts.gap_bytes, 5000 - 4608);
}

#[test]
fn condition_13_nothing_that_nobody_vouches_for() {
    let volume = Volume::of("exfat-odd");
    let set = volume.set(PLAIN);
    let (first, _) = volume.content(set);
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(volume.bytes.clone()));
    let sector = |at: u64| at / 512 * 512..at / 512 * 512 + 512;
    for (range, folder) in [(sector(set.range().start), true), (volume.place(first), false)] {
        let segments = [Segment { range, state: ByteState::Unknown }];
        let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &segments).expect("in order");
        let after = sweep(&Source::new(Arc::clone(&image), &map, 512));
        assert_eq!(object(&after, PLAIN).facts.state(), State::Unproven);
        let expected = if folder { Completeness::Unproven } else { Completeness::Complete };
        assert_eq!(object(&after, FOLDER).completeness(), expected);
        assert_eq!(object(&after, "/README.txt").facts.state(), State::Whole);
    }
}

#[test]
fn condition_14_no_two_on_one_cluster() {
    let changed = broken(PLAIN, |volume, set| {
        let (other, _) = volume.content(volume.set("/Odd/short.bin"));
        volume.write(set.stream() + 20, &(other + 2).to_le_bytes());
        volume.mend(set);
    });
    assert_eq!(changed, pairs(&[("/Odd/short.bin", "doubtful: claimed-twice"), (PLAIN, "doubtful: claimed-twice")]));
    // With the volume's own tables, too.
    only(PLAIN, "doubtful: claimed-twice", |volume, set| {
        let bitmap = volume.number(volume.own_entry(0x81) + 20, 4) as u32;
        volume.write(set.stream() + 20, &bitmap.to_le_bytes());
        volume.mend(set);
    });
}

#[test]
fn condition_15_clusters_that_the_bitmap_calls_in_use() {
    only(PLAIN, "doubtful: clusters-free", |volume, set| volume.clear_bit(volume.content(set).0));
    // Evidence in a hole is skipped, with a finding.
    let mut volume = Volume::of("exfat-odd");
    let before = volume.sweep();
    let cluster = volume.content(volume.set(PLAIN)).0;
    volume.clear_bit(cluster);
    let at = volume.bit_at(cluster) as u64 / 512 * 512;
    assert_eq!(volume.changed(&before, &[at..at + 512]), []);
    let after = sweep(&volume.with_holes(&[at..at + 512]));
    assert_eq!(after.catalog.findings.count(FindingKind::BitmapPartlyRead), 1);
    let unexplained = after.facts.unexplained_bytes.expect("there is one");
    assert!(unexplained.at_least == 0 && unexplained.at_most > 0, "{unexplained:?}");
}

#[test]
fn condition_16_a_folder_that_can_be_trusted() {
    let changed = broken(FOLDER, |volume, set| volume.bytes[set.start + 4] ^= 0x20);
    let (folders, files): (Vec<_>, Vec<_>) = changed.into_iter().partition(|(path, _)| path == "/" || path == FOLDER);
    let expected = [("/", "incomplete: entries-unsound"), (FOLDER, "incomplete: checksum-wrong")];
    assert_eq!(folders, pairs(&expected));
    assert!(files.len() == 10 && files.iter().all(|(_, word)| word == "doubtful: folder-doubtful"), "{files:?}");
}

#[test]
fn folders_are_complete_if_all_up_to_the_end_mark_was_read_and_is_sound() {
    let volume = Volume::of("exfat-odd");
    let before = volume.sweep();
    let (first, _) = volume.content(volume.set(FOLDER));
    let list = volume.place(first);
    let end = (list.start..list.end).step_by(32).find(|at| volume.bytes[*at as usize] == 0).expect("an end mark");
    // What lies after the end mark costs nothing; the sector in which it stands is needed.
    let after = end.next_multiple_of(512);
    assert_eq!(volume.changed(&before, &[after..list.end]), []);
    let changed = volume.changed(&before, &[after - 512..after]);
    assert!(changed.contains(&(FOLDER.to_string(), "incomplete: list-partly-read".to_string())), "{changed:?}");
    // An entry that can't stand there.
    let mut stray = volume.clone();
    stray.write(end as usize, &[0x86]);
    assert_eq!(stray.changed(&before, &[]), pairs(&[(FOLDER, "incomplete: entries-unsound")]));
    // Entries in use behind the end mark: the mark is none.
    let mut beyond = volume.clone();
    beyond.write(end as usize + 64, &[0x85]);
    assert_eq!(beyond.changed(&before, &[]), pairs(&[(FOLDER, "incomplete: entries-unsound")]));
    assert_eq!(beyond.sweep().catalog.findings.count(FindingKind::FolderListLong), 1);
    // Deleted entries are no fault, and those that one may leave out of account are none.
    for harmless in [0x05, 0x41, 0xa1] {
        let mut volume = volume.clone();
        volume.write(end as usize, &[harmless]);
        assert_eq!(volume.changed(&before, &[]), [], "{harmless:#x}");
    }
    // Its chain is broken before the end mark: a list that has one cluster and needs two.
    let mut longer = volume.clone();
    let set = longer.set(FOLDER);
    longer.write(end as usize, &vec![0x05; (list.end - end) as usize]);
    longer.write(set.stream() + 8, &[8192_u64.to_le_bytes(), [0; 8]].concat()[..8]);
    longer.write(set.stream() + 24, &8192_u64.to_le_bytes());
    longer.bytes[set.stream() + 1] &= !2;
    longer.set_link(first, 0);
    longer.mend(set);
    let changed = longer.changed(&before, &[]);
    assert_eq!(changed, pairs(&[(FOLDER, "incomplete: clusters-free list-partly-read")]));
}

#[test]
fn the_volumes_flags() {
    let mut volume = Volume::of("exfat-odd");
    volume.bytes[0x6a] = 2;
    assert_eq!(volume.sweep().facts.dirty, Some(true));
    volume.bytes[0x6a] = 4;
    let found = handback::filesystem::open(&volume.source()).expect("in memory").expect("a volume");
    assert_eq!((found.facts().dirty, found.findings().count(FindingKind::VolumeErrors)), (Some(false), 1));
    // The backup's flags are out of date: nobody says.
    volume.bytes[..512].fill(0);
    let swept = volume.sweep();
    assert_eq!(swept.facts.dirty, None);
    assert!(swept.catalog.objects().all(|(_, object)| object.facts.state() == State::Whole || object.size == 0));
}

#[test]
fn findings_that_spoil_nothing() {
    let mut volume = Volume::of("exfat-odd");
    let before = volume.sweep();
    // A name's hash; the up-case table's checksum, without which hashes are not looked at.
    let set = volume.set(PLAIN);
    volume.bytes[set.stream() + 4] ^= 1;
    volume.mend(set);
    assert_eq!(volume.changed(&before, &[]), []);
    assert_eq!(volume.sweep().catalog.findings.count(FindingKind::NameHashWrong), 1);
    let table = volume.own_entry(0x82);
    volume.bytes[table + 4] ^= 1;
    let after = volume.sweep();
    let count = |kind| after.catalog.findings.count(kind);
    assert_eq!((count(FindingKind::NameHashWrong), count(FindingKind::UpcaseUnusable)), (0, 1));
    // Two files of one name, but for the case of a letter.
    let mut twice = Volume::of("exfat-odd");
    let set = twice.set("/Odd/east.txt");
    let name = "AHEAD.TXT".encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<_>>();
    twice.write(set.start + 66, &name);
    twice.bytes[set.stream() + 3] = 9;
    twice.mend(set);
    let findings = twice.sweep().catalog.findings;
    assert_eq!(findings.count(FindingKind::DuplicateName), 1);
}

#[test]
fn deleted_files_are_looked_for_with_the_checksum_of_their_lives() {
    let mut volume = Volume::of("exfat-odd");
    let set = volume.set(CHAINED);
    let chain = volume.chain(volume.content(set).0);
    for entry in 0..set.count {
        volume.bytes[set.start + 32 * entry] &= 0x7f;
    }
    for cluster in &chain {
        volume.set_link(*cluster, 0);
        volume.clear_bit(*cluster);
    }
    let options = SweepOptions { deleted: true, ..SweepOptions::default() };
    let volume_of = |volume: &Volume| handback::filesystem::open(&volume.source()).expect("in memory").expect("exFAT");
    let swept = volume_of(&volume).sweep(options, &Silent).expect("in memory");
    let file = object(&swept, CHAINED);
    // Its links are free again: that it lay in one piece is a guess, and here a right one.
    assert_eq!((file.facts.state(), file.facts.reasons()), (State::Doubtful, vec!["deleted", "contiguous-guess"]));
    assert!(swept.claimed.is_empty());
    volume.bytes[set.start + 8] ^= 1;
    let swept = volume_of(&volume).sweep(options, &Silent).expect("in memory");
    assert!(words(&swept.catalog).keys().all(|path| path != CHAINED), "its checksum is wrong");
}
