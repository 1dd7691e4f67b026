//! `handback layout` on whole disks, against what sfdisk and the recipes say of them.

mod common;

use common::{Bench, fixture};
use serde_json::{Value, json};

fn sfdisk(name: &str) -> Value {
    serde_json::from_slice::<Value>(&fixture::file(&format!("{name}.table.json"))).unwrap()["partitiontable"].clone()
}

/// Start, length (both in bytes) and number of what is not an extended partition, as sfdisk has it.
fn theirs(name: &str) -> Vec<(u64, u64, u64)> {
    let table = sfdisk(name);
    let unit = table["sectorsize"].as_u64().unwrap();
    let rows = table["partitions"].as_array().unwrap();
    rows.iter()
        .filter(|row| !["5", "f", "85"].contains(&row["type"].as_str().unwrap()))
        .map(|row| {
            let number = row["node"].as_str().unwrap().rsplit(|c: char| !c.is_ascii_digit()).next().unwrap();
            let bytes = |key: &str| row[key].as_u64().unwrap() * unit;
            (bytes("start"), bytes("size"), number.parse().unwrap())
        })
        .collect()
}

fn volumes(document: &Value) -> Vec<(u64, u64, u64)> {
    let rows = document["volumes"].as_array().unwrap().iter();
    rows.map(|row| (row["start"].as_u64().unwrap(), row["length"].as_u64().unwrap(), row["number"].as_u64().unwrap()))
        .collect()
}

#[test]
fn every_volume_lies_where_sfdisk_says() {
    let bench = Bench::new();
    for (name, scheme) in [
        ("mbr-primary", "mbr"),
        ("mbr-logical", "mbr"),
        ("mbr-outoforder", "mbr"),
        ("gpt-128", "gpt"),
        ("gpt-256", "gpt"),
        ("gpt-4k", "gpt"),
        ("foreign", "gpt"),
    ] {
        bench.fixture(name);
        let outcome = bench.run(&format!("layout {name}.img --json")).code(0);
        let document = outcome.json("layout");
        assert_eq!(volumes(&document), theirs(name), "{name}");
        assert_eq!(document["table"]["scheme"], scheme, "{name}");
        assert_eq!(document["table"]["sector_size"], sfdisk(name)["sectorsize"], "{name}");
        assert_eq!(document["image_length"], fixture::image(name).len(), "{name}");
        assert_eq!(document["volumes_complete"], true, "{name}");
        assert_eq!(document["drive_size"], Value::Null);
        let text = bench.run(&format!("layout {name}.img")).code(0);
        text.lines_with(&["Partition table:", &scheme.to_uppercase(), sfdisk(name)["id"].as_str().unwrap()]);
    }
}

#[test]
fn roles_labels_and_facts_are_shown() {
    let bench = Bench::new();
    bench.fixture("gpt-128");
    let outcome = bench.run("layout gpt-128.img").code(0);
    for words in [
        &["1", "start", "1,048,576", "FAT12", "EFI", "EFI system"][..],
        &["2", "reserved", "no filesystem by design"],
        &["3", "main", "4,194,304", "NTFS", "Choir", "`Basic data Ünï ✓`"],
        &["4", "recovery", "8,388,608", "NTFS", "Recovery"],
    ] {
        outcome.lines_with(words);
    }
    let document = bench.run("layout gpt-128.img --json").code(0).json("layout");
    let roles: Vec<&str> =
        document["volumes"].as_array().unwrap().iter().map(|one| one["role"].as_str().unwrap()).collect();
    assert_eq!(roles, ["start", "reserved", "main", "recovery"]);
    let main = &document["volumes"][2];
    assert_eq!((&main["readable"], &main["what"]), (&json!(true), &json!("NTFS")));
    assert_eq!((&main["facts"]["label"], &main["facts"]["filesystem"]), (&json!("Choir"), &json!("NTFS")));
}

#[test]
fn what_is_recognised_says_what_to_ask_for() {
    let bench = Bench::new();
    bench.fixture("foreign");
    let outcome = bench.run("layout foreign.img").code(0).harmless();
    for (volume, sentence, ask) in [
        (1, "Linux has encrypted this volume (LUKS, version 1).", "passphrase"),
        (2, "Linux has encrypted this volume (LUKS, version 2).", "passphrase"),
        (12, "This is one member of a Linux RAID set (superblock 1.2).", "the other drives of the set"),
        (17, "Windows has encrypted this volume with BitLocker.", "48-digit recovery key"),
        (18, "Windows has encrypted this removable volume with BitLocker To Go.", "48-digit recovery key"),
        (22, "Windows has put this drive into a storage pool", "the other drives of the pool"),
    ] {
        let (_, after) =
            outcome.out.split_once(&format!("\nVolume {volume}: {sentence}")).unwrap_or_else(|| panic!("{sentence}"));
        let next = after.lines().nth(1).unwrap();
        assert!(next.starts_with("  ") && next.contains(ask), "{volume}: {next}");
    }
    let document = bench.run("layout foreign.img --json").code(0).json("layout");
    for row in document["volumes"].as_array().unwrap() {
        let number = row["number"].as_u64().unwrap();
        let line = fixture::truth_of_volume("foreign", u32::try_from(number).unwrap()).remove(0);
        let word = line.value("recognise").unwrap();
        let read = ["exfat", "fat12", "fat16", "fat32"].contains(&word);
        assert_eq!(row["readable"], read, "{number}");
        if read {
            assert_eq!(row["facts"]["filesystem"].as_str().unwrap().to_lowercase(), word, "{number}");
        } else if word == "zeros" {
            assert_eq!(row["unknown"], "blank");
        } else {
            assert_eq!(row["recognised"]["kind"], word, "{number}");
        }
    }
    let class = |number: usize| document["volumes"][number - 1]["recognised"]["class"].clone();
    assert_eq!(
        (class(17), class(12), class(4), class(15)),
        (json!("locked"), json!("container"), json!("filesystem"), json!("no_files"))
    );
}

/// The drive's label, for an image of `length` bytes that opens with a sound disk.
fn fit(length: u64, label: &str) -> (common::Outcome, Value) {
    let bench = Bench::new();
    bench.file("disk.img", fixture::image("mbr-primary"));
    bench.stretch("disk.img", length);
    let text = bench.run(&format!("layout disk.img --drive-size {label}")).code(0);
    (text, bench.run(&format!("layout disk.img --json --drive-size {label}")).code(0).json("layout"))
}

#[test]
fn the_length_is_held_against_the_label() {
    let (text, document) = fit(1_000_000_000, "1GB");
    text.out_has("The image is exactly as long as drives with this label are.");
    assert_eq!(
        document["drive_size"],
        json!({"gigabytes": 1, "bytes": 1_000_000_000, "rule": "label", "fit": "equal"})
    );
    let (text, document) = fit(999_999_488, "1GB");
    text.out_has("The image is shorter than drives with this label usually are.")
        .out_has("The difference is 512 bytes.");
    assert_eq!((&document["drive_size"]["fit"], &document["drive_size"]["by"]), (&json!("shorter"), &json!(512)));
    let (text, document) = fit(2_000_000_000, "1GB");
    text.out_has("The image is longer than drives with this label usually are.")
        .out_has("1.0 GB (1,000,000,000 bytes)");
    assert_eq!(
        (&document["drive_size"]["fit"], &document["drive_size"]["by"]),
        (&json!("longer"), &json!(1_000_000_000))
    );
    // 500 GB is 976,773,168 sectors: IDEMA LBA1-03.
    let (_, document) = fit(1_000_000_000, "500GB");
    assert_eq!(
        (&document["drive_size"]["bytes"], &document["drive_size"]["rule"]),
        (&json!(500_107_862_016_u64), &json!("idema"))
    );
}

/// The sector of the first link of a chain of logical partitions, and that of the second.
fn links(name: &str) -> (u64, u64) {
    let rows = sfdisk(name)["partitions"].clone();
    let extended = rows.as_array().unwrap().iter().find(|row| row["type"] == "f").unwrap()["start"].as_u64().unwrap();
    let at = usize::try_from(extended).unwrap() * 512 + 0x1BE + 16 + 8;
    let next = u32::from_le_bytes(fixture::image(name)[at..at + 4].try_into().unwrap());
    (extended, extended + u64::from(next))
}

#[test]
fn a_link_in_a_hole_makes_the_list_incomplete() {
    let bench = Bench::new();
    bench.fixture("mbr-logical");
    let (first, second) = links("mbr-logical");
    for (sector, numbers) in [(first, &[1][..]), (second, &[1, 5])] {
        bench.map_beside("mbr-logical", &[sector * 512..(sector + 1) * 512]);
        let outcome = bench.run("layout mbr-logical.img").code(1);
        outcome
            .out_has("This list may be incomplete: a part of the partition table was not read or is damaged.")
            .out_has(&format!("at {:#x}", sector * 512));
        let document = bench.run("layout mbr-logical.img --json").code(1).json("layout");
        assert_eq!(document["volumes_complete"], false);
        let found: Vec<u64> = volumes(&document).iter().map(|one| one.2).collect();
        assert_eq!(found, numbers);
        assert_eq!(volumes(&document), theirs("mbr-logical")[..numbers.len()]);
        // The other commands say so too, and with the same status in either form.
        bench.run("list mbr-logical.img 1:/").code(1).err_has("the list of volumes may be incomplete");
        bench.run("list mbr-logical.img 1:/ --json").code(1);
        bench
            .run_words(&["list", "mbr-logical.img", "/Users/Logical 7"])
            .code(1)
            .err_has("may be on a volume that isn't listed");
        bench.run("survey mbr-logical.img --volume 7").code(1).err_has("there is no volume 7").err_has("isn't listed");
        let to = format!("out {sector}");
        let outcome = bench.run_words(&["extract", "mbr-logical.img", "1:/Users", "--to", &to]).code(1);
        outcome.err_has("the list of volumes may be incomplete").out_has(&format!("`handback verify \"{to}\"`"));
        bench.run("survey mbr-logical.img").code(1).err_has("the list of volumes may be incomplete");
    }
}

#[test]
fn the_other_copy_of_a_gpt_counts_until_both_are_in_holes() {
    let bench = Bench::new();
    bench.fixture("gpt-128");
    let length = fixture::image("gpt-128").len() as u64;
    bench.map_beside("gpt-128", &[512..1024]);
    let outcome = bench.run("layout gpt-128.img --json").code(0);
    assert_eq!(volumes(&outcome.json("layout")), theirs("gpt-128"));
    bench.map_beside("gpt-128", &[512..1024, length - 512..length]);
    let outcome = bench.run("layout gpt-128.img --json").code(1);
    assert_eq!(outcome.json("layout")["volumes_complete"], false);
}

#[test]
fn the_sector_size_can_be_set() {
    let bench = Bench::new();
    bench.fixture("gpt-4k");
    bench.fixture("gpt-128");
    for (line, size, from) in [
        ("layout gpt-4k.img --json", 4096, "found"),
        ("layout gpt-4k.img --sector-size 4096 --json", 4096, "set"),
        ("layout gpt-128.img --sector-size 512 --json", 512, "set"),
    ] {
        let document = bench.run(line).code(0).json("layout");
        assert_eq!(
            (&document["table"]["sector_size"], &document["table"]["sector_size_from"]),
            (&json!(size), &json!(from)),
            "{line}"
        );
        assert_eq!(document["volumes"].as_array().unwrap().len(), 4, "{line}");
    }
    // A GPT's headers say their own place: it is read as it counts, whatever size the drive is said to have.
    let other = bench.run("layout gpt-4k.img --sector-size 512").code(0);
    other.out_has("512 bytes, set by you").out_has("the GPT counts in sectors of 4096 bytes and is read so");
    // With nothing of it left, another size might show more.
    let mut gone = fixture::image("gpt-4k");
    let end = gone.len() - 5 * 4096;
    gone[4096..6 * 4096].fill(0);
    gone[end..].fill(0);
    bench.read_only("gone.img", gone);
    let wrong = bench.run("layout gone.img --sector-size 512").code(1);
    wrong
        .out_has("This list may be incomplete")
        .out_has("With another `--sector-size`, or without one, more may be found.");
    bench.run("layout gpt-4k.img --sector-size 4096").code(0).out_has("4096 bytes, set by you");
}

#[test]
fn an_image_of_one_volume_has_no_table() {
    let bench = Bench::new();
    bench.fixture("ntfs-c4k");
    bench.run("layout ntfs-c4k.img").code(0).lines_with(&["Partition table:", "none"]);
    let document = bench.run("layout ntfs-c4k.img --json").code(0).json("layout");
    assert_eq!((&document["table"]["scheme"], volumes(&document).len()), (&json!("none"), 1));
    assert_eq!(
        (&document["volumes"][0]["start"], &document["volumes"][0]["facts"]["cluster_size"]),
        (&json!(0), &json!(4096))
    );
}

#[test]
fn an_image_of_nothing_is_3() {
    let bench = Bench::new();
    bench.image("zeros.img", 1 << 20);
    let mut state = 7_u32;
    let noise = std::iter::repeat_with(|| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8
    });
    bench.read_only("noise.img", noise.take(1 << 20).collect::<Vec<u8>>());
    for name in ["zeros.img", "noise.img"] {
        bench.run(&format!("layout {name}")).code(3).err_has("error: nothing on this image is recognised");
        let value = bench.run(&format!("layout {name} --json")).code(3).json("layout");
        assert_eq!(value["volumes"], json!([]), "{name}");
        bench.run(&format!("survey {name}")).code(3).err_has("error: ");
    }
}

#[test]
fn a_length_that_is_no_number_of_sectors_is_read() {
    let bench = Bench::new();
    let image = fixture::image("mbr-primary");
    bench.read_only("cut.img", &image[..image.len() - 100]);
    let document = bench.run("layout cut.img --json").code(0).json("layout");
    assert_eq!(document["image_length"], image.len() - 100);
    assert_eq!(volumes(&document), theirs("mbr-primary"));
}
