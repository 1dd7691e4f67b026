//! exFAT volumes of which both boot regions are gone: the layout that is found is the one that the boot sector had, files
//! come out as they were written, and nothing is called whole that is not.
//!
//! Truth: the fixtures' own boot sectors, read here after the exFAT specification, and the source files that the fixture
//! script wrote (see `test-images/README.md`).

mod common;

use std::ops::Range;

use common::fixture;
use common::headless::{Count, count, opened, source};
use handback::filesystem::exfat::headless::{self, Geometry};

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
fn table() {
    for name in VOLUMES {
        let (bytes, truth) = volume(name);
        for (what, holes) in losses(&truth) {
            for zeroed in [false, true] {
                let source = source(&bytes, &holes, zeroed);
                let Some(found) = headless::find(&source).expect("in memory") else {
                    println!("{name}, {what}, zeroed {zeroed}: nothing");
                    continue;
                };
                let right = is_true(&found, &truth);
                let (_, swept) = opened(&source).expect("found");
                let count: Count = count(name, &source, &swept);
                println!("{name}, {what}, zeroed {zeroed}: true {right} proven {} {count:?}", found.is_proven());
                println!("    {:?} contested {}", found.evidence, found.contested);
                if !right {
                    println!("    {found:?}\n    {truth:?}");
                }
            }
        }
    }
}
