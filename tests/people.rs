//! What `handback survey` says of people whose things stand where programs and clouds put them, against the truth of the
//! sources.

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::fixture::{self, Truth};
use common::{Bench, Outcome};
use serde_json::{Value, json};

fn survey() -> (Bench, Value) {
    let bench = Bench::new();
    bench.fixture("people");
    bench.map_beside("people", &[]);
    let document = bench.run("survey people.img --json").code(0).json("survey");
    (bench, document)
}

/// Files and bytes below a folder, some folders in it left out.
fn below(truth: &[Truth], folder: &str, without: &[&str]) -> (u64, u64) {
    let is_in = |path: &str, folder: &str| path.starts_with(&format!("{folder}/"));
    let files = truth.iter().filter(|one| {
        let path = one.path_text();
        one.kind == "file" && is_in(&path, folder) && !without.iter().any(|other| is_in(&path, other))
    });
    files.fold((0, 0), |(count, bytes), one| (count + 1, bytes + one.size.unwrap()))
}

fn counted(tally: &Value) -> (u64, u64) {
    let number = |field: &str| tally["files"][field].as_u64().unwrap();
    (number("count"), number("bytes"))
}

/// What one reads in a row, however it is broken into lines.
fn flat(outcome: &Outcome) -> String {
    outcome.out.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn folders_count_where_they_were_moved_to() {
    let (_bench, document) = survey();
    let truth = fixture::truth("people");
    let people = document["volumes"][0]["people"].as_array().unwrap();
    let names: Vec<(&str, bool)> =
        people.iter().map(|one| (one["path"].as_str().unwrap(), one["former"].as_bool().unwrap())).collect();
    assert_eq!(
        names,
        [("/Users/Hanna", false), ("/Documents and Settings/Otto", false), ("/Windows.old/Users/Hanna", true)]
    );
    let expected: [(&str, &str, &str, &[&str]); 7] = [
        ("/Users/Hanna/Documents", "documents", "usual", &[]),
        ("/Users/Hanna/Pictures", "pictures", "usual", &[]),
        ("/Users/Hanna/OneDrive - Choir/Documents", "documents", "moved", &[]),
        ("/Users/Hanna/OneDrive/Desktop", "desktop", "moved", &[]),
        ("/Users/Hanna/OneDrive/Documents", "documents", "moved", &[]),
        ("/Users/Hanna/OneDrive/Pictures", "pictures", "moved", &[]),
        (
            "/Users/Hanna/OneDrive",
            "cloud",
            "rest",
            &["/Users/Hanna/OneDrive/Desktop", "/Users/Hanna/OneDrive/Documents", "/Users/Hanna/OneDrive/Pictures"],
        ),
    ];
    let places = people[0]["places"].as_array().unwrap();
    assert_eq!(places.len(), expected.len());
    for (place, (path, what, standing, without)) in places.iter().zip(expected) {
        let seen = (place["path"].as_str(), place["what"].as_str(), place["standing"].as_str());
        assert_eq!(seen, (Some(path), Some(what), Some(standing)));
        assert_eq!(counted(&place["tally"]), below(&truth, path, without), "{path}");
    }
    let otto = &people[1]["places"];
    let nested = "/Documents and Settings/Otto/Eigene Dateien/Eigene Bilder";
    assert_eq!((&otto[0]["what"], &otto[2]["path"]), (&json!("documents"), &json!(nested)));
    assert_eq!(counted(&otto[0]["tally"]), below(&truth, "/Documents and Settings/Otto/Eigene Dateien", &[nested]));
    assert_eq!(counted(&otto[2]["tally"]), below(&truth, nested, &[]));
    for person in people {
        let path = person["path"].as_str().unwrap();
        assert_eq!(counted(&person["tally"]), below(&truth, path, &[]), "{path}");
    }
    let pictures: Vec<&Value> =
        people[0]["kinds"].as_array().unwrap().iter().filter(|one| one["kind"] == "pictures").collect();
    assert_eq!(pictures[0]["files"]["count"], 12);
}

#[test]
fn what_is_easily_forgotten_is_named_and_nothing_else() {
    let (_bench, document) = survey();
    let truth = fixture::truth("people");
    let wanted: BTreeSet<(String, String)> =
        truth.iter().filter_map(|one| Some((one.value("remember")?.to_string(), one.path_text()))).collect();
    assert!(wanted.len() > 14);
    let hits = document["volumes"][0]["remember"].as_array().unwrap();
    let found: BTreeMap<(String, String), &Value> = hits
        .iter()
        .map(|hit| ((hit["rule"].as_str().unwrap().to_string(), hit["path"].as_str().unwrap().to_string()), hit))
        .collect();
    assert_eq!(found.keys().cloned().collect::<BTreeSet<_>>(), wanted);
    for one in &truth {
        let Some(rule) = one.value("remember") else { continue };
        let hit = found[&(rule.to_string(), one.path_text())];
        let lacking: Vec<&str> = one.value("lacking").into_iter().collect();
        assert_eq!(hit["lacking"], json!(lacking), "{rule}");
        // Hits by the names of files count those alone; here nothing else stands beside them.
        let expected = if one.kind == "file" { (1, one.size.unwrap()) } else { below(&truth, &one.path_text(), &[]) };
        assert_eq!(counted(&hit["tally"]), expected, "{rule}");
        assert!(hit["say"].as_str().is_some_and(|text| text.ends_with('.')), "{rule}");
    }
}

#[test]
fn the_page_can_be_read_aloud() {
    let (bench, _) = survey();
    let outcome = bench.run("survey people.img --time-zone UTC").code(0).harmless();
    let text = flat(&outcome);
    for sentence in [
        "2 people have folders here: Hanna and Otto.",
        "OneDrive has taken some of the usual folders over",
        "May be Otto's, too: /Otto's films, 4 files,",
        "it bears that name. Ask.",
        "Outlook's copies of mailboxes (OST): This is a copy of a mailbox on a server.",
        "Saved passwords do not: Windows locked them to the login on this computer.",
        "`key*.db` should stand with it and is not there",
        "Nothing: every folder's list is all there",
        "handback extract people.img /Users/Hanna \"/Documents and Settings/Otto\"",
    ] {
        assert!(text.contains(sentence), "{sentence}\n{}", outcome.out);
    }
    outcome.lines_with(&["Hanna (/Windows.old/Users/Hanna), of the former Windows"]);
    // Only paths and commands, which must stay in one piece, may be wider than a small screen.
    for line in outcome.out.lines().filter(|line| line.chars().count() > 80) {
        let text = line.trim_start();
        assert!(text.starts_with('/') || text.starts_with("handback "), "{line}");
    }
}

#[test]
fn damage_is_told_by_kind_and_place() {
    let bench = Bench::new();
    bench.fixture("people");
    // The first sector of a picture's content, which is unlike any other.
    let truth = fixture::truth("people");
    let image = fixture::image("people");
    let picture = truth.iter().find(|one| one.path_text().ends_with("/OneDrive/Pictures/Outing 2019/IMG_0007.jpg"));
    let size = usize::try_from(picture.unwrap().size.unwrap()).unwrap();
    let hash = picture.unwrap().sha256.clone().unwrap();
    let at = (0..image.len() / 512)
        .map(|sector| sector * 512)
        .find(|at| image.get(*at..at + size).is_some_and(|bytes| common::bag::sha256(bytes) == hash))
        .expect("it lies in one piece") as u64;
    bench.map_beside("people", &[at..at + 512]);
    let outcome = bench.run("survey people.img --time-zone UTC").code(1).harmless();
    let text = flat(&outcome);
    assert!(text.contains("1 of 12 pictures (10.8 kB) is damaged; 512 bytes are missing."), "{}", outcome.out);
    assert!(text.contains("44 of them (97.77 %) are not touched."), "{}", outcome.out);
    let line = outcome.lines_with(&["OneDrive/Pictures", "13"])[0];
    assert!(line.ends_with(" 12        1"), "{line}");
    assert!(text.contains("handback map wanted people.img /Users/Hanna"), "{}", outcome.out);
}
