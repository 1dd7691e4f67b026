//! What is left of a FAT volume that has lost a structure, with counts: each table, the boot sector, the root folder, a
//! folder. What is called whole is held against the truth.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

mod common;

use std::ops::Range;

use common::edit::{any, hash, sweep};
use common::fat_edit::FatEdit;
use common::fixture;
use handback::catalog::{Completeness, ObjectKind, State};
use handback::source::Source;

const VOLUMES: [&str; 3] = ["fat12", "fat16", "fat32-few"];

/// What is left.
#[derive(Debug, Default, PartialEq, Eq)]
struct Left {
    /// Files of the truth.
    all: usize,
    whole: usize,
    doubtful: usize,
    damaged: usize,
    unlocated: usize,
    /// Of all of these, how many stand under `/(no folder)`.
    without_folder: usize,
    /// How many have the right bytes, whatever they are called.
    right: usize,
    folders: usize,
    incomplete: usize,
    unexplained: u64,
}

fn left(name: &str, what: &str, source: &Source) -> Left {
    let truth: Vec<String> = fixture::truth(name).into_iter().filter_map(|line| line.sha256).collect();
    let mut left = Left { all: truth.len(), ..Left::default() };
    if any(source).is_none() {
        println!("{name}, {what}: not read");
        return left;
    }
    let swept = sweep(source);
    for (id, object) in swept.catalog.objects() {
        let path = swept.catalog.first_path(id);
        if object.kind == ObjectKind::Folder {
            left.folders += 1;
            left.incomplete += usize::from(object.completeness() == Completeness::Incomplete);
            continue;
        }
        left.without_folder += usize::from(path.starts_with("/(no folder)/"));
        // A folder may be lost, and a long name: the content says which file it is.
        let state = object.facts.state();
        let right = state != State::Unlocated && truth.contains(&hash(source, &swept, id).0);
        left.right += usize::from(right);
        match state {
            State::Whole => {
                left.whole += 1;
                assert!(right, "{name}, {what}: {path} is called whole");
            }
            State::Doubtful => left.doubtful += 1,
            State::Damaged => left.damaged += 1,
            State::Unlocated => left.unlocated += 1,
            other => panic!("{path}: {other}"),
        }
    }
    left.unexplained = swept.facts.unexplained_bytes.map_or(0, |bytes| bytes.at_least);
    println!("{name}, {what}: {left:?}");
    left
}

fn zeroed(volume: &FatEdit, range: &Range<u64>) -> Source {
    let mut volume = volume.clone();
    let range = usize::try_from(range.start).expect("small")..usize::try_from(range.end).expect("small");
    volume.bytes[range].fill(0);
    volume.source()
}

fn hole(volume: &FatEdit, range: &Range<u64>) -> Source {
    volume.with_holes(std::slice::from_ref(range))
}

#[test]
fn a_first_table_that_is_gone() {
    for name in VOLUMES {
        let volume = FatEdit::of(name);
        let table = volume.table(0);
        for (what, source) in
            [("first table zeroed", zeroed(&volume, &table)), ("first table in a hole", hole(&volume, &table))]
        {
            let left = left(name, what, &source);
            // All of it is there, and nothing shows that the second table is not an old one. Empty files have no chain,
            // but the folders that name them have on FAT32.
            assert_eq!((left.right, left.damaged + left.unlocated, left.unexplained), (left.all, 0, 0), "{name}");
            assert_eq!(left.whole + left.doubtful, left.all, "{name}");
            assert!(left.whole <= 1, "{name}: only an empty file in a root without a chain");
        }
    }
}

#[test]
fn a_second_table_that_is_gone_costs_nothing() {
    for name in VOLUMES {
        let volume = FatEdit::of(name);
        let table = volume.table(1);
        for (what, source) in
            [("second table zeroed", zeroed(&volume, &table)), ("second table in a hole", hole(&volume, &table))]
        {
            let left = left(name, what, &source);
            assert_eq!((left.whole, left.right, left.incomplete), (left.all, left.all, 0), "{name}");
        }
    }
}

#[test]
fn a_boot_sector_that_is_gone() {
    for name in VOLUMES {
        let volume = FatEdit::of(name);
        for (what, source) in
            [("boot sector zeroed", zeroed(&volume, &(0..512))), ("in a hole", hole(&volume, &(0..512)))]
        {
            // Tables and folders say how the volume is laid out (`tests/fat_headless.rs`).
            let left = left(name, what, &source);
            assert_eq!((left.whole, left.right), (left.all, left.all), "{name}");
        }
    }
}

#[test]
fn a_root_folder_whose_beginning_is_gone() {
    for name in VOLUMES {
        let volume = FatEdit::of(name);
        let range = match volume.root_cluster {
            0 => volume.table(1).end..volume.table(1).end + 512,
            cluster => volume.bytes_of(cluster),
        };
        let left = left(name, "beginning of the root folder in a hole", &hole(&volume, &range));
        // Folders are found by their own lists; files of the root itself have no name any more.
        assert!(left.without_folder >= 10 && left.incomplete >= 1, "{name}");
        assert!(left.right >= left.all - 12 && left.unexplained > 0, "{name}");
        assert_eq!((left.doubtful, left.whole), (left.without_folder, left.right - left.without_folder), "{name}");
    }
}

#[test]
fn a_folder_whose_cluster_is_gone() {
    for name in VOLUMES {
        let volume = FatEdit::of(name);
        // In it stand a file and a folder, in which stand a file and a folder, three times over.
        let range = volume.bytes_of(volume.chain_of("/Choir")[0]);
        let left = left(name, "the folder /Choir in a hole", &hole(&volume, &range));
        assert_eq!(left.without_folder, 4, "{name}: what stands in /Choir/Scores and below");
        assert_eq!(left.right, left.all - 1, "{name}: one file has no name any more");
        assert_eq!(
            (left.doubtful, left.whole),
            (4, left.all - 5),
            "{name}: nothing proves that a found list is in force"
        );
        assert!(left.unexplained > 0 && left.unexplained <= 2048, "{name}");
    }
}
