//! `handback extract`: on whose word files are whole, which destinations are taken, and what a killed run leaves.

mod common;

use std::collections::BTreeMap;
use std::time::Duration;

use common::bag::{Bag, prose};
use common::{Bench, fixture};

const ODT: &str = "/Users/Choir/Documents/Minutes/2010/Annual report 2010.odt";
const LIST: &str = "/Users/Choir/Documents/Member list.csv";

fn demo() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench
}

/// The map of the demo's holes as a plain list of bad sectors.
fn bad_sectors() -> String {
    let map = String::from_utf8(fixture::file("demo.map.csv")).unwrap();
    let mut list = String::new();
    for row in map.lines().filter(|line| line.ends_with(",unread")) {
        let mut cells = row.split(',').map(|cell| cell.parse::<u64>().unwrap_or(0));
        let (start, length) = (cells.next().unwrap(), cells.next().unwrap());
        (start / 512..(start + length) / 512).for_each(|sector| list.push_str(&format!("{sector}\n")));
    }
    list
}

/// Extracts the choir's documents; the states of the holed one and of another, and the bag.
fn documents(bench: &Bench, options: &str, to: &str) -> (common::Outcome, String, String, Bag) {
    let outcome = bench.run(&format!("extract demo.img /Users/Choir/Documents --to {to} {options}")).code(1);
    let bag = Bag::at(bench.path(to));
    let (holed, other) = (bag.manifest_row(ODT)["state"].clone(), bag.manifest_row(LIST)["state"].clone());
    (outcome, holed, other, bag)
}

#[test]
fn a_bad_list_speaks_only_of_the_bad() {
    let bench = demo();
    bench.file("bad.txt", bad_sectors());
    let (outcome, holed, other, bag) = documents(&bench, "--map bad.txt --map-form bad-sectors", "plain");
    assert_eq!((&*holed, &*other), ("damaged", "unproven"));
    assert!(outcome.err_has("basis bad-list").err.lines().last().unwrap().starts_with("Nobody recorded whether "));
    assert_eq!(bag.json("records/job.json")["map"]["basis"], "bad-list");
    assert_eq!(bag.json("records/job.json")["map"]["asserted"], false);

    let asserted = |outcome: common::Outcome, bag: &Bag| {
        outcome.err_has("on whose word:").err_has("basis asserted").err_lacks("no map speaks");
        let map = &bag.json("records/job.json")["map"];
        assert_eq!((map["basis"].as_str(), map["asserted"].as_bool()), (Some("asserted"), Some(true)));
        let text = prose(&bag.text("READ ME FIRST.txt"));
        assert!(
            text.contains("It is the technician's word, and stands in no record, that every place was read"),
            "{text}"
        );
    };
    let options = "--map bad.txt --map-form bad-sectors --map-rest read";
    let (outcome, holed, other, bag) = documents(&bench, options, "asserted");
    assert_eq!((&*holed, &*other), ("damaged", "whole"));
    asserted(outcome, &bag);

    let options = "--map-form bad-sectors --map-rest read --image demo.img --to demo.map.csv";
    bench.run(&format!("map convert bad.txt {options}")).code(0);
    let (outcome, holed, other, bag) = documents(&bench, "", "converted");
    assert_eq!((&*holed, &*other), ("damaged", "whole"));
    asserted(outcome.err_has("found beside the image"), &bag);
}

#[test]
fn a_doubted_map_loses_its_good_word_and_keeps_its_holes() {
    let bench = demo();
    let map = String::from_utf8(fixture::file("demo.map.csv")).unwrap();
    bench.file("demo.map.csv", map.replace("image-length: 100663296", "image-length: 100663808"));
    let (outcome, holed, other, bag) = documents(&bench, "", "doubted");
    outcome.err_has("map doubted: ").err_has("100663808").err_has("--map-accept").err_has("no map speaks for ");
    assert_eq!((&*holed, &*other), ("damaged", "unproven"));
    let job = bag.json("records/job.json");
    assert!(job["map"]["doubts"][0].as_str().unwrap().contains("100663808"), "{job}");
    assert!(prose(&bag.text("READ ME FIRST.txt")).contains("its good word was not used"));

    let (outcome, holed, other, bag) = documents(&bench, "--map-accept", "accepted");
    outcome.err_has("map accepted all the same").err_lacks("no map speaks");
    assert_eq!((&*holed, &*other), ("damaged", "whole"));
    assert_eq!(bag.json("records/job.json")["map"]["accepted"], true);
    assert!(prose(&bag.text("READ ME FIRST.txt")).contains("the technician accepted it"));
}

#[test]
fn a_map_that_is_older_than_its_image_is_doubted() {
    let bench = demo();
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench.age("demo.map.csv", Duration::from_secs(9 * 60));
    let (_, _, other, _) = documents(&bench, "", "young");
    assert_eq!(other, "whole");
    bench.age("demo.map.csv", Duration::from_secs(12 * 60));
    let (outcome, holed, other, _) = documents(&bench, "", "old");
    outcome.err_has("map doubted: ").err_has("--map-accept");
    assert_eq!((&*holed, &*other), ("damaged", "unproven"));
}

#[test]
fn a_word_for_the_whole_image_is_kept_as_such() {
    let bench = Bench::new();
    bench.fixture("ntfs-dirty");
    let refused = bench.run("extract ntfs-dirty.img /Users --map-rest read --to out").code(2);
    refused.err_has("say `--no-map` to speak of the whole image");
    let outcome = bench.run("extract ntfs-dirty.img /Users --no-map --map-rest read --to out").code(0);
    outcome.err_has("map: none; you speak for the whole image, basis asserted").err_lacks("no map speaks");
    let bag = Bag::at(bench.path("out"));
    assert_eq!(bag.manifest_row("/Users/Choir/minutes.txt")["state"], "whole");
    assert_eq!(bag.json("records/job.json")["map"]["asserted"], true);
}

#[test]
fn a_destination_that_is_not_ours_is_refused_and_left_alone() {
    let bench = Bench::new();
    bench.fixture("ntfs-dirty");
    bench.folder("holiday");
    bench.file("holiday/beach.txt", "sand");
    bench.file("note.txt", "a note");
    bench.folder("empty");
    bench.run("extract ntfs-dirty.img /Users --to empty").code(0);
    let before = bench.tree("");
    for (to, why) in [
        ("holiday", "it holds other files (`beach.txt`)"),
        ("note.txt", "it is not a folder"),
        ("empty", "it already holds a finished handover"),
        ("none/deeper", "the folder above it is not there"),
        ("ntfs-dirty.img", "it is a part of the image itself"),
        ("ntfs-dirty.img/out", "it is a part of the image itself"),
    ] {
        let outcome = bench.run(&format!("extract ntfs-dirty.img /Users --to {to}")).code(3);
        assert_eq!(outcome.out, "", "{to}");
        outcome.err_has("error: cannot use `").err_has(why);
    }
    assert!(bench.tree("") == before, "nothing was touched");
}

#[test]
fn a_path_that_is_not_there_makes_no_folder() {
    let bench = Bench::new();
    bench.fixture("mbr-logical");
    bench.run("extract mbr-logical.img /Users/Nobody --to out").code(2).err_has("`/Users/Nobody` is not there");
    bench.run("extract mbr-logical.img / --to out").code(2).err_has("`1:/` or `5:/`");
    bench.run("extract mbr-logical.img Users --to out").code(2).err_has("a path begins with `/`");
    bench.run("extract mbr-logical.img 9:/Users --to out").code(2).err_has("there is no volume 9");
    assert_eq!(bench.names(), ["mbr-logical.img"]);
    assert!(!bench.path("out").exists());
}

/// Kills `extract … --to NAME` in its midst; the first folder that was left unfinished.
fn killed(bench: &Bench) -> String {
    for attempt in 0..60 {
        let name = format!("killed {attempt}");
        let mut child = bench.start(&["extract", "demo.img", "/", "--to", &name]);
        let journal = bench.path(&name).join("records/progress");
        while !journal.exists() && child.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(Duration::from_millis(attempt % 12 * 4));
        child.kill().unwrap();
        child.wait().unwrap();
        if journal.exists() && bench.path(&name).join("data").exists() {
            return name;
        }
    }
    panic!("no run could be stopped in its midst");
}

#[test]
fn a_killed_run_is_visibly_unfinished_and_goes_on() {
    let bench = demo();
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    let name = killed(&bench);
    let folder = bench.path(&name);
    assert!(folder.join("NOT FINISHED.txt").is_file() && !folder.join("bagit.txt").exists());
    assert!(!folder.join("manifest-sha256.txt").exists());
    bench.run_words(&["verify", &name]).code(3).err_has("is not finished; run the same extract again");

    // Only the same job goes on.
    let before = bench.tree(&name);
    bench.run_words(&["extract", "demo.img", "/Users", "--to", &name]).code(3).err_has("other paths or options");
    bench.run_words(&["extract", "demo.img", "/", "--no-map", "--to", &name]).code(3).err_has("another map");
    bench.fixture("ntfs-dirty");
    bench.run_words(&["extract", "ntfs-dirty.img", "/", "--to", &name]).code(3).err_has("from another image");
    assert!(bench.tree(&name) == before, "a refused run changes nothing");

    bench.run_words(&["extract", "demo.img", "/", "--to", &name]).code(1).out_has("(continued)");
    bench.run("extract demo.img / --to undisturbed").code(1).out_lacks("(continued)");
    let of = |name: &str| -> BTreeMap<String, Option<Vec<u8>>> {
        let mut tree = bench.tree(name);
        for wall_clock in ["records/log.txt", "records/job.json", "bag-info.txt", "tagmanifest-sha256.txt"] {
            assert!(tree.remove(wall_clock).is_some(), "{wall_clock}");
        }
        tree
    };
    let (continued, undisturbed) = (of(&name), of("undisturbed"));
    assert_eq!(continued.keys().collect::<Vec<_>>(), undisturbed.keys().collect::<Vec<_>>());
    assert!(continued == undisturbed, "the same bytes");
    let job = |name: &str| {
        let mut job = Bag::at(bench.path(name)).json("records/job.json");
        assert!(job.as_object_mut().unwrap().remove("times").is_some());
        job
    };
    assert_eq!(job(&name), job("undisturbed"));
    bench.run_words(&["verify", &name]).code(0);
}
