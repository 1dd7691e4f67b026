//! Handovers of [`choir`]s onto sound disks and onto [`disk`]s that fail.

mod adding;
mod bags;
pub(super) mod choir;
pub(super) mod disk;
mod faults;
mod killed;
mod lists;
#[cfg(feature = "report")]
mod look;
#[cfg(feature = "report")]
mod pages;
mod plans;
mod previews;
mod verifying;

use std::collections::BTreeMap;
use std::path::Path;

use super::{Job, Summary, run};
use crate::error::Result;
use crate::progress::Silent;

/// Extracts onto a sound disk.
fn extract(job: &Job<'_>, to: &Path) -> Result<Summary> {
    super::extract(job, to, &Silent)
}

/// Extracts onto a disk that fails as planned.
fn extract_onto(job: &Job<'_>, to: &Path, disk: &disk::FaultyDisk) -> Result<Summary> {
    run(job, to, false, disk, &Silent)
}

/// Every file of a folder by its path in it, folders with a `/` at the end and no content.
fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![(folder.to_path_buf(), String::new())];
    while let Some((folder, prefix)) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let entry = entry.unwrap();
            let path = format!("{prefix}{}", entry.file_name().to_str().unwrap());
            if entry.file_type().unwrap().is_dir() {
                found.insert(format!("{path}/"), Vec::new());
                folders.push((entry.path(), format!("{path}/")));
            } else {
                found.insert(path, std::fs::read(entry.path()).unwrap());
            }
        }
    }
    found
}

/// A bag's content without what may differ between two runs: the log, the day, the times, and the lines of the tag
/// manifest for the files that hold them.
fn timeless(folder: &Path) -> BTreeMap<String, String> {
    let mut found = contents(folder);
    found.remove("records/log.txt").expect("a log");
    let pages = |path: &str| path.ends_with(".html") || path == "READ ME FIRST.txt";
    let may_differ =
        |path: &str| pages(path) || ["records/log.txt", "records/job.json", "bag-info.txt"].contains(&path);
    let info = String::from_utf8(found["bag-info.txt"].clone()).unwrap();
    let day = info.lines().find_map(|line| line.strip_prefix("Bagging-Date: ")).expect("a day").to_string();
    // It signs those lines of the tag manifest, too.
    found.remove("tagmanifest-sha256.txt.sig");
    let keep = |bytes: &[u8], lose: &dyn Fn(&str) -> bool| {
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        text.lines().filter(|line| !lose(line)).collect::<Vec<_>>().join("\n")
    };
    found
        .into_iter()
        .map(|(path, bytes)| {
            let text = match path.as_str() {
                "bag-info.txt" => keep(&bytes, &|line| line.starts_with("Bagging-Date: ")),
                "tagmanifest-sha256.txt" => keep(&bytes, &|line| may_differ(line.split_at(66).1)),
                path if pages(path) => {
                    let text = String::from_utf8(bytes.to_vec()).unwrap();
                    assert!(text.contains(&day), "{path}");
                    text.replace(&day, "DAY")
                }
                "records/job.json" => {
                    let mut job: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
                    job.as_object_mut().unwrap().remove("times").expect("times");
                    job.to_string()
                }
                _ => bytes.iter().map(|byte| char::from(*byte)).collect(),
            };
            (path, text)
        })
        .collect()
}

/// A text for people without its mark and its line ends.
fn prose(path: &Path) -> String {
    let text = std::fs::read_to_string(path).unwrap();
    text.trim_start_matches('\u{feff}').split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The rows of a table, as written.
fn rows(folder: &Path, name: &str) -> Vec<String> {
    let text = std::fs::read_to_string(folder.join("records").join(name)).unwrap();
    text.split_terminator("\r\n").map(str::to_string).collect()
}
