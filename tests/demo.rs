//! `handback demo`: the first thing that anyone tries.

mod common;

use std::time::{Duration, Instant};

use common::bag::{Bag, sha256};
use common::{Bench, fixture};

#[test]
fn it_shows_every_command_and_ends_well() {
    let bench = Bench::new();
    let start = Instant::now();
    let mut outcome = bench.run("demo try").code(0).harmless();
    // Windows writes the paths in its own way.
    outcome.out = outcome.out.replace('\\', "/");
    // Promised: under ten seconds; a busy machine that builds without optimisation gets some more.
    assert!(start.elapsed() < Duration::from_secs(40), "{:?}", start.elapsed());
    for line in [
        "$ handback layout try/choir.img",
        "$ handback survey try/choir.img",
        "$ handback check try/choir.img /Users/Choir",
        "$ handback extract try/choir.img /Users/Choir \"/Scores 2009\" --to try/handover",
        "$ handback verify try/handover",
        "(exit status 1: done, and something is damaged)",
        "All well: every file is there and is what was written.",
    ] {
        outcome.lines_with(&[line]);
    }
    // What it says to try next works as it stands.
    let (_, next) = outcome.out.split_once("── Try next\n").expect("what to try next");
    let commands: Vec<&str> = next.lines().filter_map(|line| line.strip_prefix("$ handback ")).collect();
    assert_eq!(commands.len(), 4);
    for command in commands {
        let typed = command.split("  ").next().unwrap().replace('"', "");
        let code = if typed.starts_with("list ") || typed.starts_with("map wanted ") { 1 } else { 0 };
        bench.run(&typed).code(code);
    }
}

#[test]
fn image_map_and_handover_are_left() {
    let bench = Bench::new();
    bench.run("demo try").code(0);
    let sums = String::from_utf8(fixture::file("SHA256SUMS")).unwrap();
    let image = std::fs::read(bench.path("try/choir.img")).unwrap();
    assert!(sums.lines().any(|line| line == format!("{}  demo.img", sha256(&image))), "the image is the whole one");
    assert_eq!(bench.text("try/choir.map.csv").as_bytes(), fixture::file("demo.map.csv"));
    assert_eq!(Bag::at(bench.path("try/handover")).records("lost").len(), 3);
    bench.run("verify try").code(0);
}

#[test]
fn nothing_is_mixed_with_other_files() {
    let bench = Bench::new();
    bench.folder("holiday");
    bench.file("holiday/beach.txt", "sand");
    bench.run("demo holiday").code(3).err_has("something is in it already; name a new or empty folder");
    assert_eq!(bench.tree("holiday").into_keys().collect::<Vec<_>>(), ["beach.txt"]);
    bench.file("note.txt", "a note");
    bench.run("demo note.txt").code(3).err_has("`note.txt`");
    assert_eq!(bench.text("note.txt"), "a note");
}
