//! Huffman codes as a DHT segment defines them (ITU-T T.81, annex C and F.2.2.3): codes of one length follow each other
//! in the order of their symbols, and all zeros is the first of them.

use super::bits::Bits;
use crate::content::formats::{Step, broken};

/// The longest code, in bits.
const LONGEST: usize = 16;

/// Codes of up to so many bits are decoded by one look into a table.
const LOOK: u32 = 9;

/// The codes of one length.
#[derive(Clone, Copy, Default)]
struct Row {
    /// What follows the last of them, filled up to 16 bits with zeros; no more than the row before has if there are none.
    end: u32,
    /// The first of them, filled up likewise.
    first: u32,
    /// Where its symbol stands.
    start: usize,
}

/// A Huffman code.
#[derive(Clone)]
pub(super) struct Code {
    /// By the next bits of the input: the symbol, and the length of its code in the low byte; 0 for what is longer.
    look: Vec<u16>,
    rows: [Row; LONGEST],
    symbols: Vec<u8>,
}

impl Code {
    /// The code with so many codes of each length, and these symbols; `None` if there are more codes than bit sequences.
    pub(super) fn new(counts: &[u8; LONGEST], symbols: &[u8]) -> Option<Self> {
        let mut rows = [Row::default(); LONGEST];
        let mut look = Vec::with_capacity(1 << LOOK);
        let (mut next, mut start) = (0_u32, 0_usize);
        for ((row, &count), length) in rows.iter_mut().zip(counts).zip(1_u32..) {
            let span = 1_u32 << 16_u32.saturating_sub(length);
            let end = next.saturating_add(u32::from(count).saturating_mul(span));
            if end > 1 << 16 {
                return None;
            }
            *row = Row { end, first: next, start };
            for symbol in symbols.iter().skip(start).take(usize::from(count)) {
                if length <= LOOK {
                    let entry = u16::from(*symbol) << 8 | u16::try_from(length).ok()?;
                    let copies = 1_usize << LOOK.saturating_sub(length);
                    look.resize(look.len().saturating_add(copies), entry);
                }
            }
            (next, start) = (end, start.saturating_add(usize::from(count)));
        }
        look.resize(1 << LOOK, 0);
        Some(Self { look, rows, symbols: symbols.to_vec() })
    }

    /// The symbol that zeros decode to.
    pub(super) fn of_zeros(&self) -> Option<u8> {
        self.symbols.first().copied()
    }

    /// The symbol whose code comes next.
    pub(super) fn decode(&self, bits: &mut Bits<'_, '_>) -> Step<u8> {
        bits.fill()?;
        let next = bits.peek();
        let place = usize::try_from(next >> 16_u32.saturating_sub(LOOK)).unwrap_or(0);
        let entry = self.look.get(place).copied().unwrap_or(0);
        if entry != 0 {
            bits.skip(u32::from(entry & 0xff))?;
            return Ok(u8::try_from(entry >> 8).unwrap_or(0));
        }
        let Some((row, length)) = self.rows.iter().zip(1_u32..).find(|(row, _)| next < row.end) else {
            // Bits past the end are zeros, so what is no code here is no code with other bits behind it either.
            return broken(bits.position(), "a code that its table does not have");
        };
        let number = next.saturating_sub(row.first) >> 16_u32.saturating_sub(length);
        let symbol = self.symbols.get(row.start.saturating_add(usize::try_from(number).unwrap_or(usize::MAX)));
        bits.skip(length)?;
        match symbol {
            Some(symbol) => Ok(*symbol),
            None => broken(bits.position(), "a code that its table does not have"),
        }
    }
}
