//! Every input that was kept, through the checks of the fuzz targets: the corpus, and what once made a target fail.

use std::fs;
use std::path::{Path, PathBuf};

use handback::catalog::{FindingKind, ObjectKind};
use handback::filesystem::{self, SweepOptions};
use handback::partition;
use handback::progress::Silent;

#[path = "../fuzz/checks/mod.rs"]
mod checks;

/// The most that the corpus may take, in bytes: it is for a quick run, and the long ones grow their own.
const MOST_CORPUS: usize = 660_000;
const MOST_INPUT: usize = 65_536;

/// The files in a check's folder, in order; none if there is no such folder.
fn inputs(root: &str, check: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(root).join(check);
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("a readable folder").path()).collect();
    paths.sort();
    paths.into_iter().map(|path| (path.clone(), fs::read(path).expect("a readable file"))).collect()
}

/// The names of a folder's sub-folders.
fn folders(root: &str) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(root);
    let mut names: Vec<String> = fs::read_dir(root)
        .expect("a readable folder")
        .map(|entry| entry.expect("a readable folder"))
        .filter(|entry| entry.path().is_dir())
        .map(|entry| entry.file_name().into_string().expect("our own names"))
        .collect();
    names.sort();
    names
}

#[test]
fn nothing_that_was_kept_breaks_a_promise() {
    let mut failed = Vec::new();
    for (name, _) in checks::CHECKS {
        for (path, bytes) in [inputs("fuzz/corpus", name), inputs("tests/crashers", name)].concat() {
            if std::panic::catch_unwind(|| checks::run(name, &bytes)).is_err() {
                failed.push(path);
            }
        }
    }
    assert!(failed.is_empty(), "{failed:#?}");
}

/// A seed that no reader opens would make its target a check that can't fail.
#[test]
fn the_seeds_reach_the_readers() {
    let source = |bytes: &[u8]| checks::sparse::Sparse::parse(bytes).source();
    for (path, bytes) in [
        inputs("fuzz/corpus/ntfs", ""),
        inputs("fuzz/corpus/split_reads", ""),
        inputs("fuzz/corpus/exfat", ""),
        inputs("fuzz/corpus/fat", ""),
    ]
    .concat()
    {
        let volume = filesystem::open(&source(&bytes)).expect("in memory");
        let volume = volume.unwrap_or_else(|| panic!("{} is no volume", path.display()));
        let swept = volume
            .sweep(SweepOptions { deleted: true, cross_check: true, ..SweepOptions::default() }, &Silent)
            .expect("within bounds");
        let files = swept.catalog.objects().filter(|(id, object)| {
            let placed = volume.extents(&swept.catalog, *id).is_ok();
            object.kind == ObjectKind::File && object.locator >= 16 && placed
        });
        assert!(files.count() >= 1, "{} shows files", path.display());
        assert!(swept.catalog.object_count() >= 7, "{} shows more", path.display());
    }
    for (path, bytes) in inputs("fuzz/corpus/headless", "") {
        let volume =
            filesystem::open_without_head(&source(&bytes[0x20..]), filesystem::Formats::ALL).expect("in memory");
        let volume = volume.unwrap_or_else(|| panic!("{} is no volume", path.display()));
        assert_eq!(volume.findings().count(FindingKind::GeometryDoubtful), 0, "{} is proven", path.display());
    }
    for (path, bytes) in inputs("fuzz/corpus/partition", "") {
        let sector_size = path.ends_with("gpt-4k").then_some(4096);
        let table = partition::read(&source(&bytes), sector_size).expect("in memory");
        assert!(!table.partitions.is_empty(), "{} has partitions", path.display());
    }
}

#[test]
fn each_check_has_a_target_and_a_small_corpus_and_no_folder_lacks_its_check() {
    let names: Vec<&str> = checks::CHECKS.iter().map(|(name, _)| *name).collect();
    let mut total = 0;
    for name in &names {
        let target = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/fuzz_targets").join(format!("{name}.rs"));
        assert!(fs::read_to_string(target).is_ok_and(|text| text.contains(&format!("\"{name}\""))), "{name}");
        let corpus = inputs("fuzz/corpus", name);
        assert!(!corpus.is_empty(), "{name} has no corpus");
        for (path, bytes) in corpus {
            assert!(bytes.len() <= MOST_INPUT, "{} is too long", path.display());
            total += bytes.len();
        }
    }
    assert!(total <= MOST_CORPUS, "the corpus has {total} bytes");
    assert_eq!(folders("fuzz/corpus"), names);
    for folder in folders("tests/crashers") {
        assert!(names.contains(&folder.as_str()), "nothing runs tests/crashers/{folder}");
    }
}
