//! Public damaged NTFS volumes from real use, where there are any: the folder that `HANDBACK_CORPUS` names holds
//! `ntfs/*.tar.xz`, each with one sparse image. Each is opened and swept within seconds, and never panics; the table
//! that is printed says what was found.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

#[path = "common/memory.rs"]
mod memory;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use handback::catalog::{Completeness, ObjectKind, State};
use handback::filesystem::{self, SweepOptions, Swept};
use handback::image;
use handback::progress::Silent;
use handback::source::Source;

/// What one sweep may take, whatever the size that the volume claims.
const MOST_TIME: Duration = Duration::from_secs(30);

/// The most memory that a process may have for it, in KiB, likewise.
const MOST_MEMORY: u64 = 256 << 10;

/// Where a process that reads one image finds its name, and how its answer begins.
const ONE_IMAGE: &str = "HANDBACK_CORPUS_IMAGE";
const ANSWER: &str = "swept: ";

fn packed(corpus: &Path) -> Vec<PathBuf> {
    let folder = corpus.join("ntfs");
    let entries = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let paths = entries.map(|entry| entry.expect("a readable folder").path());
    let mut packed: Vec<PathBuf> = paths.filter(|path| path.to_string_lossy().ends_with(".tar.xz")).collect();
    packed.sort();
    packed
}

/// The largest file of a packed folder, unpacked with its holes.
fn unpack(packed: &Path, to: &Path) -> PathBuf {
    let status = Command::new("tar").arg("-xJSf").arg(packed).arg("-C").arg(to).status().expect("`tar` is there");
    assert!(status.success(), "{}", packed.display());
    let mut open = vec![to.to_path_buf()];
    let mut largest: Option<(u64, PathBuf)> = None;
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(folder).expect("own folder") {
            let entry = entry.expect("own folder");
            let metadata = entry.metadata().expect("own file");
            if metadata.is_dir() {
                open.push(entry.path());
            } else if largest.as_ref().is_none_or(|(length, _)| metadata.len() > *length) {
                largest = Some((metadata.len(), entry.path()));
            }
        }
    }
    largest.expect("an image").1
}

/// What a sweep found, in one line.
fn line(swept: &Swept) -> String {
    let catalog = &swept.catalog;
    let mut files = [0_u64; State::ALL.len()];
    let (mut folders, mut incomplete) = (0, 0);
    for (_, object) in catalog.objects() {
        match object.kind {
            ObjectKind::File => {
                let at = State::ALL.iter().position(|state| *state == object.facts.state()).expect("a state");
                files[at] += 1;
            }
            ObjectKind::Folder => {
                folders += 1;
                incomplete += u64::from(object.completeness() == Completeness::Incomplete);
            }
            _ => {}
        }
    }
    let mut reasons: BTreeMap<&str, u64> = BTreeMap::new();
    for (_, object) in catalog.objects().filter(|(_, object)| object.kind != ObjectKind::Folder) {
        for reason in object.facts.reasons() {
            *reasons.entry(reason).or_default() += 1;
        }
    }
    let reasons: Vec<String> = reasons.iter().map(|(reason, count)| format!("{reason} x{count}")).collect();
    let states: Vec<String> = State::ALL
        .iter()
        .zip(files)
        .filter(|(_, count)| *count > 0)
        .map(|(state, count)| format!("{count} {}", state.word()))
        .collect();
    let findings: Vec<String> = catalog
        .findings
        .kinds()
        .map(|(kind, kept)| {
            format!("{} x{}", serde_json::to_value(kind).expect("a word").as_str().expect("a word"), kept.count)
        })
        .collect();
    let unexplained = swept.facts.unexplained_bytes.map_or("bitmap not readable".to_string(), |bytes| {
        if bytes.at_most == 0 { String::new() } else { format!("unexplained {}..{}", bytes.at_least, bytes.at_most) }
    });
    format!(
        "{} ({}); {folders} folders, {incomplete} incomplete; {} lost records; {} | {unexplained}",
        states.join(", "),
        reasons.join(", "),
        catalog.lost_records,
        findings.join(", ")
    )
}

/// Opens and sweeps an image, and prints seconds, MiB and what was found. A process of its own, so that its peak is that
/// of this image.
fn sweep_one(file: &Path) {
    let image = image::open(&[file]).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    let source = Source::without_map(image);
    let started = Instant::now();
    let found = match filesystem::open(&source).expect("a local file") {
        None => "not recognised | ".to_string(),
        Some(volume) => {
            let options = SweepOptions { deleted: true, cross_check: true };
            let mut swept = volume.sweep(options, &Silent).expect("a local file");
            swept.catalog.findings.extend(volume.findings().clone());
            line(&swept)
        }
    };
    let took = started.elapsed();
    assert!(took < MOST_TIME, "{took:?}");
    let peak = memory::peak();
    assert!(peak.is_none_or(|kib| kib < MOST_MEMORY), "{peak:?} KiB");
    let mib = peak.map_or("-".to_string(), |kib| kib.div_ceil(1024).to_string());
    println!("{ANSWER}{:.2} | {mib} | {found}", took.as_secs_f64());
}

#[test]
fn every_public_damaged_volume_is_read_in_seconds() {
    if let Some(file) = std::env::var_os(ONE_IMAGE) {
        return sweep_one(Path::new(&file));
    }
    let Some(corpus) = std::env::var_os("HANDBACK_CORPUS").map(PathBuf::from) else {
        println!("HANDBACK_CORPUS is not set: no public volumes are read");
        return;
    };
    let packed = packed(&corpus);
    assert!(!packed.is_empty(), "{} holds no volumes", corpus.display());
    println!("image | GB | seconds | MiB | found | in use");
    for path in &packed {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let file = unpack(path, folder.path());
        let name = path.file_name().expect("a file").to_string_lossy();
        let name = name.trim_end_matches(".tar.xz");
        let gigabytes = std::fs::metadata(&file).expect("own file").len() / 1_000_000_000;
        let mut sweep = Command::new(std::env::current_exe().expect("this test"));
        sweep.args(["--exact", "every_public_damaged_volume_is_read_in_seconds", "--nocapture"]);
        let output = sweep.env(ONE_IMAGE, &file).output().expect("this test starts");
        let text = String::from_utf8_lossy(&output.stdout);
        let answer = text.lines().find_map(|line| line.strip_prefix(ANSWER));
        let answer = answer.unwrap_or_else(|| panic!("{name}: {text}{}", String::from_utf8_lossy(&output.stderr)));
        println!("{name} | {gigabytes} | {answer}");
    }
    println!("{} volumes", packed.len());
}
