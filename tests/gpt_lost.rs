//! GPTs that lost a part: what is found all the same, what is said, and whether the list is called complete.
//!
//! The tables were written by sfdisk and sgdisk; where each partition lies is what `sfdisk --json` said of the sound disk
//! (`test-images/*.table.json`). What sfdisk, sgdisk and partx say of the damaged ones is in `tests/reference/lost_tables.rs`.

mod common;

use std::ops::Range;

use common::{Bench, fixture, full_map};
use serde_json::Value;

/// A test disk with its parts by sector.
struct Disk {
    bytes: Vec<u8>,
    sector: usize,
    /// Sectors of one array.
    array: usize,
}

impl Disk {
    fn of(name: &str) -> Self {
        let (sector, array) = match name {
            "gpt-4k" => (4096, 4),
            "gpt-256" => (512, 64),
            _ => (512, 32),
        };
        let disk = Self { bytes: fixture::image(name), sector, array };
        // The places below are those of the disk: every header and array is where it is taken to be.
        for header in [1, disk.last()] {
            assert_eq!(&disk.bytes[header * sector..][..8], b"EFI PART");
        }
        assert_eq!(disk.u64_at(sector + 72), 2);
        assert_eq!(disk.u64_at(disk.last() * sector + 72) as usize, disk.last() - array);
        disk
    }

    fn last(&self) -> usize {
        self.bytes.len() / self.sector - 1
    }

    fn u64_at(&self, at: usize) -> u64 {
        u64::from_le_bytes(self.bytes[at..at + 8].try_into().unwrap())
    }

    fn part(&self, part: Part) -> Range<usize> {
        let sectors = match part {
            Mbr => 0..1,
            Header => 1..2,
            Array => 2..2 + self.array,
            BackupArray => self.last() - self.array..self.last(),
            BackupHeader => self.last()..self.last() + 1,
        };
        sectors.start * self.sector..sectors.end * self.sector
    }

    /// Changes a bit of an entry's name in one of the arrays.
    fn flip(&mut self, part: Part, entry: usize) {
        let at = self.part(part).start + entry * 128 + 60;
        self.bytes[at] ^= 4;
    }

    /// Computes both checksums of a copy again.
    fn seal(&mut self, header: Part, array: Part) {
        let sum = crc32fast::hash(&self.bytes[self.part(array)]);
        let at = self.part(header).start;
        self.bytes[at + 88..at + 92].copy_from_slice(&sum.to_le_bytes());
        self.bytes[at + 16..at + 20].fill(0);
        let sum = crc32fast::hash(&self.bytes[at..at + 92]);
        self.bytes[at + 16..at + 20].copy_from_slice(&sum.to_le_bytes());
    }

    /// What `layout` says of it under a map that has everything read but `holes`.
    fn layout(&self, holes: &[Range<usize>], words: &str) -> Value {
        let bench = self.bench(holes);
        let outcome = bench.run(&format!("layout disk.img --json {words}"));
        let document = outcome.json("layout");
        let complete = document["volumes_complete"].as_bool().unwrap();
        assert_eq!(outcome.code, Some(i32::from(!complete)), "the exit status is the list's");
        document
    }

    fn bench(&self, holes: &[Range<usize>]) -> Bench {
        let bench = Bench::new();
        bench.read_only("disk.img", &self.bytes);
        let holes: Vec<Range<u64>> = holes.iter().map(|hole| hole.start as u64..hole.end as u64).collect();
        bench.file("disk.map.csv", full_map(self.bytes.len() as u64, &holes));
        bench
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Part {
    Mbr,
    Header,
    Array,
    BackupArray,
    BackupHeader,
}

use Part::{Array, BackupArray, BackupHeader, Header, Mbr};

/// Start and length in bytes, and the type, as sfdisk had them of the sound disk.
fn by_sfdisk(name: &str) -> Vec<(u64, u64, String)> {
    let table = serde_json::from_slice::<Value>(&fixture::file(&format!("{name}.table.json"))).unwrap();
    let table = &table["partitiontable"];
    let bytes = |row: &Value, key: &str| row[key].as_u64().unwrap() * table["sectorsize"].as_u64().unwrap();
    let rows = table["partitions"].as_array().unwrap().iter();
    rows.map(|row| (bytes(row, "start"), bytes(row, "size"), row["type"].as_str().unwrap().to_string())).collect()
}

fn listed(document: &Value) -> Vec<(u64, u64, String)> {
    let number = |row: &Value, key: &str| row[key].as_u64().unwrap();
    let rows = document["table"]["partitions"].as_array().unwrap().iter();
    rows.map(|row| (number(row, "start"), number(row, "length"), row["code"].as_str().unwrap().to_string())).collect()
}

fn kinds(document: &Value) -> Vec<&str> {
    document["table"]["findings"].as_array().unwrap().iter().map(|one| one["kind"].as_str().unwrap()).collect()
}

fn details(document: &Value, kind: &str) -> Vec<String> {
    let all = document["table"]["findings"].as_array().unwrap().iter().filter(|one| one["kind"] == kind);
    all.flat_map(|one| one["first"].as_array().unwrap())
        .map(|one| {
            assert!(one["offset"].is_u64(), "each finding says where: {one}");
            one["detail"].as_str().unwrap_or_default().to_string()
        })
        .collect()
}

/// Every set of parts gone, zeroed or unread: all partitions are found as long as one array is left, and the list is
/// complete as long as one copy, or a header and an array that it names by its checksum, is left.
#[test]
fn every_part_gone_alone_and_with_others() {
    for name in ["gpt-128", "gpt-4k", "gpt-256"] {
        let truth = by_sfdisk(name);
        assert_eq!(truth.len(), 4);
        let sound = Disk::of(name);
        let parts = [Header, Array, BackupArray, BackupHeader];
        for set in 1_u32..16 {
            let gone: Vec<Part> = (0..4).filter(|bit| set >> bit & 1 == 1).map(|bit| parts[bit]).collect();
            let left = |part: Part| !gone.contains(&part);
            let (header, array) = (left(Header) || left(BackupHeader), left(Array) || left(BackupArray));
            for unread in [false, true] {
                let what = format!("{name} {gone:?} unread {unread}");
                let mut disk = Disk { bytes: sound.bytes.clone(), ..Disk::of(name) };
                let mut holes: Vec<Range<usize>> = Vec::new();
                for part in &gone {
                    match unread {
                        true => holes.push(disk.part(*part)),
                        false => {
                            let range = disk.part(*part);
                            disk.bytes[range].fill(0);
                        }
                    }
                }
                holes.sort_by_key(|hole| hole.start);
                let mut joined: Vec<Range<usize>> = Vec::new();
                for hole in holes {
                    match joined.last_mut() {
                        Some(last) if last.end == hole.start => last.end = hole.end,
                        _ => joined.push(hole),
                    }
                }
                let document = disk.layout(&joined, "");
                let table = &document["table"];
                assert_eq!(table["scheme"], "gpt", "{what}");
                assert_eq!(table["complete"], header && array, "{what}: {:?}", kinds(&document));
                let expected = if array { truth.clone() } else { Vec::new() };
                assert_eq!(listed(&document), expected, "{what}: {:?}", kinds(&document));
                if array {
                    assert_eq!(table["sector_size"], disk.sector, "{what}");
                }
                let found = kinds(&document);
                assert!(!found.is_empty(), "{what}: a loss is said");
                assert_eq!(found.contains(&"gpt_array_alone"), array && !header, "{what}: {found:?}");
                if !unread {
                    let headers = usize::from(!left(Header)) + usize::from(!left(BackupHeader));
                    assert_eq!(details(&document, "gpt_header_bad").len(), headers, "{what}");
                }
            }
        }
    }
}

#[test]
fn the_first_sectors_of_a_drive_gone() {
    for name in ["gpt-128", "gpt-4k"] {
        // The MBR and the primary copy: the backup at the image's end.
        let mut disk = Disk::of(name);
        let start = disk.part(Mbr).start..disk.part(Array).end;
        disk.bytes[start.clone()].fill(0);
        let zeroed = disk.layout(&[], "");
        assert_eq!((listed(&zeroed), &zeroed["table"]["complete"]), (by_sfdisk(name), &Value::Bool(true)), "{name}");
        let unread = Disk::of(name).layout(&[start], "");
        assert_eq!((listed(&unread), &unread["table"]["complete"]), (by_sfdisk(name), &Value::Bool(false)), "{name}");
        // The MBR and both headers: the entries, as volumes stand where they point.
        let mut disk = Disk::of(name);
        for part in [Mbr, Header, BackupHeader] {
            let range = disk.part(part);
            disk.bytes[range].fill(0);
        }
        let bare = disk.layout(&[], "");
        assert_eq!((listed(&bare), &bare["table"]["complete"]), (by_sfdisk(name), &Value::Bool(false)), "{name}");
        assert!(kinds(&bare).contains(&"gpt_array_alone") && kinds(&bare).contains(&"protective_missing"));
        // Without volumes where they point nothing proves them: a leftover of an earlier use, perhaps.
        let volumes = disk.part(Array).end..disk.part(BackupArray).start;
        disk.bytes[volumes].fill(0);
        let unproven = disk.layout_any();
        assert_eq!((listed(&unproven), kinds(&unproven)), (vec![], vec![]), "{name}");
    }
}

impl Disk {
    /// As [`Disk::layout`], whatever the exit status.
    fn layout_any(&self) -> Value {
        self.bench(&[]).run("layout disk.img --json").json("layout")
    }
}

/// One changed bit: which copy it is in decides, and two copies with a fault each are put together.
#[test]
fn changed_bits() {
    let truth = by_sfdisk("gpt-128");
    for part in [Header, Array, BackupArray, BackupHeader] {
        let mut disk = Disk::of("gpt-128");
        let at = disk.part(part).start + 60;
        disk.bytes[at] ^= 1;
        let document = disk.layout(&[], "");
        assert_eq!(
            (listed(&document), &document["table"]["complete"]),
            (truth.clone(), &Value::Bool(true)),
            "{part:?}"
        );
        let kind = if matches!(part, Header | BackupHeader) { "gpt_header_bad" } else { "gpt_array_bad" };
        assert_eq!(details(&document, kind).len(), 1, "{part:?}");
        assert_eq!(kinds(&document).contains(&"gpt_backup_used"), matches!(part, Header | Array), "{part:?}");
    }
    // A fault in each array, in different entries: together they have the checksum.
    let mut disk = Disk::of("gpt-128");
    disk.flip(Array, 1);
    disk.flip(BackupArray, 2);
    let mended = disk.layout(&[], "");
    assert_eq!((listed(&mended), &mended["table"]["complete"]), (truth.clone(), &Value::Bool(true)));
    assert_eq!(mended["table"]["partitions"][1]["name"], "Reserved");
    assert_eq!(mended["table"]["partitions"][2]["name"], "Basic data Ünï ✓");
    assert_eq!(details(&mended, "gpt_array_bad").len(), 2);
    // In the same entry: nobody knows what it was.
    let mut disk = Disk::of("gpt-128");
    disk.flip(Array, 1);
    disk.flip(BackupArray, 1);
    let at = disk.part(BackupArray).start + 128 + 62;
    disk.bytes[at] ^= 1;
    let lost = disk.layout(&[], "");
    assert_eq!(lost["table"]["complete"], false);
}

#[test]
fn sound_copies_that_disagree() {
    // The backup has another name for entry 3: the primary counts, and nothing is missing.
    let mut disk = Disk::of("gpt-128");
    disk.flip(BackupArray, 2);
    disk.seal(BackupHeader, BackupArray);
    let name = disk.layout(&[], "");
    assert_eq!((listed(&name), &name["table"]["complete"]), (by_sfdisk("gpt-128"), &Value::Bool(true)));
    assert_eq!(kinds(&name), ["gpt_copies_differ"]);
    assert_eq!(name["table"]["partitions"][2]["name"], "Basic data Ünï ✓");
    // The primary lost an entry by somebody's hand, and the volume is still there: it may be missing.
    let mut disk = Disk::of("gpt-128");
    let third = disk.part(Array).start + 2 * 128;
    disk.bytes[third..third + 128].fill(0);
    disk.seal(Header, Array);
    let missing = disk.layout(&[], "");
    assert_eq!((listed(&missing).len(), &missing["table"]["complete"]), (3, &Value::Bool(false)));
    let detail = details(&missing, "gpt_copies_differ").remove(0);
    assert_eq!(
        detail,
        "they differ in: partition entries; the primary copy counts; entry 3 of the other is sectors 8192 to 16383, where \
         a volume begins"
    );
}

/// A drive that an adapter showed with other sectors than it has: what was partitioned through it counts in those.
#[test]
fn a_table_for_another_sector_size() {
    for (name, own, other) in [("gpt-4k", 4096, 512), ("gpt-128", 512, 4096)] {
        let disk = Disk::of(name);
        let document = disk.layout(&[], &format!("--sector-size {other}"));
        let table = &document["table"];
        assert_eq!((&table["sector_size"], &table["unit"]), (&other.into(), &own.into()), "{name}");
        assert_eq!((listed(&document), &table["complete"]), (by_sfdisk(name), &Value::Bool(true)), "{name}");
        assert_eq!(kinds(&document), ["table_other_sector_size"], "{name}");
        let by_itself = disk.layout(&[], "");
        assert_eq!((&by_itself["table"]["unit"], kinds(&by_itself)), (&own.into(), vec![]), "{name}");
    }
    // A hole is as large as the drive's sectors, not the table's.
    let disk = Disk::of("gpt-4k");
    let holes = [3 * 4096..3 * 4096 + 512];
    let small = disk.layout(&holes, "--sector-size 512");
    assert_eq!(small["map"]["totals"]["unread"], 512);
    assert_eq!(disk.layout(&holes, "")["map"]["totals"]["unread"], 4096);
    // Both are there: an older one for 512 is left at the end of a drive that has one for 4096.
    let mut disk = Disk::of("gpt-4k");
    let older = Disk::of("gpt-128");
    let backup = older.part(BackupArray).start..older.bytes.len();
    disk.bytes[backup.clone()].copy_from_slice(&older.bytes[backup]);
    let both = disk.layout(&[], "");
    assert_eq!((listed(&both), &both["table"]["complete"]), (by_sfdisk("gpt-4k"), &Value::Bool(true)));
    assert!(details(&both, "table_other_sector_size")[0].contains("`--sector-size 512` reads it"));
    let asked = disk.layout(&[], "--sector-size 512");
    assert_eq!((listed(&asked), &asked["table"]["unit"]), (by_sfdisk("gpt-128"), &512.into()));
}

#[test]
fn an_mbr_that_counts_in_larger_sectors() {
    // sfdisk's table of mbr-primary, with every number divided by 8: the volumes stay where they are.
    let mut bytes = fixture::image("mbr-primary");
    for entry in 0..4 {
        for field in [8, 12] {
            let at = 446 + entry * 16 + field;
            let number = u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
            assert_eq!(number % 8, 0);
            bytes[at..at + 4].copy_from_slice(&(number / 8).to_le_bytes());
        }
    }
    let disk = Disk { bytes, sector: 4096, array: 0 };
    let document = disk.layout(&[], "");
    assert_eq!(
        (&document["table"]["sector_size"], &document["table"]["sector_size_from"]),
        (&4096.into(), &"found".into())
    );
    let places: Vec<(u64, u64)> = listed(&document).into_iter().map(|(start, length, _)| (start, length)).collect();
    let truth: Vec<(u64, u64)> =
        by_sfdisk("mbr-primary").into_iter().map(|(start, length, _)| (start, length)).collect();
    assert_eq!(places, truth);
    let set = disk.layout(&[], "--sector-size 512");
    assert!(details(&set, "table_other_sector_size")[0].contains("`--sector-size 4096` does"));
}

#[test]
fn images_longer_and_shorter_than_the_table_says() {
    let truth = by_sfdisk("gpt-128");
    // Longer: the backup is where the primary says; without the primary where the protective entry lets the drive end.
    let mut disk = Disk::of("gpt-128");
    disk.bytes.resize((12 << 20) + (3 << 20) + 512, 0xA5);
    let longer = disk.layout(&[], "");
    assert_eq!((listed(&longer), &longer["table"]["complete"]), (truth.clone(), &Value::Bool(true)));
    assert_eq!(kinds(&longer), ["protective_length", "gpt_other_length"]);
    disk.bytes[512..1024].fill(0);
    let headless = disk.layout(&[], "");
    assert_eq!((listed(&headless), &headless["table"]["complete"]), (truth.clone(), &Value::Bool(true)));
    // With sectors of 4096 bytes, too.
    let mut disk = Disk::of("gpt-4k");
    disk.bytes.resize((12 << 20) + (3 << 20) + 512, 0xA5);
    disk.bytes[4096..8192].fill(0);
    let headless = disk.layout(&[], "");
    assert_eq!((listed(&headless), &headless["table"]["sector_size"]), (by_sfdisk("gpt-4k"), &4096.into()));
    // Shorter: partitions reach past the end and are listed all the same.
    let mut disk = Disk::of("gpt-128");
    disk.bytes.truncate(9 << 20);
    let shorter = disk.layout(&[], "");
    assert_eq!((listed(&shorter), &shorter["table"]["complete"]), (truth.clone(), &Value::Bool(true)));
    assert_eq!(kinds(&shorter), ["partition_past_end", "protective_length", "gpt_other_length"]);
    assert!(details(&shorter, "gpt_other_length")[0].contains("the image is 3145728 bytes shorter"));
    // And the primary header gone with it: the entries alone.
    disk.bytes[512..1024].fill(0);
    let alone = disk.layout(&[], "");
    assert_eq!((listed(&alone), &alone["table"]["complete"]), (truth, &Value::Bool(false)));
    assert!(kinds(&alone).contains(&"gpt_array_alone") && kinds(&alone).contains(&"gpt_other_length"));
}

#[test]
fn a_hybrid_table_is_the_last_resort() {
    let truth = by_sfdisk("gpt-hybrid");
    let mut disk = Disk::of("gpt-hybrid");
    for part in [Header, BackupHeader] {
        let range = disk.part(part);
        disk.bytes[range].fill(0);
    }
    let entries = disk.layout(&[], "");
    assert_eq!((listed(&entries), &entries["table"]["complete"]), (truth.clone(), &Value::Bool(false)));
    for part in [Array, BackupArray] {
        let range = disk.part(part);
        disk.bytes[range].fill(0);
    }
    let mbr = disk.layout(&[], "");
    let places = |rows: &[(u64, u64, String)]| rows.iter().map(|row| (row.0, row.1)).collect::<Vec<_>>();
    // sgdisk -h 3:4 put entries 3 and 4 into the MBR.
    assert_eq!(places(&listed(&mbr)), places(&truth[2..]));
    assert_eq!(mbr["table"]["complete"], false);
}

/// `whole` hangs on who vouches for the copy that was used, not for the one that is gone.
#[test]
fn files_are_vouched_for_by_the_copy_that_counts() {
    let mut disk = Disk::of("gpt-128");
    let range = disk.part(Header);
    disk.bytes[range].fill(0);
    let states = |bench: &Bench| {
        let lines = bench.run("list disk.img 3:/ --recursive --json").json_lines("list");
        let mut states: Vec<String> =
            lines.iter().filter_map(|line| line["state"].as_str().map(str::to_string)).collect();
        states.sort();
        states.dedup();
        states
    };
    assert_eq!(states(&disk.bench(&[])), ["whole"]);
    let length = disk.bytes.len();
    // Nobody speaks for one sector: the backup's header, the sector with its entries, or the primary's.
    for (part, expected) in [(BackupHeader, "unproven"), (BackupArray, "unproven"), (Array, "whole")] {
        let bench = disk.bench(&[]);
        let start = disk.part(part).start;
        let end = start + 512;
        bench.remove("disk.map.csv");
        bench.file(
            "disk.map.csv",
            format!(
                "# handback sector map 1\n# image-length: {length}\n# rest: unknown\nstart,length,state\n0,{start},read\n{end},{},read\n",
                length - end
            )
            .replace(&format!("{end},0,read\n"), ""),
        );
        assert_eq!(states(&bench), [expected], "{part:?}");
    }
    // Entries without a header stand for themselves, as an MBR's do, and only where they were read.
    let range = disk.part(BackupHeader);
    disk.bytes[range].fill(0);
    assert_eq!(states(&disk.bench(&[])), ["whole"]);
}
