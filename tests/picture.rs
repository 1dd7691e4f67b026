//! `handback map picture`: what it draws of the choir's computer, and what it refuses.

mod common;

use common::{Bench, fixture};
use serde_json::json;

fn demo() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench
}

/// The demo's map: the holes, by its own lines.
fn holes() -> Vec<(u64, u64)> {
    let text = String::from_utf8(fixture::file("demo.map.csv")).unwrap();
    let rows = text.lines().filter_map(|line| line.strip_suffix(",unread"));
    rows.map(|row| row.split_once(',').unwrap())
        .map(|(at, length)| (at.parse().unwrap(), length.parse().unwrap()))
        .collect()
}

const LENGTH: u64 = 100_663_296;

#[test]
fn the_choirs_holes_are_where_the_map_has_them() {
    let bench = demo();
    assert_eq!(holes().len(), 4);
    let outcome = bench.run("map picture demo.img").code(0).harmless();
    let strip = outcome.out.lines().find(|line| line.starts_with("__")).unwrap();
    assert_eq!(strip.len(), 80);
    let columns: Vec<usize> = strip.char_indices().filter(|(_, sign)| *sign != '_').map(|(at, _)| at).collect();
    let wanted: Vec<usize> = holes().iter().map(|(start, _)| (start * 80 / LENGTH) as usize).collect();
    assert_eq!(columns, wanted);
    outcome.lines_with(&["Volume 2 (NTFS \"Choir\"", "81.9 kB could not be read"]);
    outcome.lines_with(&["Volume 1", "all of it came off the drive"]);
    outcome.lines_with(&["81.9 kB (0.08 %) could not be read, in 4 places"]);
}

#[test]
fn damaged_files_stand_out() {
    let bench = demo();
    // Three of the holes cost a file of the choir something, the first one lies in free space.
    let outcome = bench.run("map picture demo.img /Users/Choir").code(1).harmless();
    let line = outcome.out.lines().find(|line| line.contains('X') && !line.contains("damaged")).unwrap();
    let columns: Vec<usize> = line.char_indices().filter(|(_, sign)| *sign == 'X').map(|(at, _)| at).collect();
    let wanted: Vec<usize> = holes()[1..].iter().map(|(start, _)| (start * 80 / LENGTH) as usize).collect();
    assert_eq!(columns, wanted);
    let truth = fixture::truth_of_volume("demo", 2);
    let files = truth.iter().filter(|one| one.kind == "file" && one.path_text().starts_with("/Users/Choir/"));
    let files = files.filter(|one| !one.note.contains("hardlink-of")).count();
    outcome.lines_with(&["/Users/Choir", &format!("{files} files, 3 of them damaged")]);
    let sound = bench.run_words(&["map", "picture", "demo.img", "/Scores 2009"]).code(0);
    sound.lines_with(&["/Scores 2009", "none of them has lost anything"]);
    bench.run_words(&["map", "picture", "demo.img", "/Users/Choir/Pictures", "/Scores 2009"]).code(1);
    bench.run("map picture demo.img /Users/Nobody").code(2).err_has("`/Users/Nobody` is not there");
}

#[test]
fn pictures_are_written_once_and_can_be_read() {
    let bench = demo();
    for name in ["one.svg", "two.SVG", "one.png"] {
        let outcome = bench.run(&format!("map picture demo.img /Users/Choir --to {name}")).code(1);
        outcome.err_has(&format!("wrote `{name}`")).lines_with(&["in 4 places"]);
        bench.run(&format!("map picture demo.img --to {name}")).code(3).err_has("nothing is ever overwritten");
    }
    let files = bench.contents();
    assert_eq!(files["one.svg"], files["two.SVG"]);
    let svg = String::from_utf8(files["one.svg"].clone()).unwrap();
    let document = roxmltree::Document::parse(&svg).expect("well-formed");
    let texts: Vec<&str> = document
        .descendants()
        .filter(|node| node.has_tag_name("text") || node.tag_name().name() == "text")
        .filter_map(|node| node.text())
        .collect();
    for words in
        ["demo.img", "could not be read", "was not tried", "nobody knows", "where /Users/Choir lies", "\"Choir\""]
    {
        assert!(texts.iter().any(|text| text.contains(words)), "{words}: {texts:?}");
    }
    let reader = png::Decoder::new(std::io::Cursor::new(&files["one.png"][..])).read_info().expect("a PNG");
    assert_eq!(reader.info().width, 2400);
    for name in ["picture.jpg", "picture", "demo.map.csv"] {
        bench.run(&format!("map picture demo.img --to {name}")).code(2).err_has("neither a `.svg` nor a `.png` file");
    }
}

#[test]
fn programs_get_the_description() {
    let bench = demo();
    let document = bench.run("map picture demo.img /Users/Choir --json").code(1).json("map picture");
    assert_eq!(document["length"], LENGTH);
    let unread: u64 = holes().iter().map(|(_, length)| length).sum();
    assert_eq!((&document["bytes"]["unread"], &document["holes"]), (&json!(unread), &json!(4)));
    assert_eq!(document["map"]["totals"]["unread"], unread);
    assert_eq!(document["volumes"][1]["bytes"]["unread"], unread);
    assert_eq!((&document["chosen"]["name"], &document["chosen"]["damaged"]), (&json!("/Users/Choir"), &json!(3)));
    assert_eq!(document["enlarged"].as_array().unwrap().len(), 3);
    assert_eq!(document["enlarged"][0]["volume"], 2);
    assert!(bench.run("map picture demo.img --json").code(0).json("map picture")["chosen"].is_null());
}

#[test]
fn an_image_of_500_gb_takes_no_time_and_no_memory() {
    let bench = Bench::new();
    bench.file("big.img", []);
    bench.stretch("big.img", 500_107_862_016);
    bench.file("big.map.csv", common::full_map(500_107_862_016, &[250_000_000_000..250_000_004_096]));
    let outcome = bench.run("map picture big.img --to big.png").code(0);
    outcome.lines_with(&["4.0 kB (under 0.01 %) could not be read, in 1 place"]);
    let strip = outcome.out.lines().find(|line| line.starts_with("__")).unwrap();
    assert_eq!(strip.find(':'), Some(39), "{strip}");
    let none = bench.run("map picture big.img --no-map").code(0);
    none.lines_with(&["Nobody recorded which of these 500.1 GB could be read."]);
}
