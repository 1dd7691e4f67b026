#![allow(clippy::arithmetic_side_effects, clippy::as_conversions, reason = "tests may panic")]

use super::*;
use proptest::prelude::*;

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.bytes().filter(|byte| !byte.is_ascii_whitespace()).collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
}

/// [MS-XCA] 3.3, final NUL included; also in the protocol test suite's static data.
fn notes() -> Vec<u8> {
    hex("4623204623204720412041204720462320452044204420452046232046232045
         2045204623204623204720412041204720462320452044204420452046232045
         2044204420452045204623204420452046232047204623204420452046232047
         2046232045204420452041204623204623204720412041204720462320452044
         2044204520462320452044204400")
}

/// [MS-XCA] 3.3.
const L1: &str = "38b0 88462320 0020 472041 0010 a2 4701a045204400084501 507900c045200524 138805b4024a44ef
    0358028c09160148 4500be009e000401 189000";
/// Microsoft's protocol test suite for [MS-XCA]: another encoder's output for the same text.
const L2: &str = "3cb0884623200020472041 0010a24701a04520440008450150fd00104500080018000813880528
    0218df0110000c0246091601484500780014030004189000";
/// The documentation page of the crate `lznt1`.
const L3: &str = "0cb0 00 48656c6c6f20776f 00 726c64";
/// Made by rule; the same six bytes are what ntfs-3g writes for a run of `A`.
const L4: &str = "03b0 02 41 fc0f";
/// As written by ntfs-3g.
const L5: &str = "05b0 08 616263 fa2f";

fn stored() -> Vec<u8> {
    (0..4096_u32).map(|i| ((i * 7) >> 3) as u8).collect()
}

/// L1 and L2: [MS-XCA] 3.2 and Microsoft's protocol test suite; L3: the page of the crate `lznt1`; L4 and L5: as
/// ntfs-3g writes them; L6 and L7 follow from [MS-XCA] 2.5.
fn vectors() -> Vec<(&'static str, Vec<u8>, Vec<u8>)> {
    vec![
        ("L1", hex(L1), notes()),
        ("L2", hex(L2), notes()),
        ("L3", hex(L3), b"Hello world".to_vec()),
        ("L4", hex(L4), vec![b'A'; 4096]),
        ("L5", hex(L5), b"abc".iter().copied().cycle().take(4096).collect()),
        // Made by rule: a stored chunk.
        ("L6", [hex("ff3f"), stored()].concat(), stored()),
        // Made by rule: a short stored chunk, then the end marker.
        ("L7", hex("0230 78797a 0000"), b"xyz".to_vec()),
    ]
}

fn decoded(compressed: &[u8], limit: usize) -> (Vec<u8>, Result<(), Lznt1Error>) {
    let mut output = Vec::new();
    let result = decode(compressed, &mut output, limit);
    (output, result)
}

fn fault(compressed: &[u8], limit: usize) -> Lznt1Error {
    decoded(compressed, limit).1.unwrap_err()
}

#[test]
fn vectors_decode() {
    for (name, compressed, plain) in vectors() {
        assert_eq!(decoded(&compressed, 65536), (plain.clone(), Ok(())), "{name}");
        assert_eq!(decoded(&compressed, plain.len()), (plain, Ok(())), "{name} with the exact limit");
    }
}

#[test]
fn output_is_appended() {
    let mut output = b"before".to_vec();
    decode(&hex(L3), &mut output, 11).unwrap();
    assert_eq!(output, b"beforeHello world");
}

#[test]
fn every_truncation_ends_in_an_error_or_less() {
    for (name, compressed, plain) in vectors() {
        for length in 0..compressed.len() {
            let (output, result) = decoded(&compressed[..length], 65536);
            assert!(plain.starts_with(&output), "{name} cut to {length}");
            // Without its end marker, L7 is as good.
            if length == 0 || name == "L7" && length >= 5 {
                assert_eq!(result, Ok(()));
            } else {
                let error = result.unwrap_err();
                assert_eq!(
                    (error.fault, error.offset, error.good),
                    (Lznt1Fault::TruncatedChunk, 0, 0),
                    "{name} {length}"
                );
            }
        }
    }
}

#[test]
fn every_flipped_bit_stays_in_bounds() {
    let compressed = hex(L1);
    for bit in 0..compressed.len() * 8 {
        let mut flipped = compressed.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        for limit in [0, 100, 142, 65536] {
            let (output, result) = decoded(&flipped, limit);
            assert!(output.len() <= limit);
            if let Err(error) = result {
                assert!(error.good <= output.len() && error.offset <= flipped.len(), "bit {bit}: {error}");
            }
        }
    }
}

#[test]
fn bad_signature_bits() {
    for signature in [0x8000_u16, 0x9000, 0xA000, 0xC000, 0xF000, 0x2000, 0x0001] {
        let mut compressed = hex(L3);
        compressed[..2].copy_from_slice(&(signature | 0x00C).to_le_bytes());
        let error = fault(&compressed, 65536);
        assert_eq!((error.fault, error.offset), (Lznt1Fault::BadSignature { header: signature | 0x00C }, 0));
    }
}

#[test]
fn a_match_before_its_chunk() {
    let expected = Lznt1Fault::MatchBeforeChunk { distance: 1, produced: 0 };
    assert_eq!(fault(&hex("02b0 01 0000"), 65536), Lznt1Error { offset: 3, good: 0, fault: expected });
    // The chunk before is out of reach: L4, then a match as first item, and then one 2 back after one literal.
    assert_eq!(
        fault(&[hex(L4), hex("02b0 01 0000")].concat(), 65536),
        Lznt1Error { offset: 9, good: 4096, fault: expected }
    );
    let expected = Lznt1Fault::MatchBeforeChunk { distance: 2, produced: 1 };
    let compressed = [hex(L4), hex("03b0 02 42 0010")].concat();
    assert_eq!(fault(&compressed, 65536), Lznt1Error { offset: 10, good: 4096, fault: expected });
    let (output, _) = decoded(&compressed, 65536);
    assert_eq!(output.len(), 4097, "what was decoded before the error stays");
}

#[test]
fn a_chunk_of_more_than_4096_bytes() {
    // One literal and a match of 4,096.
    assert_eq!(
        fault(&hex("03b0 02 41 fd0f"), 65536),
        Lznt1Error { offset: 4, good: 0, fault: Lznt1Fault::ChunkTooLong }
    );
    // 4,096 bytes, then one literal.
    assert_eq!(fault(&hex("04b0 02 41 fc0f 42"), 65536).fault, Lznt1Fault::ChunkTooLong);
    // 4,096 bytes, then a group of eight literals.
    let compressed = hex("12b0 02 41 fc0f 4242 4242 4242 00 4242 4242 4242 4242");
    assert_eq!(fault(&compressed, 65536).fault, Lznt1Fault::ChunkTooLong);
}

#[test]
fn a_match_word_cut_by_its_chunk() {
    let error = fault(&hex("02b0 02 41 fc 0000"), 65536);
    assert_eq!(error, Lznt1Error { offset: 4, good: 0, fault: Lznt1Fault::TruncatedMatch });
}

#[test]
fn a_body_may_end_after_a_flag_byte() {
    assert_eq!(decoded(&hex("09b0 00 4142434445464748 ff"), 65536), (b"ABCDEFGH".to_vec(), Ok(())));
}

#[test]
fn a_short_chunk_must_be_the_last() {
    let compressed = [hex(L4), hex(L3), hex(L4)].concat();
    let error = fault(&compressed, 65536);
    assert_eq!(error, Lznt1Error { offset: 6, good: 4096, fault: Lznt1Fault::ShortChunk { produced: 11 } });
    assert_eq!(decoded(&[hex(L4), hex(L3), hex("0000"), hex(L4)].concat(), 65536).0.len(), 4107);
}

#[test]
fn the_limit_holds() {
    let two = [hex(L4), hex(L5)].concat();
    let (output, result) = decoded(&two, 4096);
    assert_eq!(result, Err(Lznt1Error { offset: 6, good: 4096, fault: Lznt1Fault::OverLimit }));
    assert_eq!(output, [b'A'; 4096]);
    let (output, result) = decoded(&two, 5000);
    assert_eq!(result, Err(Lznt1Error { offset: 6, good: 5000, fault: Lznt1Fault::OverLimit }));
    assert_eq!(output.len(), 5000);
    assert_eq!(decoded(&two, 0).0, b"");
}

#[test]
fn one_byte_left_over_is_no_chunk() {
    let one_left = |last| [hex(L4), vec![last]].concat();
    assert_eq!(decoded(&one_left(0), 65536).1, Ok(()));
    assert_eq!(decoded(&one_left(7), 4096).1, Ok(()));
    assert_eq!(fault(&one_left(7), 65536), Lznt1Error { offset: 6, good: 4096, fault: Lznt1Fault::TruncatedChunk });
}

/// [MS-XCA] 2.5.1.4: the split changes at 17, 33, …, not at 16, 32, ….
#[test]
fn the_split_of_match_words() {
    let rows =
        [(1, 16), (17, 32), (33, 64), (65, 128), (129, 256), (257, 512), (513, 1024), (1025, 2048), (2049, 4095)];
    for (row, (first, last)) in rows.into_iter().enumerate() {
        for produced in [first, last] {
            let largest = (16 << row, (0x1000 >> row) + 2);
            assert_eq!(split_match(produced, 0xFFFF), largest, "after {produced} bytes");
            assert_eq!(split_match(produced, 0), (1, 3));
        }
    }
}

/// Words of few letters, with stretches that don't compress: what both decoders get from the crate's encoder.
fn varied(seed: u32, length: usize) -> Vec<u8> {
    let mut state = seed | 1;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state
    };
    let words: Vec<u32> = (0..64).map(|_| next()).collect();
    let mut plain = Vec::new();
    while plain.len() < length {
        match next() % 40 {
            0 => plain.extend((0..600).map(|_| (next() >> 7) as u8)),
            1 => plain.extend(std::iter::repeat_n(b'-', (next() % 3000) as usize)),
            pick => {
                let word = words[(next() % (pick + 1)) as usize].to_le_bytes();
                plain.extend(&word[..(next() % 4 + 1) as usize]);
            }
        }
    }
    plain.truncate(length);
    plain
}

#[test]
fn agrees_with_another_decoder() {
    for (name, compressed, plain) in vectors() {
        let mut other = Vec::new();
        lznt1::decompress(&compressed, &mut other).unwrap();
        assert_eq!(other, plain, "{name}");
    }
    for length in [0, 1, 100, 4095, 4096, 4097, 60_000, 65536] {
        for seed in 1..20 {
            let plain = varied(seed, length);
            let mut compressed = Vec::new();
            lznt1::compress(&plain, &mut compressed);
            assert_eq!(decoded(&compressed, length), (plain, Ok(())), "seed {seed}, {length} bytes");
        }
    }
}

proptest! {
    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..600), limit in 0_usize..9000) {
        let (output, result) = decoded(&bytes, limit);
        prop_assert!(output.len() <= limit);
        if let Err(error) = result {
            prop_assert!(error.good <= output.len());
        }
    }

    /// Random bodies under a sound header reach the items far more often. The other decoder is laxer, never different.
    #[test]
    fn random_bodies_never_differ(body in prop::collection::vec(any::<u8>(), 1..4096)) {
        let header = 0xB000 | (body.len() as u16 - 1);
        let compressed = [header.to_le_bytes().to_vec(), body].concat();
        let (output, result) = decoded(&compressed, 65536);
        let mut other = Vec::new();
        let _ = lznt1::decompress(&compressed, &mut other);
        prop_assert!(other.starts_with(&output));
        if result.is_ok() {
            prop_assert_eq!(other, output);
        }
    }

    /// Damaged bodies of real chunks reach matches of every width.
    #[test]
    fn damaged_bodies_never_differ(
        seed in 1_u32..1000,
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
    ) {
        let mut compressed = Vec::new();
        lznt1::compress(&varied(seed, 4096), &mut compressed);
        for (index, byte) in damage {
            let at = 2 + index.index(compressed.len() - 2);
            compressed[at] = byte;
        }
        let (output, result) = decoded(&compressed, 65536);
        let mut other = Vec::new();
        let _ = lznt1::decompress(&compressed, &mut other);
        prop_assert!(other.starts_with(&output));
        prop_assert!(result.is_err() || other == output);
    }
}
