#![allow(clippy::arithmetic_side_effects, clippy::as_conversions, reason = "tests may panic")]

use super::*;
use crate::content::huffman::CodeFault;
use proptest::prelude::*;

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.bytes().filter(|byte| !byte.is_ascii_whitespace()).collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
}

/// A chunk from its code lengths, given where they aren't zeros, and what follows them.
fn chunk(lengths: &[(usize, &str)], rest: &str) -> Vec<u8> {
    let mut chunk = vec![0; LENGTHS_BYTES];
    for (at, bytes) in lengths {
        let bytes = hex(bytes);
        chunk[*at..*at + bytes.len()].copy_from_slice(&bytes);
    }
    chunk.extend(hex(rest));
    chunk
}

/// The vectors H1–H3 of the reference values, 1.4.
fn vectors() -> Vec<(&'static str, Vec<u8>, Vec<u8>)> {
    let alphabet: Vec<u8> = (b'a'..=b'z').collect();
    vec![
        (
            "H1: [MS-XCA] 3.2",
            chunk(&[(0x30, "5055555555555555555555454404"), (0x80, "04")], "d8523ed794115be9195ff9d67cdf8d04 00000000"),
            alphabet.clone(),
        ),
        (
            "H2: [MS-XCA] 3.2",
            chunk(&[(0x30, "3023"), (0x80, "02"), (0x8F, "20")], "a8dc0000ff2601"),
            b"abc".repeat(100),
        ),
        (
            "H3: Microsoft's protocol test suite for [MS-XCA]",
            chunk(
                &[(0x30, "5055555555555555555555554504"), (0x80, "04"), (0xA7, "40")],
                "544235b684cf3a65d75675c677be01df203a0000ff7365",
            ),
            alphabet.repeat(1000),
        ),
    ]
}

fn decoded(compressed: &[u8], size: usize) -> Result<Vec<u8>, ChunkError> {
    let mut output = b"before".to_vec();
    let result = decode(compressed, &mut output, size);
    let plain = output.split_off(6);
    assert_eq!(output, b"before");
    assert_eq!(plain.len(), if result.is_ok() { size } else { 0 });
    result.map(|()| plain)
}

fn fault(compressed: &[u8], size: usize) -> ChunkFault {
    let error = decoded(compressed, size).unwrap_err();
    assert!(error.offset <= compressed.len(), "{error}");
    error.fault
}

/// What a chunk is made of, and its encoder: all symbols have codes of 9 bits, so that a symbol is its own code.
#[derive(Debug, Clone, Copy)]
enum Item {
    Literal(u8),
    Match { distance: u16, length: u16 },
}

/// Writes units and bytes as [MS-XCA] 2.1 says: two units are kept free for bits, bytes go behind them.
struct Writer {
    bytes: Vec<u8>,
    free: [usize; 2],
    bits: Vec<bool>,
}

impl Writer {
    fn new() -> Self {
        let bytes = [vec![0x99; LENGTHS_BYTES], vec![0; 4]].concat();
        Self { bytes, free: [LENGTHS_BYTES, LENGTHS_BYTES + 2], bits: Vec::new() }
    }

    fn bits(&mut self, value: u16, width: u32) {
        self.bits.extend((0..width).rev().map(|bit| value >> bit & 1 == 1));
        if self.bits.len() > 16 {
            self.unit();
            self.free = [self.free[1], self.bytes.len()];
            self.bytes.extend([0, 0]);
        }
    }

    fn unit(&mut self) {
        let unit = (0..16).fold(0_u16, |unit, bit| unit << 1 | u16::from(self.bits.get(bit) == Some(&true)));
        self.bits.drain(..self.bits.len().min(16));
        self.bytes[self.free[0]..self.free[0] + 2].copy_from_slice(&unit.to_le_bytes());
    }

    fn item(&mut self, item: Item) {
        let Item::Match { distance, length } = item else {
            let Item::Literal(byte) = item else { unreachable!() };
            return self.bits(byte.into(), 9);
        };
        let (distance_bits, length) = (distance.ilog2(), length - 3);
        self.bits(256 + (distance_bits as u16) * 16 + length.min(15), 9);
        if length >= 15 {
            self.bytes.push((length - 15).min(255) as u8);
        }
        if length >= 270 {
            self.bytes.extend(length.to_le_bytes());
        }
        self.bits(distance & !(1 << distance_bits), distance_bits);
    }

    fn end(mut self) -> Vec<u8> {
        self.bits(END, 9);
        self.unit();
        self.bytes
    }
}

fn encoded(items: &[Item]) -> Vec<u8> {
    let mut writer = Writer::new();
    items.iter().for_each(|item| writer.item(*item));
    writer.end()
}

fn expanded(items: &[Item]) -> Vec<u8> {
    let mut plain = Vec::new();
    for item in items {
        match *item {
            Item::Literal(byte) => plain.push(byte),
            Item::Match { distance, length } => {
                (0..length).for_each(|_| plain.push(plain[plain.len() - usize::from(distance)]));
            }
        }
    }
    plain
}

#[test]
fn vectors_decode() {
    for (name, compressed, plain) in vectors() {
        assert_eq!(decoded(&compressed, plain.len()), Ok(plain), "{name}");
    }
}

#[test]
fn another_size_is_an_error() {
    for (_, compressed, plain) in vectors() {
        for size in (0..plain.len()).rev().take(300).chain(plain.len() + 1..plain.len() + 300) {
            fault(&compressed, size);
        }
    }
    // The end symbol is a match of 3 bytes where the chunk isn't over.
    assert_eq!(fault(&vectors()[0].1, 27), ChunkFault::MatchTooLong { length: 3, left: 1 });
    assert_eq!(fault(&vectors()[0].1, 25), ChunkFault::NoEnd);
    assert_eq!(fault(&vectors()[1].1, 299), ChunkFault::MatchTooLong { length: 297, left: 296 });
    assert_eq!(fault(&vectors()[0].1, MOST_BYTES + 1), ChunkFault::Size { most: MOST_BYTES });
}

#[test]
fn every_truncation_is_an_error() {
    for (name, compressed, plain) in vectors() {
        for length in 0..compressed.len() {
            assert_eq!(fault(&compressed[..length], plain.len()), ChunkFault::Truncated, "{name} cut to {length}");
        }
    }
}

#[test]
fn bytes_after_the_end_are_an_error() {
    for (name, compressed, plain) in vectors() {
        for more in [&[0][..], &[0, 0], &[1, 2, 3]] {
            assert_eq!(fault(&[&compressed, more].concat(), plain.len()), ChunkFault::NoEnd, "{name}");
        }
    }
}

/// Every bit behind the end symbol counts: in H1 and H2 those of the two last units.
#[test]
fn bits_after_the_end_are_an_error() {
    let (_, compressed, plain) = &vectors()[0];
    for at in compressed.len() - 4..compressed.len() {
        let mut flipped = compressed.clone();
        flipped[at] ^= 0x10;
        assert_eq!(fault(&flipped, plain.len()), ChunkFault::NoEnd);
    }
}

#[test]
fn every_flipped_bit_stays_in_bounds() {
    let mut noticed = 0;
    for (_, compressed, plain) in vectors() {
        for bit in 0..compressed.len() * 8 {
            let mut flipped = compressed.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            let result = decoded(&flipped, plain.len());
            if bit < LENGTHS_BYTES * 8 {
                assert!(matches!(result.unwrap_err().fault, ChunkFault::Code { .. }), "bit {bit}");
            } else {
                noticed += usize::from(result.is_err());
            }
        }
    }
    // Of 400 flips behind the code lengths; the others give other bytes.
    assert!(noticed >= 182, "{noticed}");
}

#[test]
fn only_complete_codes_are_codes() {
    let code = |fault| ChunkFault::Code { name: "code", fault };
    let body = "0000000000000000";
    assert_eq!(fault(&chunk(&[], body), 100), code(CodeFault::Empty));
    assert_eq!(fault(&chunk(&[(0x20, "01")], body), 100), code(CodeFault::Incomplete));
    assert_eq!(fault(&chunk(&[(0x20, "22"), (0x80, "02")], body), 100), code(CodeFault::Incomplete));
    assert_eq!(fault(&chunk(&[(0x20, "11"), (0x80, "0f")], body), 100), code(CodeFault::OverSubscribed));
    // One bit each for `A` and the end: `AAA`, then the end.
    assert_eq!(decoded(&chunk(&[(0x20, "10"), (0x80, "01")], "00100000"), 3), Ok(b"AAA".to_vec()));
}

#[test]
fn a_match_before_the_chunk() {
    for (items, distance, produced) in [
        (vec![Item::Match { distance: 1, length: 3 }], 1, 0),
        (vec![Item::Literal(7), Item::Match { distance: 2, length: 3 }], 2, 1),
        (vec![Item::Literal(7), Item::Match { distance: 65535, length: 300 }], 65535, 1),
    ] {
        assert_eq!(fault(&encoded(&items), 1000), ChunkFault::MatchBeforeChunk { distance, produced });
    }
}

#[test]
fn a_match_after_the_chunk() {
    let compressed = encoded(&[Item::Literal(7), Item::Match { distance: 1, length: 99 }]);
    assert_eq!(decoded(&compressed, 100), Ok(vec![7; 100]));
    assert_eq!(fault(&compressed, 99), ChunkFault::MatchTooLong { length: 99, left: 98 });
    assert_eq!(fault(&compressed, 1), ChunkFault::NoEnd);
}

#[test]
fn match_lengths_of_every_form() {
    for length in [3, 17, 18, 19, 272, 273, 274, 1000, 65534] {
        let items = [Item::Literal(7), Item::Literal(8), Item::Match { distance: 2, length }];
        assert_eq!(decoded(&encoded(&items), usize::from(length) + 2), Ok(expanded(&items)), "{length}");
    }
    let mut compressed = encoded(&[Item::Literal(7), Item::Match { distance: 1, length: 1000 }]);
    let at = compressed.windows(3).position(|bytes| bytes == [0xFF, 0xE5, 0x03]).unwrap();
    // 15 could be a byte, yet is a length; less would have no byte at all.
    compressed[at + 1..at + 3].copy_from_slice(&[15, 0]);
    assert_eq!(decoded(&compressed, 19), Ok(vec![7; 19]));
    compressed[at + 1] = 14;
    assert_eq!(fault(&compressed, 18), ChunkFault::MatchLength { field: 14 });
}

#[test]
fn the_whole_of_65536_bytes() {
    let items = [Item::Literal(7), Item::Match { distance: 1, length: 65534 }, Item::Literal(8)];
    assert_eq!(decoded(&encoded(&items), MOST_BYTES), Ok(expanded(&items)));
}

/// Items whose matches lie within what is there before them.
fn items() -> impl Strategy<Value = Vec<Item>> {
    let draws = prop::collection::vec((any::<u8>(), any::<prop::sample::Index>(), 3_u16..400), 0..300);
    draws.prop_map(|draws| {
        let mut produced = 0_usize;
        let mut items = Vec::new();
        for (byte, index, length) in draws {
            let item = if produced == 0 || byte < 128 {
                Item::Literal(byte)
            } else {
                // Near and far ones, long ones seldom.
                let reach = if byte < 192 { produced.min(20) } else { produced };
                let length = if byte % 4 == 0 { length } else { 3 + length % 18 };
                Item::Match { distance: index.index(reach) as u16 + 1, length }
            };
            produced += if let Item::Match { length, .. } = item { usize::from(length) } else { 1 };
            items.push(item);
        }
        items
    })
}

proptest! {
    #[test]
    fn what_was_encoded_is_decoded(items in items()) {
        let plain = expanded(&items);
        prop_assert_eq!(decoded(&encoded(&items), plain.len()), Ok(plain));
    }

    #[test]
    fn damaged_chunks_never_panic(
        items in items(),
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
    ) {
        let mut compressed = encoded(&items);
        for (index, byte) in damage {
            let at = LENGTHS_BYTES + index.index(compressed.len() - LENGTHS_BYTES);
            compressed[at] = byte;
        }
        let _ = decoded(&compressed, expanded(&items).len());
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..600), size in 0_usize..70_000) {
        let _ = decoded(&bytes, size);
    }

    /// Under a sound code, random bytes reach matches of every form.
    #[test]
    fn random_bodies_never_panic(body in prop::collection::vec(any::<u8>(), 0..4096), size in 0_usize..16_384) {
        let _ = decoded(&[vec![0x99; LENGTHS_BYTES], body].concat(), size);
    }
}
