//! `extract --second-reader` and `check --second-reader`, as people call them.

#![cfg(feature = "second-reader")]

mod common;

use common::bag::prose;
use common::{Bench, fixture};

/// The rows of a bag's manifest: path on the volume, and what the second reader came to.
fn outcomes(bench: &Bench, bag: &str) -> Vec<(String, String)> {
    let text = bench.text(&format!("{bag}/records/manifest.csv"));
    let mut lines = text.lines();
    assert!(lines.next().is_some_and(|head| head.ends_with(",zone,second_reader,opens")), "{text}");
    lines
        .map(|line| {
            // None of these names holds a quote or a comma, but a zone may.
            let second = line.rsplit(',').nth(1).unwrap_or_default();
            (line.split(',').nth(1).unwrap_or_default().to_string(), second.to_string())
        })
        .collect()
}

#[test]
fn a_handover_says_of_each_file_what_the_second_reader_read() {
    for (name, path) in [("ntfs-c512", "/Pieces/pieces 0.bin"), ("fat16", "/Fotos/IMG_0010.JPG")] {
        let bench = Bench::new();
        bench.fixture(name);
        bench.map_beside(name, &[]);
        let run = bench.run(&format!("extract {name}.img / --to bag --second-reader")).code(0);
        assert!(run.out.contains("Second reader: an independent program read"), "{}", run.out);
        let rows = outcomes(&bench, "bag");
        assert!(rows.contains(&(path.to_string(), "agrees".to_string())), "{rows:?}");
        let job: serde_json::Value = serde_json::from_str(&bench.text("bag/records/job.json")).expect("JSON");
        let second = &job["second_reader"];
        assert_eq!((&second["differs"], &second["not_checkable"]), (&0.into(), &0.into()), "{second}");
        let agrees = second["agrees"].as_u64().expect("a number");
        assert_eq!(agrees as usize, rows.iter().filter(|(_, outcome)| outcome == "agrees").count());
        assert_eq!(job["options"]["second_reader"], true);
        let sentence = format!("An independent program read {agrees} of these files and got the same bytes.");
        assert!(prose(&bench.text("bag/READ ME FIRST.txt")).contains(&sentence));
        assert!(bench.text("bag/records/log.txt").contains("asking the second reader"));
        assert!(bench.text("bag/records/manifest.json").contains(r#""second_reader":{"outcome":"agrees"}"#));
    }
}

#[test]
fn without_the_flag_nobody_is_asked() {
    let bench = Bench::new();
    bench.fixture("ntfs-dirty");
    bench.run("extract ntfs-dirty.img / --to bag").code(0);
    assert!(outcomes(&bench, "bag").iter().all(|(_, outcome)| outcome.is_empty()));
    let job: serde_json::Value = serde_json::from_str(&bench.text("bag/records/job.json")).expect("JSON");
    assert!(job["second_reader"].is_null() && job["options"]["second_reader"] == false, "{job}");
    let run = bench.run("check ntfs-dirty.img --json");
    let checked: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert!(checked["volumes"][0]["second_reader"].is_null(), "{checked}");
    assert!(!prose(&bench.text("bag/READ ME FIRST.txt")).contains("independent program"));
}

#[test]
fn a_hole_is_never_agreed_with() {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench.run("extract demo.img 2:/ --to bag --second-reader").code(1);
    let holes: Vec<String> = fixture::truth_of_volume("demo", 2)
        .iter()
        .filter(|truth| truth.hole().is_some())
        .map(|truth| truth.path_text())
        .collect();
    assert_eq!(holes.len(), 3);
    let rows = outcomes(&bench, "bag");
    for (path, outcome) in &rows {
        assert_eq!(holes.contains(path), outcome == "not-checkable gaps", "{path}: {outcome}");
        assert!(!outcome.starts_with("differs"), "{path}: {outcome}");
    }
}

/// The first cluster of the folder `/Choir`, in its entry at 0x2640 (bytes 1Ah to 1Bh), is made one that FAT12 can't
/// have. Our reader finds the folder by its `..` and its files are right by their sources; the crate `fatfs` takes the
/// folder for empty, as Linux does ("invalid start cluster", 6.1, asked once).
fn lost_folder() -> Vec<u8> {
    let mut bytes = fixture::image("fat12");
    assert_eq!(&bytes[0x2640..0x264b], b"CHOIR      ");
    bytes[0x265b] = 0x80;
    bytes
}

#[test]
fn a_difference_is_reported_everywhere_and_is_status_1() {
    let bench = Bench::new();
    let image = lost_folder();
    bench.read_only("stick.img", &image);
    bench.map_beside("stick", &[]);
    let run = bench.run("check stick.img --second-reader").code(1);
    assert!(run.out.contains("IT DIFFERS on 5 files:"), "{}", run.out);
    assert!(run.out.contains("/Choir/notes of Choir.txt (entry:"), "{}", run.out);
    assert!(run.out.contains("the second reader finds no such file"), "{}", run.out);

    bench.run("extract stick.img / --to bag --second-reader").code(1);
    let rows = outcomes(&bench, "bag");
    let different: Vec<&(String, String)> = rows.iter().filter(|(_, outcome)| outcome.starts_with("differs")).collect();
    assert_eq!(different.len(), 5, "{different:?}");
    assert!(different.iter().all(|(path, outcome)| path.starts_with("/Choir/") && outcome == "differs not-found"));
    let text = prose(&bench.text("bag/READ ME FIRST.txt"));
    assert!(text.contains("It DIFFERS on 5: look at those before you rely on them."), "{text}");
    // Ours is right: the truth from the source files stands for those, too.
    for truth in fixture::truth("fat12").iter().filter(|truth| truth.path_text().starts_with("/Choir/")) {
        let Some(sha256) = &truth.sha256 else { continue };
        let path = truth.path_text();
        let manifest = bench.text("bag/records/manifest.csv");
        let row = manifest.lines().find(|line| line.split(',').nth(1) == Some(&path)).expect("a row");
        assert!(row.contains(sha256.as_str()), "{row}");
    }
}

#[test]
fn check_takes_paths_and_gives_json() {
    let bench = Bench::new();
    bench.fixture("ntfs-valid");
    bench.map_beside("ntfs-valid", &[]);
    let run = bench.run("check ntfs-valid.img /Valid --second-reader --json").code(0);
    let document: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!((&document["handback_json"], &document["command"]), (&1.into(), &"check".into()));
    let volume = &document["volumes"][0];
    assert_eq!(volume["second_reader"]["limits"]["valid-size"], volume["second_reader"]["not_checkable"]);
    assert!(volume["second_reader"]["not_checkable"].as_u64() > Some(0), "{volume}");
    bench.run("check ntfs-valid.img /Vanished --second-reader").code(2);
}
