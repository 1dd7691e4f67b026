//! What to read again: reading exactly that makes what is chosen whole, and nothing of it can be left out.
//!
//! The drive's truth is hidden behind holes of a map, and comes out as it is asked for. The measure is the sound image,
//! whose files and folders other tests hold against the truth of the outside tools that filled it.

mod common;

use std::collections::BTreeMap;
use std::sync::Arc;

use common::fixture;
use common::rounds::{Choice, Drive, Holes, total, with};
use handback::image::{Image, MemoryImage};
use handback::sector_map::{ByteState, Segment};

/// Numbers from a seed (SplitMix64, public domain, S. Vigna, from memory): the same on every machine.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }
}

/// Counts are what a longer run is for.
#[expect(clippy::print_stdout, reason = "the counts are what a longer run is for")]
fn say(text: &str) {
    println!("{text}");
}

/// How many seeds: `HANDBACK_SWEEP=N` takes N times as many.
fn seeds(sample: u64) -> u64 {
    let times = std::env::var("HANDBACK_SWEEP").ok().and_then(|word| word.parse().ok()).unwrap_or(1);
    sample * times
}

/// Holes of whole sectors, most of them where something is described.
fn holes(numbers: &mut Numbers, length: u64, sector: u64, dense: &[std::ops::Range<u64>]) -> Holes {
    let sectors = length / sector;
    let mut ranges: Vec<(u64, u64)> = (0..1 + numbers.below(12))
        .map(|_| {
            let count = 1 + [0, 0, 3, 20][numbers.below(4) as usize] * numbers.below(3);
            let first = if numbers.below(4) > 0 && !dense.is_empty() {
                let piece = &dense[numbers.below(dense.len() as u64) as usize];
                (piece.start + numbers.below(piece.end - piece.start)) / sector
            } else {
                numbers.below(sectors)
            };
            (first, (first + count).min(sectors))
        })
        .collect();
    ranges.sort_unstable();
    let mut holes: Holes = Vec::new();
    for (first, end) in ranges {
        let start = (first * sector).max(holes.last().map_or(0, |last| last.range.end));
        let state = if numbers.below(4) == 0 { ByteState::Unreached } else { ByteState::Unread };
        if start < end * sector {
            holes.push(Segment { range: start..end * sector, state });
        }
    }
    holes
}

#[derive(Default)]
struct Tally {
    runs: u64,
    passes: BTreeMap<String, u64>,
    asked: u64,
    possible: u64,
    dropped: u64,
    all: u64,
}

fn folders(name: &str, numbers: &mut Numbers) -> Vec<Choice> {
    use handback::catalog::ObjectKind;
    let disk = handback::volumes::open(&fixture::all_read(name), Default::default()).expect("in memory");
    let readable: Vec<_> = disk.volumes.iter().filter(|volume| volume.filesystem().is_some()).collect();
    let volume = readable[numbers.below(readable.len() as u64) as usize];
    let swept = volume.filesystem().expect("readable").sweep(Default::default(), &handback::progress::Silent);
    let catalog = swept.expect("in memory").catalog;
    let children: Vec<String> = catalog
        .children(catalog.root())
        .filter(|child| catalog.object(catalog.named_object(*child)).kind == ObjectKind::Folder)
        .map(|child| catalog.path(child))
        .filter(|path| !path.starts_with("/(no folder)"))
        .collect();
    if children.is_empty() || numbers.below(4) == 0 {
        return vec![(volume.number, "/".to_string())];
    }
    let pick = |numbers: &mut Numbers| children[numbers.below(children.len() as u64) as usize].clone();
    let mut paths = vec![pick(numbers), pick(numbers)];
    paths.sort();
    paths.dedup();
    paths.into_iter().map(|path| (volume.number, path)).collect()
}

fn every_round_brings_all(names: &[&str], sample: u64) {
    let mut tally = Tally::default();
    for name in names {
        let truth: Arc<dyn Image> = Arc::new(MemoryImage::new(fixture::image(name)));
        let dense: Vec<std::ops::Range<u64>> = common::harness::Baseline::of(name, common::harness::Shape::Disk, false)
            .anatomy
            .pieces
            .iter()
            .map(|piece| piece.range.clone())
            .collect();
        let only = std::env::var("HANDBACK_SEED").ok().and_then(|word| word.parse().ok());
        for seed in 0..seeds(sample) {
            if only.is_some_and(|only: u64| only != seed) {
                continue;
            }
            let mut numbers = Numbers(seed.wrapping_mul(0x1_0001) ^ u64::from(name.as_bytes()[name.len() - 1]));
            let drive = Drive::new(Arc::clone(&truth), folders(name, &mut numbers));
            let holes = holes(&mut numbers, truth.length(), drive.sector(), &dense);
            one(&format!("{name}, seed {seed}"), &drive, &holes, &mut numbers, &mut tally);
        }
    }
    say(&format!(
        "{} runs; passes {:?}; {} bytes asked for of {} in holes, {} of them only possibly needed; {} ranges left out",
        tally.runs, tally.passes, tally.asked, tally.all, tally.possible, tally.dropped
    ));
    assert!(tally.dropped > 0 && tally.asked > 0, "something was asked for and left out");
}

fn one(name: &str, drive: &Drive, holes: &Holes, numbers: &mut Numbers, tally: &mut Tally) {
    let before = drive.faults(holes);
    let passes = drive.passes(holes);
    assert_eq!(drive.wanted(holes), passes.first, "{name}: the same answer twice");
    let rounds: String = passes.rounds.iter().map(u8::to_string).collect();
    let rounds = rounds.as_str();
    let after = drive.faults(&passes.left);
    assert!(after.is_empty(), "{name}: rounds {rounds} leave {after:#?}\nholes {holes:x?}\nasked {:x?}", passes.asked);
    if before.is_empty() {
        assert!(passes.asked.is_empty(), "{name}: all is whole, and {:x?} is wanted", passes.asked);
    }
    tally.runs += 1;
    *tally.passes.entry(rounds.to_string()).or_default() += 1;
    tally.all += total(holes);
    for range in &passes.asked {
        tally.asked += range.length;
        if !range.certain {
            tally.possible += range.length;
        }
    }
    // Leave any one of them out, a few of them by chance.
    let certain: Vec<_> = passes.asked.iter().filter(|range| range.certain).collect();
    // What is faulty anyway would hide it.
    for _ in 0..if drive.is_sound() { certain.len().min(3) } else { 0 } {
        let range = certain[numbers.below(certain.len() as u64) as usize];
        let left = with(&passes.left, range);
        assert!(
            !drive.faults(&left).is_empty(),
            "{name}: {range:x?} is not needed\nholes {holes:x?}\nrounds {rounds} {:x?}",
            passes.asked
        );
        tally.dropped += 1;
    }
}

/// Bytes that are wrong without a word, beside holes: no panic, no endless search, and only holes are asked for.
#[test]
fn any_volume_at_all_is_answered_soon() {
    use handback::sector_map::{Basis, SectorMap};
    use handback::source::{Damage, Source};
    use handback::survey::wanted::{Selection, wanted};
    let mut asked = 0;
    for name in
        ["ntfs-c512", "ntfs-mftfrag", "ntfs-attrlist", "fat12", "fat16-frag", "fat32-few", "exfat-c512", "exfat-odd"]
    {
        let image: Arc<dyn Image> = Arc::new(MemoryImage::new(fixture::image(name)));
        let dense: Vec<std::ops::Range<u64>> = common::harness::Baseline::of(name, common::harness::Shape::Disk, false)
            .anatomy
            .pieces
            .iter()
            .map(|piece| piece.range.clone())
            .collect();
        for seed in 0..seeds(12) {
            let mut numbers = Numbers(seed ^ 0xbad);
            let holes = holes(&mut numbers, image.length(), 512, &dense);
            let damage: Vec<Damage> = (0..numbers.below(30))
                .map(|_| {
                    let piece = &dense[numbers.below(dense.len() as u64) as usize];
                    let start = piece.start + numbers.below(piece.end - piece.start);
                    Damage::unmarked(start..start + 1 + numbers.below(8))
                })
                .collect();
            let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &holes).expect("in order");
            let source = Source::new(Arc::clone(&image), &map, 512).with_damage(&damage);
            let begun = std::time::Instant::now();
            let disk = handback::volumes::open(&source, Default::default()).expect("in memory");
            for filesystem in disk.volumes.iter().filter_map(|volume| volume.filesystem()) {
                let swept = filesystem.sweep(Default::default(), &handback::progress::Silent).expect("in memory");
                let catalog = &swept.catalog;
                let selection = Selection { filesystem, catalog, objects: vec![catalog.root()], lists: Vec::new() };
                let sector = disk.table.sector_size;
                let found = wanted(&disk.source, sector, &[selection], &handback::progress::Silent).expect("in memory");
                for range in found.metadata.ranges.iter().chain(&found.content.ranges) {
                    let (start, end) = (range.start, range.start + range.length);
                    let read = disk.source.map().count(start..end, ByteState::Read);
                    assert_eq!(read, 0, "{name}, seed {seed}: only holes are asked for: {range:?}");
                    asked += 1;
                }
            }
            let took = begun.elapsed();
            assert!(took < std::time::Duration::from_secs(10), "{name}, seed {seed}: {took:?}");
        }
    }
    assert!(asked > 100, "{asked} ranges");
}

#[test]
fn ntfs() {
    every_round_brings_all(
        &[
            "ntfs-c512",
            "ntfs-c4k",
            "ntfs-c64k",
            "ntfs-mftfrag",
            "ntfs-attrlist",
            "ntfs-rec4k",
            "ntfs-compressed",
            "ntfs-streams",
            "ntfs-wof-lzx",
            "ntfs-wof-xpress4k",
            "ntfs-valid",
            "ntfs-reparse",
            "ntfs-dirty",
        ],
        6,
    );
}

/// The table's own record and its mirror lie in holes, as a crashed head may leave them: the table is put together from
/// its records, and nothing is sure until the drive gives one of the two.
#[test]
fn ntfs_without_the_tables_own_record() {
    let mut tally = Tally::default();
    for name in ["ntfs-c512", "ntfs-c4k", "ntfs-c64k", "ntfs-mftfrag", "ntfs-attrlist", "ntfs-rec4k"] {
        let bytes = fixture::image(name);
        let boot = common::headless::Boot::of(&bytes);
        let truth: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
        let mut numbers = Numbers(boot.mft);
        let drive = Drive::new(truth, vec![(1, "/".to_string())]);
        for records in [1, 5, 40] {
            let mut own: Vec<_> = [(boot.mft, records * boot.record), (boot.mirror, boot.record)]
                .into_iter()
                .map(|(start, length)| Segment { range: start..start + length, state: ByteState::Unread })
                .collect();
            own.sort_by_key(|hole| hole.range.start);
            one(&format!("{name}, {records} records"), &drive, &own, &mut numbers, &mut tally);
        }
    }
    assert_eq!(tally.runs, 18);
    assert!(tally.dropped > 0, "something was asked for and left out");
}

#[test]
fn fat() {
    every_round_brings_all(
        &["fat12", "fat16", "fat32-few", "fat12-s1024", "fat16-s2048", "fat32-s4096", "fat16-frag", "fat16-stale"],
        6,
    );
}

#[test]
fn exfat() {
    every_round_brings_all(&["exfat-c512", "exfat-c4k", "exfat-c32k", "exfat-s4k", "exfat-odd"], 6);
}

#[test]
fn drives_with_a_table() {
    every_round_brings_all(&["mbr-primary", "mbr-logical", "gpt-128", "gpt-4k", "card"], 6);
}
