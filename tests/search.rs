//! Searching for volumes where no table leads to them.
//!
//! Truth: `NAME.table.json` is what `sfdisk --json` printed before the table was wiped; `NAME.truth.tsv` names the files
//! that outside tools wrote, with their SHA-256. Where a test puts a volume itself, it knows the place.

mod common;

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;
use std::time::{Duration, Instant};

use common::fixture::{self, Truth};
use common::{Bench, full_map};
use handback::catalog::{Catalog, Distrust, NameId, State};
use handback::filesystem::{Filesystem, SweepOptions, Swept};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;
use handback::volumes::search::{self, Found, Place, Standing};
use handback::volumes::{self, Disk, Kind, Options, Origin};
use sha2::{Digest, Sha256};

const MIB: usize = 1 << 20;
/// Where a test puts a volume: on no border that a partition would have.
const ODD: usize = MIB + 7 * 512;

/// An image of which all was read but `holes`.
fn source(bytes: Vec<u8>, holes: &[Range<u64>]) -> Source {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let holes: Vec<Segment> =
        holes.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &holes).unwrap();
    Source::new(image, &map, 512)
}

fn searched(source: &Source) -> Disk {
    let found = search::search(source, &Silent).unwrap();
    volumes::open(source, Options { found: Some(Arc::new(found)), ..Options::default() }).unwrap()
}

/// A disk without a table that holds these volumes.
fn disk(length: usize, volumes: &[(usize, &[u8])]) -> Vec<u8> {
    let mut bytes = vec![0; length];
    for (offset, volume) in volumes {
        bytes[*offset..offset + volume.len()].copy_from_slice(volume);
    }
    bytes
}

/// Start and length of what the table of a fixture names as places for volumes, by its number.
fn named(name: &str) -> BTreeMap<u32, (u64, u64)> {
    let table: serde_json::Value = serde_json::from_slice(&fixture::file(&format!("{name}.table.json"))).unwrap();
    let table = &table["partitiontable"];
    let sector = table["sectorsize"].as_u64().unwrap();
    let extended_or_reserved = ["5", "f", "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"];
    let mut places = BTreeMap::new();
    for row in table["partitions"].as_array().unwrap() {
        if !extended_or_reserved.contains(&row["type"].as_str().unwrap()) {
            let node = row["node"].as_str().unwrap();
            let number = node.rsplit(|c: char| !c.is_ascii_digit()).next().unwrap().parse().unwrap();
            let place = |field: &str| row[field].as_u64().unwrap() * sector;
            places.insert(number, (place("start"), place("size")));
        }
    }
    places
}

/// A fixture with everything outside its volumes zeroed: MBR, links to logical partitions, both copies of a GPT.
fn wiped(name: &str) -> Vec<u8> {
    let mut bytes = fixture::image(name);
    let mut places: Vec<(u64, u64)> = named(name).into_values().collect();
    places.sort_unstable();
    let mut at = 0;
    let end = bytes.len() as u64;
    for (start, length) in places.into_iter().chain([(end, 0)]) {
        bytes[at as usize..start as usize].fill(0);
        at = start + length;
    }
    bytes
}

fn sweep(volume: &dyn Filesystem) -> Swept {
    volume.sweep(SweepOptions::default(), &Silent).unwrap()
}

fn names(catalog: &Catalog) -> BTreeMap<Vec<u16>, NameId> {
    let mut all = BTreeMap::new();
    for (id, _) in catalog.objects().filter(|(id, _)| *id != catalog.root()) {
        for name in catalog.names_of(id) {
            let parts = catalog.line(name).into_iter();
            let path = parts.flat_map(|part| [vec![u16::from(b'/')], catalog.name(part).units()].concat()).collect();
            all.insert(path, name);
        }
    }
    all
}

/// How many files are in each state, and that no file is called whole with other bytes than `truth` has.
fn states(volume: &dyn Filesystem, truth: &[Truth]) -> BTreeMap<State, usize> {
    let swept = sweep(volume);
    let names = names(&swept.catalog);
    let mut states = BTreeMap::new();
    for line in truth.iter().filter(|line| line.kind == "file" && !line.has("deleted")) {
        let Some(name) = names.get(&line.path) else { continue };
        let id = swept.catalog.named_object(*name);
        let object = swept.catalog.object(id);
        let state = object.facts.state();
        *states.entry(state).or_default() += 1;
        if !matches!(state, State::Whole | State::NotDecoded) {
            continue;
        }
        let mut hash = Sha256::new();
        let extents = volume.extents(&swept.catalog, id).unwrap();
        let read = handback::content::read(volume.source(), &extents, &mut |piece| {
            hash.update(piece);
            Ok(())
        });
        assert!(read.unwrap().gaps.is_empty(), "{}", line.path_text());
        let hash: String = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(Some(hash), line.sha256, "{} is called {state}", line.path_text());
    }
    states
}

/// Every file of the truth is there and whole.
#[track_caller]
fn all_whole(volume: &dyn Filesystem, truth: &[Truth]) {
    let files = truth.iter().filter(|line| line.kind == "file" && !line.has("deleted")).count();
    let states = states(volume, truth);
    let whole = [State::Whole, State::NotDecoded].map(|state| states.get(&state).copied().unwrap_or(0));
    assert!(files > 0 && whole.iter().sum::<usize>() == files, "{files} files: {states:?}");
}

fn found_volumes(disk: &Disk) -> Vec<(u64, u64)> {
    disk.volumes.iter().filter(|one| one.origin == Origin::Found).map(|one| (one.start, one.length)).collect()
}

#[test]
fn disks_without_their_table_give_the_same_volumes_and_files() {
    for name in ["mbr-primary", "mbr-logical", "mbr-outoforder", "gpt-128", "gpt-256", "gpt-4k", "gpt-hybrid", "card"] {
        let disk = searched(&source(wiped(name), &[]));
        let truth = named(name);
        let mut places: Vec<(u64, u64)> = truth.values().copied().collect();
        places.sort_unstable();
        assert_eq!(found_volumes(&disk), places, "{name}");
        assert!(disk.complete, "{name}: all of it was looked at");
        for (number, place) in &truth {
            let volume = disk.volumes.iter().find(|one| (one.start, one.length) == *place).unwrap();
            let mut lines = fixture::truth_of_volume(name, *number);
            if lines.is_empty() && truth.len() == 1 {
                lines = fixture::truth(name);
            }
            if lines.iter().any(|line| line.kind == "file") {
                all_whole(volume.filesystem().unwrap(), &lines);
            }
        }
    }
}

const BARE: [(&str, Kind); 9] = [
    ("ntfs-c4k", Kind::Ntfs),
    ("ntfs-c512", Kind::Ntfs),
    ("ntfs-rec4k", Kind::Ntfs),
    ("fat12", Kind::Fat12),
    ("fat16", Kind::Fat16),
    ("fat32", Kind::Fat32),
    ("fat32-s4096", Kind::Fat32),
    ("exfat-c4k", Kind::ExFat),
    ("exfat-s4k", Kind::ExFat),
];

#[test]
fn a_volume_is_found_wherever_it_begins() {
    for (name, kind) in BARE {
        let volume = fixture::image(name);
        let disk = searched(&source(disk(ODD + volume.len() + MIB, &[(ODD, &volume)]), &[]));
        assert_eq!(found_volumes(&disk), [(ODD as u64, volume.len() as u64)], "{name}");
        let places = &disk.search.as_ref().unwrap().places;
        assert_eq!((places.len(), places[0].candidate.kind), (1, kind), "{name}: {places:?}");
        all_whole(disk.volumes[0].filesystem().unwrap(), &fixture::truth(name));
    }
}

#[test]
fn without_its_first_boot_sector_a_volume_is_found_by_the_backup() {
    for (name, kind) in BARE.into_iter().filter(|(_, kind)| !matches!(kind, Kind::Fat12 | Kind::Fat16)) {
        let volume = fixture::image(name);
        let bytes = disk(ODD + volume.len() + MIB, &[(ODD, &volume)]);
        let first = ODD as u64..ODD as u64 + 512;
        let mut zeroed = bytes.clone();
        zeroed[ODD..ODD + 512].fill(0);
        for (bytes, holes) in [(zeroed, vec![]), (bytes, vec![first])] {
            let disk = searched(&source(bytes, &holes));
            assert_eq!(found_volumes(&disk), [(ODD as u64, volume.len() as u64)], "{name} {kind:?} {holes:?}");
            assert_eq!(disk.complete, holes.is_empty(), "{name}");
            all_whole(disk.volumes[0].filesystem().unwrap(), &fixture::truth(name));
        }
    }
}

#[test]
fn without_its_backup_a_volume_is_found_by_the_first_boot_sector() {
    for name in ["ntfs-c4k", "fat32", "exfat-c4k"] {
        let volume = fixture::image(name);
        let mut bytes = disk(ODD + volume.len() + MIB, &[(ODD, &volume)]);
        let backup = match name {
            "ntfs-c4k" => volume.len() - 512..volume.len(),
            "fat32" => 6 * 512..7 * 512,
            _ => 12 * 512..24 * 512,
        };
        bytes[ODD + backup.start..ODD + backup.end].fill(0);
        let disk = searched(&source(bytes, &[]));
        assert_eq!(found_volumes(&disk), [(ODD as u64, volume.len() as u64)], "{name}");
        all_whole(disk.volumes[0].filesystem().unwrap(), &fixture::truth(name));
    }
}

#[test]
fn ntfs_without_any_boot_sector_is_found_by_its_records() {
    let volume = fixture::image("ntfs-c4k");
    let mut bytes = disk(ODD + volume.len() + MIB, &[(ODD, &volume)]);
    bytes[ODD..ODD + 512].fill(0);
    bytes[ODD + volume.len() - 512..ODD + volume.len()].fill(0);
    let disk = searched(&source(bytes, &[]));
    // The last sector, the backup's, is no part of what the volume says of its length.
    assert_eq!(found_volumes(&disk), [(ODD as u64, volume.len() as u64 - 4096)]);
    all_whole(disk.volumes[0].filesystem().unwrap(), &fixture::truth("ntfs-c4k"));
}

#[test]
fn fat_and_exfat_without_any_boot_sector_are_found_by_what_they_name() {
    // What stands before the tables: FAT12 and FAT16 one sector here, FAT32 32 of them, exFAT two boot regions.
    for (name, boots) in [
        ("fat12", 512),
        ("fat16", 512),
        ("fat16-frag", 512),
        ("fat32", 32 * 512),
        ("exfat-c512", 24 * 512),
        ("exfat-c4k", 24 * 512),
        ("exfat-c32k", 24 * 512),
    ] {
        let volume = fixture::image(name);
        let next = fixture::image("ntfs-c512");
        // Another volume follows at once, as partitions do.
        let after = ODD + volume.len();
        let bytes = disk(after + next.len() + MIB, &[(ODD, &volume), (after, &next)]);
        let disk = searched(&source(bytes, &[ODD as u64..(ODD + boots) as u64]));
        let found = disk.volumes.iter().find(|one| one.start < after as u64).unwrap_or_else(|| panic!("{name}"));
        let reserved = found.start.abs_diff(ODD as u64);
        // Where it begins is a guess, from its table back; files don't hang on that.
        assert!(reserved < 64 << 10 && found.start + found.length <= after as u64, "{name}: {found:?}");
        all_whole(found.filesystem().unwrap_or_else(|| panic!("{name}")), &fixture::truth(name));
        let next = disk.volumes.iter().find(|one| one.start == after as u64).expect("the next volume");
        all_whole(next.filesystem().unwrap(), &fixture::truth("ntfs-c512"));
    }
}

#[test]
fn what_begins_in_a_hole_may_be_missing_and_that_is_said() {
    let volume = fixture::image("fat16");
    let bytes = disk(ODD + volume.len() + MIB, &[(ODD, &volume)]);
    // Its boot sector, and all but the second table's opening: that it was there can't be seen, nor where it lay.
    let boot = ODD as u64;
    let holes = [boot..boot + 64 * 512];
    let disk = searched(&source(bytes.clone(), &holes));
    assert!(!disk.complete && disk.volumes.iter().all(|one| one.filesystem().is_none()), "{:?}", disk.volumes);
    assert_eq!(disk.search.unwrap().bytes_not_read, 64 * 512);
    // With its folders gone instead, its two allocation tables still show that it was there.
    let data = boot + 512 + 2 * 18 * 512;
    let holes = [boot..boot + 512, data..boot + volume.len() as u64];
    let disk = searched(&source(bytes, &holes));
    assert!(!disk.complete && disk.volumes.iter().all(|one| one.filesystem().is_none()), "{:?}", disk.volumes);
    let places = disk.search.unwrap().places;
    assert_eq!(places.iter().map(|one| one.candidate.kind).collect::<Vec<_>>(), [Kind::Fat16]);
}

#[test]
fn the_tables_of_a_volume_that_was_formatted_over_cost_nothing() {
    let (old, new) = (fixture::image("fat16"), fixture::image("ntfs-c4k"));
    let mut bytes = disk(MIB + new.len() + MIB, &[(MIB, &new)]);
    // The opening of both of the older one's tables, where the newer one, which begins at the same place, has nothing.
    let table = &old[512..1024];
    assert!(table.starts_with(&[0xf8, 0xff, 0xff]), "{:x?}", &table[..8]);
    for at in [MIB + 4 * 512, MIB + 22 * 512] {
        assert!(bytes[at..at + 512].iter().all(|byte| *byte == 0));
        bytes[at..at + 512].copy_from_slice(table);
    }
    let disk = searched(&source(bytes, &[]));
    let places = &disk.search.as_ref().unwrap().places;
    assert!(
        places.iter().any(|one| one.candidate.kind == Kind::Fat16 && one.standing == Standing::Leftover),
        "{places:?}"
    );
    all_whole(disk.volumes[0].filesystem().unwrap(), &fixture::truth("ntfs-c4k"));
}

#[test]
fn a_newer_volume_whose_boot_sector_is_in_a_hole_still_costs_the_older_one_its_wholes() {
    let old = fixture::image("ntfs-c4k");
    for name in ["fat16", "fat12"] {
        let new = fixture::image(name);
        // It begins inside the older volume, or before it.
        for (old_at, new_at) in [(MIB, 3 * MIB), (2 * MIB, MIB)] {
            let bytes = disk(MIB + old.len() + 8 * MIB, &[(old_at, &old), (new_at, &new)]);
            let disk = searched(&source(bytes, &[new_at as u64..new_at as u64 + 512]));
            for volume in disk.volumes.iter().filter_map(|one| one.filesystem()) {
                // Every `whole` is held against the truth.
                states(volume, &fixture::truth("ntfs-c4k"));
            }
            let fat =
                disk.search.as_ref().unwrap().places.iter().filter(|one| one.candidate.kind != Kind::Ntfs).count();
            assert_eq!(fat, 1, "{name}: {:#?}", disk.search.as_ref().unwrap().places);
        }
    }
}

#[test]
fn the_table_goes_before_what_is_found() {
    for name in ["mbr-logical", "gpt-4k", "foreign"] {
        let source = source(fixture::image(name), &[]);
        let before = volumes::open(&source, Options::default()).unwrap();
        let disk = searched(&source);
        let places = |disk: &Disk| disk.volumes.iter().map(|one| (one.number, one.start)).collect::<Vec<_>>();
        assert_eq!(places(&disk), places(&before), "{name}: nothing is added");
        let search = disk.search.unwrap();
        assert!(!search.places.is_empty());
        for place in &search.places {
            // The member of an old RAID says nothing of where its device begins.
            let raid = place.candidate.kind == Kind::Raid090;
            let expected = before.volumes.iter().find(|one| {
                let start = place.candidate.place.start();
                one.start == start || (raid && (one.start..one.start + one.length).contains(&start))
            });
            let volume = expected.unwrap_or_else(|| panic!("{name}: {place:?}")).number;
            let standing = if raid { Standing::Inside { volume } } else { Standing::Named { volume } };
            assert_eq!(place.standing, standing, "{name}");
        }
    }
}

#[test]
fn recognised_volumes_are_found_where_sfdisk_put_them() {
    let disk = searched(&source(wiped("foreign"), &[]));
    let search = disk.search.unwrap();
    let truth = named("foreign");
    let mut unseen = Vec::new();
    for (number, (start, length)) in &truth {
        let Some(place) = search.places.iter().find(|one| one.candidate.place.start() == *start) else {
            unseen.push(*number);
            continue;
        };
        let said = place.candidate.place.length();
        assert!(said.is_none_or(|said| said <= *length && said + 4096 >= *length), "{number}: {place:?}");
        assert!(matches!(place.standing, Standing::Volume { .. }), "{number}: {place:?}");
    }
    // A superblock that names no start, storage spaces by their type alone, zeros, and what has no signature at all.
    assert_eq!(unseen, [14, 22, 23], "{:?}", search.places);
}

#[test]
fn an_image_stored_as_a_file_is_inside_its_volume_and_costs_no_other_file() {
    // The demo's second volume is NTFS; a whole FAT12 volume lies in it where nothing is in use.
    let outer = fixture::image("ntfs-c4k");
    let inner = fixture::image("fat12");
    let free = (0..outer.len() - inner.len())
        .step_by(4096)
        .rev()
        .find(|at| outer[*at..at + inner.len()].iter().all(|byte| *byte == 0));
    let at = free.expect("the fixture has so much free space in one piece");
    let mut bytes = disk(MIB + outer.len() + MIB, &[(MIB, &outer)]);
    bytes[MIB + at..MIB + at + inner.len()].copy_from_slice(&inner);
    let mut disk = searched(&source(bytes, &[]));
    assert_eq!(found_volumes(&disk), [(MIB as u64, outer.len() as u64)]);
    all_whole(disk.volumes[0].filesystem().unwrap(), &fixture::truth("ntfs-c4k"));
    let places = disk.search.as_ref().unwrap().places.clone();
    let inside: Vec<_> = places.iter().filter(|one| one.candidate.kind == Kind::Fat12).collect();
    assert_eq!(inside.len(), 1, "{places:?}");
    assert_eq!(inside[0].standing, Standing::Inside { volume: 1 });
    // Opened all the same, nothing in it is better than doubtful.
    let number = disk.at((MIB + at) as u64).unwrap();
    let states = states(disk.volume(number).unwrap().filesystem().unwrap(), &fixture::truth("fat12"));
    assert_eq!(states.keys().copied().collect::<Vec<_>>(), [State::Doubtful]);
}

#[test]
fn of_a_leftover_under_a_newer_volume_nothing_overwritten_is_whole() {
    let (old, new) = (fixture::image("ntfs-c4k"), fixture::image("exfat-c4k"));
    let (mut wholes, mut doubtful) = (0, 0);
    // The newer one begins further and further back in the older one, whose file table and backup it leaves or takes.
    for step in 1..16 {
        let at = MIB + step * old.len() / 16 / 4096 * 4096;
        let bytes = disk(at + new.len() + MIB, &[(MIB, &old), (at, &new)]);
        let disk = searched(&source(bytes, &[]));
        let newer = disk.volumes.iter().find(|one| one.start == at as u64).unwrap();
        assert_eq!(newer.length, new.len() as u64);
        states(newer.filesystem().unwrap(), &fixture::truth("exfat-c4k"));
        if let Some(older) = disk.volumes.iter().find(|one| one.start == MIB as u64) {
            let states = states(older.filesystem().unwrap(), &fixture::truth("ntfs-c4k"));
            wholes += states.get(&State::Whole).copied().unwrap_or(0);
            doubtful += states.get(&State::Doubtful).copied().unwrap_or(0);
        }
    }
    // What lies before the newer one hangs on nothing that it may have overwritten; what lies in it, does.
    assert!(wholes > 0 && doubtful > 0, "{wholes} {doubtful}");
}

/// With any one sector unread besides, neither the older volume nor the newer one calls anything whole that is not.
#[test]
fn no_missing_sector_makes_a_wrong_whole_of_a_leftover() {
    let old = fixture::image("ntfs-c4k");
    for (name, at) in [("fat16", 3 * MIB), ("exfat-c512", 5 * MIB), ("ntfs-c512", 4 * MIB + 4096)] {
        let new = fixture::image(name);
        let bytes = disk(MIB + old.len() + new.len(), &[(MIB, &old), (at, &new)]);
        let all = source(bytes, &[]);
        // The heads of both and what follows them, the older one's table and mirror, and a sample of all.
        let heads = [MIB, at, at + new.len() - 512].map(|head| head / 512);
        let described = [MIB / 512 + 32, MIB / 512 + 8184, at / 512 + 1, at / 512 + 12];
        let sample = (0..all.length() as usize / 512).step_by(1709);
        for sector in heads.into_iter().chain(described).chain(sample) {
            let range = sector as u64 * 512..(sector as u64 + 1) * 512;
            let disk = searched(&all.with_damage(&[handback::source::Damage::unread(range)]));
            for volume in &disk.volumes {
                let truth = match volume.start as usize {
                    MIB => "ntfs-c4k",
                    start if start == at => name,
                    _ => continue,
                };
                if let Some(filesystem) = volume.filesystem() {
                    states(filesystem, &fixture::truth(truth));
                }
            }
        }
    }
}

#[test]
fn a_volume_that_was_formatted_over_is_a_leftover_and_costs_nothing() {
    let (old, new) = (fixture::image("ntfs-c64k"), fixture::image("fat16"));
    assert!(new.len() < old.len());
    let disk = searched(&source(disk(MIB + old.len() + MIB, &[(MIB, &old), (MIB, &new)]), &[]));
    assert_eq!(found_volumes(&disk), [(MIB as u64, new.len() as u64)]);
    all_whole(disk.volumes[0].filesystem().unwrap(), &fixture::truth("fat16"));
    let search = disk.search.unwrap();
    let old = search.places.iter().find(|one| one.candidate.kind == Kind::Ntfs).unwrap();
    assert!(old.candidate.formatted_over && old.standing == Standing::Leftover, "{old:?}");
}

#[test]
fn a_flood_of_lookalikes_ends_soon_and_makes_all_doubtful() {
    let volume = fixture::image("fat16");
    let lookalike = &fixture::image("ntfs-c4k")[..512];
    let mut flood: Vec<u8> = [vec![0; MIB], lookalike.repeat(60_000)].concat();
    for (number, sector) in (0_u64..).zip(flood[MIB..].chunks_exact_mut(512)) {
        // Each says another length, so that none is a copy of another.
        sector[0x28..0x30].copy_from_slice(&(10_000 + number * 3).to_le_bytes());
    }
    let at = flood.len();
    flood.extend(&volume);
    flood.resize(flood.len() + MIB, 0);
    let begun = Instant::now();
    let disk = searched(&source(flood, &[]));
    assert!(begun.elapsed() < Duration::from_secs(30), "{:?}", begun.elapsed());
    let search = disk.search.as_ref().unwrap();
    assert!(search.left_out > 50_000 && !disk.complete, "{}", search.left_out);
    assert!(search.places.len() <= 1024);
    let Some(found) = disk.volumes.iter().find(|one| one.start == at as u64) else { return };
    let catalog = sweep(found.filesystem().unwrap()).catalog;
    assert!(catalog.objects().all(|(_, object)| object.facts.distrust.contains(Distrust::VolumeUnsearched)));
}

#[test]
fn findings_come_back_from_their_saved_form() {
    let source = source(wiped("gpt-128"), &[]);
    let found = search::search(&source, &Silent).unwrap();
    let saved = search::Saved::new(&source, found.clone());
    let text = serde_json::to_string(&saved).unwrap();
    let back: search::Saved = serde_json::from_str(&text).unwrap();
    assert_eq!((back.fits(&source), &back.found), (Ok(()), &found));
    let holed = self::source(wiped("gpt-128"), &[0..512]);
    assert_eq!(back.fits(&holed), Err(search::Misfit::Map));
    let longer = self::source([wiped("gpt-128"), vec![0; 512]].concat(), &[]);
    assert_eq!(back.fits(&longer), Err(search::Misfit::Image));
    let Found { candidates, .. } = found;
    assert!(candidates.iter().all(|one| matches!(one.place, Place::BootSector { .. })));
}

/// A bench with the wiped `gpt-128` as `disk.img` and a map under which all was read.
fn bench() -> Bench {
    let bench = Bench::new();
    let bytes = wiped("gpt-128");
    let length = bytes.len() as u64;
    bench.read_only("disk.img", bytes);
    bench.file("disk.map.csv", full_map(length, &[]));
    bench
}

#[test]
fn a_search_is_kept_and_every_command_uses_it() {
    let bench = bench();
    bench.run("list disk.img").code(3).err_has("nothing readable by the table; `handback layout IMAGE --search`");
    bench.run("survey disk.img").code(3).err_has("`handback layout IMAGE --search`");
    let layout = bench.run("layout disk.img --search").code(0).out_has("Searched for volumes").harmless();
    let layout = layout.out_has("volume 2, not in the table").err_has("what was found is kept in `disk.found.json`");
    layout.lines_with(&["4,194,304", "NTFS", "first copy, backup copy, file table, mirror of the file table"]);
    let list = bench.run("list disk.img 2:/ --recursive").code(0).err_has("found by an earlier search");
    assert!(list.out.lines().filter(|line| line.starts_with("whole ")).count() == 3, "{}", list.out);
    bench.run("extract disk.img 2:/ --to bag").code(0);
    bench.run("verify bag").code(0);
    // `--at` names the same volume.
    let at = bench.run("list disk.img / --recursive --at 4MiB").code(0);
    assert_eq!(at.out, list.out);
    bench.run("survey disk.img --at 0x400000").code(0).out_has("NTFS");
    bench.run("list disk.img / --at 4096").code(2).err_has("no volume that is known begins at byte 4096");
    bench.run("list disk.img 3:/ --at 4MiB").code(2).err_has("name one of them");
    let json = bench.run("layout disk.img --json").code(0).json("layout");
    assert_eq!(json["volumes"][1]["origin"], "found");
    assert_eq!(json["search"]["places"][1]["standing"], "volume");
    assert_eq!(json["search"]["places"][1]["volume"], 2);
    assert_eq!(json["search"]["places"][1]["place"]["start"], 4 << 20);
    // A new search takes the old one's place, and the next command knows it.
    bench.run("layout disk.img --search").code(0);
    assert!(!bench.names().iter().any(|name| name.ends_with(".new")), "{:?}", bench.names());
}

#[test]
fn findings_of_another_image_or_map_are_left_out_of_account() {
    let bench = bench();
    bench.run("layout disk.img --search").code(0);
    bench.run("layout disk.img --no-map").err_has("another sector map lies under the image");
    bench.file("disk.found.json", "{}");
    bench.run("layout disk.img").err_has("holds no findings of a search");
    // What is no file of ours is not written over.
    bench.run("layout disk.img --search").code(0).err_has("nothing is ever overwritten");
    assert_eq!(bench.text("disk.found.json"), "{}");
}

#[test]
fn a_place_can_be_named_without_a_search_and_is_not_trusted() {
    let bench = bench();
    let list = bench.run("list disk.img / --recursive --at 4MiB --json").code(1);
    let lines = list.json_lines("list");
    assert!(lines.iter().any(|line| line["kind"] == "file"));
    for line in lines {
        let reasons = line["reasons"].as_array().unwrap();
        assert!(reasons.iter().any(|reason| reason == "volume-unsearched"), "{line}");
    }
}

#[test]
fn a_split_image_is_searched_as_one() {
    let bench = Bench::new();
    let bytes = wiped("mbr-primary");
    let (first, second) = bytes.split_at(bytes.len() / 2 + 1);
    bench.read_only("disk.001", first);
    bench.read_only("disk.002", second);
    bench.read_only("one.img", &bytes);
    let places = |image: &str| bench.run(&format!("layout {image} --search --json")).json("layout")["search"].clone();
    assert_eq!(places("disk.001"), places("one.img"));
}

#[test]
fn a_recognised_volume_without_its_first_head_is_found_by_its_copy() {
    let truth = named("foreign");
    // LUKS2 keeps a second head behind its first, HFS+ one before its end.
    for (number, kind, head) in [(2, Kind::Luks2, 0..4096), (16, Kind::HfsPlus, 1024..1536)] {
        let (start, length) = truth[&number];
        let mut bytes = wiped("foreign");
        bytes[start as usize..][head].fill(0);
        let search = searched(&source(bytes, &[])).search.unwrap();
        let place = search.places.iter().find(|one| one.candidate.kind == kind).unwrap();
        assert_eq!(place.candidate.place.start(), start, "{kind:?}");
        assert!(place.candidate.place.length().is_none_or(|said| said == length), "{place:?}");
    }
}
