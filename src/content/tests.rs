use std::ops::Range;
use std::sync::Arc;

use super::*;
use crate::catalog::{Place, Run, Runs};
use crate::image::MemoryImage;
use crate::sector_map::{Basis, ByteState, SectorMap, Segment};

fn volume(bytes: Vec<u8>, unread: &[Range<u64>]) -> Source {
    let segments: Vec<Segment> =
        unread.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
    let map = SectorMap::from_ranges(bytes.len() as u64, Basis::Full, ByteState::Read, &segments).unwrap();
    Source::new(Arc::new(MemoryImage::new(bytes)), &map, 512)
}

fn runs(places: &[(u64, Place)], size: u64, valid_size: u64, encoding: Encoding) -> Extents {
    let mut start = 0;
    let mut runs = Vec::new();
    for (length, place) in places {
        runs.push(Run { start, length: *length, place: *place });
        start += length;
    }
    Extents::Runs(Runs { runs, size, valid_size, encoding })
}

fn read_all(volume: &Source, extents: &Extents) -> (Vec<u8>, Outcome) {
    let mut all = Vec::new();
    let outcome = read(volume, extents, &mut |piece| {
        assert!(!piece.is_empty() && piece.len() <= PIECE);
        all.extend_from_slice(piece);
        Ok(())
    })
    .unwrap();
    assert_eq!(outcome.length, all.len() as u64);
    (all, outcome)
}

fn noise(length: usize) -> Vec<u8> {
    let mut state = 7_u32;
    (0..length)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 24) as u8 | 1
        })
        .collect()
}

#[test]
fn pieces_come_in_order_with_holes_as_zeros() {
    let bytes = noise(3 << 20);
    let volume = volume(bytes.clone(), &[(1 << 20)..(1 << 20) + 512]);
    let places = [(4096, Place::At(8192)), (4096, Place::Zeros), (2 << 20, Place::At(1 << 19)), (4096, Place::Lost)];
    let size = 4096 + 4096 + (2 << 20) + 100;
    let (all, outcome) = read_all(&volume, &runs(&places, size, size, Encoding::Plain));
    let hole = 8192 + (1 << 19);
    assert_eq!(
        outcome.gaps,
        [
            Gap { range: hole..hole + 512, why: GapKind::Unread },
            Gap { range: size - 100..size, why: GapKind::Unplaced }
        ]
    );
    let mut expected = bytes[8192..12288].to_vec();
    expected.extend([0; 4096]);
    expected.extend(&bytes[1 << 19..(1 << 19) + (2 << 20)]);
    expected[hole as usize..hole as usize + 512].fill(0);
    expected.extend([0; 100]);
    assert!(all == expected);
}

#[test]
fn past_the_valid_size_are_zeros() {
    let bytes = noise(8192);
    let volume = volume(bytes.clone(), &[4096..8192]);
    let (all, outcome) = read_all(&volume, &runs(&[(8192, Place::At(0))], 8000, 1000, Encoding::Plain));
    assert_eq!(outcome.gaps, []);
    assert_eq!(all[..1000], bytes[..1000]);
    assert!(all[1000..].iter().all(|byte| *byte == 0) && all.len() == 8000);
}

#[test]
fn a_reader_that_gives_too_few_runs_leaves_a_gap() {
    let (all, outcome) =
        read_all(&volume(noise(8192), &[]), &runs(&[(512, Place::At(0))], 8192, 8192, Encoding::Plain));
    assert_eq!(all.len(), 8192);
    assert_eq!(outcome.gaps, [Gap { range: 512..8192, why: GapKind::Unplaced }]);
}

const UNIT: u64 = 65536;

/// One chunk of 4,096 times the letter `A`; the bytes are vector L4 of the LZNT1 tests.
const CHUNK: [u8; 6] = [0x03, 0xb0, 0x02, 0x41, 0xfc, 0x0f];

/// A volume with one compressed unit at 4096 in two clusters, the stream reaching into the second one.
fn compressed(unread: &[Range<u64>]) -> Source {
    let mut bytes = noise(1 << 17);
    let mut stream = Vec::new();
    // Ten chunks that do not compress much, then six that do.
    for _ in 0..2 {
        stream.extend([0xff, 0x3f]);
        stream.extend(noise(4096));
    }
    for _ in 2..16 {
        stream.extend(CHUNK);
    }
    stream.extend([0, 0]);
    bytes[4096..4096 + stream.len()].copy_from_slice(&stream);
    volume(bytes, unread)
}

fn compressed_file(size: u64) -> Extents {
    let places = [(12288, Place::At(4096)), (UNIT - 12288, Place::Zeros), (UNIT, Place::Zeros)];
    runs(&places, size, size, Encoding::Lznt1 { unit: UNIT })
}

fn plain_unit() -> Vec<u8> {
    let mut plain = noise(4096);
    plain.extend(noise(4096));
    plain.resize(65536, b'A');
    plain
}

#[test]
fn a_unit_decodes_and_a_unit_without_clusters_is_zeros() {
    let (all, outcome) = read_all(&compressed(&[]), &compressed_file(100_000));
    assert_eq!(outcome.gaps, []);
    assert!(all[..65536] == plain_unit() && all[65536..].iter().all(|byte| *byte == 0));
    let (all, _) = read_all(&compressed(&[]), &compressed_file(5000));
    assert!(all == plain_unit()[..5000]);
}

#[test]
fn a_hole_spoils_from_its_chunk_to_the_units_end() {
    // The second stored chunk lies at 4096 + 4098.
    let (all, outcome) = read_all(&compressed(&[8704..9216]), &compressed_file(100_000));
    assert_eq!(outcome.gaps, [Gap { range: 4096..65536, why: GapKind::Unread }]);
    assert!(all[..4096] == plain_unit()[..4096] && all[4096..].iter().all(|byte| *byte == 0));
    let (_, outcome) = read_all(&compressed(&[4096..4608]), &compressed_file(5000));
    assert_eq!(outcome.gaps, [Gap { range: 0..5000, why: GapKind::Unread }]);
}

#[test]
fn a_hole_after_the_stream_costs_nothing() {
    // The stream ends at 4096 + 2 * 4098 + 14 * 6 + 2 = 12378; the unit's clusters end at 16384.
    let (all, outcome) = read_all(&compressed(&[12800..16384]), &compressed_file(65536));
    assert_eq!(outcome.gaps, []);
    assert!(all == plain_unit());
}

#[test]
fn what_does_not_decode_is_a_gap() {
    let mut bytes = noise(1 << 17);
    bytes[4096..4098].copy_from_slice(&[0xff, 0x3f]);
    bytes[8194..8196].copy_from_slice(&[0x00, 0x10]);
    let (_, outcome) = read_all(&volume(bytes, &[]), &compressed_file(70_000));
    assert_eq!(outcome.gaps, [Gap { range: 4096..65536, why: GapKind::Undecodable }]);
    let absent_first = runs(
        &[(4096, Place::Zeros), (4096, Place::At(4096)), (UNIT - 8192, Place::Zeros)],
        100,
        100,
        Encoding::Lznt1 { unit: UNIT },
    );
    let (_, outcome) = read_all(&compressed(&[]), &absent_first);
    assert_eq!(outcome.gaps, [Gap { range: 0..100, why: GapKind::Undecodable }]);
}

#[test]
fn a_plain_unit_is_damaged_byte_by_byte_and_a_lost_piece_costs_its_unit() {
    let bytes = noise(1 << 18);
    let places = [(UNIT, Place::At(0)), (4096, Place::Lost), (UNIT - 4096, Place::Zeros), (UNIT, Place::At(UNIT))];
    let extents = runs(&places, 3 * UNIT, 3 * UNIT, Encoding::Lznt1 { unit: UNIT });
    let (all, outcome) = read_all(&volume(bytes.clone(), &[512..1024]), &extents);
    assert_eq!(
        outcome.gaps,
        [Gap { range: 512..1024, why: GapKind::Unread }, Gap { range: UNIT..2 * UNIT, why: GapKind::Unplaced }]
    );
    assert!(all[1024..65536] == bytes[1024..65536] && all[131_072..] == bytes[65536..131_072]);
}

#[test]
fn an_enormous_sparse_compressed_file_is_no_loop() {
    let places = [(1 << 40, Place::Zeros)];
    let extents = runs(&places, 1 << 40, 1 << 40, Encoding::Lznt1 { unit: UNIT });
    let mut seen = 0_u64;
    let stop = read(&volume(noise(512), &[]), &extents, &mut |piece| {
        seen += piece.len() as u64;
        if seen > 100 << 20 { Err(crate::Error::Usage("enough".into())) } else { Ok(()) }
    });
    assert!(stop.is_err() && seen < 102 << 20);
}

/// An image that counts how often it is asked.
struct Counting(MemoryImage, std::sync::atomic::AtomicU64);

impl crate::image::Image for Counting {
    fn length(&self) -> u64 {
        self.0.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        self.1.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        self.0.read_at(offset, buffer)
    }

    fn parts(&self) -> &[std::path::PathBuf] {
        &[]
    }

    fn modified(&self) -> Option<std::time::SystemTime> {
        None
    }

    fn check_unchanged(&self) -> Result<()> {
        Ok(())
    }
}

#[test]
fn a_sequential_file_is_read_in_large_pieces() {
    let image = Arc::new(Counting(MemoryImage::new(noise(8 << 20)), Default::default()));
    let map = SectorMap::from_ranges(8 << 20, Basis::Full, ByteState::Read, &[]).unwrap();
    let volume = Source::new(Arc::clone(&image) as Arc<dyn crate::image::Image>, &map, 512);
    let extents = runs(&[(8 << 20, Place::At(0))], 8 << 20, 8 << 20, Encoding::Plain);
    let (_, outcome) = read_all(&volume, &extents);
    assert_eq!(outcome.gaps, []);
    assert_eq!(image.1.load(std::sync::atomic::Ordering::Relaxed), 8);
}
