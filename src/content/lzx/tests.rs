#![allow(clippy::arithmetic_side_effects, clippy::as_conversions, reason = "tests may panic")]

use super::*;
use proptest::prelude::*;

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.bytes().filter(|byte| !byte.is_ascii_whitespace()).collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
}

const X1: &str = "12 20 00 c2 00 00 00 00 02 00 02 20 fe 0f ff 96 f8 ff 00 00 00 00 00 00 00 00
    44 20 b5 11 ff bf ec ff 00 00 00 00 00 00 00 00 83 48 ff 5b ff ff 6e e8 00 5a";
const X2: &str = "12 20 00 c2 00 00 00 00 02 00 02 20 fe 0f ff 96 f8 ff 00 00 00 00 00 00 00 00
    44 20 b5 11 ff bf ec ff 00 00 00 00 00 00 00 00 83 48 ff 5b ff ff 6e e8 60 5a
    f0 01 01 00 00 00 01 00 00 00 01 00 00 00 80 81 82 83 84 85 86 87 88 89 8a 8b
    8c 8d 8e 8f 90 91 92 93 94 95 96 97 98 99 9a 9b 9c 9d 9e 00";
const X3: &str = "c4 21 00 00 00 00 00 00 33 22 33 00 cb 0e f1 a4 00 34 00 20 04 04 17 10 ff ff
    00 ac 00 00 00 00 80 00 08 08 37 82 46 fc ff 13 c0 ff 00 00 00 00 00 00 02 00
    1f 44 ff ff bd ff 55 23 db 6b 16 ee fa 0d 1b d2 da f3 5c 6f e6 f5 5b 4e 28 59
    db ab 95 1a 1d 73 3b 43 f2 a9 24 49 49 92 92 24 24 49 40 92";
const X4: &str = "0c 20 00 80 00 00 00 00 22 02 33 00 c8 09 31 65 8f 1b fe ff 30 e3 3a 78 91 4c
    00 00 00 00 01 00 80 19 86 19 ad 3b f9 c6 69 bc 67 38 fe ff 00 e0 00 00 00 00
    02 00 22 20 10 02 49 07 ff ff f0 ff 0f 5d 03 56 50 d3 a2 2d 9b 4a b6 40 7a 3f
    dc 22 ef 7d 4b 99 00 80";

fn calls() -> Vec<u8> {
    let mut plain = vec![0x2E; 200];
    for (at, bytes) in [
        (20, "e8 00010000"),
        (40, "e8 e2ffffff"),
        (60, "e8 c3ffffff"),
        (80, "e8 f61ab700"),
        (100, "e8 001bb700"),
        (120, "e8 00000001"),
        (189, "e8 05000000"),
    ] {
        plain[at..at + 5].copy_from_slice(&hex(bytes));
    }
    plain
}

/// The vectors X1–X4 of the reference values, 2.2: made for the project; 7-Zip decodes them too, in a WIM archive.
fn vectors() -> Vec<(&'static str, Vec<u8>, Vec<u8>)> {
    let abc = b"abc".repeat(100);
    let fox = b"The quick brown fox jumps over the lazy dog. ".iter().copied().cycle();
    vec![
        ("X1", hex(X1), abc.clone()),
        ("X2", hex(X2), [abc, (0x80..=0x9E).collect()].concat()),
        ("X3", hex(X3), fox.skip(32768).take(7232).collect()),
        ("X4", hex(X4), calls()),
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

#[derive(Debug, Clone, Copy)]
enum Item {
    Literal(u8),
    Match { distance: usize, length: u16 },
}

fn expand(plain: &mut Vec<u8>, items: &[Item]) {
    for item in items {
        match *item {
            Item::Literal(byte) => plain.push(byte),
            Item::Match { distance, length } => (0..length).for_each(|_| plain.push(plain[plain.len() - distance])),
        }
    }
}

/// An encoder whose codes are nearly flat, so that a symbol's code is a matter of adding.
struct Writer {
    bytes: Vec<u8>,
    bits: Vec<bool>,
    recent: [usize; 3],
    first: bool,
    aligned: bool,
}

impl Writer {
    fn new() -> Self {
        Self { bytes: Vec::new(), bits: Vec::new(), recent: [1; 3], first: true, aligned: false }
    }

    fn bits(&mut self, value: usize, width: u32) {
        self.bits.extend((0..width).rev().map(|bit| value.checked_shr(bit).unwrap_or(0) & 1 == 1));
    }

    fn header(&mut self, number: u16, length: usize) {
        self.bits(number.into(), 3);
        self.bits(usize::from(length == USUAL_BLOCK), 1);
        if length != USUAL_BLOCK {
            self.bits(length, 16);
        }
        self.aligned = number == ALIGNED;
        if self.aligned {
            // A code of 1 bit for 0, of 2 for 1, and so on.
            [1, 2, 3, 4, 5, 6, 7, 7].iter().for_each(|length| self.bits(*length, 3));
        }
    }

    /// The code lengths of a code for code lengths, by symbol.
    fn pre(&mut self, lengths: &[(usize, usize)]) {
        for symbol in 0..PRE_SYMBOLS {
            self.bits(lengths.iter().find(|(s, _)| *s == symbol).map_or(0, |(_, length)| *length), 4);
        }
    }

    /// Main code: 8 bits for the symbols 0–15, 9 for the others. Length code: 7 for 0–6, 8 for the others.
    fn codes(&mut self) {
        for (short, symbols, shorter) in [(16, 256, 0b10), (0, 240, 0b10), (7, 249, 0b11)] {
            if !self.first {
                self.pre(&[(0, 1), (1, 1)]);
                self.bits(0, symbols);
                continue;
            }
            // From 0 to 9 is 8 less, modulo 17; to 8, 9 less; to 7, 10 less.
            self.pre(&[(8, 1), (9, 2), (10, 2)]);
            (0..short).for_each(|_| self.bits(shorter, 2));
            for _ in short..symbols {
                if symbols == 249 { self.bits(0b10, 2) } else { self.bits(0, 1) }
            }
        }
        self.first = false;
    }

    fn block(&mut self, number: u16, items: &[Item]) {
        let mut plain = vec![0; MOST_BYTES];
        expand(&mut plain, items);
        self.header(number, plain.len() - MOST_BYTES);
        self.codes();
        items.iter().for_each(|item| self.item(*item));
    }

    fn main(&mut self, symbol: usize) {
        if symbol < 16 { self.bits(symbol, 8) } else { self.bits(symbol + 16, 9) }
    }

    fn item(&mut self, item: Item) {
        let Item::Match { distance, length } = item else {
            let Item::Literal(byte) = item else { unreachable!() };
            return self.main(byte.into());
        };
        let slot = self.recent.iter().position(|recent| *recent == distance);
        let length = usize::from(length) - 2;
        let far = SLOTS.iter().rposition(|(base, _)| usize::from(*base) <= distance + 2).unwrap();
        self.main(256 + slot.unwrap_or(far) * 8 + length.min(7));
        match length.checked_sub(7) {
            Some(more @ 0..7) => self.bits(more, 7),
            Some(more) => self.bits(more + 7, 8),
            None => {}
        }
        if let Some(slot) = slot {
            return self.recent.swap(0, slot);
        }
        let (added, extra) = (distance + 2 - usize::from(SLOTS[far].0), u32::from(SLOTS[far].1));
        if self.aligned && extra >= 3 {
            self.bits(added >> 3, extra - 3);
            let ones = added as u32 & 7;
            if ones == 7 { self.bits(0x7F, 7) } else { self.bits((2 << ones) - 2, ones + 1) }
        } else {
            self.bits(added, extra);
        }
        self.recent = [distance, self.recent[0], self.recent[1]];
    }

    fn units(&mut self) {
        self.bits.resize(self.bits.len().next_multiple_of(16), false);
        for unit in self.bits.drain(..).collect::<Vec<_>>().chunks(16) {
            let unit = unit.iter().fold(0_u16, |unit, bit| unit << 1 | u16::from(*bit));
            self.bytes.extend(unit.to_le_bytes());
        }
    }

    fn stored(&mut self, recent: [u32; 3], bytes: &[u8]) {
        self.header(UNCOMPRESSED, bytes.len());
        self.bits(0, 1);
        self.units();
        recent.iter().for_each(|distance| self.bytes.extend(distance.to_le_bytes()));
        self.bytes.extend(bytes);
        self.bytes.resize(self.bytes.len().next_multiple_of(2), 0);
        self.recent = recent.map(|distance| distance as usize);
    }

    fn end(mut self) -> Vec<u8> {
        self.units();
        self.bytes
    }
}

/// One block of a type.
fn block(number: u16, items: &[Item]) -> Vec<u8> {
    let mut writer = Writer::new();
    writer.block(number, items);
    writer.end()
}

mod faults;
mod sound;
