//! Public damaged volumes, where there are any: the folder that `HANDBACK_CORPUS` names holds `ntfs/*.tar.xz`, each with
//! one sparse image from real use, and `fat/*.img.zst`, images of a filesystem checker's own tests, many beside what the
//! checker made of them. Each is opened and swept within seconds, and never panics; the tables that are printed say what
//! was found.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

#[path = "common/memory.rs"]
mod memory;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use handback::catalog::{Completeness, ObjectKind, State};
use handback::filesystem::{self, Filesystem, SweepOptions, Swept};
use handback::progress::Silent;
use handback::source::Source;
use handback::volumes::{self, Content};
use handback::{content, image};
use sha2::{Digest, Sha256};

/// What one sweep may take, whatever the size that the volume claims.
const MOST_TIME: Duration = Duration::from_secs(30);

/// The most memory that a process may have for it, in KiB, likewise.
const MOST_MEMORY: u64 = 256 << 10;

/// Where a process that reads one image finds its name, and how its answer begins.
const ONE_IMAGE: &str = "HANDBACK_CORPUS_IMAGE";
const ANSWER: &str = "swept: ";

fn packed(corpus: &Path, folder: &str, ending: &str) -> Vec<PathBuf> {
    let folder = corpus.join(folder);
    let entries = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let paths = entries.map(|entry| entry.expect("a readable folder").path());
    let mut packed: Vec<PathBuf> = paths.filter(|path| path.to_string_lossy().ends_with(ending)).collect();
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
            let options = SweepOptions { deleted: true, cross_check: true, ..SweepOptions::default() };
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
    let packed = packed(&corpus, "ntfs", ".tar.xz");
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

/// An image, unpacked with its holes, and what opening and sweeping it found.
fn swept(packed: &Path, folder: &Path) -> Option<(Source, Box<dyn Filesystem>, Swept)> {
    let file = folder.join("volume.img");
    let status = Command::new("zstd").args(["-dqf", "--sparse"]).arg(packed).arg("-o").arg(&file).status();
    assert!(status.expect("`zstd` is there").success(), "{}", packed.display());
    let image = image::open(&[&file]).unwrap_or_else(|error| panic!("{}: {error}", packed.display()));
    // With a table, its only volume.
    let disk = volumes::open(&Source::without_map(image), Default::default()).expect("a local file");
    let volume = disk.volumes.into_iter().find_map(|volume| match volume.content {
        Content::Readable(filesystem) => Some(filesystem),
        Content::Recognised(_) | Content::Unknown(_) => None,
    })?;
    let options = SweepOptions { deleted: true, ..SweepOptions::default() };
    let mut swept = volume.sweep(options, &Silent).expect("a local file");
    swept.catalog.findings.extend(volume.findings().clone());
    Some((volume.source().clone(), volume, swept))
}

/// Every file of which nothing bad is known, and whose path no other has: path to size and SHA-256.
fn sound(source: &Source, volume: &dyn Filesystem, swept: &Swept) -> BTreeMap<String, (u64, String)> {
    let mut all = BTreeMap::new();
    let mut twice = BTreeSet::new();
    for (id, object) in swept.catalog.objects() {
        let Ok(extents) = volume.extents(&swept.catalog, id) else { continue };
        if object.kind != ObjectKind::File || object.facts.state() != State::Unproven {
            continue;
        }
        let mut hash = Sha256::new();
        content::read(source, &extents, &mut |piece| {
            hash.update(piece);
            Ok(())
        })
        .expect("a local file");
        let digest = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        let path = swept.catalog.first_path(id);
        if all.insert(path.clone(), (object.size, digest)).is_some() {
            twice.insert(path);
        }
    }
    all.retain(|path, _| !twice.contains(path));
    all
}

#[test]
fn every_public_fat_volume_is_read_in_seconds_and_its_damage_is_named() {
    let Some(corpus) = std::env::var_os("HANDBACK_CORPUS").map(PathBuf::from) else {
        println!("HANDBACK_CORPUS is not set: no public volumes are read");
        return;
    };
    let packed = packed(&corpus, "fat", ".img.zst");
    assert!(!packed.is_empty(), "{} holds no volumes", corpus.display());
    println!("image | volume | seconds | found | in use");
    let (mut damaged, mut named, mut compared) = (0, 0, 0);
    for path in &packed {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let started = Instant::now();
        let opened = swept(path, folder.path());
        let took = started.elapsed();
        let name = path.file_name().expect("a file").to_string_lossy();
        let name = name.trim_end_matches(".img.zst");
        assert!(took < MOST_TIME, "{name} took {took:?}");
        let (source, volume, swept) = opened.unwrap_or_else(|| panic!("{name} is not read"));
        let facts = volume.facts();
        let what = format!("{} {}", facts.filesystem, facts.label.as_deref().unwrap_or("-"));
        println!("{name} | {what} | {:.1} | {}", took.as_secs_f64(), line(&swept));
        let Some(stem) = name.strip_suffix(".damaged") else { continue };
        damaged += 1;
        let quiet = swept.catalog.findings.is_empty();
        named += u64::from(!quiet);
        // Only where the label stands is not damage to a file, and no system minds it.
        assert!(!quiet || name == "check-label-only-root.damaged", "{name}: nothing is said");
        // What the checker left alone reads the same.
        let repaired = path.with_file_name(format!("{stem}.repaired.img.zst"));
        let folder = tempfile::tempdir().expect("a temporary folder");
        let Some((other, mended, after)) = repaired.exists().then(|| self::swept(&repaired, folder.path())).flatten()
        else {
            continue;
        };
        let before = sound(&source, volume.as_ref(), &swept);
        for (path, content) in sound(&other, mended.as_ref(), &after) {
            if let Some(old) = before.get(&path) {
                compared += 1;
                assert_eq!(*old, content, "{name}: {path}");
            }
        }
    }
    println!("{} volumes, {damaged} damaged, {named} of them with findings", packed.len());
    println!("{compared} files that are sound in a damaged volume and in the repaired one read the same");
    assert!(compared > 0);
}
