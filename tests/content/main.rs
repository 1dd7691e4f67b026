//! Real files of every format that is checked, made by outside programs: all are sound, and what each check notices
//! when they are broken in ten ways is what `docs/content.md` says.
//!
//! The small ones are in `test-images/content/samples`; `HANDBACK_CONTENT=FOLDER` names a folder with more, as
//! `test-images/content/make-*` fill it. The table is printed with `--nocapture`.

#![expect(clippy::print_stdout, reason = "the table is part of what it shows")]

#[path = "../common/ways.rs"]
mod ways;

mod documents;
mod media;
mod pictures;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use handback::content::formats::{Opens, Verdict, examine};
use ways::WAYS;

/// What is claimed of a format.
struct Claim {
    /// Its name in a verdict.
    format: &'static str,
    /// The ways that may go unnoticed; all others are noticed in every file.
    may_miss: &'static [&'static str],
}

fn claims() -> impl Iterator<Item = &'static Claim> {
    [pictures::CLAIMS, media::CLAIMS, documents::CLAIMS].into_iter().flatten()
}

/// How many files of a format there are, and of each way how many were noticed of how many.
#[derive(Default)]
struct Row {
    files: usize,
    ways: [(usize, usize); WAYS.len()],
}

struct Sample {
    name: String,
    bytes: Vec<u8>,
    verdict: Verdict,
}

fn files_below(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("the samples are there") {
        let path = entry.expect("the folder can be listed").path();
        if path.is_dir() { files_below(&path, into) } else { into.push(path) }
    }
}

fn verdict(name: &str, bytes: &[u8]) -> Verdict {
    examine(name, &bytes.to_vec(), &()).expect("nothing fails in memory")
}

fn samples() -> Vec<Sample> {
    let mut paths = Vec::new();
    files_below(&Path::new(env!("CARGO_MANIFEST_DIR")).join("test-images/content/samples"), &mut paths);
    if let Some(more) = std::env::var_os("HANDBACK_CONTENT") {
        files_below(Path::new(&more), &mut paths);
    }
    paths.sort();
    paths
        .into_iter()
        .map(|path| {
            let name = path.file_name().expect("a file has a name").to_string_lossy().into_owned();
            let bytes = std::fs::read(&path).expect("a sample can be read");
            let verdict = verdict(&name, &bytes);
            Sample { name, bytes, verdict }
        })
        .collect()
}

#[test]
fn every_sound_file_is_sound_and_what_is_claimed_to_be_noticed_is() {
    let samples = samples();
    let mut faults = Vec::new();
    let mut table: BTreeMap<&str, Row> = BTreeMap::new();
    for sample in &samples {
        let expected = if sample.name.contains("protected") { Opens::Protected } else { Opens::Sound };
        if sample.verdict.opens != expected {
            faults.push(format!("{}: {:?}", sample.name, sample.verdict));
        }
    }
    for sample in samples.iter().filter(|sample| sample.verdict.opens == Opens::Sound) {
        let format = sample.verdict.format.expect("what is sound has a format");
        let Some(claim) = claims().find(|claim| claim.format == format) else {
            faults.push(format!("{}: nothing is claimed of {format}", sample.name));
            continue;
        };
        let row = table.entry(format).or_default();
        row.files += 1;
        let other = samples
            .iter()
            .filter(|other| other.verdict.format == Some(format) && other.name != sample.name)
            .max_by_key(|other| other.bytes.len());
        let other = other.map_or(&sample.bytes, |other| &other.bytes);
        for (number, (way, change)) in WAYS.iter().enumerate() {
            let Some(broken) = change(&sample.bytes, other) else { continue };
            let verdict = verdict(&sample.name, &broken);
            let noticed = matches!(verdict.opens, Opens::Broken | Opens::Blank | Opens::Mislabelled);
            row.ways[number].0 += usize::from(noticed);
            row.ways[number].1 += 1;
            if !noticed && !claim.may_miss.contains(way) {
                faults.push(format!("{}: {way} is not noticed: {verdict:?}", sample.name));
            }
        }
    }
    let ways: Vec<&str> = WAYS.iter().map(|(way, _)| *way).collect();
    println!("| format | files | {} |", ways.join(" | "));
    for (format, Row { files, ways }) in &table {
        let cells: Vec<String> = ways.iter().map(|(noticed, all)| format!("{noticed}/{all}")).collect();
        println!("| {format} | {files} | {} |", cells.join(" | "));
    }
    for claim in claims() {
        assert!(table.contains_key(claim.format), "no sample of {}", claim.format);
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
