//! NTFS volumes written by outside tools, handed over: every file with its SHA-256, and nothing left unsaid.
//!
//! Truth: the source files that the fixture script wrote through ntfs-3g (see `test-images/README.md`).

mod common;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use common::fixture::{self, INNER_SLASH, Truth};
use handback::catalog::State;
use handback::filesystem;
use handback::handover::{
    self, Choices, Job, JobDetails, MapNote, Options, Record, Selected, Summary, VolumeSelection,
};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::Source;

/// Hands a whole volume over, deleted files left out.
fn hand_over(name: &str, map_reads_all: bool, to: &Path) -> Summary {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(fixture::image(name)));
    let map = match map_reads_all {
        true => SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[]).expect("no ranges"),
        false => SectorMap::none(image.length()),
    };
    let source = Source::new(Arc::clone(&image), &map, 512);
    let volume = filesystem::open(&source).expect("an image in memory").expect("an NTFS volume");
    let swept = volume.sweep(Default::default(), &Silent).expect("an image in memory");
    let job = Job {
        image: &image,
        image_name: format!("{name}.img"),
        map: MapNote { basis: map.basis(), ..MapNote::default() },
        volumes_complete: true,
        choices: Choices::default(),
        volumes: vec![VolumeSelection {
            number: 1,
            filesystem: volume.as_ref(),
            catalog: &swept.catalog,
            facts: &swept.facts,
            selected: vec![Selected::Root],
        }],
        details: JobDetails::default(),
        disk: None,
        time_zone: jiff::tz::TimeZone::UTC,
        options: Options { streams: true, ..Options::default() },
        record: Record::default(),
    };
    handover::extract(&job, to, &Silent).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// A path in which everything that is no text looks alike.
fn alike(path: &str) -> String {
    path.split('\u{fffd}').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("\u{fffd}")
}

/// What the manifest for programs says of each file and stream.
fn manifest(bag: &Path) -> BTreeMap<String, Vec<serde_json::Value>> {
    let text = std::fs::read(bag.join("records/manifest.json")).expect("a manifest");
    let document: serde_json::Value = serde_json::from_slice(&text).expect("JSON");
    let mut files: BTreeMap<String, Vec<serde_json::Value>> = BTreeMap::new();
    for file in document["files"].as_array().expect("files") {
        let path = file["source_path"].as_str().expect("a path");
        files.entry(alike(path)).or_default().push(file.clone());
    }
    files
}

fn check(name: &str, map_reads_all: bool) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bag = folder.path().join("bag");
    let summary = hand_over(name, map_reads_all, &bag);
    let verified = handover::verify(&bag, &Silent).expect("a bag");
    assert!(verified.is_valid(), "{name}: {:?}", verified.problems);
    assert_eq!(verified.payload_files, summary.written_files, "{name}");

    let mut files = manifest(&bag);
    let wanted = |truth: &&Truth| matches!(&*truth.kind, "file" | "stream") && !truth.has("deleted");
    let mut compared = 0;
    for truth in fixture::truth(name).iter().filter(wanted) {
        let path = truth.path_text().replace(char::from_u32(u32::from(INNER_SLASH)).expect("a character"), "/");
        let same_path = files.get_mut(&alike(&path)).unwrap_or_else(|| panic!("{name}: {path} is in no record"));
        // Lone surrogates look alike as text.
        let index = same_path
            .iter()
            .position(|file| {
                file["path"].is_null()
                    || truth.sha256.is_none()
                    || file["sha256"] == truth.sha256.as_deref().unwrap_or_default()
            })
            .unwrap_or_else(|| panic!("{name}: {path} is not what was stored: {same_path:?}"));
        let file = same_path.remove(index);
        let is_copied = !file["path"].is_null();
        let is_here = !truth.has("encrypted") && !truth.has("unlocated");
        // Of a file that a cloud service keeps there may be a part.
        let is_cut = truth.has("absent");
        let can_be = is_here && (!is_cut || file["never_here_bytes"].as_u64() < truth.size);
        assert_eq!(is_copied, can_be, "{name}: {file}");
        if let (Some(path), Some(size)) = (file["path"].as_str(), truth.size) {
            let written = std::fs::metadata(bag.join(path)).unwrap_or_else(|error| panic!("{name}: {path}: {error}"));
            assert_eq!(written.len(), size, "{name}: {path}");
            let tree = if is_cut { "data/damaged/" } else { "data/recovered/" };
            assert!(path.starts_with(tree), "{name}: {path}");
            compared += u64::from(!is_cut);
        }
    }
    assert!(compared > 0, "{name}: nothing was compared");
    let best = if map_reads_all { State::Whole } else { State::Unproven };
    assert!(summary.count(best).paths >= compared, "{name}: {summary:?}");
    assert!(!summary.has_loss() || summary.count(State::Unlocated).paths > 0, "{name}: {summary:?}");
}

#[test]
fn every_file_is_handed_over_or_said_to_be_lost() {
    for name in [
        "ntfs-c4k",
        "ntfs-c64k",
        "ntfs-attrlist",
        "ntfs-hostile",
        "ntfs-compressed",
        "ntfs-encrypted",
        "ntfs-streams",
        "ntfs-reparse",
        "ntfs-wof-lzx",
        "ntfs-deleted",
    ] {
        check(name, true);
    }
}

#[test]
fn without_a_map_the_same_files_are_handed_over() {
    for name in ["ntfs-hostile", "ntfs-compressed"] {
        check(name, false);
    }
}
