//! What to read again after a head crash: reading back exactly that brings chosen folders back, and on a drive with few
//! holes nothing of it can be left out.
//!
//! Truth: the source files, written through ntfs-3g. The drive is simulated: the image is hidden behind a map with holes.

use std::sync::Arc;

use handback::filesystem::NeededStructure;
use handback::image::{self, Image};
use handback::sector_map::{ByteState, Segment};
use handback::survey::wanted::Wanted;

use crate::common::Bench;
use crate::common::rounds::{Choice, Drive, Holes, total, with};
use crate::random::Random;
use crate::tree::{self, Amount, Truths};

const GIB: u64 = 1 << 30;
const SECTOR: u64 = 512;

/// The blocks of the image that hold anything are counted in these.
const BLOCK: u64 = 1 << 20;

/// Holes as a crashed head makes them: a few radial zones, in each of them one hole a track, from one sector to 256 KiB.
/// The zones lie in `blocks`, where anything was written, and the first one where the volume begins.
fn crash(random: &mut Random, count: u64, zones: u64, blocks: &[u64]) -> Holes {
    let used = blocks.len() as u64 * BLOCK;
    let below = |random: &mut Random, end: u64| random.next() % end.max(1);
    let mut ranges: Vec<(u64, u64)> = Vec::new();
    for zone in 0..zones {
        let share = used / zones;
        // Tracks of one zone are equally long.
        let track = share * zones / count.max(1);
        let start = if zone == 0 { 0 } else { zone * share + below(random, track) };
        for at in 0..count / zones {
            let size = SECTOR << below(random, 10);
            let jitter = below(random, (track / 8).max(1));
            let first = (start + at * track + jitter) / SECTOR * SECTOR;
            let block = blocks[usize::try_from(first / BLOCK).expect("few").min(blocks.len() - 1)];
            let start = block + first % BLOCK;
            ranges.push((start, (start + size).min(block + BLOCK)));
        }
    }
    ranges.sort_unstable();
    let mut holes: Holes = Vec::new();
    for (start, end) in ranges {
        let start = start.max(holes.last().map_or(0, |last| last.range.end + SECTOR));
        if start < end {
            let state = if below(random, 5) == 0 { ByteState::Unreached } else { ByteState::Unread };
            holes.push(Segment { range: start..end, state });
        }
    }
    holes
}

/// A volume of 2 GB with several thousand files, some of them in many pieces.
fn volume(bench: &Bench, random: &mut Random) -> (Arc<dyn Image>, Truths) {
    let path = bench.path("choir.img");
    let amount = Amount { files: 4000, largest: 150_000, odd: false };
    let truths = tree::ntfs_with(&path, 2 * GIB, &bench.path("mount"), |writer| {
        writer.fill(amount, random);
        let paths: Vec<String> = (0..40)
            .map(|at| format!("/Users/{}/in pieces {at}.bin", if at % 2 == 0 { "Anna" } else { "Benno" }))
            .collect();
        writer.in_pieces(&paths, 60, 9000, random);
    });
    let image = image::open(&[&path]).expect("just made");
    (image, truths)
}

fn drive(image: &Arc<dyn Image>, truths: &Truths) -> Drive {
    let choices: Vec<Choice> = ["/Users/Anna", "/Users/Benno"].map(|path| (1, path.to_string())).to_vec();
    let drive = Drive::new(Arc::clone(image), choices);
    // The measure is the truth.
    let hashes = drive.hashes();
    let chosen = |path: &&String| path.starts_with("/Users/Anna/") || path.starts_with("/Users/Benno/");
    let files: Vec<_> = truths.iter().filter(|(path, truth)| chosen(path) && truth.kind == "file").collect();
    assert!(files.len() > 500, "{} files are chosen", files.len());
    for (path, truth) in files {
        assert_eq!(hashes[path], truth.sha256, "{path}");
    }
    drive
}

/// Where anything was written: the first bytes of blocks that are not all zeros.
fn blocks(image: &Arc<dyn Image>) -> Vec<u64> {
    let mut buffer = vec![0; usize::try_from(BLOCK).expect("small")];
    let starts = (0..image.length() / BLOCK).map(|block| block * BLOCK);
    starts
        .filter(|start| {
            image.read_at(*start, &mut buffer).expect("the image can be read");
            buffer.iter().any(|byte| *byte != 0)
        })
        .collect()
}

/// How many passes it takes at the most: records, lists of the folders that these bring, content. Before them one for what
/// says where the records lie, only if both copies of that are in holes.
fn most_passes(first: &Wanted) -> usize {
    let asks = first.metadata.ranges.iter().any(|range| range.what.contains(NeededStructure::TableDescription));
    3 + usize::from(asks)
}

#[expect(clippy::print_stderr, reason = "the counts are what is asked for")]
fn say(text: &str) {
    eprintln!("{text}");
}

#[test]
fn two_folders_come_back_after_a_head_crash() {
    let mut random = Random::announced("wanted");
    let bench = Bench::new();
    let (image, truths) = volume(&bench, &mut random);
    let drive = drive(&image, &truths);
    let blocks = blocks(&image);

    let holes = crash(&mut random, 1000, 5, &blocks);
    let before = drive.faults(&holes).len();
    let passes = drive.passes(&holes);
    assert_eq!(drive.faults(&passes.left), Vec::<String>::new(), "passes {:?}", passes.rounds);
    let asked: u64 = passes.asked.iter().map(|range| range.length).sum();
    let unsure: u64 = passes.asked.iter().filter(|range| !range.certain).map(|range| range.length).sum();
    say(&format!(
        "{} holes of {} bytes among {} MiB that hold anything spoil {before} of {} chosen files and folders; passes {:?} ask \
         for {asked} bytes ({unsure} of them perhaps for nothing) in {} ranges: {:.1} times smaller than all holes; the \
         first answer: round 1 {} bytes, round 2 {} bytes",
        holes.len(),
        total(&holes),
        blocks.len(),
        drive.chosen(),
        passes.rounds,
        passes.asked.len(),
        total(&holes) as f64 / asked as f64,
        passes.first.metadata.bytes,
        passes.first.content.bytes,
    ));
    assert!(holes.len() > 900, "{} holes", holes.len());
    assert!(before > 20, "{before} are spoilt");
    let most = most_passes(&passes.first);
    assert!(passes.rounds.len() <= most, "{:?}, {most} at the most", passes.rounds);
    assert!(asked * 2 < total(&holes), "{asked} of {}", total(&holes));

    // Few holes, and each answer is needed.
    let mut dropped = 0;
    for _ in 0..3 {
        let holes = crash(&mut random, 50, 5, &blocks);
        let passes = drive.passes(&holes);
        assert_eq!(drive.faults(&passes.left), Vec::<String>::new(), "passes {:?}", passes.rounds);
        let certain: Vec<_> = passes.asked.iter().filter(|range| range.certain).collect();
        for range in &certain {
            let without = drive.faults(&with(&passes.left, range));
            assert!(!without.is_empty(), "{range:?} is not needed\n{holes:?}");
        }
        dropped += certain.len();
        say(&format!(
            "{} holes: passes {:?}, {} ranges, each of {} needed, {} bytes of {}",
            holes.len(),
            passes.rounds,
            passes.asked.len(),
            certain.len(),
            passes.asked.iter().map(|range| range.length).sum::<u64>(),
            total(&holes)
        ));
    }
    assert!(dropped > 10, "{dropped} ranges were left out");
}
