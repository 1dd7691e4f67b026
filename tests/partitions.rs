//! Partition tables and recognised volumes against what outside tools say of the same fixtures.
//!
//! `NAME.table.json` is what `sfdisk --json` printed for the image; `NAME.truth.tsv` names, volume by volume, what the
//! recipe put there.

mod common;

use common::fixture;
use handback::partition::{CrossCheck, Partition, Scheme, SectorSizeFrom, Table, TypeCode};
use handback::source::Damage;
use handback::volumes::{self, Content, Disk, Options, Role, Unknown};
use serde_json::Value;

const FIXTURES: [&str; 10] = [
    "mbr-primary",
    "mbr-logical",
    "mbr-outoforder",
    "gpt-128",
    "gpt-256",
    "gpt-4k",
    "gpt-hybrid",
    "foreign",
    "dynamic-mbr",
    "dynamic-gpt",
];

fn open(name: &str) -> Disk {
    volumes::open(&fixture::unmapped(name), Options::default()).unwrap()
}

fn sfdisk(name: &str) -> Value {
    serde_json::from_slice::<Value>(&fixture::file(&format!("{name}.table.json"))).unwrap()["partitiontable"].clone()
}

/// A partition as both sides can say it: number, first sector, sectors, type, name, active.
type Row = (u64, u64, u64, String, Option<String>, bool);

fn theirs(table: &Value) -> Vec<Row> {
    let rows = table["partitions"].as_array().unwrap().iter().map(|row| {
        let node = row["node"].as_str().unwrap();
        let number = node.trim_start_matches(|character: char| !character.is_ascii_digit());
        let number = number.rsplit(|character: char| !character.is_ascii_digit()).next().unwrap();
        let number = number.parse().unwrap();
        let code = row["type"].as_str().unwrap();
        let code = if code.len() < 3 { format!("{code:0>2}") } else { code.to_string() };
        let name = row["name"].as_str().map(str::to_string);
        let active = row["bootable"].as_bool().unwrap_or(false);
        (number, row["start"].as_u64().unwrap(), row["size"].as_u64().unwrap(), code, name, active)
    });
    rows.collect()
}

fn ours(table: &Table) -> Vec<Row> {
    let row = |one: &Partition| {
        assert_eq!((one.start % table.sector_size, one.length % table.sector_size), (0, 0));
        let (start, length) = (one.start / table.sector_size, one.length / table.sector_size);
        (u64::from(one.number), start, length, one.code.to_string(), one.name.clone(), one.bootable)
    };
    table.partitions.iter().map(row).collect()
}

#[test]
fn every_start_size_and_type_is_what_sfdisk_says() {
    for name in FIXTURES {
        let (disk, table) = (open(name), sfdisk(name));
        assert_eq!(ours(&disk.table), theirs(&table), "{name}");
        assert_eq!(disk.table.sector_size, table["sectorsize"].as_u64().unwrap(), "{name}");
        assert_eq!(disk.table.disk_id.unwrap().to_string(), table["id"].as_str().unwrap(), "{name}");
        let scheme = if table["label"] == "gpt" { Scheme::Gpt } else { Scheme::Mbr };
        assert_eq!((disk.table.scheme, disk.complete), (scheme, true), "{name}");
        let words: Vec<&str> = disk.table.findings.kinds().map(|(kind, _)| kind.word()).collect();
        let expected: &[&str] = if name == "gpt-hybrid" { &["hybrid_table"] } else { &[] };
        assert_eq!(words, expected, "{name}: {:?}", disk.table.findings);
        // Only where nothing recognisable lies in the partitions of an MBR is the sector size a guess.
        let from = if name == "dynamic-mbr" { SectorSizeFrom::Assumed } else { SectorSizeFrom::Found };
        assert_eq!(disk.table.sector_size_from, from, "{name}");
    }
}

#[cfg(feature = "cross-check")]
#[test]
fn independent_readers_agree_where_they_can() {
    for name in FIXTURES {
        let said = open(name).table.cross_check;
        match name {
            "mbr-outoforder" | "gpt-256" => assert!(matches!(said, CrossCheck::NotCheckable(_)), "{name}: {said:?}"),
            _ => assert_eq!(said, CrossCheck::Agrees, "{name}"),
        }
    }
}

/// What the recipe says of a volume: its number and the word after `recognise=`.
fn truth(name: &str) -> Vec<(u32, String)> {
    let text = String::from_utf8(fixture::file(&format!("{name}.truth.tsv"))).unwrap();
    let rows = text.lines().filter(|line| line.starts_with("volume\t")).filter_map(|line| {
        let mut cells = line.split('\t');
        let number = cells.nth(1)?.split(':').next()?.parse().ok()?;
        let word = line.split("recognise=").nth(1)?.split_whitespace().next()?;
        Some((number, word.to_string()))
    });
    rows.collect()
}

#[test]
fn every_foreign_volume_is_recognised() {
    let mut seen = 0;
    for name in ["foreign", "dynamic-mbr", "dynamic-gpt"] {
        let disk = open(name);
        for (number, word) in truth(name) {
            let volume = disk.volume(number).unwrap_or_else(|| panic!("{name}: no volume {number}"));
            let found = match &volume.content {
                Content::Recognised(recognised) => recognised.kind.word(),
                Content::Readable(filesystem) if word.starts_with("fat") => {
                    &filesystem.facts().filesystem.to_lowercase()
                }
                Content::Unknown(Unknown::Blank) => "zeros",
                Content::Unknown(Unknown::ByDesign) if volume.role == Role::Reserved => "ldm-metadata",
                other => panic!("{name} {number}: {other:?} instead of {word}"),
            };
            let expected = if word == "ldm-data" { "dynamic-disk" } else { &word };
            assert_eq!(found, expected, "{name} {number}");
            seen += 1;
        }
    }
    assert_eq!(seen, 26);
}

#[test]
fn volumes_have_roles_and_what_is_ntfs_is_read() {
    let roles = |name| open(name).volumes.iter().map(|one| (one.number, one.role)).collect::<Vec<_>>();
    use Role::{Main, Recovery, Reserved, Start};
    assert_eq!(roles("gpt-hybrid"), [(1, Start), (2, Reserved), (3, Main), (4, Recovery)]);
    for name in ["mbr-primary", "mbr-logical", "mbr-outoforder", "gpt-128", "gpt-256", "gpt-4k", "gpt-hybrid"] {
        for volume in open(name).volumes {
            let known = match &volume.content {
                Content::Readable(_) => true,
                // Everything made as NTFS is read; the only others are FAT volumes.
                Content::Recognised(recognised) => recognised.kind.word().starts_with("fat"),
                Content::Unknown(_) => volume.role != Main,
            };
            assert!(known, "{name} {}: {:?}", volume.number, volume.content);
        }
    }
}

/// Each sector that holds a part of a table unread in turn: a loss is said, and nothing is made up.
#[test]
fn a_hole_anywhere_in_a_table_invents_nothing() {
    for name in FIXTURES {
        let plain = fixture::unmapped(name);
        let whole = handback::partition::read(&plain, None).unwrap();
        let size = whole.sector_size;
        let sectors = plain.length() / size;
        let mut table_sectors: Vec<u64> = match whole.scheme {
            Scheme::Gpt => (0..40).chain(sectors - 40..sectors).collect(),
            _ => vec![0],
        };
        table_sectors.extend(whole.partitions.iter().filter(|one| one.logical).map(|one| one.entry_offset / size));
        for sector in table_sectors {
            let holed = plain.with_damage(&[Damage::unread(sector * size..(sector + 1) * size)]);
            let table = handback::partition::read(&holed, None).unwrap();
            let made_up = table.partitions.iter().find(|one| !whole.partitions.iter().any(|other| same(one, other)));
            assert_eq!(made_up, None, "{name}, sector {sector}");
            let lost = table.partitions.len() < whole.partitions.len();
            assert!(!(lost && table.complete), "{name}, sector {sector}");
        }
    }
}

/// The same partition; its entry may have been read in the other copy.
fn same(one: &Partition, other: &Partition) -> bool {
    let key = |partition: &Partition| -> (u32, u64, u64, TypeCode) {
        (partition.number, partition.start, partition.length, partition.code)
    };
    key(one) == key(other)
}
