//! `handback verify`: a bag that is as it was written, and every way in which it is not.

mod common;

use common::Bench;

/// A bag of a few files.
fn bag() -> Bench {
    let bench = Bench::new();
    bench.fixture("gpt-128");
    bench.run("extract gpt-128.img /Users/Choir --to choir").code(0);
    bench
}

const LETTER: &str = "choir/data/recovered/Users/Choir/letter.txt";

#[test]
fn all_is_well() {
    let bench = bag();
    let before = bench.tree("choir");
    let outcome = bench.run("verify choir").code(0);
    outcome.out_has("2 files, 31.8 kB (31,800 bytes), checked with sha256").out_has("All well: every file is there");
    let value = bench.run("verify choir --json").code(0).json("verify");
    assert_eq!((&value["payload_files"], &value["payload_bytes"]), (&2.into(), &31_800.into()));
    assert_eq!((&value["problem_count"], &value["version"]), (&0.into(), &"1.0".into()));
    assert_eq!(value["algorithms"], serde_json::json!(["sha256"]));
    assert!(bench.tree("choir") == before, "verify never writes into a bag");
}

#[test]
fn one_changed_byte_is_named() {
    let bench = bag();
    let mut bytes = std::fs::read(bench.path(LETTER)).unwrap();
    bytes[1000] ^= 1;
    bench.file(LETTER, &bytes);
    let outcome = bench.run("verify choir").code(1).out_has("compare with the other copy").out_lacks("All well");
    assert_eq!(outcome.lines_with(&["`data/recovered/Users/Choir/letter.txt` is not what was written"]).len(), 1);
    outcome.out_lacks("picture.bin");
    let value = bench.run("verify choir --json").code(1).json("verify");
    assert_eq!(value["problems"][0]["path"], "data/recovered/Users/Choir/letter.txt");
    assert_eq!(value["problems"][0]["kind"], "changed");
    assert_eq!(value["problem_count"], 1);
}

#[test]
fn a_missing_and_an_extra_file_are_named() {
    let bench = bag();
    bench.remove(LETTER);
    bench.run("verify choir").code(1).out_has("`data/recovered/Users/Choir/letter.txt` is listed and not there");
    let bench = bag();
    bench.file("choir/data/recovered/song.txt", "la");
    bench.run("verify choir").code(1).out_has("`data/recovered/song.txt` is there and not listed");
}

#[test]
fn a_record_that_was_touched_is_named() {
    let bench = bag();
    let lost = bench.text("choir/records/lost.csv");
    bench.file("choir/records/lost.csv", lost + "x");
    bench.run("verify choir").code(1).out_has("`records/lost.csv` is not what was written");
}

#[test]
fn the_only_bag_of_a_folder_is_meant() {
    let bench = bag();
    bench.folder("something else");
    bench.run("verify .").code(0).out_has("All well").lines_with(&["Bag: ", "choir (BagIt 1.0)"]);
    bench.run("extract gpt-128.img /Users/Choir --to second").code(0);
    bench.run("verify .").code(3).err_has("error: cannot check `.`: several bags lie there; name one of them");
}

#[test]
fn what_is_no_bag_is_3() {
    let bench = Bench::new();
    bench.folder("holiday");
    bench.file("beach.txt", "sand");
    for folder in ["holiday", "beach.txt", "none"] {
        let outcome = bench.run(&format!("verify {folder}")).code(3);
        assert_eq!(outcome.out, "");
        outcome.err_has("error: cannot ").err_has(&format!("`{folder}`")).err_lacks("hand over");
    }
}

#[test]
fn an_unfinished_handover_has_its_own_message() {
    let bench = bag();
    bench.file("choir/NOT FINISHED.txt", "");
    bench.remove("choir/bagit.txt");
    for folder in ["choir", "."] {
        bench.run(&format!("verify {folder}")).code(3).err_has("is not finished").err_has("run the same extract again");
    }
}

#[test]
fn names_that_steer_the_terminal_are_written_out() {
    let bench = bag();
    if cfg!(unix) {
        bench.file("choir/data/so\u{1B}[2Jng\u{202E}.txt", "la");
        let outcome = bench.run("verify choir").code(1).harmless();
        outcome.out_has(r"`data/so\u{001B}[2Jng\u{202E}.txt` is there and not listed");
    }
}
