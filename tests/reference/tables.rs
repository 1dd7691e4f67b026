//! Partition tables: the same volume in disks of every scheme.
//!
//! Truth: `sfdisk --json` (util-linux) for every start, size and type; the source files for what the volume holds.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::common::Bench;
use crate::mounts::{Loop, blank};
use crate::random::Random;
use crate::sealed::{Sealed, text};
use crate::tools;
use crate::tree::{self, Amount, Truths};

const MIB: u64 = 1 << 20;
/// Bytes of the volume that is put into each disk.
const VOLUME: u64 = 24 * MIB;
const DISK: u64 = 128 * MIB;
/// Types of extended partitions.
const CONTAINERS: [&str; 3] = ["5", "f", "85"];

/// A partition as both sides tell it: start and length in bytes, and the type.
type Entry = (u64, u64, String);

/// A small volume, and what is in it.
fn volume(bench: &Bench, random: &mut Random) -> (PathBuf, Truths) {
    let path = bench.path("volume.img");
    let amount = Amount { files: 80, largest: 60_000, odd: false };
    let truths = tree::ntfs(&path, VOLUME, amount, random, &bench.path("mount"));
    (path, truths)
}

/// What sfdisk says, by number.
fn by_sfdisk(device: &str, sector: u64) -> BTreeMap<u64, Entry> {
    let said: Value = serde_json::from_slice(&tools::run("sfdisk", &["--json", device])).expect("JSON");
    let table = &said["partitiontable"];
    assert_eq!(table["unit"], "sectors");
    let entry = |one: &Value| {
        let node = one["node"].as_str().expect("a name");
        let number =
            node[node.rfind(|c: char| !c.is_ascii_digit()).map_or(0, |at| at + 1)..].parse().expect("a number");
        let bytes = |key: &str| one[key].as_u64().expect("a count of sectors") * sector;
        (number, (bytes("start"), bytes("size"), one["type"].as_str().expect("a type").to_lowercase()))
    };
    table["partitions"].as_array().expect("partitions").iter().map(entry).collect()
}

/// What the program says, by number.
fn by_layout(document: &Value) -> BTreeMap<u64, Entry> {
    let entry = |one: &Value| {
        let code = one["code"].as_str().expect("a type").to_lowercase();
        // An MBR type is a byte: `0x07`, `07` and sfdisk's `7` are one.
        let code = match code.len() {
            0..=4 => code.trim_start_matches("0x").trim_start_matches('0').to_string(),
            _ => code,
        };
        let number = one["number"].as_u64().expect("a number");
        (number, (one["start"].as_u64().expect("bytes"), one["length"].as_u64().expect("bytes"), code))
    };
    document["table"]["partitions"].as_array().expect("partitions").iter().map(entry).collect()
}

/// Puts the volume at `start`.
fn put(disk: &Path, start: u64, volume: &Path) {
    let disk = File::options().write(true).open(disk).expect("own disk");
    disk.write_all_at(&fs::read(volume).expect("own volume"), start).expect("own disk");
}

/// Compares a finished disk with sfdisk, and the volume's list with the source.
fn check(bench: &Bench, disk: &Path, sector: u64, scheme: &str, start: u64, truths: &Truths) -> Value {
    let image = Sealed::new(disk);
    let said = if sector == 512 {
        by_sfdisk(image.text(), 512)
    } else {
        // sfdisk takes a file's sectors for 512 bytes; the loop device has larger ones.
        let device = Loop::new(disk, u32::try_from(sector).expect("a sector"));
        by_sfdisk(device.device(), sector)
    };
    let document = image.run(bench, "layout", &["--json"]).code(0).json("layout");
    let table = &document["table"];
    assert_eq!(table["scheme"], scheme);
    assert_eq!(table["sector_size"], sector, "{}", disk.display());
    assert_eq!(table["complete"], true);
    assert_eq!(by_layout(&document), said, "{}", disk.display());

    // Each partition but a container of others is a volume.
    let volumes = document["volumes"].as_array().expect("volumes");
    let mut places: Vec<(u64, u64)> =
        volumes.iter().map(|one| (one["start"].as_u64().unwrap(), one["length"].as_u64().unwrap())).collect();
    let mut expected: Vec<(u64, u64)> = said
        .values()
        .filter(|(_, _, code)| !CONTAINERS.contains(&code.as_str()))
        .map(|(start, length, _)| (*start, *length))
        .collect();
    places.sort_unstable();
    expected.sort_unstable();
    assert_eq!(places, expected, "{}", disk.display());

    let number = volumes.iter().find(|one| one["start"] == start).expect("our volume")["number"].clone();
    let path = format!("{number}:/");
    let listed = image.run(bench, "list", &[&path, "--recursive", "--json"]).code(0);
    let mut paths: Vec<String> = listed
        .out
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).expect("JSON")["path"].as_str().expect("a path").to_string())
        .collect();
    paths.sort();
    assert_eq!(paths, truths.keys().cloned().collect::<Vec<_>>(), "{}", disk.display());
    document
}

/// A disk whose table sfdisk writes.
fn disk(bench: &Bench, name: &str, table: &str) -> PathBuf {
    let path = bench.path(name);
    blank(&path, DISK);
    tools::run_with("sfdisk", &["--quiet", text(&path)], Some(table));
    path
}

#[test]
fn mbr_with_logical_partitions_in_order() {
    let mut random = Random::announced("tables, in order");
    let bench = Bench::new();
    let (volume, truths) = volume(&bench, &mut random);
    let at = random.between(20, 60) * 2048;
    let table = format!(
        "label: dos\nstart=2048, size=8192, type=83, bootable\nstart=12288, size=249856, type=5\n\
         start=16384, size=8192, type=b\nstart={at}, size=49152, type=7\nstart={}, size=4096, type=82\n",
        at + 49152 + 2048
    );
    let disk = disk(&bench, "logical.img", &table);
    let start = u64::try_from(at).unwrap() * 512;
    put(&disk, start, &volume);
    let document = check(&bench, &disk, 512, "mbr", start, &truths);
    assert_eq!(
        document["table"]["partitions"].as_array().unwrap().iter().filter(|one| one["logical"] == true).count(),
        3
    );
}

#[test]
fn mbr_with_logical_partitions_chained_out_of_order() {
    let mut random = Random::announced("tables, out of order");
    let bench = Bench::new();
    let (volume, truths) = volume(&bench, &mut random);
    // The chain goes to the end, back to the start, and into the middle.
    let last = random.between(90, 100) * 2048;
    let middle = random.between(30, 50) * 2048;
    let table = format!(
        "label: dos\n1 : start=2048, size=8192, type=83\n3 : start=12288, size=249856, type=f\n\
         5 : start={last}, size=20480, type=83\n6 : start=16384, size=8192, type=b\n\
         7 : start={middle}, size=49152, type=7\n"
    );
    let disk = disk(&bench, "unordered.img", &table);
    let start = u64::try_from(middle).unwrap() * 512;
    put(&disk, start, &volume);
    check(&bench, &disk, 512, "mbr", start, &truths);
}

/// A GPT with a start partition, our volume, and a third one; in sectors of `sector` bytes.
fn gpt_table(sector: u64, first: u64, at: u64) -> String {
    let sectors = |bytes: u64| bytes / sector;
    format!(
        "label: gpt\nfirst-lba: {first}\n\
         start={}, size={}, type=C12A7328-F81F-11D2-BA4B-00A0C93EC93B, name=\"start\"\n\
         start={}, size={}, type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7, name=\"the choir's\"\n\
         start={}, size={}, type=0FC63DAF-8483-4772-8E79-3D69D8477DE4\n",
        sectors(MIB),
        sectors(4 * MIB),
        sectors(at),
        sectors(VOLUME),
        sectors(at + VOLUME),
        sectors(8 * MIB),
    )
}

#[test]
fn gpt() {
    let mut random = Random::announced("tables, GPT");
    let bench = Bench::new();
    let (volume, truths) = volume(&bench, &mut random);
    let start = u64::try_from(random.between(6, 60)).unwrap() * MIB;
    let disk = disk(&bench, "gpt.img", &gpt_table(512, 2048, start));
    put(&disk, start, &volume);
    let document = check(&bench, &disk, 512, "gpt", start, &truths);
    assert_eq!(document["table"]["partitions"][1]["name"], "the choir's");
}

#[test]
fn gpt_with_entries_of_256_bytes() {
    let mut random = Random::announced("tables, 256-byte entries");
    let bench = Bench::new();
    let (volume, truths) = volume(&bench, &mut random);
    let start = u64::try_from(random.between(6, 60)).unwrap() * MIB;
    let disk = disk(&bench, "gpt256.img", &gpt_table(512, 2048, start));
    widen_entries(&disk);
    put(&disk, start, &volume);
    check(&bench, &disk, 512, "gpt", start, &truths);
}

/// Rewrites both copies of a GPT with entries of 256 bytes, the second half of each filled: what it holds is nobody's
/// business (UEFI specification 2.10, table 5.5: the size of an entry is 128 × 2ⁿ, the rest is reserved).
fn widen_entries(disk: &Path) {
    let file = File::options().read(true).write(true).open(disk).expect("own disk");
    let sector = |number: u64| {
        let mut bytes = [0; 512];
        file.read_exact_at(&mut bytes, number * 512).expect("own disk");
        bytes
    };
    let u32_at = |bytes: &[u8], at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
    let u64_at = |bytes: &[u8], at: usize| u64::from_le_bytes(bytes[at..at + 8].try_into().unwrap());
    let backup = u64_at(&sector(1), 32);
    for place in [1, backup] {
        let mut header = sector(place);
        assert_eq!((u32_at(&header, 80), u32_at(&header, 84)), (128, 128), "sfdisk makes 128 entries of 128 bytes");
        let mut old = vec![0; 128 * 128];
        file.read_exact_at(&mut old, u64_at(&header, 72) * 512).expect("own disk");
        let mut new = Vec::new();
        for entry in old.chunks(128) {
            new.extend_from_slice(entry);
            new.extend_from_slice(&[if entry.iter().all(|byte| *byte == 0) { 0 } else { 0xEE }; 128]);
        }
        let array = if place == 1 { 2 } else { place - u64::try_from(new.len()).unwrap() / 512 };
        header[72..80].copy_from_slice(&array.to_le_bytes());
        header[84..88].copy_from_slice(&256_u32.to_le_bytes());
        header[88..92].copy_from_slice(&crc32fast::hash(&new).to_le_bytes());
        // The last usable sector: before the backup's larger array.
        let usable = backup - u64::try_from(new.len()).unwrap() / 512 - 1;
        header[48..56].copy_from_slice(&usable.to_le_bytes());
        header[16..20].fill(0);
        let sum = crc32fast::hash(&header[..92]);
        header[16..20].copy_from_slice(&sum.to_le_bytes());
        file.write_all_at(&new, array * 512).expect("own disk");
        file.write_all_at(&header, place * 512).expect("own disk");
    }
}

#[test]
fn gpt_with_sectors_of_4096_bytes() {
    let mut random = Random::announced("tables, 4096-byte sectors");
    let bench = Bench::new();
    let (volume, truths) = volume(&bench, &mut random);
    let start = u64::try_from(random.between(6, 60)).unwrap() * MIB;
    let path = bench.path("gpt4k.img");
    blank(&path, DISK);
    let device = Loop::new(&path, 4096);
    tools::run_with("sfdisk", &["--quiet", device.device()], Some(&gpt_table(4096, 256, start)));
    drop(device);
    put(&path, start, &volume);
    check(&bench, &path, 4096, "gpt", start, &truths);
}
