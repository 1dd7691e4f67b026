use std::io::{Read, Seek, SeekFrom, Write};
use std::sync::Arc;

use super::*;
use crate::image::failing_tests::FailingImage;
use crate::image::{Image, MemoryImage};
use crate::sector_map::{Basis, ByteState, SectorMap, Segment};

/// Time enough on the slowest machine: only a reader that is stuck runs out of it.
const BUDGET: Budget = Budget { reads: 10, time: Duration::from_secs(120) };
const HOLE: std::ops::Range<u64> = 8192..8704;

fn source() -> Source {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new((0..16_384).map(|at: u32| (at % 251) as u8).collect()));
    let map = SectorMap::from_ranges(
        image.length(),
        Basis::Full,
        ByteState::Read,
        &[Segment { range: HOLE, state: ByteState::Unread }],
    );
    Source::new(image, &map.unwrap(), 512)
}

/// Runs a session and gives what was heard.
fn hear<A: Send + 'static>(
    source: &Source,
    reader: impl FnOnce(&Desk<A>) + Send + 'static,
) -> (Result<Ended>, Vec<(usize, A)>, u64) {
    let (mut answers, mut steps) = (Vec::new(), 0);
    let ended = run(source, BUDGET, reader, &mut |heard| match heard {
        Heard::Answer(question, answer) => answers.push((question, answer)),
        Heard::Advanced(more) => steps += more,
    });
    (ended, answers, steps)
}

#[test]
fn each_question_has_a_budget_of_its_own() {
    let (ended, answers, steps) = hear(&source(), |desk| {
        let mut reader = desk.reader();
        for (question, reads) in [(0, 3), (1, 5)] {
            desk.begin(Some(question), Budget { reads, ..BUDGET });
            let mut count = 0_u64;
            // The same bytes again and again: what is kept counts, too.
            while reader.seek(SeekFrom::Start(0)).is_ok() && reader.read(&mut [0; 4]).is_ok() {
                count += 1;
            }
            desk.advance(count);
            desk.answer(question, (count, desk.is_over_budget()));
        }
    });
    assert_eq!(ended.unwrap(), Ended::Done);
    assert_eq!((answers, steps), (vec![(0, (3, true)), (1, (5, true))], 8));
}

#[test]
fn a_panic_costs_one_question_or_the_session_says_which() {
    let (ended, answers, _) = hear(&source(), |desk: &Desk<String>| {
        desk.begin(Some(0), BUDGET);
        desk.answer(0, desk.guarded(|| -> u8 { panic!("outside") }).unwrap_err());
        desk.begin(Some(1), BUDGET);
        panic!("for good");
    });
    assert_eq!(ended.unwrap(), Ended::Lost(Some(1), Failure::Panicked("for good".to_string())));
    assert_eq!(answers, [(0, "outside".to_string())]);
}

#[test]
fn a_reader_that_is_stuck_is_left_to_itself() {
    let (ended, answers, _) = hear(&source(), |desk: &Desk<u8>| {
        desk.begin(Some(4), Budget { time: Duration::from_millis(50), ..BUDGET });
        std::thread::sleep(Duration::from_secs(30));
    });
    assert_eq!(ended.unwrap(), Ended::Lost(Some(4), Failure::TimedOut));
    assert!(answers.is_empty());
}

#[test]
fn kept_bytes_are_the_same_bytes_and_end_at_holes() {
    let (ended, answers, _) = hear(&source(), |desk| {
        let mut reader = desk.reader();
        desk.begin(Some(0), Budget { reads: 100, ..BUDGET });
        let mut at = |offset: u64, length: usize| {
            let mut bytes = vec![0; length];
            reader.seek(SeekFrom::Start(offset)).unwrap();
            reader.read_exact(&mut bytes).ok().map(|()| bytes)
        };
        let right = |offset: u64, length: u64| (offset..offset + length).map(|at| (at % 251) as u8).collect::<Vec<_>>();
        // Inside a block, over the border of two, large, up to a hole and behind it.
        for (offset, length) in [(0, 4), (100, 300), (4090, 12), (1, 8000), (8180, 12), (8704, 100), (16_380, 4)] {
            assert_eq!(at(offset, length as usize), Some(right(offset, length)), "{offset}");
        }
        assert!(!desk.met_hole());
        assert_eq!(at(8190, 10), None);
        assert!(desk.met_hole());
        desk.begin(Some(1), BUDGET);
        assert!(!desk.met_hole(), "a new question");
        assert_eq!(at(8300, 1), None);
        assert_eq!(at(16_380, 5), None, "the end");
        desk.answer(1, desk.met_hole());
    });
    assert_eq!((ended.unwrap(), answers), (Ended::Done, vec![(1, true)]));
}

#[test]
fn small_reads_are_few_reads_of_the_image_and_writes_are_refused() {
    let image = Arc::new(FailingImage::new(vec![1; 65_536], u64::MAX));
    let source = Source::without_map(Arc::clone(&image) as Arc<dyn Image>);
    let (_, answers, _) = hear(&source, |desk| {
        let mut reader = desk.reader();
        desk.begin(Some(0), Budget { reads: 100_000, ..BUDGET });
        let mut bytes = Vec::new();
        while let Ok(1..) = reader.read(&mut [0; 2]).inspect(|_| bytes.push(0)) {}
        desk.answer(0, (bytes.len(), reader.write(&[1]).is_ok()));
    });
    assert_eq!(answers, [(0, (32_769, false))]);
    assert!(image.reads() <= 17, "{}", image.reads());
}

#[test]
fn a_failing_image_file_is_an_error_whatever_was_answered() {
    for fails_at in 0..4 {
        let image = Arc::new(FailingImage::new(vec![1; 65_536], fails_at));
        let (ended, ..) = hear(&Source::without_map(image), |desk| {
            let mut reader = desk.reader();
            desk.begin(Some(0), BUDGET);
            let read = (0..4).map(|_| reader.read(&mut [0; 8192])).filter(|read| read.is_ok()).count();
            desk.answer(0, read);
        });
        assert!(matches!(ended, Err(Error::ImageIo { .. })), "{fails_at}: {ended:?}");
    }
}

#[test]
fn a_reader_that_was_given_up_finds_no_more_bytes() {
    let (told, heard) = mpsc::channel();
    let (ended, ..) = hear(&source(), move |desk: &Desk<u8>| {
        let mut reader = desk.reader();
        desk.begin(Some(0), Budget { time: Duration::from_millis(10), ..BUDGET });
        while !desk.is_given_up() {
            std::thread::sleep(Duration::from_millis(10));
        }
        desk.begin(Some(1), BUDGET);
        told.send(reader.read(&mut [0; 4]).is_ok()).unwrap();
    });
    assert_eq!(ended.unwrap(), Ended::Lost(Some(0), Failure::TimedOut));
    assert_eq!(heard.recv_timeout(Duration::from_secs(120)), Ok(false));
}
