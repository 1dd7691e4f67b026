//! exFAT volumes of which both boot regions are gone: the layout that is found is the one that the boot sector had, files
//! come out as they were written, and nothing is called whole that is not.
//!
//! Truth: the fixtures' own boot sectors, read here after the exFAT specification, and the source files that the fixture
//! script wrote (see `test-images/README.md`).

mod common;

use std::ops::Range;

use common::exfat::Volume;
use common::fixture;
use common::headless_fat::{count, opened, say, source};
use handback::catalog::{Completeness, FindingKind, ObjectKind, State};
use handback::filesystem::exfat::ExFat;
use handback::filesystem::exfat::headless::{self, Geometry, Traces};
use handback::filesystem::{Filesystem, SweepOptions};
use handback::progress::Silent;
use handback::source::Source;

const VOLUMES: [&str; 7] =
    ["exfat-c128k", "exfat-c32k", "exfat-c4k", "exfat-c512", "exfat-deleted", "exfat-odd", "exfat-s4k"];

/// What a boot sector says, in bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Truth {
    sector: u64,
    table_start: u64,
    table_length: u64,
    tables: u8,
    heap_start: u64,
    cluster_size: u64,
    clusters: u32,
    root: u32,
}

fn volume(name: &str) -> (Vec<u8>, Truth) {
    let bytes = fixture::image(name);
    let number = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four"));
    let sector = 1 << bytes[0x6c];
    let truth = Truth {
        sector,
        table_start: u64::from(number(0x50)) * sector,
        table_length: u64::from(number(0x54)) * sector,
        tables: bytes[0x6e],
        heap_start: u64::from(number(0x58)) * sector,
        cluster_size: sector << bytes[0x6d],
        clusters: number(0x5c),
        root: number(0x60),
    };
    (bytes, truth)
}

fn is_true(found: &Geometry, truth: &Truth) -> bool {
    let table = found.table_start.is_none_or(|start| (start, found.tables) == (truth.table_start, truth.tables));
    let heap = (found.heap_start, found.cluster_size, found.clusters, found.root);
    table && heap == (truth.heap_start, truth.cluster_size, truth.clusters, truth.root)
}

/// What is lost beside the boot regions, and how.
fn losses(truth: &Truth) -> Vec<(&'static str, Vec<Range<u64>>)> {
    let boots = 24 * truth.sector;
    vec![
        ("boot sectors", vec![0..truth.sector, 12 * truth.sector..13 * truth.sector]),
        ("boot regions", vec![0..boots]),
        ("first 4 KiB", vec![0..4096, 12 * truth.sector..13 * truth.sector]),
        ("first 64 KiB", if boots > 64 << 10 { vec![0..boots] } else { vec![0..64 << 10] }),
        ("all before the table", vec![0..truth.table_start]),
        ("all before the clusters", vec![0..truth.heap_start]),
    ]
}

#[test]
fn the_layout_is_the_true_one_and_files_are_right() {
    for name in VOLUMES {
        let (bytes, truth) = volume(name);
        for (what, holes) in losses(&truth) {
            for zeroed in [false, true] {
                let source = source(&bytes, &holes, zeroed);
                let how = format!("{name}, {what} {}", if zeroed { "zeroed" } else { "unread" });
                let found = headless::find(&source).expect("in memory").expect("root and up-case table are there");
                assert!(is_true(&found, &truth), "{how}: {found:?} instead of {truth:?}");
                let (opened, swept) = opened(&source).expect("found");
                assert_eq!(opened.findings().count(FindingKind::HeadRebuilt), 1, "{how}");
                let count = count(name, opened.as_ref(), &swept);
                say(&format!("{how}: proven: {}, {count:?}", found.is_proven()));
                let whole = count.right.get("whole").copied().unwrap_or(0);
                assert!(found.is_proven() || whole == 0, "{how}");
                if matches!(what, "boot sectors" | "boot regions") {
                    assert_eq!((found.is_proven(), whole, count.gone), (true, count.files, 0), "{how}");
                }
            }
        }
    }
}

/// Both boot sectors are zeros, and what `change` did.
fn changed(name: &str, change: impl FnOnce(&mut Volume)) -> Source {
    let mut volume = Volume::of(name);
    change(&mut volume);
    let (_, truth) = self::volume(name);
    source(&volume.bytes, &[0..truth.sector, 12 * truth.sector..13 * truth.sector], true)
}

/// Nothing is whole, no folder complete, and why is said.
fn is_doubtful(what: &str, source: &Source) -> Geometry {
    let found = headless::find(source).expect("in memory").expect("shown all the same");
    assert!(!found.is_proven(), "{what}: {found:?}");
    let (volume, swept) = opened(source).expect("found");
    assert_eq!(volume.findings().count(FindingKind::GeometryDoubtful), 1, "{what}");
    for (_, object) in swept.catalog.objects().filter(|(_, object)| object.facts.unlocated.is_none()) {
        assert!(object.facts.state() <= State::Doubtful, "{what}");
        if object.kind == ObjectKind::Folder {
            assert_eq!(object.completeness(), Completeness::Incomplete, "{what}");
        }
    }
    found
}

/// The conditions of `docs/states.md`, "A volume without boot sectors", by their numbers there.
#[test]
fn condition_1_the_up_case_table_has_the_checksum_that_the_root_says() {
    let source = changed("exfat-deleted", |volume| {
        let first = volume.number(volume.own_entry(0x82) + 20, 4) as u32;
        let at = volume.place(first).start as usize;
        volume.bytes[at + 100] ^= 1;
    });
    assert_eq!(headless::find(&source).expect("in memory"), None);
}

#[test]
fn condition_2_the_table_opens_where_it_should() {
    let source = changed("exfat-deleted", |volume| {
        let at = volume.link_at(0);
        volume.bytes[at] = 0;
    });
    let found = is_doubtful("no opening", &source);
    assert!(!found.evidence.opening && found.table_start.is_none());
}

#[test]
fn condition_3_chains_of_the_volumes_own_have_their_length() {
    let source = changed("exfat-deleted", |volume| {
        let first = volume.number(volume.own_entry(0x82) + 20, 4) as u32;
        volume.set_link(first, 0);
    });
    let found = is_doubtful("a chain", &source);
    assert_eq!((found.evidence.own_chains, found.evidence.other_own_chains), (2, 1));
}

#[test]
fn condition_4_a_folders_list_lies_where_its_entry_says() {
    // Its only folder is deleted.
    let source = changed("exfat-deleted", |volume| {
        let set = volume.set("/Kept");
        for entry in 0..set.count {
            volume.bytes[set.start + 32 * entry] &= 0x7f;
        }
    });
    let found = is_doubtful("no folder", &source);
    assert_eq!((found.evidence.folders, found.evidence.other_folders), (0, 0));
}

#[test]
fn condition_5_the_bitmap_calls_it_in_use() {
    let source = changed("exfat-deleted", |volume| {
        let (first, _) = volume.content(volume.set("/Kept"));
        volume.clear_bit(first);
        volume.clear_bit(volume.root);
    });
    assert_eq!(is_doubtful("bits", &source).evidence.other_bits, 2);
}

#[test]
fn condition_6_no_other_root_folder_or_up_case_table_is_there() {
    for kind in ["root", "up-case table"] {
        let source = changed("exfat-deleted", |volume| {
            let upcase = volume.number(volume.own_entry(0x82) + 20, 4) as u32;
            let from = volume.place(if kind == "root" { volume.root } else { upcase });
            let bytes = volume.bytes[from.start as usize..from.end as usize].to_vec();
            let free = volume.place(volume.clusters - 20).start as usize;
            volume.write(free, &bytes);
        });
        assert_eq!(is_doubtful(kind, &source).evidence.strays, 1);
    }
}

#[test]
fn condition_7_no_hole_has_room_for_another_root_folder() {
    let (bytes, truth) = volume("exfat-deleted");
    let free = truth.heap_start + 900 * truth.cluster_size;
    let boots = [0..512, 12 * 512..13 * 512];
    let hole = |length: u64| source(&bytes, &[&boots[..], &[free..free + length]].concat(), false);
    assert!(headless::find(&hole(5632)).expect("in memory").expect("a layout").is_proven());
    assert!(is_doubtful("a hole", &hole(6144)).evidence.may_hide);
}

#[test]
fn a_boot_sector_of_something_else_is_never_overruled() {
    let (mut bytes, _) = volume("exfat-deleted");
    bytes[..13 * 512].fill(0);
    bytes[510..512].copy_from_slice(&[0x55, 0xaa]);
    assert_eq!(headless::find(&source(&bytes, &[], false)).expect("in memory"), None);
}

/// A volume somewhere on a drive is found where it stands, and opens again.
#[test]
fn a_search_finds_the_volume() {
    let (mut bytes, truth) = volume("exfat-c4k");
    bytes[..24 * 512].fill(0);
    let drive = [vec![0; 1 << 20], bytes].concat();
    let source = source(&drive, &[], false);
    let mut traces = Traces::new();
    for offset in (0..source.length()).step_by(512) {
        let (sector, _) = source.read_real(offset, 512).expect("in memory").expect("all was read");
        traces.look(offset, &sector);
    }
    let found = traces.volumes(&source).expect("in memory");
    let [found] = &found[..] else { panic!("{found:?}") };
    // Nothing says how much lies before the table but the boot sector: places count from what must be there.
    let shift = found.start - (1 << 20);
    let table = found.table_start.map(|start| start + shift);
    assert!(is_true(&Geometry { table_start: table, heap_start: found.heap_start + shift, ..found.clone() }, &truth));
    let kept: Geometry = serde_json::from_str(&serde_json::to_string(found).expect("plain data")).expect("the same");
    let window = source.window(kept.start, source.length() - kept.start);
    let volume = ExFat::open_at(&window, &kept).expect("in memory").expect("the same volume");
    let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
    let count = count("exfat-c4k", &volume, &swept);
    assert_eq!(count.right.get("whole").copied(), Some(count.files), "{count:?}");
    // What somebody wrote down is trusted in nothing.
    for wrong in [
        Geometry { cluster_size: 8192, ..kept.clone() },
        Geometry { heap_start: kept.heap_start + 512, ..kept.clone() },
        Geometry { root: kept.root + 1, ..kept.clone() },
        Geometry { table_start: Some(FIRST_TABLE + 512), ..kept.clone() },
    ] {
        if let Some(volume) = ExFat::open_at(&window, &wrong).expect("in memory") {
            let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
            let mut files = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File);
            assert!(files.all(|(_, object)| object.facts.state() <= State::Doubtful), "{wrong:?}");
        }
    }
}

/// Where a table may start at the earliest: behind two boot regions.
const FIRST_TABLE: u64 = 24 * 512;
