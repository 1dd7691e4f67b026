//! `handback survey`: its numbers against those that the truth gives.

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::fixture::{self, Truth};
use common::{Bench, Outcome};
use serde_json::{Value, json};

fn demo() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench
}

/// What the truth has at and below `folder`: files and bytes (each file once, however many names), names, damaged
/// files, missing bytes, newest change.
#[derive(Debug, Default, PartialEq)]
struct Counted {
    files: u64,
    bytes: u64,
    names: u64,
    folders: u64,
    damaged: u64,
    missing: u64,
    newest: Option<String>,
}

fn count(truth: &[Truth], folder: &str) -> Counted {
    let mut counted = Counted::default();
    let inside = format!("{}/", folder.trim_end_matches('/'));
    let mut seen = BTreeSet::new();
    for one in truth.iter().filter(|one| one.path_text().starts_with(&inside)) {
        if one.kind == "folder" {
            counted.folders += 1;
        }
        if one.kind != "file" {
            continue;
        }
        counted.names += 1;
        let first = one
            .note
            .split_once("hardlink-of ")
            .map_or(one.path_text(), |(_, path)| path.trim_start_matches("2:").to_string());
        if !seen.insert(first) {
            continue;
        }
        counted.files += 1;
        counted.bytes += one.size.unwrap();
        counted.damaged += u64::from(one.hole().is_some());
        counted.missing += one.hole().map_or(0, |hole| hole.len() as u64);
        counted.newest = counted.newest.max(one.value("modified").map(str::to_string));
    }
    counted
}

fn tally(value: &Value) -> Counted {
    let number = |pointer: &str| value.pointer(pointer).and_then(Value::as_u64).unwrap_or(0);
    Counted {
        files: number("/files/count"),
        bytes: number("/files/bytes"),
        names: number("/file_names"),
        folders: number("/folders"),
        damaged: number("/states/damaged/count"),
        missing: number("/gap_bytes"),
        newest: value["newest"].as_str().map(str::to_string),
    }
}

fn main_volume(outcome: &Outcome) -> Value {
    let document = outcome.json("survey");
    assert_eq!((document["volumes"].as_array().unwrap().len(), &document["volumes"][0]["number"]), (1, &json!(2)));
    document["volumes"][0].clone()
}

#[test]
fn the_choirs_computer_is_counted_as_the_truth_has_it() {
    let bench = demo();
    let truth = fixture::truth_of_volume("demo", 2);
    let volume = main_volume(&bench.run("survey demo.img --json").code(1));
    let all = count(&truth, "/");
    assert!(all.files > 250 && all.damaged == 3 && all.names == all.files + 2, "{all:?}");
    assert_eq!(tally(&volume["total"]), all);
    // People are the folders of /Users that belong to somebody.
    let people: Vec<&str> =
        volume["people"].as_array().unwrap().iter().map(|one| one["name"].as_str().unwrap()).collect();
    assert_eq!(people, ["Choir", "Hanna"]);
    for person in volume["people"].as_array().unwrap() {
        let path = person["path"].as_str().unwrap();
        assert_eq!(tally(&person["tally"]), count(&truth, path), "{path}");
        let mut folders = 0;
        for folder in person["folders"].as_array().unwrap() {
            let path = folder["path"].as_str().unwrap();
            assert_eq!(tally(&folder["tally"]), count(&truth, path), "{path}");
            folders += count(&truth, path).files;
        }
        assert!(folders > 0);
    }
    let others: BTreeMap<&str, Counted> = volume["other_folders"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| (one["path"].as_str().unwrap(), tally(&one["tally"])))
        .collect();
    assert_eq!(others["/Scores 2009"], count(&truth, "/Scores 2009"));
    let bin = truth.iter().map(Truth::path_text).find(|path| path.to_lowercase() == "/$recycle.bin").unwrap();
    assert_eq!(volume["recycle_bin"]["files"]["count"], count(&truth, &bin).files);
    // Each has an index, whose name begins with `$I`, beside its content.
    let thrown_away = truth.iter().filter(|one| one.path_text().contains("/$I")).count();
    assert!(thrown_away > 0);
    assert_eq!(volume["recycled"].as_array().unwrap().len(), thrown_away);
    assert_eq!((&volume["lost_records"], &volume["facts"]["label"]), (&json!(0), &json!("Choir")));
}

#[test]
fn the_screen_says_the_same() {
    let bench = demo();
    let truth = fixture::truth_of_volume("demo", 2);
    let outcome = bench.run("survey demo.img --time-zone UTC").code(1).harmless();
    let all = count(&truth, "/");
    let text = outcome.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        &format!("In all: {} files,", all.files),
        "; 3 damaged;",
        &format!("{} names", all.names),
        "2 people have folders here: Choir and Hanna.",
        "2 of 75 pictures (298.3 kB) are damaged; 8.5 kB are missing.",
        "In the recycle bin: 1 thrown away, with the content still there.",
        "handback map wanted demo.img /Users/Choir /Users/Hanna",
    ] {
        assert!(text.contains(words), "{words}\n{}", outcome.out);
    }
    outcome.lines_with(&["Choir (/Users/Choir)"]);
    outcome.lines_with(&["Hanna (/Users/Hanna)"]);
    let pictures = count(&truth, "/Users/Choir/Pictures");
    let newest = pictures.newest.unwrap().replace('T', " ");
    let words = [&*pictures.files.to_string(), &newest[..10]];
    let line = outcome.lines_with(&["Pictures", words[0], words[1]])[0];
    let cells: Vec<&str> = line.split_whitespace().collect();
    assert_eq!(
        cells[cells.len() - 2..],
        [(pictures.files - 2).to_string(), "2".to_string()],
        "sound and damaged: {line}"
    );
}

#[test]
fn without_a_map_nothing_is_whole_and_that_is_no_fault() {
    let bench = demo();
    let volume = main_volume(&bench.run("survey demo.img --no-map --json").code(0));
    let all = count(&fixture::truth_of_volume("demo", 2), "/");
    assert_eq!(volume["total"]["states"]["unproven"]["count"], all.files);
    assert_eq!(volume["total"]["states"].as_object().unwrap().len(), 1);
    bench
        .run("survey demo.img --no-map")
        .code(0)
        .err_has("map: none, so holes can't be ruled out")
        .out_has("297 unproven")
        .out_has("no damage is known")
        .out_has("handback map suspect demo.img")
        .out_has("`?`: no map speaks");
}

#[test]
fn under_a_map_without_holes_all_is_whole() {
    let bench = Bench::new();
    bench.fixture("ntfs-c512");
    bench.map_beside("ntfs-c512", &[]);
    let document = bench.run("survey ntfs-c512.img --json").code(0).json("survey");
    let truth = fixture::truth("ntfs-c512");
    assert_eq!(
        document["volumes"][0]["total"]["states"],
        json!({"whole": {
        "count": count(&truth, "/").files, "bytes": count(&truth, "/").bytes}})
    );
    assert_eq!(document["map"]["basis"], "full");
}

#[test]
fn every_state_has_its_number() {
    let bench = Bench::new();
    bench.fixture("ntfs-reparse");
    bench.fixture("ntfs-encrypted");
    let states = |line: &str, code| bench.run(line).code(code).json("survey")["volumes"][0]["total"]["states"].clone();
    let found = states("survey ntfs-reparse.img --json", 1);
    assert_eq!((&found["absent"]["count"], &found["unlocated"]["count"]), (&json!(2), &json!(5)));
    let found = states("survey ntfs-encrypted.img --json", 0);
    assert_eq!((&found["locked"]["count"], &found["unproven"]["count"]), (&json!(3), &json!(2)));
    bench.run("survey ntfs-encrypted.img").code(0).out_has("3 locked (encrypted)");
}

#[test]
fn a_locked_volume_beside_readable_ones_is_named() {
    let bench = Bench::new();
    // Volume 6 is overwritten with one of BitLocker's from another test image.
    let mut disk = fixture::image("mbr-logical");
    bench.fixture("mbr-logical");
    let layout = bench.run("layout mbr-logical.img --json").code(0).json("layout");
    let volume = layout["volumes"].as_array().unwrap().iter().find(|one| one["number"] == 6).unwrap();
    let at = usize::try_from(volume["start"].as_u64().unwrap()).unwrap();
    let line = fixture::truth_of_volume("foreign", 17).remove(0);
    let from: usize = line.value("start").unwrap().parse().unwrap();
    let length = usize::try_from(line.size.unwrap()).unwrap();
    disk[at..at + length].copy_from_slice(&fixture::image("foreign")[from..from + length]);
    bench.read_only("disk.img", disk);
    bench.run("survey disk.img --volume 6").code(3).err_has("volume 6 is a BitLocker volume, which can't be read");
    let outcome = bench.run("survey disk.img").code(0);
    outcome.lines_with(&["Volume 5 `Logical 5`"]);
    let outcome = outcome.out_lacks("Volume 6");
    outcome.lines_with(&["volume 6, a BitLocker volume: it can't be read; `handback layout` says"]);
    outcome.err_has("volume 6 is a BitLocker volume; `handback layout` says what to do");
    let document = bench.run("survey disk.img --json").code(0).json("survey");
    let numbers: Vec<&Value> = document["volumes"].as_array().unwrap().iter().map(|one| &one["number"]).collect();
    assert_eq!(numbers, [1, 5, 7]);
    assert_eq!(document["not_shown"], json!([{"number": 6, "what": "a BitLocker volume", "readable": false}]));
    bench.run("extract disk.img 6:/ --to out").code(3).err_has("volume 6 is a BitLocker volume");
    bench.run("list disk.img record:64 --volume 6").code(3).err_has("volume 6 is a BitLocker volume");
}

#[test]
fn nothing_readable_and_no_such_volume() {
    let bench = Bench::new();
    bench.fixture("foreign");
    bench.fixture("dynamic-mbr");
    bench.run("survey dynamic-mbr.img").code(3).err_has("no volume can be read: volume 1 is");
    bench.run("survey foreign.img --volume 17").code(3).err_has("volume 17 is a BitLocker volume");
    bench.run("survey foreign.img --volume 99").code(2).err_has("there is no volume 99");
}

#[test]
fn several_main_volumes_are_all_surveyed() {
    let bench = Bench::new();
    bench.fixture("mbr-logical");
    let document = bench.run("survey mbr-logical.img --json").code(0).json("survey");
    let found: Vec<(u64, u64)> = document["volumes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| (one["number"].as_u64().unwrap(), one["total"]["files"]["count"].as_u64().unwrap()))
        .collect();
    assert_eq!(found, [(1, 3), (5, 3), (6, 3), (7, 3)]);
    assert_eq!(document["volumes_complete"], true);
    let document = bench.run("survey mbr-logical.img --volume 6 --json").code(0).json("survey");
    assert_eq!(
        (document["volumes"].as_array().unwrap().len(), &document["volumes"][0]["people"][0]["name"]),
        (1, &json!("Logical 6"))
    );
}
