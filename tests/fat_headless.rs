//! FAT volumes of which every copy of the boot sector is gone: the layout that is found is the one that the boot sector
//! had, files come out as they were written, and nothing is called whole that is not.
//!
//! Truth: the fixtures' own boot sectors, read here after the FAT specification, and the source files that the fixture
//! script wrote (see `test-images/README.md`).

mod common;

use std::ops::Range;

use common::fat_edit::FatEdit;
use common::headless_fat::{count, opened, say, source};
use common::{Bench, fixture};
use handback::catalog::{Completeness, Distrust, FindingKind, Incomplete, ObjectKind, State};
use handback::filesystem::fat::Fat;
use handback::filesystem::fat::headless::{self, Geometry, Traces};
use handback::filesystem::{Filesystem, SweepOptions};
use handback::progress::Silent;
use handback::source::Source;

/// Every FAT volume among the fixtures; `card` stands behind a partition table.
const VOLUMES: [&str; 15] = [
    "card",
    "fat12",
    "fat12-s1024",
    "fat16",
    "fat16-deleted",
    "fat16-frag",
    "fat16-s2048",
    "fat16-stale",
    "fat32",
    "fat32-few",
    "fat32-s4096",
    "fat4084",
    "fat4085",
    "fat65524",
    "fat65525",
];

/// Those without folders, whose layout nothing proves.
const NO_FOLDERS: [&str; 4] = ["fat4084", "fat4085", "fat65524", "fat65525"];

/// What a boot sector says, in bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Truth {
    sector: u64,
    bits: u8,
    tables_start: u64,
    table_length: u64,
    tables: u64,
    root_length: u64,
    root_cluster: u32,
    cluster_size: u64,
    clusters: u64,
    backup: Option<u64>,
}

/// A volume by itself, and what its boot sector says.
fn volume(name: &str) -> (Vec<u8>, Truth) {
    let mut bytes = fixture::image(name);
    if name == "card" {
        bytes.drain(..1 << 20);
    }
    let number =
        |at: usize, width: usize| bytes[at..at + width].iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte));
    let sector = number(11, 2);
    let table_length = if number(22, 2) > 0 { number(22, 2) } else { number(36, 4) } * sector;
    let fat32 = number(22, 2) == 0;
    let (tables_start, tables, root_length) = (number(14, 2) * sector, number(16, 1), number(17, 2) * 32);
    let cluster_size = number(13, 1) * sector;
    let total = if number(19, 2) > 0 { number(19, 2) } else { number(32, 4) } * sector;
    let clusters = (total - tables_start - tables * table_length - root_length) / cluster_size;
    let bits = match (fat32, clusters) {
        (true, _) => 32,
        (false, ..4085) => 12,
        (false, _) => 16,
    };
    let root_cluster = if fat32 { u32::try_from(number(44, 4)).expect("32 bits") } else { 0 };
    let backup = fat32.then(|| number(50, 2) * sector);
    let truth = Truth {
        sector,
        bits,
        tables_start,
        table_length,
        tables,
        root_length,
        root_cluster,
        cluster_size,
        clusters,
        backup,
    };
    (bytes, truth)
}

/// The copies of the boot sector, in bytes.
fn boots(truth: &Truth) -> Vec<Range<u64>> {
    [Some(0), truth.backup].into_iter().flatten().map(|at| at..at + truth.sector).collect()
}

fn is_true(found: &Geometry, truth: &Truth) -> bool {
    let places = (found.tables_start, found.table_length, found.tables, found.root_length, found.root_cluster);
    let wanted = (truth.tables_start, truth.table_length, truth.tables, truth.root_length, truth.root_cluster);
    (found.bits, found.cluster_size) == (truth.bits, truth.cluster_size)
        && places == wanted
        && found.clusters >= truth.clusters
}

/// What is lost beside the boot sectors, and how.
fn losses(truth: &Truth) -> Vec<(&'static str, Vec<Range<u64>>)> {
    let head = |length: u64| {
        let later = boots(truth).into_iter().filter(|boot| boot.start >= length);
        [0..length].into_iter().chain(later).collect::<Vec<_>>()
    };
    vec![
        ("boot sectors", boots(truth)),
        ("first 4 KiB", head(4096.max(truth.sector))),
        ("first 64 KiB", head(64 << 10)),
        ("reserved area", vec![0..truth.tables_start]),
        ("reserved area, table 1", vec![0..truth.tables_start + truth.table_length]),
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
                let Some(found) = headless::find(&source).expect("in memory") else {
                    // Without an opening of a table there is nothing to go by.
                    let tables = truth.tables_start..truth.tables_start + truth.table_length + 512;
                    assert!(holes.iter().any(|hole| hole.end >= tables.end) || NO_FOLDERS.contains(&name), "{how}");
                    say(&format!("{how}: not found"));
                    continue;
                };
                assert!(is_true(&found, &truth), "{how}: {found:?} instead of {truth:?}");
                let (opened, swept) = opened(&source).expect("found");
                assert_eq!(opened.findings().count(FindingKind::HeadRebuilt), 1, "{how}");
                let count = count(name, opened.as_ref(), &swept);
                say(&format!("{how}: proven: {}, {count:?}", found.is_proven()));
                let whole = count.right.get("whole").copied().unwrap_or(0);
                assert!(found.is_proven() || whole == 0, "{how}");
                if matches!(what, "boot sectors" | "reserved area") && !NO_FOLDERS.contains(&name) {
                    // The stale second table says other things of 17 files.
                    let stale = if name == "fat16-stale" { 17 } else { 0 };
                    assert_eq!((found.is_proven(), whole, count.gone), (true, count.files - stale, 0), "{how}");
                }
            }
        }
    }
}

/// A volume whose boot sectors are zeros, as `change` left it.
fn changed(name: &str, change: impl FnOnce(&mut FatEdit)) -> Source {
    let mut volume = FatEdit::of(name);
    let (_, truth) = self::volume(name);
    change(&mut volume);
    source(&volume.bytes, &boots(&truth), true)
}

/// Nothing is whole, no folder complete, and why is said; with the layout that the volume has.
fn is_doubtful(what: &str, source: &Source) -> Geometry {
    let found = headless::find(source).expect("in memory").expect("shown all the same");
    assert!(!found.is_proven(), "{what}: {found:?}");
    let (volume, swept) = opened(source).expect("found");
    assert_eq!(volume.findings().count(FindingKind::GeometryDoubtful), 1, "{what}");
    for (_, object) in swept.catalog.objects().filter(|(_, object)| object.facts.unlocated.is_none()) {
        let reasons = object.facts.distrust;
        assert!(reasons.contains(Distrust::GeometryDoubtful) || reasons.contains(Distrust::FolderDoubtful), "{what}");
        assert!(object.facts.state() <= State::Doubtful, "{what}");
        if object.kind == ObjectKind::Folder {
            assert_eq!(object.completeness(), Completeness::Incomplete, "{what}");
            assert!(
                object.incomplete.contains(Incomplete::TableDoubtful)
                    || object.incomplete.contains(Incomplete::NoFolder)
            );
        }
    }
    found
}

/// The conditions of `docs/states.md`, "A volume without boot sectors", by their numbers there.
#[test]
fn condition_1_the_tables_open_where_they_should() {
    let sound = headless::find(&changed("fat16", |_| {})).expect("in memory").expect("a layout");
    assert!(sound.is_proven());
    // The second table's opening is another one, and the tables differ: one opening and no copy of it.
    let source = changed("fat16", |volume| {
        let start = volume.tables[1].start;
        volume.bytes[start..start + 512].fill(0);
    });
    let found = headless::find(&source).expect("in memory");
    assert!(found.is_none_or(|found| !found.is_proven() && found.evidence.openings == 1));
}

#[test]
fn condition_2_two_folders_lie_in_the_clusters_that_they_name() {
    let source = changed("fat16-frag", |volume| {
        let (entry, cluster) = (volume.named("/late"), volume.chain_of("/late")[0]);
        volume.bytes[entry] = 0xe5;
        let at = volume.offset(cluster);
        volume.bytes[at..at + 64].fill(0);
    });
    let found = is_doubtful("one folder", &source);
    assert_eq!((found.evidence.folders, found.evidence.top_folders), (1, 1));
}

#[test]
fn condition_3_a_folder_says_that_it_stands_in_the_root() {
    let source = changed("fat16-frag", |volume| {
        for path in ["/late", "/small"] {
            let at = volume.offset(volume.chain_of(path)[0]);
            // `..`, first cluster.
            volume.bytes[at + 32 + 26] = 9;
        }
    });
    let found = is_doubtful("no folder of the root", &source);
    assert_eq!((found.evidence.folders, found.evidence.top_folders), (2, 0));
}

#[test]
fn condition_4_chains_have_the_length_that_sizes_ask_for() {
    // Files of several clusters are deleted; their chains stay, in use and nobody's.
    let source = changed("fat16", |volume| {
        let swept = common::edit::sweep(&volume.source());
        for (_, object) in swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File) {
            if object.size > 1024 {
                volume.bytes[usize::try_from(object.locator).expect("small")] = 0xe5;
            }
        }
    });
    let found = is_doubtful("no chain", &source);
    assert_eq!((found.evidence.chains, found.evidence.other_chains), (0, 0));
}

#[test]
fn condition_5_few_folders_lie_elsewhere() {
    // Two that an earlier format left in free clusters, of eight in all.
    let source = changed("fat16", |volume| {
        let at = volume.offset(volume.chain_of("/Choir")[0]);
        let dots = volume.bytes[at..at + 64].to_vec();
        for cluster in [4000, 4001] {
            let at = volume.offset(cluster);
            volume.bytes[at..at + 64].copy_from_slice(&dots);
        }
    });
    let found = is_doubtful("strays", &source);
    assert_eq!((found.evidence.placed, found.evidence.strays), (8, 2));
}

#[test]
fn condition_6_no_hole_has_room_for_other_tables() {
    let (bytes, truth) = volume("fat16");
    let free = truth.tables_start + 4_000_000 / 512 * 512;
    let hole = |length: u64| source(&bytes, &[0..512, free..free + length], false);
    let half = truth.table_length / 2;
    let small = headless::find(&hole(half - 512)).expect("in memory").expect("a layout");
    assert!(small.is_proven());
    assert!(is_doubtful("a hole", &hole(half)).evidence.may_hide);
}

#[test]
fn condition_7_no_other_layout_is_as_well_proven() {
    // A floppy's image that was saved as a file, in clusters that are free here.
    let inner = fixture::image("fat12");
    let (mut bytes, truth) = volume("fat32-few");
    let end = bytes.len();
    bytes.extend(&inner);
    bytes[end..end + 512].fill(0);
    let found = is_doubtful("two volumes", &source(&bytes, &boots(&truth), true));
    assert!(found.contested);
}

/// A volume with one table, of an even and an odd number of sectors: the second one is cut out.
#[test]
fn one_table_alone() {
    for name in ["fat32-few", "fat32-s4096"] {
        let (mut bytes, truth) = volume(name);
        let second = usize::try_from(truth.tables_start + truth.table_length).expect("small");
        bytes.drain(second..second + usize::try_from(truth.table_length).expect("small"));
        let source = source(&bytes, &boots(&truth), true);
        let found = headless::find(&source).expect("in memory").expect("a layout");
        assert!(is_true(&found, &Truth { tables: 1, ..truth }) && found.is_proven(), "{name}: {found:?}");
        let (opened, swept) = opened(&source).expect("found");
        let count = count(name, opened.as_ref(), &swept);
        assert_eq!(count.right.get("whole").copied(), Some(count.files), "{name}: {count:?}");
    }
}

#[test]
fn a_boot_sector_of_something_else_is_never_overruled() {
    let (mut bytes, _) = volume("fat16");
    bytes[..512].fill(0);
    bytes[3..11].copy_from_slice(b"OTHER   ");
    bytes[510..512].copy_from_slice(&[0x55, 0xaa]);
    assert_eq!(headless::find(&source(&bytes, &[], false)).expect("in memory"), None);
}

fn traces(source: &Source) -> Traces {
    let mut traces = Traces::new();
    for offset in (0..source.length()).step_by(512) {
        if let Some((sector, _)) = source.read_real(offset, 512).expect("in memory") {
            traces.look(offset, &sector);
        }
    }
    traces
}

/// Two volumes on a drive whose table is lost, too: each is found where it stands, and opens again.
#[test]
fn a_search_finds_each_volume() {
    let mut drive = vec![0; 1 << 20];
    let mut truths = Vec::new();
    for name in ["fat16", "fat32-few"] {
        let (mut bytes, truth) = volume(name);
        for boot in boots(&truth) {
            bytes[usize::try_from(boot.start).expect("small")..usize::try_from(boot.end).expect("small")].fill(0);
        }
        truths.push((name, u64::try_from(drive.len()).expect("small"), truth));
        drive.extend(bytes);
        drive.resize(drive.len().next_multiple_of(1 << 20), 0);
    }
    let source = source(&drive, &[], false);
    let found = traces(&source).volumes(&source).expect("in memory");
    assert_eq!(found.len(), 2, "{found:?}");
    for ((name, start, truth), found) in truths.iter().zip(&found) {
        assert_eq!(found.start, *start, "{name}");
        assert!(is_true(found, truth) && found.is_proven(), "{name}: {found:?}");
        let kept = serde_json::to_string(found).expect("plain data");
        let kept: Geometry = serde_json::from_str(&kept).expect("what was written");
        let window = source.window(kept.start, kept.total_bytes());
        let volume = Fat::open_at(&window, &kept).expect("in memory").expect("the same volume");
        let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
        let count = count(name, &volume, &swept);
        assert_eq!(count.right.get("whole").copied(), Some(count.files), "{name}: {count:?}");
    }
}

/// What somebody wrote down is trusted in nothing.
#[test]
fn a_layout_that_is_read_back_is_looked_at_anew() {
    let (bytes, truth) = volume("fat16");
    let source = source(&bytes, &boots(&truth), true);
    let found = headless::find(&source).expect("in memory").expect("a layout");
    for wrong in [
        Geometry { cluster_size: 2048, ..found.clone() },
        Geometry { root_length: found.root_length - 512, ..found.clone() },
        Geometry { tables_start: found.tables_start + 512, ..found.clone() },
        Geometry { bits: 12, clusters: 4000, ..found.clone() },
        Geometry { clusters: u64::MAX, ..found.clone() },
        Geometry { tables: 0, ..found.clone() },
    ] {
        let Some(volume) = Fat::open_at(&source, &wrong).expect("in memory") else { continue };
        if wrong.clusters == u64::MAX {
            continue;
        }
        let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
        let mut files = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File);
        assert!(files.all(|(_, object)| object.facts.state() <= State::Doubtful), "{wrong:?}");
    }
    // Without a boast of evidence, what is found now counts.
    let modest = Geometry { evidence: Default::default(), ..found.clone() };
    let volume = Fat::open_at(&source, &modest).expect("in memory").expect("a volume");
    assert_eq!(volume.findings().count(FindingKind::GeometryDoubtful), 0);
    // Doubt that was written down stays.
    let doubted = Geometry { contested: true, ..found };
    let volume = Fat::open_at(&source, &doubted).expect("in memory").expect("a volume");
    assert_eq!(volume.findings().count(FindingKind::GeometryDoubtful), 1);
}

/// Nothing vouches for an image without a map.
#[test]
fn without_a_map_all_is_unproven() {
    let (bytes, truth) = volume("fat16");
    let (mut bytes, boots) = (bytes, boots(&truth));
    bytes[..usize::try_from(boots[0].end).expect("small")].fill(0);
    let source = Source::without_map(std::sync::Arc::new(handback::image::MemoryImage::new(bytes)));
    let (_, swept) = opened(&source).expect("found");
    let states: Vec<State> = swept.catalog.objects().map(|(_, object)| object.facts.state()).collect();
    assert!(states.len() > 50 && states.iter().all(|state| *state == State::Unproven));
}

/// The whole program, on a card whose partition table is sound and whose volume has lost its boot sector.
#[test]
fn a_camera_card_without_its_boot_sector() {
    let mut bytes = fixture::image("card");
    bytes[1 << 20..(1 << 20) + 512].fill(0);
    let bench = Bench::new();
    bench.read_only("card.img", &bytes);
    bench.run("layout card.img").code(0).out_has("FAT16");
    bench.run("list card.img /DCIM --json").code(0).out_has("\"completeness\":\"unproven\"");
}
