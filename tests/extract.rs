//! `handback extract`: what is written, where, and what the records say of it, against the truth about the images.

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::bag::{Bag, prose, sha256};
use common::fixture::{self, Truth};
use common::{Bench, Outcome};
use serde_json::json;

/// The choir's old computer, with the map of what was read.
fn demo() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench
}

/// Extracts everything of the test image `name`.
fn all(bench: &Bench, name: &str, options: &[&str]) -> (Outcome, Bag) {
    bench.fixture(name);
    extracted(bench, name, options)
}

/// Extracts everything of the test image `name`, which is there already.
fn extracted(bench: &Bench, name: &str, options: &[&str]) -> (Outcome, Bag) {
    let image = format!("{name}.img");
    let to = format!("{name} handover");
    let words = [&["extract", &image, "/", "--to", &to], options].concat();
    let outcome = bench.run_words(&words);
    (outcome, Bag::at(bench.path(&to)))
}

/// A path of the truth as the records write it: text, in which half a surrogate pair is not to be told from another.
fn written_path(truth: &Truth) -> String {
    squeezed(&truth.path_text().replace('\u{1}', "/"))
}

fn squeezed(text: &str) -> String {
    let mut text = text.to_string();
    while text.contains("\u{FFFD}\u{FFFD}") {
        text = text.replace("\u{FFFD}\u{FFFD}", "\u{FFFD}");
    }
    text
}

#[test]
fn the_chosen_folders_come_out_as_they_were() {
    let bench = demo();
    let outcome = bench.run_words(&["extract", "demo.img", "/Users/Choir", "/Scores 2009", "--to", "choir"]).code(1);
    let bag = Bag::at(bench.path("choir"));
    let chosen = |path: &str| {
        ["/Users/Choir", "/Scores 2009"].iter().any(|top| path == *top || path.starts_with(&format!("{top}/")))
    };
    let truth: Vec<Truth> =
        fixture::truth_of_volume("demo", 2).into_iter().filter(|one| chosen(&one.path_text())).collect();
    let mut payload = bag.payload();
    let mut rows: BTreeMap<String, _> =
        bag.records("manifest").into_iter().map(|row| (row["source_path"].clone(), row)).collect();
    let (mut whole, mut damaged, mut expected_losses) = (0, 0, BTreeSet::new());
    for one in &truth {
        let path = one.path_text();
        let row = rows.remove(&path).unwrap_or_else(|| panic!("{path} should be in the manifest"));
        assert_eq!((&*row["kind"], &*row["volume"], &*row["zone"]), (&*one.kind, "2", "UTC"), "{path}");
        for key in ["created", "modified"] {
            assert_eq!(Some(&*row[key]), one.value(key), "{key} of {path}");
        }
        if one.kind == "folder" {
            assert_eq!((&*row["path"], &*row["state"]), (&*format!("data/recovered{path}"), "complete"));
            assert!(bench.path("choir").join(&row["path"]).is_dir(), "{path}");
            continue;
        }
        let size = one.size.expect("a size");
        assert_eq!(row["size"], size.to_string(), "{path}");
        let tree = if one.hole().is_some() { "damaged" } else { "recovered" };
        let bytes = payload.remove(&format!("{tree}{path}")).unwrap_or_else(|| panic!("{path} should be in {tree}"));
        assert_eq!(row["path"], format!("data/{tree}{path}"));
        assert_eq!(row["sha256"], sha256(&bytes), "{path}");
        match one.hole() {
            None => {
                whole += 1;
                assert_eq!(Some(&row["sha256"]), one.sha256.as_ref(), "{path}");
                assert_eq!((&*row["state"], &*row["gap_bytes"], &*row["reasons"]), ("whole", "0", ""), "{path}");
            }
            Some(hole) => {
                damaged += 1;
                assert_ne!(Some(&row["sha256"]), one.sha256.as_ref(), "{path}");
                assert_eq!((&*row["state"], &*row["reasons"]), ("damaged", "unread"), "{path}");
                assert_eq!(row["gap_bytes"], hole.len().to_string(), "{path}");
                assert_eq!(bytes.len() as u64, size, "{path}");
                assert!(bytes[hole.clone()].iter().all(|byte| *byte == 0), "{path}");
                let (start, length) = (hole.start.to_string(), hole.len().to_string());
                expected_losses.insert([path, size.to_string(), start, length, "unread".to_string()]);
            }
        }
    }
    assert!(rows.is_empty(), "nobody asked for {:?}", rows.keys());
    assert!(payload.is_empty(), "nobody asked for {:?}", payload.keys());
    assert!(whole > 100 && damaged == 3, "{whole} {damaged}");
    let losses: BTreeSet<_> = bag
        .records("lost")
        .iter()
        .inspect(|row| assert_eq!((&*row["state"], &*row["volume"]), ("damaged", "2")))
        .map(|row| ["source_path", "size", "gap_start", "gap_length", "why"].map(|key| row[key].clone()))
        .collect();
    assert_eq!(losses, expected_losses);
    assert!(bag.records("links").is_empty());
    let job = bag.json("records/job.json");
    assert_eq!(job["volumes"][0]["selected"], json!(["/Scores 2009", "/Users/Choir"]));
    assert_eq!(job["image"]["length"], 100_663_296);
    assert_eq!((&job["map"]["basis"], &job["map"]["asserted"]), (&json!("full"), &json!(false)));
    let state = |word: &str| &job["states"][word];
    assert_eq!((&state("whole")["paths"], &state("damaged")["paths"]), (&json!(whole), &json!(damaged)));
    assert_eq!(job["written_files"], whole + damaged);
    outcome.out_has("Annual report 2010.odt: damaged (unread)").err_has("found beside the image, basis full");
    bench.run("verify choir").code(0).out_has(&format!("{} files", whole + damaged));
}

#[test]
fn hard_links_share_their_address_and_times_are_restored() {
    let bench = demo();
    bench.run("extract demo.img /Users/Choir/Desktop /Users/Choir/Documents --to out").code(1);
    let bag = Bag::at(bench.path("out"));
    let one = bag.manifest_row("/Users/Choir/Desktop/Member list.csv");
    let other = bag.manifest_row("/Users/Choir/Documents/Member list.csv");
    assert_eq!((&one["address"], &one["sha256"]), (&other["address"], &other["sha256"]));
    let on_disk = std::fs::metadata(bench.path("out").join(&one["path"])).unwrap().modified().unwrap();
    assert_eq!(jiff::Timestamp::try_from(on_disk).unwrap().to_string(), one["modified"]);
}

#[test]
fn only_the_hole_of_a_damaged_file_differs() {
    let bench = Bench::new();
    bench.fixture("gpt-4k");
    bench.run("extract gpt-4k.img /Users/Choir --to sound").code(0);
    let sound = Bag::at(bench.path("sound")).payload().remove("recovered/Users/Choir/picture.bin").unwrap();
    let image = fixture::image("gpt-4k");
    let at = image.windows(512).step_by(512).position(|sector| sector == &sound[..512]).unwrap() as u64 * 512;
    // One sector of 512 bytes is missing; the drive's are of 4096, so the whole of one is.
    bench.map_beside("gpt-4k", &[at + 4096 + 512..at + 4096 + 1024]);
    bench.run("extract gpt-4k.img /Users/Choir --to holed").code(1);
    let bag = Bag::at(bench.path("holed"));
    let holed = bag.payload().remove("damaged/Users/Choir/picture.bin").unwrap();
    assert!(holed.len() == 30000 && holed[4096..8192].iter().all(|byte| *byte == 0));
    assert!(holed[..4096] == sound[..4096] && holed[8192..] == sound[8192..], "outside the hole it is the same");
    let lost = bag.records("lost");
    assert_eq!((lost.len(), &*lost[0]["gap_start"], &*lost[0]["gap_length"]), (1, "4096", "4096"));
    assert_eq!(bag.manifest_row("/Users/Choir/letter.txt")["state"], "whole");
}

#[test]
fn every_file_of_every_kind_of_volume_comes_out() {
    let bench = Bench::new();
    for name in [
        "ntfs-c4k",
        "ntfs-c512",
        "ntfs-c64k",
        "ntfs-rec4k",
        "ntfs-attrlist",
        "ntfs-compressed",
        "ntfs-hostile",
        "ntfs-valid",
    ] {
        let (outcome, bag) = all(&bench, name, &[]);
        outcome.code(0).harmless();
        let is = |one: &&Truth| one.kind == "file";
        let mut expected: Vec<_> = fixture::truth(name)
            .iter()
            .filter(is)
            .map(|one| (written_path(one), one.size.unwrap().to_string(), one.sha256.clone().unwrap()))
            .collect();
        let rows = bag.records("manifest");
        let mut found: Vec<_> = rows
            .iter()
            .filter(|row| row["kind"] == "file")
            .inspect(|row| assert_eq!(row["state"], "unproven", "{name}: {row:?}"))
            .map(|row| (squeezed(&row["source_path"]), row["size"].clone(), row["sha256"].clone()))
            .collect();
        expected.sort();
        found.sort();
        assert_eq!(found, expected, "{name}");
        // What the manifest says of them is what lies there.
        let payload = bag.payload();
        for row in rows.iter().filter(|row| row["kind"] == "file") {
            let bytes = &payload[row["path"].strip_prefix("data/").unwrap()];
            assert_eq!(sha256(bytes), row["sha256"], "{name}: {}", row["path"]);
        }
        assert_eq!(payload.len(), found.len(), "{name}");
    }
}

#[test]
fn what_no_map_speaks_for_is_said_first() {
    let bench = Bench::new();
    let (outcome, bag) = all(&bench, "ntfs-valid", &[]);
    let files = bag.payload();
    let blank = |bytes: &&Vec<u8>| {
        let zeros = bytes.iter().rev().take_while(|byte| **byte == 0).count();
        !bytes.is_empty() && (zeros == bytes.len() || zeros >= 32768)
    };
    let blanks = files.values().filter(blank).count();
    assert!(blanks > 0 && blanks < files.len());
    let verb = if blanks == 1 { "is blank or ends in a long blank" } else { "are blank or end in long blanks" };
    let line = format!(
        "Nobody recorded whether every part of these {} files could be read from the drive (no map speaks for them), so \
         parts may be empty although they look complete: open what matters and look. {blanks} of them {verb}.",
        files.len()
    );
    let said = format!("{line} READ ME FIRST.txt says which.");
    assert_eq!(outcome.err.lines().last(), Some(&*said));
    outcome.code(0);
    let text = prose(&bag.text("READ ME FIRST.txt"));
    let below = if blanks == 1 { "Its name stands below." } else { "Their names stand below." };
    assert!(text.starts_with(&format!("{line} {below}")), "{text}");
    let names = text.split("FILES THAT ARE BLANK").nth(1).expect("their names").split("HOW ").next().unwrap();
    assert_eq!(names.matches(" - /").count(), blanks, "{names}");
    let marked = bag.json("records/manifest.json");
    let is_blank = |file: &&serde_json::Value| file["blank"] == true;
    assert_eq!(marked["files"].as_array().unwrap().iter().filter(is_blank).count(), blanks);
    assert!(bag.text("bag-info.txt").starts_with(&format!("External-Description: {said}")));
}

#[test]
fn a_file_of_the_cloud_comes_with_what_is_here() {
    let bench = Bench::new();
    let (outcome, bag) = all(&bench, "ntfs-reparse", &[]);
    outcome.code(1).out_has("/Cloud/online only.bin: absent").out_has("10 links were recorded");
    let truth: BTreeMap<String, Truth> =
        fixture::truth("ntfs-reparse").into_iter().map(|one| (one.path_text(), one)).collect();
    for path in ["/Cloud/all here.bin", "/Cloud/all here, small.txt", "/Cloud/folder/inside.txt", "/Cloud/empty.txt"] {
        let row = bag.manifest_row(path);
        assert_eq!((Some(&row["sha256"]), &*row["state"]), (truth[path].sha256.as_ref(), "unproven"), "{path}");
    }
    let partly = bag.manifest_row("/Cloud/partly here.bin");
    assert_eq!(partly["path"], "data/damaged/Cloud/partly here.bin");
    assert_eq!(Some(&partly["sha256"]), truth["/Cloud/partly here.bin"].sha256.as_ref());
    let lost = bag.records("lost");
    let of = |path: &str| -> Vec<[&str; 4]> {
        let rows = lost.iter().filter(|row| row["source_path"] == path);
        rows.map(|row| ["state", "gap_start", "gap_length", "why"].map(|key| &*row[key])).collect()
    };
    assert_eq!(
        of("/Cloud/partly here.bin"),
        [["absent", "0", "65536", "never-here"], ["absent", "131072", "168928", "never-here"]]
    );
    assert_eq!(of("/Cloud/online only.bin"), [["absent", "", "", "never-here"]]);
    assert!(bag.lacks("data/damaged/Cloud/online only.bin") && bag.lacks("data/recovered/Cloud/online only.bin"));
    for one in truth.values().filter(|one| one.has("unlocated")) {
        assert_eq!(of(&one.path_text()), [["unlocated", "", "", "content-elsewhere"]]);
        assert!(bag.lacks(&format!("data/recovered{}", one.path_text())));
    }
    let links: BTreeMap<String, String> =
        bag.records("links").into_iter().map(|row| (row["source_path"].clone(), row["target"].clone())).collect();
    let expected: BTreeMap<String, String> = truth
        .values()
        .filter(|one| one.kind == "link")
        .map(|one| {
            let target = one.note.split_once("target=").map_or("", |(_, target)| target);
            (one.path_text(), target.strip_prefix(r"\??\").unwrap_or(target).to_string())
        })
        .collect();
    assert_eq!(links, expected);
    assert!(links.keys().all(|path| bag.lacks(&format!("data/recovered{path}"))), "no link is made");
}

#[test]
fn what_is_encrypted_or_stored_elsewhere_is_not_copied() {
    let bench = Bench::new();
    let (outcome, bag) = all(&bench, "ntfs-encrypted", &[]);
    outcome.code(0).out_has("/Private/diary.txt: locked (encrypted)");
    assert_eq!(
        bag.payload().into_keys().collect::<Vec<_>>(),
        ["recovered/Open/plain.txt", "recovered/Private/not encrypted.txt"]
    );
    let lost: Vec<_> =
        bag.records("lost").iter().map(|row| ["source_path", "state", "why"].map(|key| row[key].clone())).collect();
    assert_eq!(lost.len(), 3);
    assert!(lost.contains(&["/Private/large.bin", "locked", "encrypted"].map(str::to_string)), "{lost:?}");

    let (outcome, bag) = all(&bench, "ntfs-reparse", &[]);
    outcome.code(1);
    let lost: BTreeSet<_> =
        bag.records("lost").iter().map(|row| [&*row["source_path"], &*row["state"], &*row["why"]].join(" ")).collect();
    assert!(lost.contains("/Elsewhere/WIM-backed.dll unlocated content-elsewhere"), "{lost:?}");
    assert!(bag.lacks("data/recovered/Elsewhere/WIM-backed.dll"), "and never zeros");
}

#[test]
fn what_windows_compressed_by_its_own_means_comes_out_right() {
    let bench = Bench::new();
    for name in ["ntfs-wof-xpress4k", "ntfs-wof-xpress8k", "ntfs-wof-xpress16k", "ntfs-wof-lzx"] {
        bench.fixture(name);
        bench.map_beside(name, &[]);
        let (outcome, bag) = extracted(&bench, name, &[]);
        outcome.code(0);
        assert!(bag.records("lost").is_empty());
        let (mut packed, mut payload) = (0, bag.payload());
        for one in fixture::truth(name).iter().filter(|one| one.kind == "file") {
            let path = one.path_text();
            let bytes = payload.remove(&format!("recovered{path}")).unwrap_or_else(|| panic!("{name}: {path}"));
            assert_eq!(Some(sha256(&bytes)), one.sha256, "{name}: {path}");
            packed += u64::from(one.value("system-compressed").is_some());
        }
        assert!(packed >= 9 && payload.is_empty(), "{name}: {packed} {:?}", payload.keys());
    }
}

#[test]
fn streams_stand_beside_their_file_if_asked_for() {
    let bench = Bench::new();
    let streams: Vec<Truth> = fixture::truth("ntfs-streams").into_iter().filter(|one| one.kind == "stream").collect();
    // A stream stands beside every name of its file.
    let names_of = |one: &Truth| {
        let owner = format!("hardlink-of {}", one.path_text().split_once(':').unwrap().0);
        1 + fixture::truth("ntfs-streams").iter().filter(|other| other.note.ends_with(&owner)).count()
    };
    let places: usize = streams.iter().map(names_of).sum();
    assert!(places > streams.len());
    let (outcome, bag) = all(&bench, "ntfs-streams", &[]);
    outcome.code(0).out_has(&format!("{places} alternate streams were left out (`--streams`"));
    assert_eq!(bag.json("records/job.json")["streams_left"], places);
    bench.run("extract ntfs-streams.img / --streams --to with").code(0).out_lacks("left out");
    let bag = Bag::at(bench.path("with"));
    for stream in &streams {
        let row = bag.manifest_row(&stream.path_text());
        assert_eq!((&*row["kind"], Some(&row["sha256"])), ("stream", stream.sha256.as_ref()));
    }
    let written = bag.records("manifest").iter().filter(|row| row["kind"] == "stream").count();
    assert_eq!(written, places);
    let address = |path: &str| bag.manifest_row(path)["address"].clone();
    assert_eq!(address("/Evening link.txt:remark"), address("/Songs/Old/Evening.txt:remark"));
    assert_eq!(
        bag.manifest_row("/Downloads/programme.zip:Zone.Identifier")["path"],
        "data/recovered/Downloads/programme.zip(u+003A)Zone.Identifier"
    );
}

#[test]
fn empty_folders_and_several_volumes_come_out() {
    let bench = Bench::new();
    bench.fixture("ntfs-c4k");
    bench.run_words(&["extract", "ntfs-c4k.img", "/Empty folder", "--to", "empty"]).code(0);
    assert!(bench.path("empty/data/recovered/Empty folder").is_dir());
    assert_eq!(Bag::at(bench.path("empty")).manifest_row("/Empty folder")["kind"], "folder");

    bench.fixture("mbr-outoforder");
    bench.run_words(&["extract", "mbr-outoforder.img", "1:/Users", "7:/Users", "--to", "two"]).code(0);
    let bag = Bag::at(bench.path("two"));
    let payload = bag.payload();
    for (volume, number, name) in [(1, 1, "First"), (4, 7, "Logical 7")] {
        for one in fixture::truth_of_volume("mbr-outoforder", volume) {
            let path = one.path_text();
            if one.kind == "file" && path.starts_with("/Users/") {
                assert!(path.contains(name));
                let bytes = &payload[&format!("recovered/volume {number}{path}")];
                assert_eq!(Some(sha256(bytes)), one.sha256, "{path}");
            }
        }
    }
    assert_eq!(payload.len(), 4);
}

#[test]
fn json_says_what_the_screen_says() {
    let bench = demo();
    let value = bench.run("extract demo.img /Users/Choir/Documents --to out --json").code(1).json("extract");
    assert_eq!(value["states"]["damaged"]["paths"], 1);
    assert_eq!(value["lost"][0]["source_path"], "/Users/Choir/Documents/Minutes/2010/Annual report 2010.odt");
    assert_eq!(value["lost"][0]["gap_bytes"], 4096);
    assert_eq!(value["map"]["basis"], "full");
}

#[test]
fn whether_the_disk_was_asked_again_is_said() {
    let bench = demo();
    let extract = "extract demo.img /Users/Choir/Documents --no-record --to";
    let value = bench.run(&format!("{extract} one --json")).code(1).json("extract");
    let log = bench.text("one/records/log.txt");
    // Where the tests run, the system may keep its temporary files in memory.
    match value["read_back"].as_str() {
        Some("disk") => assert!(log.contains("were read back, past this computer's memory"), "{log}"),
        Some("memory") => assert!(log.contains("were read back, some perhaps from this computer's memory"), "{log}"),
        other => panic!("{other:?}"),
    }
    bench.run(&format!("{extract} two")).code(1).out_has("and read back");
    let value = bench.run(&format!("{extract} three --no-read-back --json")).code(1).json("extract");
    assert!(value["read_back"].is_null());
    let log = bench.text("three/records/log.txt");
    assert!(log.contains("they were not read back"), "{log}");
    bench.run(&format!("{extract} four --no-read-back")).code(1).out_has(", and not read back");
    bench.run("verify three").code(0);
}
