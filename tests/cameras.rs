//! What `handback survey` says of a camera's memory card, against the truth of the card's sources.

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::Bench;
use common::fixture::{self, Truth};
use serde_json::{Value, json};

/// What the truth has in one folder below `/DCIM`.
#[derive(Debug, Default, PartialEq)]
struct Expected {
    pictures: (u64, u64),
    films: (u64, u64),
    numbers: BTreeSet<u64>,
    oldest: Option<String>,
    newest: Option<String>,
}

fn expected() -> BTreeMap<String, Expected> {
    let mut folders: BTreeMap<String, Expected> = BTreeMap::new();
    let files: Vec<Truth> = fixture::truth_of_volume("card", 1).into_iter().filter(|one| one.kind == "file").collect();
    for one in &files {
        let path = one.path_text();
        let Some((folder, name)) = path.rsplit_once('/').filter(|(folder, _)| folder.starts_with("/DCIM/")) else {
            continue;
        };
        let expected = folders.entry(folder.to_string()).or_default();
        let (stem, extension) = name.rsplit_once('.').unwrap();
        let count = match extension.to_lowercase().as_str() {
            "jpg" | "cr2" => Some(&mut expected.pictures),
            "avi" => Some(&mut expected.films),
            _ => None,
        };
        if let Some(count) = count {
            *count = (count.0 + 1, count.1 + one.size.unwrap());
            expected.numbers.extend(stem.get(4..).and_then(|number| number.parse::<u64>().ok()));
        }
        let modified = one.value("modified").map(str::to_string);
        expected.newest = expected.newest.clone().max(modified.clone());
        expected.oldest = expected.oldest.clone().into_iter().chain(modified).min();
    }
    folders
}

/// The numbers in `gaps`, one by one.
fn gaps(numbers: &Value) -> BTreeSet<u64> {
    let number = |gap: &Value, end: &str| gap[end].as_u64().unwrap();
    let all = numbers["gaps"].as_array().unwrap();
    all.iter().flat_map(|gap| number(gap, "first")..=number(gap, "last")).collect()
}

#[test]
fn a_cameras_card_is_counted_as_its_sources_have_it() {
    let bench = Bench::new();
    bench.fixture("card");
    let document = bench.run("survey card.img --json").code(0).json("survey");
    let volume = &document["volumes"][0];
    assert_eq!(volume["facts"]["label"], "CHOIRCAM");
    let cameras = volume["cameras"].as_array().unwrap();
    let expected = expected();
    assert_eq!(expected.len(), 3);
    let paths: Vec<&str> = cameras.iter().map(|camera| camera["path"].as_str().unwrap()).collect();
    assert_eq!(paths, expected.keys().map(String::as_str).collect::<Vec<_>>());
    let mut missing = 0;
    for camera in cameras {
        let expected = &expected[camera["path"].as_str().unwrap()];
        let count = |(count, bytes): (u64, u64)| json!({"count": count, "bytes": bytes});
        assert_eq!(camera["pictures"], count(expected.pictures));
        assert_eq!(camera["films"], count(expected.films));
        assert_eq!(camera["tally"]["oldest"].as_str(), expected.oldest.as_deref());
        assert_eq!(camera["tally"]["newest"].as_str(), expected.newest.as_deref());
        let (Some(first), Some(last)) = (expected.numbers.first(), expected.numbers.last()) else {
            assert_eq!(camera["numbers"], Value::Null);
            continue;
        };
        let numbers = &camera["numbers"];
        assert_eq!((&numbers["first"], &numbers["last"]), (&json!(first), &json!(last)));
        let not_there: BTreeSet<u64> = (*first..*last).filter(|number| !expected.numbers.contains(number)).collect();
        assert_eq!((&gaps(numbers), &numbers["missing"]), (&not_there, &json!(not_there.len())));
        missing += not_there.len();
    }
    assert_eq!(missing, 5, "of the numbers that the recipe deletes");
}

#[test]
fn the_screen_says_which_numbers_are_not_there() {
    let bench = Bench::new();
    bench.fixture("card");
    let outcome = bench.run("survey card.img --time-zone UTC").code(0).harmless();
    outcome.lines_with(&["/DCIM/100CHOIR", "0001–0024"]);
    outcome.lines_with(&["/DCIM/100CHOIR: 0004–0006, 0017 not there"]);
    outcome.lines_with(&["/DCIM/101CHOIR: 0030 not there"]);
    outcome.out_has("deleted by somebody, or are lost");
}

#[test]
fn the_copies_have_the_dates_of_the_pictures_in_the_zone_that_is_given() {
    let bench = Bench::new();
    bench.fixture("card");
    bench.run("extract card.img /DCIM --to out --time-zone America/New_York").code(0);
    let bag = bench.path("out");
    let mut seen = 0;
    for one in fixture::truth_of_volume("card", 1) {
        let Some(local) = one.value("modified").filter(|_| one.path_text().starts_with("/DCIM/")) else { continue };
        let file = bag.join("data/recovered").join(&one.path_text()[1..]);
        let on_disk = std::fs::metadata(&file).and_then(|facts| facts.modified()).unwrap();
        let zone = jiff::tz::TimeZone::get("America/New_York").unwrap();
        let shown = jiff::Timestamp::try_from(on_disk).unwrap().to_zoned_datetime(zone).datetime().to_string();
        assert_eq!(shown, local, "{}", file.display());
        seen += 1;
    }
    assert!(seen > 30);
    let job: Value = serde_json::from_slice(&std::fs::read(bag.join("records/job.json")).unwrap()).unwrap();
    assert_eq!(job["time_zone"], "America/New_York");
    let manifest = std::fs::read_to_string(bag.join("records/manifest.csv")).unwrap();
    assert!(manifest.contains("2009-03-02T16:45:02,\"local time, zone unknown\""), "as it was stored");
}
