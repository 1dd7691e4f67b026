//! What a layout without boot sectors needs to be proven: each condition of `docs/states.md` broken alone; layouts that
//! somebody wrote down; and records that are of another volume or of an earlier day.

mod common;

use std::ops::Range;
use std::sync::Arc;

use common::edit::{DATA, Edit, INDEX_ALLOCATION};
use common::fixture;
use common::headless::{Volume, look, open, traces, unread};
use handback::catalog::{Completeness, Distrust, FindingKind, ObjectKind, State};
use handback::filesystem::ntfs::Ntfs;
use handback::filesystem::ntfs::headless::{Evidence, Geometry, TablePiece, TablePlace};
use handback::filesystem::{self, Filesystem, SweepOptions};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::Source;

/// A table in one piece, clusters of 4 KiB, eight folders with blocks of their own.
const NAME: &str = "ntfs-c4k";

/// What is proven of a volume without boot sectors.
fn geometry(source: &Source) -> Geometry {
    let found = traces(source).volumes(source).expect("in memory");
    assert_eq!(found.len(), 1, "{found:#?}");
    found[0].clone()
}

/// How many files are called whole, and how many are doubted because of the layout; either none or all.
fn judged(source: &Source) -> bool {
    judge(open(source).expect("it is opened").as_ref())
}

fn judge(volume: &dyn Filesystem) -> bool {
    let doubted = volume.findings().count(FindingKind::GeometryDoubtful) == 1;
    let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
    let mut files = 0;
    for (id, object) in swept.catalog.objects() {
        let path = swept.catalog.first_path(id);
        match object.kind {
            ObjectKind::Folder => assert!(!doubted || object.completeness() != Completeness::Complete, "{path}"),
            _ => {
                files += 1;
                assert_eq!(object.facts.distrust.contains(Distrust::GeometryDoubtful), doubted, "{path}");
                assert!(!doubted || object.facts.state() != State::Whole, "{path}");
            }
        }
    }
    assert!(files > 0);
    !doubted
}

#[test]
fn a_proof_is_seen() {
    let volume = Volume::of(NAME);
    let source = unread(volume.bytes.clone(), &volume.boots());
    let found = geometry(&source);
    let said = (found.start, found.total_bytes, found.cluster_size, found.record_size);
    // The boot sector counts sectors, the volume's own files only whole clusters.
    let total = volume.boot.total / volume.boot.cluster * volume.boot.cluster;
    assert_eq!(said, (0, total, volume.boot.cluster, volume.boot.record));
    let (mft, mirror) = (volume.boot.mft / volume.boot.cluster, volume.boot.mirror / volume.boot.cluster);
    assert_eq!(found.table, TablePlace::Described { mft, mirror });
    assert!(found.is_proven() && found.total_is_known && judged(&source), "{found:#?}");
}

#[test]
fn few_records_prove_nothing() {
    let volume = Volume::of(NAME);
    let files: Vec<u64> = volume.in_use().iter().map(|(one, _)| *one).filter(|one| *one > 64).collect();
    for (count, proven) in [(15, false), (16, true)] {
        // The filesystem's own first ten, and some files.
        let keep = |number: u64| number < 10 || files[..count - 10].contains(&number);
        let last = volume.in_use().last().expect("some").0;
        let lost = (0..=last).filter(|one| !keep(*one)).map(|one| volume.place(one));
        let source = unread(volume.bytes.clone(), &volume.gone(&lost.collect::<Vec<_>>()));
        assert_eq!(geometry(&source).evidence.records, count as u64);
        assert_eq!(judged(&source), proven, "{count}");
    }
}

#[test]
fn one_place_fits_any_cluster_size() {
    let volume = Volume::of(NAME);
    let mut blocks: Vec<Range<u64>> = Vec::new();
    for at in (0..volume.bytes.len() as u64).step_by(4096) {
        if volume.bytes[at as usize..].starts_with(b"INDX") {
            blocks.push(at..at + 4096);
        }
    }
    let source = unread(volume.bytes.clone(), &volume.gone(&blocks));
    assert_eq!(geometry(&source).evidence.places, 2, "the table and its mirror");
    assert!(judged(&source));
    blocks.push(volume.mirror());
    let source = unread(volume.bytes.clone(), &volume.gone(&blocks));
    assert_eq!(geometry(&source).evidence.places, 1);
    assert!(!judged(&source));
}

/// The volume with some of its bytes changed; without boot sectors.
fn changed(change: impl FnOnce(&mut Edit, &Volume)) -> Source {
    let volume = Volume::of(NAME);
    let mut edit = Edit::of(NAME);
    change(&mut edit, &volume);
    unread(edit.bytes, &volume.boots())
}

#[test]
fn records_with_other_numbers_speak_against_it() {
    for (count, proven) in [(30, true), (90, false)] {
        let source = changed(|edit, volume| {
            for (record, _) in volume.in_use().iter().rev().take(count) {
                let at = edit.record(*record) + 0x2c;
                edit.write(at, &7_u32.to_le_bytes());
            }
        });
        assert_eq!(geometry(&source).evidence.other_records, count as u64);
        assert_eq!(judged(&source), proven, "{count}");
    }
}

#[test]
fn lists_that_lie_elsewhere_speak_against_it() {
    let source = changed(|edit, _| {
        // The first name of the root's list says that it stands in folder 9.
        let block = edit.list_blocks(5)[0].start as usize;
        assert!(edit.bytes[block..].starts_with(b"INDX"));
        assert_eq!(edit.attributes(5, INDEX_ALLOCATION).len(), 1);
        let entry = block + 0x18 + edit.bytes[block + 0x18] as usize;
        edit.bytes[entry + 0x10] = 9;
    });
    let evidence = geometry(&source).evidence;
    assert_eq!((evidence.lists, evidence.other_lists), (7, 1));
    assert!(!judged(&source));
}

#[test]
fn attributes_that_give_another_cluster_size_speak_against_it() {
    for (count, proven) in [(2, true), (8, false)] {
        let mut changed_ones = 0;
        let source = changed(|edit, volume| {
            for (record, _) in volume.in_use().into_iter().filter(|(one, base)| *one > 64 && *base == 0) {
                for at in edit.attributes(record, DATA) {
                    let sparse_or_packed = edit.number(at + 0x0c, 2) & 0x80ff != 0;
                    if changed_ones < count && !edit.is_resident(at) && !sparse_or_packed {
                        let allocated = edit.number(at + 0x28, 8);
                        edit.write(at + 0x28, &(2 * allocated).to_le_bytes());
                        changed_ones += 1;
                    }
                }
            }
        });
        assert_eq!(geometry(&source).evidence.other_sizes, count);
        assert_eq!(judged(&source), proven, "{count}");
    }
}

/// The first byte of `length` zeros at a cluster's start, after `from`.
fn blank(volume: &Volume, bytes: &[u8], from: usize, length: usize) -> usize {
    let cluster = volume.boot.cluster as usize;
    let mut at = from.next_multiple_of(cluster);
    while bytes[at..at + length].iter().any(|byte| *byte != 0) {
        at += cluster;
    }
    at
}

/// The table, up to the last record in use.
fn table_range(volume: &Volume) -> Range<usize> {
    let end = volume.place(volume.in_use().last().expect("some").0).end.next_multiple_of(volume.boot.cluster);
    volume.boot.mft as usize..end as usize
}

#[test]
fn another_layout_that_is_proven_contests_it() {
    let volume = Volume::of(NAME);
    let mut edit = Edit::of(NAME);
    let table = table_range(&volume);
    let ghost = blank(&volume, &edit.bytes, table.end, table.len());
    // The table's own record says, in a copy of all of it, that it is there. Its runs have room for that.
    let data = edit.attributes(0, DATA)[0];
    assert_eq!(edit.runs(data).len(), 1);
    let runs = edit.run_list(data);
    let clusters = edit.runs(data)[0].1 as u16;
    let mut copy = edit.clone();
    let lcn = (ghost as u64 / volume.boot.cluster) as u16;
    let packed = [&[0x22][..], &clusters.to_le_bytes(), &lcn.to_le_bytes(), &[0]].concat();
    copy.write(runs, &packed);
    let copy = copy.bytes[table.clone()].to_vec();
    edit.bytes[ghost..ghost + table.len()].copy_from_slice(&copy);
    let source = unread(edit.bytes.clone(), &volume.boots());
    let found = traces(&source).volumes(&source).expect("in memory");
    assert_eq!(found.len(), 2);
    assert!(found.iter().all(|one| one.evidence.is_proof() && one.contested && one.start == 0), "{found:#?}");
    assert!(!judged(&source));
    // With boot sectors nothing is guessed.
    let sound = unread(edit.bytes, &[]);
    assert!(judge(filesystem::open(&sound).expect("in memory").expect("NTFS").as_ref()));
}

#[test]
fn more_records_elsewhere_than_in_place_contest_it() {
    let volume = Volume::of(NAME);
    let table = table_range(&volume);
    // An old table of which only the first records are gone.
    let old = table.start + 64 * 1024..table.end;
    for (copies, proven) in [(1, true), (2, false)] {
        let mut bytes = volume.bytes.clone();
        for _ in 0..copies {
            let at = blank(&volume, &bytes, table.end, old.len());
            bytes.copy_within(old.clone(), at);
        }
        let source = unread(bytes, &volume.boots());
        let found = geometry(&source);
        assert_eq!((found.evidence.is_proof(), found.contested), (true, !proven), "{copies}");
        assert_eq!(judged(&source), proven, "{copies}");
    }
}

#[test]
fn what_nobody_searched_is_not_proven() {
    let volume = Volume::of(NAME);
    let source = unread(volume.bytes.clone(), &volume.boots());
    let found = geometry(&source);
    let opened = |geometry: &Geometry| Ntfs::open_at(&source, geometry).expect("in memory").expect("it is opened");
    assert!(judge(&opened(&found)));
    assert!(!judge(&opened(&Geometry { searched: false, ..found.clone() })));
    assert!(!judge(&opened(&Geometry { contested: true, ..found })));
}

#[test]
fn a_layout_that_somebody_wrote_down_is_looked_at_again() {
    let volume = Volume::of(NAME);
    let source = unread(volume.bytes.clone(), &volume.boots());
    let found = geometry(&source);
    let text = serde_json::to_string(&found).expect("it can be kept");
    assert_eq!(serde_json::from_str::<Geometry>(&text).expect("and used again"), found);
    let open_at = |geometry: &Geometry| Ntfs::open_at(&source, geometry).expect("in memory");
    let (mft, mirror) = (volume.boot.mft / volume.boot.cluster, volume.boot.mirror / volume.boot.cluster);
    let pieces = |pieces: &[TablePiece]| TablePlace::Pieces(pieces.to_vec());
    let piece = |first, records, offset| TablePiece { first, records, offset };
    for wrong in [
        Geometry { cluster_size: 0, ..found.clone() },
        Geometry { cluster_size: 3, ..found.clone() },
        Geometry { cluster_size: 2048, ..found.clone() },
        Geometry { cluster_size: 8192, ..found.clone() },
        Geometry { cluster_size: 1 << 40, ..found.clone() },
        Geometry { record_size: 0, ..found.clone() },
        Geometry { record_size: 512, ..found.clone() },
        Geometry { record_size: 4096, ..found.clone() },
        Geometry { record_size: 1 << 60, ..found.clone() },
        Geometry { table: TablePlace::Described { mft: mft + 1, mirror: mirror + 1 }, ..found.clone() },
        Geometry { table: TablePlace::Described { mft: u64::MAX, mirror: u64::MAX }, ..found.clone() },
        Geometry { table: pieces(&[]), ..found.clone() },
        Geometry { table: pieces(&[piece(0, 9, volume.boot.mft), piece(8, 9, volume.boot.mft)]), ..found.clone() },
        Geometry { table: pieces(&[piece(u64::MAX, u64::MAX, u64::MAX)]), ..found.clone() },
        Geometry { table: pieces(&[piece(0, 64, volume.boot.mft + 1024)]), ..found.clone() },
    ] {
        assert!(open_at(&wrong).is_none(), "{wrong:#?}");
    }
    // What can be read again is not believed.
    for total_bytes in [0, 4096, u64::MAX] {
        let opened = open_at(&Geometry { total_bytes, evidence: Evidence::default(), ..found.clone() });
        let (seen, swept) = look(NAME, &opened.expect("it is opened"));
        assert_eq!((seen, swept.facts.total_bytes), (volume.sound().0, found.total_bytes));
    }
    let other = fixture::all_read("ntfs-c512");
    assert!(Ntfs::open_at(&other, &found).expect("in memory").is_none(), "another image's");
}

/// A disk of these volumes, one after another at these places, without a table; `gone` are ranges of it.
fn disk(volumes: &[(&Volume, u64)], gone: &[Range<u64>]) -> Source {
    let length =
        volumes.iter().map(|(volume, start)| start + volume.bytes.len() as u64).max().expect("some") + (1 << 20);
    let mut bytes = vec![0; length as usize];
    for (volume, start) in volumes {
        bytes[*start as usize..*start as usize + volume.bytes.len()].copy_from_slice(&volume.bytes);
    }
    for range in gone {
        bytes[range.start as usize..range.end as usize].fill(0);
    }
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[]).expect("no ranges");
    Source::new(image, &map, 512)
}

fn moved(ranges: Vec<Range<u64>>, by: u64) -> impl Iterator<Item = Range<u64>> {
    ranges.into_iter().map(move |range| range.start + by..range.end + by)
}

#[test]
fn two_volumes_whose_records_have_the_same_numbers() {
    let (one, other) = (Volume::of(NAME), Volume::of("ntfs-c512"));
    let places = [(&one, 1 << 20), (&other, (10 << 20) + 512 * 7)];
    for with_mirror in [true, false] {
        let gone: Vec<Range<u64>> = places
            .iter()
            .flat_map(|(volume, start)| {
                let more = if with_mirror { vec![] } else { vec![volume.first_records(), volume.mirror()] };
                moved(volume.gone(&more), *start)
            })
            .collect();
        let source = disk(&places, &gone);
        let found = traces(&source).volumes(&source).expect("in memory");
        assert_eq!(found.len(), 2, "{found:#?}");
        for ((volume, start), geometry) in places.iter().zip(&found) {
            let total = volume.boot.total / volume.boot.cluster * volume.boot.cluster;
            assert_eq!((geometry.start, geometry.total_bytes), (*start, total), "{found:#?}");
            assert!(geometry.is_proven(), "{geometry:#?}");
            let window = source.window(geometry.start, geometry.total_bytes);
            let opened = Ntfs::open_at(&window, geometry).expect("in memory").expect("it is opened");
            let (seen, _) = look(volume.name, &opened);
            assert_eq!(seen.right, volume.sound().0.right);
            assert_eq!(seen.whole == seen.files, with_mirror || volume.boot.cluster >= volume.boot.record);
        }
    }
}

#[test]
fn a_volume_inside_another_contests_it() {
    let (outer, inner) = (Volume::of("ntfs-c2m"), Volume::of("ntfs-c512"));
    let at = blank(&outer, &outer.bytes, 0, inner.bytes.len()) as u64;
    let gone: Vec<Range<u64>> = outer.boots().into_iter().chain(moved(inner.boots(), at)).collect();
    let source = disk(&[(&outer, 0), (&inner, at)], &gone);
    let found = traces(&source).volumes(&source).expect("in memory");
    assert_eq!(found.iter().map(|one| one.start).collect::<Vec<_>>(), [0, at]);
    for geometry in &found {
        assert!(geometry.evidence.is_proof() && geometry.contested, "{geometry:#?}");
        let window = source.window(geometry.start, geometry.total_bytes);
        assert!(!judge(&Ntfs::open_at(&window, geometry).expect("in memory").expect("it is opened")));
    }
}

#[test]
fn records_of_an_earlier_day_are_not_confirmed() {
    let volume = Volume::of(NAME);
    let stale = volume.place(128).start..volume.place(192).start;
    let mut bytes = volume.bytes.clone();
    // An old part of the table lies in free space, and other bytes stand in its files; the one in force is in a hole.
    let at = blank(&volume, &bytes, table_range(&volume).end, (stale.end - stale.start) as usize);
    bytes.copy_within(stale.start as usize..stale.end as usize, at);
    let gone = volume.gone(&[volume.first_records(), stale, volume.mirror()]);
    let source = unread(bytes, &gone);
    let found = geometry(&source);
    assert!(found.is_proven() && matches!(&found.table, TablePlace::Pieces(pieces) if pieces.len() > 1), "{found:#?}");
    let swept = open(&source).expect("it is opened").sweep(SweepOptions::default(), &Silent).expect("in memory");
    let (mut old, mut confirmed) = (0, 0);
    for (id, object) in swept.catalog.objects().filter(|(_, one)| one.kind == ObjectKind::File) {
        let is_old = (128..192).contains(&object.locator);
        let is_confirmed = !object.facts.distrust.contains(Distrust::RecordUnconfirmed);
        assert!(!is_old || !is_confirmed, "{}", swept.catalog.first_path(id));
        old += u64::from(is_old);
        confirmed += u64::from(is_confirmed);
    }
    // What stands in a folder whose record is an old one is not confirmed either.
    assert!(old > 20 && confirmed > 200, "{old} old, {confirmed} confirmed");
}
