use std::io::{Read, Write};
use std::time::Duration;

use super::fence::{Budget, Failure, FencedReader};
use super::*;
use crate::error::Error;
use crate::image::MemoryImage;
use crate::image::failing_tests::FailingImage;
use crate::sector_map::{Basis, Segment};

fn image(length: usize) -> Arc<dyn Image> {
    Arc::new(MemoryImage::new((0..length).map(|n| u8::try_from(n % 251).unwrap()).collect()))
}

fn source(length: usize, ranges: &[(Range<u64>, ByteState)]) -> Source {
    let segments: Vec<Segment> =
        ranges.iter().map(|(range, state)| Segment { range: range.clone(), state: *state }).collect();
    let map = SectorMap::from_ranges(length as u64, Basis::Full, ByteState::Read, &segments).unwrap();
    Source::new(image(length), &map, 512)
}

#[test]
fn what_is_not_there_is_zeros_and_is_said() {
    let source = source(4096, &[(1024..1025, ByteState::Unread), (2048..3072, ByteState::Unreached)]);
    let mut buffer = vec![9; 4096];
    let reality = source.read_at(512, &mut buffer).unwrap();
    assert_eq!(
        reality.holes,
        [
            Hole { range: 1024..1536, why: Missing::Unread },
            Hole { range: 2048..3072, why: Missing::Unreached },
            Hole { range: 4096..4608, why: Missing::PastEnd },
        ]
    );
    assert!(!reality.unknown);
    for (index, byte) in buffer.iter().enumerate() {
        let offset = index + 512;
        let real = !(1024..1536).contains(&offset) && !(2048..3072).contains(&offset) && offset < 4096;
        assert_eq!(*byte, if real { (offset % 251) as u8 } else { 0 }, "byte {offset}");
    }
    assert_eq!(source.reality(512, 4096), reality);
    assert!(source.read_real(1000, 100).unwrap().is_none());
    assert_eq!(source.read_real(1536, 2).unwrap().unwrap(), (vec![30, 31], false));
}

#[test]
fn no_map_makes_everything_unknown() {
    let source = Source::without_map(image(1000));
    let reality = source.reality(0, 1000);
    assert!(reality.unknown && reality.is_all_there());
}

#[test]
fn what_nobody_vouches_for_is_unknown_all_the_way_down() {
    let source = source(4096, &[(512..1024, ByteState::Unread)]).unvouched().window(512, 1024);
    assert_eq!(source.reality(0, 1024).holes, [Hole { range: 0..512, why: Missing::Unread }]);
    assert!(source.reality(512, 512).unknown && source.read_at(600, &mut [0; 4]).unwrap().unknown);
    assert!(!source.reality(512, 0).unknown);
}

#[test]
fn a_window_may_reach_past_the_image() {
    let window = source(4096, &[]).window(2048, 4096);
    assert_eq!((window.length(), window.length_in_image(), window.image_offset(10)), (4096, 2048, 2058));
    assert_eq!(window.reality(2000, 100).holes, [Hole { range: 2048..2100, why: Missing::PastEnd }]);
    let inner = window.window(1024, 512);
    assert_eq!(inner.image_offset(0), 3072);
    assert_eq!(inner.reality(500, 100).holes, [Hole { range: 512..600, why: Missing::PastEnd }]);
    let far = window.window(0, u64::MAX);
    assert_eq!(far.reality(u64::MAX - 5, 10).holes.len(), 1);
}

#[test]
fn a_map_longer_than_the_image_makes_no_bytes() {
    let map = SectorMap::from_ranges(2048, Basis::Full, ByteState::Read, &[]).unwrap();
    let source = Source::new(image(1024), &map, 512).window(0, 4096);
    assert_eq!(
        source.reality(0, 4096).holes,
        [Hole { range: 1024..2048, why: Missing::Unreached }, Hole { range: 2048..4096, why: Missing::PastEnd }]
    );
    let shorter = SectorMap::from_ranges(512, Basis::Full, ByteState::Read, &[]).unwrap();
    let source = Source::new(image(1024), &shorter, 512);
    assert_eq!(source.reality(0, 1024).holes, [Hole { range: 512..1024, why: Missing::Unreached }]);
}

#[test]
fn simulated_damage_changes_every_byte_of_its_range_and_no_other() {
    let plain = source(4096, &[(0..512, ByteState::Unreached)]);
    let damaged = plain.with_damage(&[Damage::unmarked(1000..1500), Damage::unread(2048..2560)]);
    let window = damaged.window(512, 3584);
    let mut buffer = vec![0; 3584];
    let reality = window.read_at(0, &mut buffer).unwrap();
    assert_eq!(reality.holes, [Hole { range: 1536..2048, why: Missing::Unread }]);
    for (index, byte) in buffer.iter().enumerate() {
        let offset = index + 512;
        let original = (offset % 251) as u8;
        match offset {
            1000..1500 => assert_ne!(*byte, original),
            2048..2560 => assert_eq!(*byte, 0),
            _ => assert_eq!(*byte, original),
        }
    }
    assert_eq!(damaged.reality(0, 512).holes, [Hole { range: 0..512, why: Missing::Unreached }]);
}

/// Time enough on the slowest machine: only a reader that is stuck runs out of it.
const BUDGET: Budget = Budget { reads: 10, time: Duration::from_secs(120) };

#[test]
fn the_fence_holds() {
    let source = source(4096, &[(1024..1536, ByteState::Unread)]);
    assert_eq!(fence::run(&source, BUDGET, |_| 7).unwrap(), Ok(7));
    let panicked = fence::run(&source, BUDGET, |_| -> u8 { panic!("outside") }).unwrap();
    assert_eq!(panicked, Err(Failure::Panicked("outside".to_string())));
    let looped = fence::run(&source, BUDGET, |mut reader| {
        let mut count = 0;
        while reader.read(&mut [0; 1]).is_ok() {
            count += 1;
        }
        count
    })
    .unwrap();
    assert_eq!(looped, Ok(10));
    let short = Budget { time: Duration::from_millis(50), ..BUDGET };
    let stuck = fence::run(&source, short, |_| std::thread::sleep(Duration::from_secs(30))).unwrap();
    assert_eq!(stuck, Err(Failure::TimedOut));
    let written = fence::run(&source, BUDGET, |mut reader| reader.write(&[1]).is_ok()).unwrap();
    assert_eq!(written, Ok(false));
    let unread = fence::run(&source, BUDGET, |mut reader| reader.read_exact(&mut [0; 2000]).is_ok()).unwrap();
    assert_eq!(unread, Ok(false));
}

#[test]
fn a_failing_image_file_is_never_an_outside_readers_answer() {
    let made_of_it: [fn(FencedReader) -> u8; 3] = [
        // Its own refusal, a panic, and an answer for which it did without those bytes.
        |mut reader| u8::from(reader.read_exact(&mut [0; 16]).is_ok()),
        |mut reader| reader.read(&mut [0; 16]).map(|_| 0).unwrap(),
        |mut reader| {
            let first = reader.read(&mut [0; 16]).is_ok();
            assert!(reader.read(&mut [0; 16]).is_err(), "nothing is read after it");
            u8::from(first)
        },
    ];
    for reader in made_of_it {
        let source = Source::without_map(Arc::new(FailingImage::new(vec![0; 4096], 0)));
        let error = fence::run(&source, BUDGET, reader).unwrap_err();
        assert!(matches!(error, Error::ImageIo { offset: Some(0), .. }), "{error}");
    }
}
