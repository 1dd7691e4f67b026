//! What the program says to a command that can't work, and with which exit status it ends.

mod common;

use common::Bench;

#[test]
fn help_is_data_and_ends_well() {
    let bench = Bench::new();
    for line in ["--help", "-h", "layout --help", "list --help", "survey --help", "extract --help", "verify --help"] {
        bench.run(line).code(0).out_has("Usage: handback").err_lacks("Usage");
    }
    for line in [
        "map --help",
        "map show --help",
        "map convert --help",
        "map merge --help",
        "map find --help",
        "map suspect --help",
        "map picture --help",
        "demo --help",
    ] {
        bench.run(line).code(0).out_has("Usage: handback").err_lacks("Usage");
    }
    bench.run("--help").out_has("never on the drive");
    bench.run("--version").code(0).out_has("handback ");
}

#[test]
fn options_stand_under_their_own_heading() {
    // What is said of every image must not slip under the heading of a log's columns.
    let help = Bench::new().run("layout --help").code(0).out;
    let (general, columns) = help.split_once("The columns of another program's log").expect("the heading");
    for option in ["--drive-size", "--sector-size", "--json", "--part"] {
        assert!(general.contains(option), "{option}: {help}");
        assert!(!columns.contains(&format!("      {option}")), "{option}: {help}");
    }
}

#[test]
fn a_command_that_is_not_understood_is_2() {
    let bench = Bench::new();
    bench.image("disk.img", 4096);
    bench.run("").code(2).err_has("Usage: handback");
    bench.run("map").code(2).err_has("Usage: handback map");
    for line in [
        "layuot disk.img",
        "layout",
        "layout disk.img --volune 2",
        "layout disk.img --sector-size 520",
        "layout disk.img --drive-size big",
        "extract disk.img --to there",
        "extract disk.img /",
        "map show",
        "map show disk.img --map a.csv --no-map",
        "map show disk.img --map-rest good",
        "map convert",
        "map convert a.txt --image disk.img --image-length 5",
        "map merge",
        "map find disk.img",
        "map suspect",
    ] {
        let outcome = bench.run(line).code(2).err_has("error: ").err_has("try '--help'");
        assert_eq!(outcome.out, "", "{line}");
    }
    assert_eq!(bench.names(), ["disk.img"]);
}

#[test]
fn an_image_that_is_not_there_is_3() {
    Bench::new().run("map show none.img").code(3).err_has("error: cannot read the image file `none.img`");
}

#[test]
fn a_folder_or_an_empty_file_is_no_image() {
    let bench = Bench::new();
    bench.folder("images");
    bench.image("empty.img", 0);
    bench.run("map show images").code(2).err_has("`images` is a folder; name the image file in it");
    bench.run("map show empty.img").code(3).err_has("an empty file, `empty.img`");
}

#[cfg(unix)]
#[test]
fn a_device_is_no_image() {
    Bench::new().run("map show /dev/zero").code(2).err_has("never on the drive itself");
}

#[test]
fn a_compressed_image_says_what_to_do() {
    let bench = Bench::new();
    // Opening bytes: RFC 1952 2.3.1, RFC 8878 3.1.1.
    bench.file("disk.img.gz", [&[0x1f, 0x8b, 8, 0][..], &[7; 600]].concat());
    bench.file("disk.img.zst", [&[0x28, 0xb5, 0x2f, 0xfd][..], &[7; 600]].concat());
    bench.run("map show disk.img.gz").code(3).err_has("gzip").err_has("unpack it to a raw image first");
    bench.run("map show disk.img.zst").code(3).err_has("zstd").err_has("unpack it to a raw image first");
}

#[test]
fn a_split_image_with_a_gap_names_the_missing_part() {
    let bench = Bench::new();
    for part in ["disk.001", "disk.002", "disk.004"] {
        bench.image(part, 4096);
    }
    bench.run("map show disk.001").code(2).err_has("disk.003");
}

#[test]
fn parts_that_are_not_numbered_on_are_named() {
    let bench = Bench::new();
    bench.image("first.img", 4096);
    bench.image("second.img", 1024);
    bench.run("map show first.img --part second.img").code(0).out_has("5,120");
}

#[test]
fn a_name_can_not_steer_the_terminal() {
    let bench = Bench::new();
    let outcome = bench.run_words(&["map", "show", "no\x1B[2J\u{202E}ne.img"]).code(3);
    assert!(!outcome.err.contains(['\x1B', '\u{202E}']), "{:?}", outcome.err);
    outcome.err_has(r"no\u{001B}[2J\u{202E}ne.img");
    let outcome = bench.run_words(&["map", "no\x1B[2J"]).code(2);
    assert!(!outcome.err.contains('\x1B'), "{:?}", outcome.err);
}

#[test]
fn a_reader_that_goes_away_is_a_quiet_success() {
    let bench = Bench::new();
    bench.image("disk.img", 4096);
    let rows: String = (0..100_000).map(|row| format!("{},1,unread\n", row * 2)).collect();
    bench.file("long.csv", format!("# handback sector map 1\n# image-length: 200000\nstart,length,state\n{rows}"));
    for line in ["map show --map long.csv --json", "map convert long.csv", "--help"] {
        let outcome = bench.run_unread(line).code(0);
        assert_eq!(outcome.err, "", "{line}");
    }
}

#[test]
fn what_is_not_a_terminal_gets_no_colour() {
    let bench = Bench::new();
    bench.image("disk.img", 4096);
    let outcome = bench.run("map show disk.img").code(0);
    assert!(!outcome.out.contains('\x1B') && !outcome.err.contains('\x1B'));
}
