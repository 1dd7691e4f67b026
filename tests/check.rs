//! `check` and `extract --check`, as people call them: which files open.

mod common;

use common::{Bench, fixture};
use serde_json::Value;

/// The choir's old computer, with the map of what was read.
fn demo() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench
}

fn document(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
}

/// How many files a table has in a state and with a result.
fn files(contents: &Value, state: &str, opens: &str) -> u64 {
    contents["table"][state][opens]["files"].as_u64().unwrap_or(0)
}

#[test]
fn what_is_whole_opens_and_what_has_holes_does_not() {
    let bench = demo();
    let run = bench.run("check demo.img 2:/Users/Choir --json").code(1);
    let checked = document(&run.out);
    let contents = &checked["volumes"][0]["contents"];
    // Made by real programs: none of them may be called broken.
    for result in ["broken", "blank", "mislabelled"] {
        assert_eq!(files(contents, "whole", result), 0, "{contents:#}");
    }
    assert!(files(contents, "whole", "sound") > 150, "{contents:#}");
    // Two pictures and a letter in a ZIP archive have a hole.
    assert_eq!(files(contents, "damaged", "broken"), 3, "{contents:#}");
    assert_eq!(contents["fault_count"], 3);
    for fault in contents["faults"].as_array().expect("a list") {
        assert!(fault["address"].as_str().is_some_and(|address| address.starts_with("record:")), "{fault}");
        assert!(!fault["why"].as_str().unwrap_or_default().is_empty(), "{fault}");
    }
    let screen = bench.run("check demo.img 2:/Users/Choir").code(1);
    screen.out_has("Do not open, and have holes or are in doubt:").out_has("IMG_0487.jpg: JPEG, broken at byte ");
}

#[test]
fn a_byte_that_no_map_knows_of_is_noticed_where_the_format_can() {
    let bench = Bench::new();
    let mut image = fixture::image("demo");
    // An end record of a ZIP archive stands once in the volume for each letter.
    let letter = fixture::truth_of_volume("demo", 2)
        .into_iter()
        .find(|one| one.path_text().contains("Reply about") && one.path_text().ends_with(".odt"))
        .expect("a letter");
    let name = letter.path_text();
    bench.file("sound.img", &image);
    bench.run_words(&["extract", "sound.img", &format!("2:{name}"), "--no-map", "--to", "sound"]).code(0);
    let bytes = std::fs::read(bench.path("sound/data/recovered").join(name.trim_start_matches('/'))).expect("written");
    let middle = &bytes[bytes.len() / 2 - 40..bytes.len() / 2 + 40];
    let places: Vec<usize> =
        image.windows(middle.len()).enumerate().filter(|(_, window)| *window == middle).map(|(at, _)| at).collect();
    assert_eq!(places.len(), 1, "its bytes stand once in the image");
    image[places[0] + 40] ^= 0x20;
    bench.file("demo.img", &image);
    bench.map_beside("demo", &[]);

    let run = bench.run_words(&["check", "demo.img", &format!("2:{name}"), "--json"]).code(1);
    let contents = document(&run.out)["volumes"][0]["contents"].clone();
    assert_eq!(files(&contents, "whole", "broken"), 1, "{contents:#}");

    let run = bench.run_words(&["extract", "demo.img", &format!("2:{name}"), "--check", "--to", "bag"]).code(1);
    assert!(run.out.contains("Read without a hole, and do not open all the same"), "{}", run.out);
    let row = bench.text("bag/records/manifest.csv");
    assert!(row.contains("whole") && row.contains("broken at byte "), "{row}");
    let job = document(&bench.text("bag/records/job.json"));
    assert_eq!(job["contents"]["fault_count"], 1, "{job:#}");
    let manifest = document(&bench.text("bag/records/manifest.json"));
    let opens: Vec<&Value> = manifest["files"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|file| &file["opens"])
        .filter(|one| !one.is_null())
        .collect();
    assert_eq!((opens.len(), &opens[0]["opens"]), (1, &Value::from("broken")));
    bench.run("verify bag").code(0);
}

#[test]
fn without_the_flag_a_handover_says_nothing_of_formats() {
    let bench = demo();
    bench.run_words(&["extract", "demo.img", "/Scores 2009", "--to", "bag"]).code(0);
    let job = document(&bench.text("bag/records/job.json"));
    assert!(job["contents"].is_null() && job["options"]["check"] == false);
    assert!(!bench.text("bag/records/manifest.json").contains("\"opens\""));
}
