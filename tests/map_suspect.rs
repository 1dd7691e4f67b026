//! `handback map suspect`: the blank stretches that the truth has, no others, and no file's state changes by it.

mod common;

use std::ops::Range;

use common::{Bench, fixture};
use handback::catalog::{Extents, Lookup, Place};
use handback::progress::Silent;
use handback::volumes;
use serde_json::{Value, json};

fn suspects(bench: &Bench, line: &str) -> Vec<Value> {
    bench.run(line).code(0).harmless().json("map suspect")["suspects"].as_array().unwrap().clone()
}

/// Where a byte of a file lies in the image, and how many follow it there.
fn place(name: &str, volume: u32, path: &str, byte: u64) -> Range<usize> {
    let disk = volumes::open(&fixture::all_read(name), volumes::Options::default()).unwrap();
    let filesystem = disk.volume(volume).unwrap().filesystem().unwrap();
    let swept = filesystem.sweep(Default::default(), &Silent).unwrap();
    let Lookup::Found(object, _) = swept.catalog.find(path) else { panic!("{path} is there") };
    let Extents::Runs(runs) = filesystem.extents(&swept.catalog, object).unwrap() else {
        panic!("{path} has clusters")
    };
    let run = runs.runs.iter().find(|run| run.start <= byte && byte < run.start + run.length).unwrap();
    let Place::At(offset) = run.place else { panic!("{path} is on the volume") };
    let at = filesystem.source().image_offset(offset + (byte - run.start));
    usize::try_from(at).unwrap()..usize::try_from(at + run.length - (byte - run.start)).unwrap()
}

/// The demo without its map: its holes are zeros, and the truth says in which files and where.
#[test]
fn the_demos_holes_are_suspect_and_nothing_else_of_its_pictures_and_documents() {
    let bench = Bench::new();
    bench.fixture("demo");
    let found = suspects(&bench, "map suspect demo.img --json");
    let truth = fixture::truth_of_volume("demo", 2);
    let holed: Vec<_> = truth.iter().filter(|one| one.hole().is_some()).collect();
    assert_eq!(holed.len(), 3);
    let of_people =
        |one: &&Value| matches!(one["kind"].as_str().unwrap(), "pictures" | "documents" | "films" | "music");
    assert_eq!(found.iter().filter(of_people).count(), holed.len());
    let map = String::from_utf8(fixture::file("demo.map.csv")).unwrap();
    let unread: Vec<Range<u64>> = map
        .lines()
        .filter(|line| line.ends_with(",unread"))
        .map(|line| {
            let numbers: Vec<u64> = line.split(',').take(2).map(|field| field.parse().unwrap()).collect();
            numbers[0]..numbers[0] + numbers[1]
        })
        .collect();
    for one in holed {
        let (hole, size) = (one.hole().unwrap(), one.size.unwrap());
        let entry = found.iter().find(|entry| entry["path"] == one.path_text()).unwrap();
        let stretches = entry["stretches"].as_array().unwrap();
        assert_eq!((stretches.len(), &entry["size"]), (1, &json!(size)), "{entry}");
        assert_eq!((&stretches[0]["start"], &stretches[0]["length"]), (&json!(hole.start), &json!(hole.len())));
        // A hole up to the file's end is as common as a file that was never finished.
        let (position, weight) = if hole.end as u64 == size { ("end", "possible") } else { ("middle", "likely") };
        assert_eq!((&stretches[0]["position"], &stretches[0]["weight"]), (&json!(position), &json!(weight)), "{entry}");
        let mut at = hole.start as u64;
        for piece in stretches[0]["pieces"].as_array().unwrap() {
            let number = |key: &str| piece[key].as_u64().unwrap();
            assert_eq!(number("file_start"), at);
            let inside = |hole: &Range<u64>| {
                hole.start <= number("image_start") && number("image_start") + number("length") <= hole.end
            };
            assert!(unread.iter().any(inside), "{piece} lies in a hole of the map");
            at += number("length");
        }
        assert_eq!(at, hole.end as u64);
    }
}

#[test]
fn a_hint_changes_no_state_and_survey_says_it() {
    let bench = Bench::new();
    bench.fixture("demo");
    let before = bench.run("survey demo.img --json").code(0).err_has("`handback map suspect demo.img` lists");
    let listed = bench.run("list demo.img / --recursive --json").code(0).out;
    bench.run("map suspect demo.img --to demo.suspect.csv").code(0).err_has("a hint that changes no file's state");
    let after =
        bench.run("survey demo.img --json").code(0).err_has("suspects: `demo.suspect.csv`, found beside the image");
    let (mut one, mut two) = (before.json("survey"), after.json("survey"));
    assert_eq!(one["suspects"].take(), Value::Null);
    let said = two["suspects"].take();
    assert_eq!(one, two, "only the hint is new");
    assert_eq!(bench.run("list demo.img / --recursive --json").code(0).out, listed);
    assert_eq!(
        (&said["file"], &said["whole"], &said["volumes"][0]["volume"]),
        (&json!("demo.suspect.csv"), &json!(true), &json!(2))
    );
    // Of the truth's three files, two pictures: one with a hole in its middle, one that ends in it.
    assert_eq!(
        said["volumes"][0]["kinds"][0],
        json!({"kind": "pictures", "files": 2, "likely": 1, "all_blank": 0, "end_blank": 1})
    );
    bench
        .run("survey demo.img")
        .code(0)
        .out_has("2 pictures contain long blank stretches")
        .out_has("1 document contains");
    // With a map nothing has to be guessed.
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    let document = bench.run("map suspect demo.img --json").code(0).json("map suspect");
    assert_eq!((&document["suspects"], &document["volumes"][0]["bytes"]), (&json!([]), &json!(0)));
    assert!(document["volumes"][0]["mapped_bytes"].as_u64().unwrap() > 500_000);
    // Nothing is written over, and a list is no map.
    bench.run("map suspect demo.img --to demo.suspect.csv").code(3).err_has("nothing is ever overwritten");
    bench.run("map suspect demo.img --to new.map.csv").code(2).err_has("would be taken for a sector map");
    bench.run("map suspect demo.img --to demo.002").code(2).err_has("`.csv`");
}

/// Blanks of every kind, put into files of NTFS, FAT and exFAT where a hole would leave them.
#[test]
fn blanks_that_the_test_puts_there() {
    let text = "/Users/Choir/Documents/Old minutes/Minutes of 40 meetings.txt";
    let picture = "/Users/Choir/Pictures/Concert 2009/IMG_0492.jpg";
    let marker: Vec<u8> = b"NOT READ".iter().copied().cycle().take(512).collect();
    for (name, volume, path, byte, length, fill, expected) in [
        ("demo", 2, picture, 8192, 8192, &[0][..], Some(("middle", "likely"))),
        ("demo", 2, picture, 8192, 8192, &marker, Some(("middle", "likely"))),
        ("demo", 2, picture, 0, 4096, &[0], Some(("start", "likely"))),
        ("demo", 2, picture, 8192, 3584, &[0], None),
        // Compressed: a hole shows when it is decoded, and its stored bytes are no bytes of the file.
        ("demo", 2, text, 8192, 8192, &[0], None),
        ("ntfs-valid", 1, "/Valid/all of it.bin", 8192, 8192, &[0], Some(("middle", "possible"))),
        // Noise that is only named like a picture: its opening says that nothing is known of the format.
        ("exfat-c4k", 1, "/Album 16/Minutes 19/take 0267.jpg", 8192, 4096, &[0], Some(("middle", "possible"))),
        ("fat32", 1, "/size 60000.bin", 8192, 8192, &[0], Some(("middle", "possible"))),
        ("card", 1, "/DCIM/100CHOIR/IMG_0008.CR2", 8192, 8192, &[0], Some(("middle", "possible"))),
        ("card", 1, "/DCIM/100CHOIR/MVI_0009.AVI", 16384, 4096, &marker, Some(("middle", "possible"))),
    ] {
        let what = format!("{path} {byte} {length}");
        let mut bytes = fixture::image(name);
        let at = place(name, volume, path, byte);
        assert!(at.len() >= length, "{what} lies in one piece");
        bytes[at.start..at.start + length].iter_mut().zip(fill.iter().cycle()).for_each(|(byte, mark)| *byte = *mark);
        let bench = Bench::new();
        bench.read_only("disk.img", bytes);
        let found =
            bench.run_words(&["map", "suspect", "disk.img", path, "--json"]).code(0).json("map suspect")["suspects"]
                .as_array()
                .unwrap()
                .clone();
        let Some((position, weight)) = expected else {
            assert_eq!(found, Vec::<Value>::new(), "{what}");
            continue;
        };
        assert_eq!(found.len(), 1, "{what}: {found:?}");
        let stretch = &found[0]["stretches"][0];
        assert_eq!((&stretch["start"], &stretch["length"]), (&json!(byte), &json!(length)), "{what}");
        assert_eq!((&stretch["position"], &stretch["weight"]), (&json!(position), &json!(weight)), "{what}");
        assert_eq!(stretch["pieces"][0]["image_start"], json!(at.start), "{what}");
        let is_marker = stretch["pieces"][0]["fill"] == "one-sector";
        assert_eq!(is_marker, fill.len() > 1, "{what}");
    }
}

/// What a filesystem defines as zeros is no blank: `ntfs-sparse` has holes of every shape and one file of written zeros,
/// `ntfs-valid` has garbage and zeros behind valid sizes.
#[test]
fn defined_zeros_are_no_blanks() {
    let bench = Bench::new();
    bench.fixture("ntfs-sparse");
    bench.fixture("ntfs-valid");
    let found = suspects(&bench, "map suspect ntfs-sparse.img --json");
    let paths: Vec<&str> = found.iter().map(|one| one["path"].as_str().unwrap()).collect();
    assert_eq!(paths, ["/Holes/zeros written.bin"]);
    assert_eq!(
        (&found[0]["stretches"][0]["position"], &found[0]["stretches"][0]["length"]),
        (&json!("all"), &json!(196_608))
    );
    assert_eq!(suspects(&bench, "map suspect ntfs-valid.img --json"), Vec::<Value>::new());
}

#[cfg(target_os = "linux")]
#[test]
#[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
fn holes_of_a_sparse_image_file_are_told_apart() {
    use std::os::unix::fs::FileExt;

    let bytes = fixture::image("demo");
    let bench = Bench::new();
    let file = std::fs::File::create(bench.path("demo.img")).unwrap();
    file.set_len(bytes.len() as u64).unwrap();
    for (index, block) in bytes.chunks(4096).enumerate() {
        if block.iter().any(|byte| *byte != 0) {
            file.write_all_at(block, index as u64 * 4096).unwrap();
        }
    }
    drop(file);
    let document = bench.run("map suspect demo.img --json").code(0).json("map suspect");
    assert_eq!(document["file_holes"], true, "the filesystem under the tests keeps holes");
    let picture = document["suspects"]
        .as_array()
        .unwrap()
        .iter()
        .find(|one| one["path"].as_str().unwrap().ends_with("IMG_0487.jpg"));
    let fills: Vec<&Value> =
        picture.unwrap()["stretches"][0]["pieces"].as_array().unwrap().iter().map(|one| &one["fill"]).collect();
    assert_eq!(fills, [&json!("file-hole")]);
}

#[test]
fn a_part_is_said_and_paths_that_are_not_there() {
    let bench = Bench::new();
    bench.fixture("demo");
    let words = ["map", "suspect", "demo.img", "/Users/Choir/Pictures", "--to", "demo.suspect.csv"];
    bench.run_words(&words).code(0).out_has("IMG_0487.jpg").out_lacks("pagefile");
    let survey = bench.run("survey demo.img").code(0).err_has("only a part of the files was looked at");
    survey.out_has("2 pictures contain").out_lacks("1 document contains");
    bench.run("map suspect demo.img /None").code(2).err_has("/None");
}

#[test]
fn a_list_that_can_not_be_used_stops_the_survey_and_says_how_to_go_on() {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.suspect.csv", "street,town\n");
    bench.run("survey demo.img").code(2).err_has("line 1").err_has("move the file away");
    bench.file(
        "demo.suspect.csv",
        "# handback suspect list 1\n# image-length: 512\n# looked-at: all\nvolume,address,kind,weight,position,fill,\
         file_start,length,image_start,path\n",
    );
    bench.run("survey demo.img").code(2).err_has("it is not of an image of 100663296 bytes");
    bench.run("list demo.img /").code(0);
}

#[test]
fn images_without_a_volume_and_hostile_names() {
    let bench = Bench::new();
    bench.image("zeros.img", 1 << 20);
    let sector: Vec<u8> = b"NOT READ".iter().copied().cycle().take(1 << 20).collect();
    bench.read_only("marker.img", sector);
    bench.run("map suspect zeros.img").code(3);
    bench.run("map suspect marker.img").code(3);
    // Names with `..`, NUL, half surrogate pairs: every file made suspect by zeros over all that is not the filesystem's.
    bench.fixture("ntfs-hostile");
    bench.run("map suspect ntfs-hostile.img").code(0).harmless();
    bench.run("map suspect ntfs-hostile.img --to hostile.suspect.csv").code(0).harmless();
    assert!(bench.text("hostile.suspect.csv").lines().count() >= 4);
}
