//! `handback compare`: two handovers, a handover and lists of other programs, a handover and the image.

mod common;

use common::bag::sha256;
use common::{Bench, fixture};

fn bench() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench.run("extract demo.img /Users/Choir --to choir --no-record --also sha512").code(1);
    bench
}

/// What was damaged is whole in a later handover, after the drive was read again; what was left out is new.
#[test]
fn two_handovers_of_one_drive() {
    let bench = bench();
    bench.run("compare choir choir").code(0).out_has("Same: 201 files (3 of them with zeros").out_has("No difference.");
    bench.file("complete.map.csv", common::full_map(100_663_296, &[]));
    let image = fixture::image("demo");
    let mut restored = image.clone();
    // Truth: what the map says was not read. Other bytes stand there now.
    let map = String::from_utf8(fixture::file("demo.map.csv")).unwrap();
    for row in map.lines().filter(|line| line.ends_with(",unread")) {
        let cells: Vec<usize> = row.split(',').take(2).map(|cell| cell.parse().unwrap()).collect();
        restored[cells[0]..cells[0] + cells[1]].fill(7);
    }
    bench.file("again.img", &restored);
    let words = ["extract", "again.img", "/Users/Choir", "/Scores 2009", "--map", "complete.map.csv", "--map-accept"];
    bench.run_words(&[&words[..], &["--to", "again", "--no-record"]].concat()).code(0);
    let outcome =
        bench.run("compare choir again").code(1).out_has("by their path on the drive").out_has("Changed: 3 files");
    outcome.lines_with(&["2:/Users/Choir/Pictures/Concert 2009/IMG_0487.jpg", "damaged", "→ whole"]);
    let value = bench.run("compare choir again --json").code(1).json("compare");
    assert_eq!(
        (&value["same"], &value["changed"]["count"], &value["new"]["count"]),
        (&198.into(), &3.into(), &41.into())
    );
    assert_eq!((&value["missing"]["count"], &value["differs"]), (&0.into(), &true.into()));
    let changed = &value["changed"]["first"][0];
    assert_eq!((&changed["a"]["state"], &changed["b"]["state"]), (&"damaged".into(), &"whole".into()));
    assert_eq!((&changed["a"]["has_gaps"], &changed["b"]["has_gaps"]), (&true.into(), &false.into()));
    let value = bench.run("compare again choir --json").code(1).json("compare");
    assert_eq!((&value["missing"]["count"], &value["new"]["count"]), (&41.into(), &0.into()));
}

#[test]
fn lists_of_other_programs() {
    let bench = bench();
    let tree = bench.tree("choir/data/recovered/Users/Choir/Documents");
    let files = tree.iter().filter_map(|(path, bytes)| Some((path, bytes.as_ref()?)));
    // As the customer would make one, in a folder of theirs.
    let list: String = files.map(|(path, bytes)| format!("{} *./{path}\r\n", sha256(bytes))).collect();
    bench.file("theirs.sha256", &list);
    let count = list.lines().count();
    let value = bench.run("compare theirs.sha256 choir/manifest-sha256.txt --json").code(1).json("compare");
    assert_eq!((&value["moved"]["count"], &value["missing"]["count"]), (&count.into(), &0.into()));
    assert_eq!((&value["matched_by"], &value["algorithm"]), (&"path".into(), &"sha256".into()));
    let a = value["moved"]["first"][0]["a"]["path"].as_str().unwrap();
    let b = value["moved"]["first"][0]["b"]["path"].as_str().unwrap();
    assert!(b.ends_with(a) && b.starts_with("data/recovered/"), "{a} {b}");
    bench.run("compare choir/manifest-sha512.txt choir").code(0).out_has("compared with sha512");
    bench.run("compare choir/records/manifest.json choir/records/manifest.csv").code(0);
    bench.file("old.md5", "00000000000000000000000000000000  song.mid\n");
    bench.run("compare choir old.md5").code(2).err_has("no kind of checksum stands in both");
}

#[test]
fn the_image_is_read_again() {
    let bench = bench();
    let outcome =
        bench.run("compare choir demo.img").code(0).out_has("(the image, read again)").out_has("No difference.");
    outcome.out_has("Same: 201 files (3 of them with zeros");
    let value = bench.run("compare choir/records/manifest.json demo.img --json").code(0).json("compare");
    assert_eq!((&value["b"], &value["new"]), (&serde_json::Value::Null, &serde_json::Value::Null));
    assert_eq!((&value["same"], &value["map"]["basis"]), (&201.into(), &"full".into()));
    // Another image, or the same with a changed byte in one file.
    let mut image = fixture::image("demo");
    let picture = bench.path("choir/data/recovered/Users/Choir/Pictures/Concert 2009/IMG_0488.jpg");
    let part = &std::fs::read(picture).unwrap()[1000..1100];
    let at = image.windows(part.len()).position(|bytes| bytes == part).expect("a cluster lies in one piece");
    image[at + 3] ^= 1;
    bench.file("other.img", &image);
    bench.file("other.map.csv", fixture::file("demo.map.csv"));
    let outcome = bench.run("compare choir other.img").code(1).out_has("Same: 200 files").out_has("Changed: 1 file\n");
    outcome.out_has("2:/Users/Choir/Pictures/Concert 2009/IMG_0488.jpg (whole").out_has("They differ.");
    bench.fixture("ntfs-dirty");
    bench
        .run("compare choir ntfs-dirty.img")
        .code(1)
        .out_has("Missing in B: 201 files")
        .out_has("volume 2 is not there");
}

#[test]
fn streams_hard_links_and_deleted_files_are_found_again() {
    for (name, options) in [
        ("ntfs-streams", &["--streams"][..]),
        ("ntfs-deleted", &["--deleted", "--streams"]),
        ("fat16-deleted", &["--deleted"]),
        ("exfat-deleted", &["--deleted"]),
        ("ntfs-compressed", &[]),
        ("fat32", &[]),
    ] {
        let bench = Bench::new();
        let image = format!("{name}.img");
        bench.fixture(name);
        let words = [&["extract", &image, "/", "--to", "bag", "--no-record", "--json"], options].concat();
        let written = bench.run_words(&words).json("extract")["written_files"].clone();
        let value = bench.run(&format!("compare bag {image} --json")).code(0).json("compare");
        assert_eq!(value["same"], written, "{name}");
    }
}

#[test]
fn what_cannot_be_compared_is_said() {
    let bench = bench();
    bench.run("compare demo.img choir").code(2).err_has("`demo.img` is no list of files; name a handover folder");
    bench.run("compare choir nothing").code(3).err_has("cannot read `nothing`");
    bench.run("compare choir/manifest-sha256.txt demo.img").code(2).err_has("does not say where on the drive");
    bench.folder("empty");
    bench.run("compare choir empty").code(2).err_has("no list stands in the folder `empty`");
    bench.file("torn.sha256", format!("{}  a\nsong\n", "0".repeat(64)));
    bench.run("compare torn.sha256 choir").code(2).err_has("line 2 of `torn.sha256`");
}

#[test]
fn names_that_steer_the_terminal_are_written_out() {
    let bench = Bench::new();
    bench.file("a.sha256", format!("{}  so\u{1B}[2Jng\u{202E}.txt\n", "1".repeat(64)));
    bench.file("b.sha256", format!("{}  x\n", "2".repeat(64)));
    let outcome = bench.run("compare a.sha256 b.sha256").code(1).harmless();
    outcome.out_has(r"so\u{001B}[2Jng\u{202E}.txt");
    bench.run("compare a.sha256 b.sha256 --json").code(1).harmless();
}
