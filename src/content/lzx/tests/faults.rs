//! What does not decode, and why. 7-Zip refuses each of these too where it was tried, in a WIM archive; wimlib lets
//! padding, runs and what follows the end pass.

use super::*;

#[test]
fn every_truncation_is_an_error() {
    for (name, compressed, plain) in vectors() {
        // X2 may lack its padding byte.
        for length in 0..compressed.len() - usize::from(name == "X2") {
            assert_eq!(fault(&compressed[..length], plain.len()), ChunkFault::Truncated, "{name} cut to {length}");
        }
    }
}

#[test]
fn another_size_is_an_error() {
    for (name, compressed, plain) in vectors() {
        for size in (0..plain.len()).chain(plain.len() + 1..plain.len() + 100) {
            let fault = fault(&compressed, size);
            match size {
                0 => assert_eq!(fault, ChunkFault::NoEnd),
                _ if size < plain.len().min(300) => {
                    assert!(matches!(fault, ChunkFault::BlockTooLong { .. }), "{name} {size}: {fault:?}")
                }
                _ => {}
            }
        }
    }
    assert_eq!(fault(&hex(X1), MOST_BYTES + 1), ChunkFault::Size { most: MOST_BYTES });
    assert_eq!(decoded(&[], 0), Ok(vec![]));
}

#[test]
fn bytes_after_the_end_are_an_error() {
    for (name, compressed, plain) in vectors() {
        for more in [&[0][..], &[0, 0], &[0, 0, 0, 0], &[1, 2, 3]] {
            assert_eq!(fault(&[&compressed, more].concat(), plain.len()), ChunkFault::NoEnd, "{name}");
        }
    }
}

#[test]
fn bits_after_the_end_are_an_error() {
    // The lowest bit of the last unit.
    for (text, size) in [(X1, 300), (X4, 200)] {
        let mut compressed = hex(text);
        let at = compressed.len() - 2;
        compressed[at] ^= 1;
        assert_eq!(fault(&compressed, size), ChunkFault::NoEnd);
    }
}

#[test]
fn padding_is_zero() {
    let (_, compressed, plain) = &vectors()[1];
    let mut flipped = compressed.clone();
    *flipped.last_mut().unwrap() = 1;
    assert_eq!(fault(&flipped, plain.len()), ChunkFault::Padding);
    // The header of the stored block ends within the unit at 52.
    let mut flipped = compressed.clone();
    flipped[52] ^= 1;
    assert_eq!(fault(&flipped, plain.len()), ChunkFault::Padding);
}

#[test]
fn recent_distances_of_a_stored_block() {
    for (recent, wrong) in
        [([1, 0, 1], Some(0)), ([32769, 1, 1], Some(32769)), ([1, 1, u32::MAX], Some(u32::MAX)), ([32768; 3], None)]
    {
        let mut writer = Writer::new();
        writer.stored(recent, b"notes");
        let result = decoded(&writer.end(), 5).map_err(|error| error.fault);
        assert_eq!(
            result,
            wrong.map_or(Ok(b"notes".to_vec()), |distance| Err(ChunkFault::RecentDistance { distance }))
        );
    }
}

#[test]
fn block_types_and_sizes() {
    for number in [0, 4, 5, 6, 7] {
        let mut writer = Writer::new();
        writer.header(number, 10);
        writer.bits(0, 32);
        assert_eq!(fault(&writer.end(), 10), ChunkFault::BlockType { number });
    }
    for (length, size) in [(USUAL_BLOCK, 10), (11, 10), (USUAL_BLOCK, USUAL_BLOCK - 1)] {
        let mut writer = Writer::new();
        writer.header(VERBATIM, length);
        writer.bits(0, 32);
        assert_eq!(fault(&writer.end(), size), ChunkFault::BlockTooLong { length, left: size });
    }
}

#[test]
fn empty_blocks_without_end() {
    let mut writer = Writer::new();
    (0..50).for_each(|_| writer.stored([1; 3], b""));
    assert_eq!(fault(&writer.end(), 10), ChunkFault::Truncated);
}

#[test]
fn matches_out_of_bounds() {
    let far = [Item::Literal(7), Item::Match { distance: 2, length: 3 }];
    for number in [VERBATIM, ALIGNED] {
        assert_eq!(fault(&block(number, &far), 4), ChunkFault::MatchBeforeChunk { distance: 2, produced: 1 });
        let first = [Item::Match { distance: 1, length: 3 }];
        assert_eq!(fault(&block(number, &first), 3), ChunkFault::MatchBeforeChunk { distance: 1, produced: 0 });
    }
    // A match may not go on into the next block.
    let mut writer = Writer::new();
    writer.header(VERBATIM, 3);
    writer.codes();
    writer.item(Item::Literal(7));
    writer.item(Item::Match { distance: 1, length: 3 });
    writer.block(VERBATIM, &[Item::Literal(7)]);
    assert_eq!(fault(&writer.end(), 5), ChunkFault::MatchTooLong { length: 3, left: 2 });
}

/// A verbatim block of 10 bytes up to where the code lengths of the literals start, with a code for code lengths.
fn lengths_by(pre: &[(usize, usize)]) -> Writer {
    let mut writer = Writer::new();
    writer.header(VERBATIM, 10);
    writer.pre(pre);
    writer
}

fn code(name: &'static str, fault: CodeFault) -> ChunkFault {
    ChunkFault::Code { name, fault }
}

#[test]
fn codes_for_code_lengths() {
    let name = "code of code lengths";
    for (pre, fault_of_code) in [
        (&[][..], CodeFault::Empty),
        (&[(18, 1)], CodeFault::Incomplete),
        (&[(17, 1), (18, 1), (0, 15)], CodeFault::OverSubscribed),
    ] {
        let mut writer = lengths_by(pre);
        writer.bits(0, 32);
        assert_eq!(fault(&writer.end(), 10), code(name, fault_of_code));
    }
}

#[test]
fn runs_of_code_lengths() {
    // Five runs of 51 zeros leave one of 256 literals; then runs of 4 zeros, of 20, and of 4 equal lengths.
    for (pre, long, run, width) in [
        ([(17, 2), (18, 1), (19, 2)], 0b0_11111, 0b10_0000, 6),
        ([(17, 2), (18, 1), (19, 2)], 0b0_11111, 0b0_00000, 6),
        ([(18, 1), (0, 2), (19, 2)], 0b0_11111, 0b1_1010, 5),
    ] {
        let mut writer = lengths_by(&pre);
        (0..5).for_each(|_| writer.bits(long, 6));
        writer.bits(run, width);
        writer.bits(0, 32);
        assert_eq!(fault(&writer.end(), 10), ChunkFault::CodeLengths, "{run:b}");
    }
    // A run of equal lengths whose length is a run.
    for run in [17, 18] {
        let mut writer = lengths_by(&[(run, 1), (19, 1)]);
        writer.bits(0b100, 3);
        writer.bits(0, 512);
        assert_eq!(fault(&writer.end(), 10), ChunkFault::CodeLengths);
    }
}

/// Literals of 8 bits, no matches; the length code from symbols that are added.
fn with_length_code(main: bool, length_code: &[usize]) -> Writer {
    let mut writer = lengths_by(&[(9, 1), (17, 2), (18, 2)]);
    // Without the last literal, if the main code is to be incomplete.
    (0..if main { 256 } else { 252 }).for_each(|_| writer.bits(0, 1));
    if !main {
        writer.bits(0b10_0000, 6);
    }
    let zeros = |writer: &mut Writer, mut count: usize| {
        while count >= 4 {
            let run = if count >= 20 { count.min(51) } else { count.min(19) };
            let (symbol, width, least) = if run >= 20 { (1, 5, 20) } else { (0, 4, 4) };
            writer.bits(symbol, 1);
            writer.bits(run - least, width);
            count -= run;
        }
        assert_eq!(count, 0);
    };
    writer.pre(&[(17, 1), (18, 1)]);
    zeros(&mut writer, 240);
    match length_code {
        [] => {
            writer.pre(&[(17, 1), (18, 1)]);
            zeros(&mut writer, 249);
        }
        deltas => {
            writer.pre(&[(16, 1), (18, 2), (0, 2)]);
            for delta in deltas {
                if *delta == 16 { writer.bits(0, 1) } else { writer.bits(0b10, 2) }
            }
            // The code is in the order of symbols within a length: 0 is `10`, 18 is `11`.
            let left = 249 - deltas.len();
            let mut done = 0;
            while left - done >= 71 || left - done == 51 {
                writer.bits(0b11_11111, 7);
                done += 51;
            }
            writer.bits(0b11, 2);
            writer.bits((left - done).min(51) - 20, 5);
            (done + (left - done).min(51)..left).for_each(|_| writer.bits(0b10, 2));
        }
    }
    writer
}

#[test]
fn the_length_code_alone_may_be_empty() {
    let mut writer = with_length_code(true, &[]);
    b"choir life".iter().for_each(|byte| writer.bits((*byte).into(), 8));
    assert_eq!(decoded(&writer.end(), 10), Ok(b"choir life".to_vec()));
    let mut writer = with_length_code(false, &[]);
    writer.bits(0, 80);
    assert_eq!(fault(&writer.end(), 10), code("main code", CodeFault::Incomplete));
    // 16 less than 0 is a code of 1 bit.
    for (deltas, fault_of_code) in [(&[16][..], CodeFault::Incomplete), (&[16; 3], CodeFault::OverSubscribed)] {
        let mut writer = with_length_code(true, deltas);
        writer.bits(0, 80);
        assert_eq!(fault(&writer.end(), 10), code("length code", fault_of_code));
    }
    let mut writer = with_length_code(true, &[16, 16]);
    b"choir life".iter().for_each(|byte| writer.bits((*byte).into(), 8));
    assert_eq!(decoded(&writer.end(), 10), Ok(b"choir life".to_vec()));
}

#[test]
fn the_aligned_code_is_complete() {
    for (lengths, fault_of_code) in [
        ([0; 8], CodeFault::Empty),
        ([3, 3, 3, 3, 3, 3, 3, 4], CodeFault::Incomplete),
        ([2; 8], CodeFault::OverSubscribed),
    ] {
        let mut writer = Writer::new();
        writer.header(ALIGNED, 10);
        writer.bits.truncate(20);
        lengths.iter().for_each(|length| writer.bits(*length, 3));
        writer.bits(0, 32);
        assert_eq!(fault(&writer.end(), 10), code("aligned code", fault_of_code));
    }
}

#[test]
fn a_long_match_without_a_length_code() {
    // Main code: two symbols of 1 bit, the literal 65 and the match of slot 0 with a long length (263).
    let mut writer = lengths_by(&[(16, 2), (0, 1), (17, 2)]);
    let lengths = |writer: &mut Writer, symbols: usize, coded: Option<usize>| {
        for symbol in 0..symbols {
            if coded == Some(symbol) { writer.bits(0b10, 2) } else { writer.bits(0, 1) }
        }
    };
    lengths(&mut writer, 256, Some(65));
    for (symbols, coded) in [(240, Some(7)), (249, None)] {
        writer.pre(&[(16, 2), (0, 1), (17, 2)]);
        lengths(&mut writer, symbols, coded);
    }
    writer.bits(0b01, 2);
    writer.bits(0, 32);
    assert_eq!(fault(&writer.end(), 10), ChunkFault::NoSymbols);
}

#[test]
fn the_errors_say_what_and_where() {
    let text = decoded(&hex(X1)[..20], 300).unwrap_err().to_string();
    assert_eq!(text, "the chunk ends too early at 0x14 of its compressed bytes");
    let error = ChunkError { offset: 18, fault: code("main code", CodeFault::Incomplete) };
    assert_eq!(error.to_string(), "the main code is incomplete at 0x12 of its compressed bytes");
}
