//! FAT volumes of which every copy of the boot sector is gone: the layout that is found is the one that the boot sector
//! had, files come out as they were written, and nothing is called whole that is not.
//!
//! Truth: the fixtures' own boot sectors, read here after the FAT specification, and the source files that the fixture
//! script wrote (see `test-images/README.md`).

mod common;

use std::ops::Range;

use common::fixture;
use common::headless::{count, opened, source};
use handback::filesystem::fat::headless::{self, Geometry};

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
fn table() {
    for name in VOLUMES {
        let (bytes, truth) = volume(name);
        for (what, holes) in losses(&truth) {
            for zeroed in [false, true] {
                let source = source(&bytes, &holes, zeroed);
                let found = headless::find(&source).expect("in memory");
                let Some(found) = found else {
                    println!("{name}, {what}, zeroed {zeroed}: nothing");
                    continue;
                };
                let right = is_true(&found, &truth);
                let (_, swept) = opened(&source).expect("found");
                let count = count(name, &source, &swept);
                println!("{name}, {what}, zeroed {zeroed}: true {right} proven {} {count:?}", found.is_proven());
                println!("    {:?} contested {}", found.evidence, found.contested);
                if !right {
                    println!("    {found:?}\n    {truth:?}");
                }
            }
        }
    }
}
