//! What holes are for, held against what really stood there: the harness's own anatomy, which is read without the
//! library. Each byte of a hole is counted once, and nothing is called free that was not.

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::sync::Arc;

use common::harness::anatomy::Anatomy;
use common::{Bench, fixture};
use handback::filesystem::{HoleUse, SweepOptions, Swept, Use};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;
use handback::survey;
use handback::volumes::{self, Disk};
use serde_json::json;

const SECTOR: u64 = 512;

/// Images that one volume fills.
const VOLUMES: [&str; 26] = [
    "ntfs-c512",
    "ntfs-c4k",
    "ntfs-c64k",
    "ntfs-mftfrag",
    "ntfs-compressed-512",
    "ntfs-rec4k",
    "ntfs-attrlist",
    "ntfs-reparse",
    "ntfs-streams",
    "ntfs-wof-lzx",
    "ntfs-sparse",
    "ntfs-valid",
    "ntfs-deleted",
    "fat12",
    "fat16",
    "fat32-few",
    "fat12-s1024",
    "fat16-s2048",
    "fat32-s4096",
    "fat16-frag",
    "fat16-stale",
    "exfat-c512",
    "exfat-c4k",
    "exfat-c32k",
    "exfat-s4k",
    "exfat-odd",
];

struct Sound {
    image: Arc<MemoryImage>,
    anatomy: Anatomy,
}

impl Sound {
    fn of(name: &str, starts: &BTreeSet<u64>) -> Self {
        let image = Arc::new(MemoryImage::new(fixture::image(name)));
        let source = source(&image, &[]);
        let anatomy = Anatomy::of(&source, starts);
        Self { image, anatomy }
    }

    /// So many sectors of each kind, spread over all that there are.
    fn sample(&self, each: usize) -> Vec<(u64, &'static str)> {
        let mut kinds: BTreeMap<&'static str, Vec<u64>> = BTreeMap::new();
        for sector in 0..self.image.length() / SECTOR {
            kinds.entry(self.anatomy.kind(sector * SECTOR)).or_default().push(sector);
        }
        let spread = |all: Vec<u64>| {
            let step = (all.len() / each).max(1);
            all.into_iter().step_by(step | 1).collect::<Vec<_>>()
        };
        kinds.into_iter().flat_map(|(kind, all)| spread(all).into_iter().map(move |sector| (sector, kind))).collect()
    }
}

impl Sound {
    /// Whether a free sector stands behind a structure of one of these kinds with nothing else between.
    fn stands_behind(&self, sector: u64, kinds: &[&str]) -> bool {
        let before = (0..sector).rev().map(|one| self.anatomy.kind(one * SECTOR)).find(|kind| *kind != "free space");
        before.is_some_and(|kind| kinds.contains(&kind))
    }
}

/// An image of which all was read but some sectors.
fn source(image: &Arc<MemoryImage>, holes: &[u64]) -> Source {
    let mut holes: Vec<u64> = holes.to_vec();
    holes.sort_unstable();
    holes.dedup();
    let segments: Vec<Segment> = holes
        .iter()
        .map(|sector| Segment { range: sector * SECTOR..(sector + 1) * SECTOR, state: ByteState::Unread })
        .collect();
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &segments).expect("sorted");
    Source::new(Arc::clone(image) as Arc<dyn Image>, &map, SECTOR)
}

/// What the holes of a volume are for; `None` if it can't be opened.
fn swept(source: &Source) -> Option<HoleUse> {
    let volume = common::edit::any(source)?;
    Some(volume.sweep(SweepOptions::default(), &Silent).expect("in memory").holes)
}

/// Whether a byte where this stands may be counted so. The first is what is expected.
fn may_be(kind: &str, what: Use) -> bool {
    match kind {
        "content" | "file content" | "compressed content" | "system-compressed content" => what == Use::Files,
        "free space" => matches!(what, Use::Free | Use::Unused),
        // Between the end of the FAT and the heap nothing lies.
        "free entries of the table" => matches!(what, Use::Metadata | Use::Unused),
        _ => what == Use::Metadata,
    }
}

fn only(uses: HoleUse) -> (Use, u64) {
    let found: Vec<Use> = Use::ALL.into_iter().filter(|what| uses.unread.of(*what) > 0).collect();
    assert_eq!(found.len(), 1, "{uses:?}");
    (found[0], uses.unread.of(found[0]))
}

#[test]
fn one_hole_is_called_what_stood_there() {
    let mut seen: BTreeMap<Use, u64> = BTreeMap::new();
    for name in VOLUMES {
        let sound = Sound::of(name, &BTreeSet::from([0]));
        for (sector, kind) in sound.sample(10) {
            let Some(uses) = swept(&source(&sound.image, &[sector])) else {
                assert_eq!(kind, "boot sector without a copy", "{name}");
                continue;
            };
            let (what, bytes) = only(uses);
            assert_eq!(bytes, SECTOR, "{name}, sector {sector}");
            // The tables of this image differ, so what they call free is not sure.
            let doubted = name == "fat16-stale" && what == Use::FreeUnproven && kind == "free space";
            // The anatomy counts exFAT's own tables by bytes, and they have whole clusters.
            let behind = what == Use::Metadata && sound.stands_behind(sector, &["allocation bitmap", "up-case table"]);
            assert!(may_be(kind, what) || doubted || behind, "{name}, sector {sector}: {kind} is called {what:?}");
            *seen.entry(what).or_default() += 1;
        }
    }
    for what in [Use::Files, Use::Metadata, Use::Free, Use::Unused] {
        assert!(seen.get(&what).is_some_and(|count| *count > 5), "{what:?}: {seen:?}");
    }
}

/// Numbers from a seed (SplitMix64, public domain, S. Vigna, from memory): the same on every machine.
fn numbers(mut seed: u64) -> impl FnMut(u64) -> u64 {
    move |below| {
        seed = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = seed;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (mixed ^ (mixed >> 31)) % below
    }
}

#[test]
fn of_many_holes_none_is_called_free_that_was_not() {
    let mut free_seen = 0;
    for name in VOLUMES {
        let sound = Sound::of(name, &BTreeSet::from([0]));
        let sample = sound.sample(40);
        for seed in 0..12 {
            let mut next = numbers(seed);
            let holes: BTreeSet<usize> = (0..30).map(|_| next(sample.len() as u64) as usize).collect();
            let sectors: Vec<u64> = holes.iter().map(|at| sample[*at].0).collect();
            let Some(uses) = swept(&source(&sound.image, &sectors)) else { continue };
            assert_eq!(uses.unread.total(), holes.len() as u64 * SECTOR, "{name}, seed {seed}: each byte once");
            assert_eq!(uses.unreached.total(), 0);
            let really = |kind: &str| holes.iter().filter(|at| sample[**at].1 == kind).count() as u64 * SECTOR;
            let nobodys = really("free space") + really("free entries of the table");
            let called = uses.unread.of(Use::Free) + uses.unread.of(Use::Unused);
            assert!(called <= nobodys, "{name}, seed {seed}: {called} of {nobodys}, {uses:?}");
            free_seen += uses.unread.of(Use::Free);
        }
    }
    assert!(free_seen > 100 * SECTOR);
}

/// Sectors of one kind.
fn of_kind(sound: &Sound, kind: &str) -> Vec<u64> {
    (0..sound.image.length() / SECTOR).filter(|sector| sound.anatomy.kind(sector * SECTOR) == kind).collect()
}

#[test]
fn without_the_bitmap_nothing_is_called_free() {
    for (name, bitmap) in [("ntfs-c4k", "$Bitmap"), ("exfat-c4k", "allocation bitmap"), ("fat16", "allocation table")] {
        let sound = Sound::of(name, &BTreeSet::from([0]));
        let speaks = of_kind(&sound, bitmap);
        let free = of_kind(&sound, "free space");
        let hole = free[free.len() / 2];
        let mut lost = speaks.clone();
        if name == "fat16" {
            lost.extend(of_kind(&sound, "second allocation table"));
        }
        lost.push(hole);
        let uses = swept(&source(&sound.image, &lost)).expect("it opens");
        let found = (uses.unread.of(Use::Free), uses.unread.of(Use::Undecided));
        assert_eq!(found, (0, SECTOR), "{name}");

        // Zeros in its place, and nobody says so: it calls free what files have.
        let mut bytes = fixture::image(name);
        for sector in &speaks {
            let at = (sector * SECTOR) as usize;
            bytes[at..at + SECTOR as usize].fill(0);
        }
        let image = Arc::new(MemoryImage::new(bytes));
        let uses = swept(&source(&image, &[hole])).expect("it opens");
        assert_eq!(uses.unread.of(Use::Free), 0, "{name}: {uses:?}");
    }
}

#[test]
fn a_bitmap_that_no_map_vouches_for_is_not_relied_on() {
    for name in ["ntfs-c4k", "exfat-c4k", "fat16"] {
        let sound = Sound::of(name, &BTreeSet::from([0]));
        let free = of_kind(&sound, "free space");
        let hole = free[free.len() / 2] * SECTOR;
        let segment = Segment { range: hole..hole + SECTOR, state: ByteState::Unread };
        let map = SectorMap::from_ranges(sound.image.length(), Basis::BadList, ByteState::Unknown, &[segment]).unwrap();
        let source = Source::new(Arc::clone(&sound.image) as Arc<dyn Image>, &map, SECTOR);
        assert_eq!(only(swept(&source).expect("it opens")), (Use::FreeUnproven, SECTOR), "{name}");
    }
}

fn sweep_all(disk: &Disk) -> BTreeMap<u32, Swept> {
    let readable = disk.volumes.iter().filter_map(|volume| Some((volume.number, volume.filesystem()?)));
    readable
        .map(|(number, filesystem)| (number, filesystem.sweep(SweepOptions::default(), &Silent).expect("in memory")))
        .collect()
}

#[test]
fn the_parts_of_a_drives_holes_add_up_to_the_maps_total() {
    for name in ["demo", "card", "mbr-logical", "gpt-4k", "gpt-hybrid", "foreign", "dynamic-gpt", "ntfs-c4k"] {
        let image = Arc::new(MemoryImage::new(fixture::image(name)));
        let sectors = image.length() / SECTOR;
        let mut next = numbers(7);
        for round in 0..6_u64 {
            // Scattered sectors, and a stretch at the end that was not tried; in the last round nothing was read.
            let mut segments: Vec<Segment> = Vec::new();
            let end = (sectors - next(sectors / 4) - 1) * SECTOR;
            let mut starts: BTreeSet<u64> = (0..200).map(|_| next(sectors)).filter(|at| at * SECTOR < end).collect();
            // Where volumes and tables begin.
            starts.extend(if round % 2 == 0 { 3..20 } else { 0..0 });
            let unread = starts.iter().map(|at| at * SECTOR..(at + 1) * SECTOR);
            segments.extend(unread.map(|range| Segment { range, state: ByteState::Unread }));
            segments.push(Segment { range: end..image.length(), state: ByteState::Unreached });
            if round == 5 {
                segments = vec![Segment { range: 4096..image.length(), state: ByteState::Unread }];
            }
            let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &segments).unwrap();
            let source = Source::new(Arc::clone(&image) as Arc<dyn Image>, &map, SECTOR);
            let disk = volumes::open(&source, Default::default()).expect("in memory");
            let swept = sweep_all(&disk);
            for shown in [true, false] {
                let holes = survey::holes(&disk, |number| swept.get(&number).filter(|_| shown));
                for (account, state) in [(holes.unread, ByteState::Unread), (holes.unreached, ByteState::Unreached)] {
                    let total = disk.source.map().total(state);
                    assert_eq!((account.total, account.parts()), (total, total), "{name}, round {round}: {account:?}");
                    assert!(shown || account.uses.total() == 0);
                }
                assert_eq!(holes.volumes.len(), disk.volumes.len());
            }
        }
    }
}

/// The bytes of the demo's truth that a range of its image holds by its files' holes.
#[test]
fn the_choirs_holes_are_told_in_words() {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    let truth = fixture::truth_of_volume("demo", 2);
    let damaged = truth.iter().filter(|one| one.hole().is_some());
    let missing: u64 = damaged.clone().map(|one| one.hole().map_or(0, |hole| hole.len() as u64)).sum();
    let outcome = bench.run("survey demo.img --holes --json").code(1);
    let document = outcome.json("survey");
    let unread = &document["holes"]["unread"];
    // The map has 65,536 bytes in free space, and 16,384 that three files of the truth lost a part of.
    assert_eq!((&unread["total"], &unread["free"], &unread["files"]), (&json!(81920), &json!(65536), &json!(16384)));
    assert_eq!((&unread["metadata"], &unread["outside"]), (&json!(0), &json!(0)));
    assert_eq!(document["holes"]["unreached"]["total"], 0);
    let costs = &document["volumes"][0]["costs"];
    assert_eq!(costs["total"]["lost_bytes"], missing);
    assert_eq!(costs["total"]["damaged"], damaged.clone().count());
    let folders: BTreeMap<String, u64> = costs["folders"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| (one["path"].as_str().unwrap().to_string(), one["lost_bytes"].as_u64().unwrap()))
        .collect();
    let wanted: BTreeMap<String, u64> = damaged
        .map(|one| {
            let path = one.path_text();
            let (folder, _) = path.rsplit_once('/').unwrap();
            (folder.to_string(), one.hole().map_or(0, |hole| hole.len() as u64))
        })
        .collect();
    assert_eq!(folders, wanted);
    let order: Vec<u64> =
        costs["folders"].as_array().unwrap().iter().map(|one| one["lost_bytes"].as_u64().unwrap()).collect();
    assert!(order.is_sorted_by(|one, next| one >= next), "those that lost most come first");
    assert_eq!(costs["kinds"][0]["kind"], "pictures");
    assert_eq!(costs["kinds"].as_array().unwrap().len(), 2);

    let text = bench.run("survey demo.img --holes").code(1).harmless();
    let text = text.out_has("Of 81.9 kB that could not be read, 65.5 kB are free space");
    text.lines_with(&["free space", "65,536", "80.00 %"]);
    text.lines_with(&["pictures", "102"]);
    bench.run("survey demo.img").code(1).out_lacks("What the holes cost");
    assert!(bench.run("survey demo.img --json").json("survey").get("holes").is_none());
}

#[test]
fn a_volume_that_is_not_asked_for_is_said_to_be_left_out() {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.map_beside("demo", &[Range { start: 1 << 20, end: (1 << 20) + 4096 }]);
    let document = bench.run("survey demo.img --holes --volume 2 --json").json("survey");
    let unread = &document["holes"]["unread"];
    assert_eq!((&unread["total"], &unread["not_surveyed"]), (&json!(4096), &json!(4096)));
    let all = bench.run("survey demo.img --holes --json").json("survey");
    assert_eq!((&all["holes"]["unread"]["total"], &all["holes"]["unread"]["not_surveyed"]), (&json!(4096), &json!(0)));
    bench.file("demo.map.csv", common::full_map(100_663_296, &[]));
    bench.run("survey demo.img --holes").code(0).out_has("The map knows of no hole.");
    bench.run("survey demo.img --holes --no-map").code(0).out_has("No map speaks for this image");
}
