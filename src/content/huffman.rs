//! Canonical prefix codes: the lengths of all codes say everything. Shorter codes come first, and codes of one length
//! come in the order of their symbols. (\[MS-XCA\] 2.2; LZX has the same rule.)

use super::bits::{Bits, UNIT_BITS};

/// The longest code of all that are decoded here, in bits (LZX's main code and length code).
const LONGEST: usize = 16;
/// All codes of 16 bits: what the lengths of a complete code add up to.
const CODE_SPACE: u32 = 1 << LONGEST;

/// Why a set of code lengths makes no code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CodeFault {
    /// No symbol has a code.
    Empty,
    /// Some bit sequences mean nothing.
    Incomplete,
    /// There are more codes than bit sequences for them.
    OverSubscribed,
}

/// A code of `SYMBOLS` symbols, at most 4,096. Codes of up to log₂ `TABLE` bits, at most 15, are decoded by one look
/// into a table of that size.
pub(super) struct Code<const SYMBOLS: usize, const TABLE: usize> {
    /// By the next bits of the input: the symbol and, in the low [`LENGTH_BITS`], the length of its code. 0 where the
    /// code is longer than the look.
    table: [u16; TABLE],
    /// The symbols that have a code, in the order of their codes.
    sorted: [u16; SYMBOLS],
    /// The codes of each length, from 1 up.
    rows: [Row; LONGEST],
}

/// Bits of a table entry that hold a code's length.
const LENGTH_BITS: u32 = 4;
const LENGTH_MASK: u16 = 0xF;

/// The codes of one length.
#[derive(Clone, Copy, Default)]
struct Row {
    /// The first of them, filled up to 16 bits with zeros.
    first: u32,
    /// What follows the last of them, filled up likewise.
    end: u32,
    /// Where their symbols start in [`Code::sorted`].
    start: usize,
    /// How many they are.
    count: usize,
}

impl<const SYMBOLS: usize, const TABLE: usize> Code<SYMBOLS, TABLE> {
    const LOOK_BITS: u32 = {
        assert!(TABLE.is_power_of_two() && TABLE.ilog2() <= 15 && SYMBOLS <= 4096);
        TABLE.ilog2()
    };

    /// A code without symbols.
    pub(super) fn new() -> Self {
        Self { table: [0; TABLE], sorted: [0; SYMBOLS], rows: [Row::default(); LONGEST] }
    }

    /// Takes on the code whose symbols have codes of `lengths` bits, 0 for a symbol without a code and 16 at most.
    ///
    /// # Errors
    /// When the codes don't fill the code space exactly. Nothing can be decoded then.
    pub(super) fn build(&mut self, lengths: &[u8; SYMBOLS]) -> Result<(), CodeFault> {
        self.rows = [Row::default(); LONGEST];
        self.table = [0; TABLE];
        for row in lengths.iter().filter_map(|&length| row_of(length)) {
            if let Some(row) = self.rows.get_mut(row) {
                row.count = row.count.saturating_add(1);
            }
        }
        let (mut code, mut start) = (0_u32, 0_usize);
        for (row, length) in self.rows.iter_mut().zip(1_u32..) {
            let size = u32::try_from(row.count).unwrap_or(u32::MAX);
            row.first = code;
            code = code.saturating_add(size.saturating_mul(CODE_SPACE.wrapping_shr(length)));
            (row.end, row.start) = (code, start);
            start = start.saturating_add(row.count);
        }
        if code != CODE_SPACE {
            self.rows = [Row::default(); LONGEST];
            return Err(match code {
                0 => CodeFault::Empty,
                1..CODE_SPACE => CodeFault::Incomplete,
                _ => CodeFault::OverSubscribed,
            });
        }
        let mut next = self.rows.map(|row| row.start);
        for (&length, symbol) in lengths.iter().zip(0_u16..) {
            if let Some(next) = row_of(length).and_then(|row| next.get_mut(row))
                && let Some(place) = self.sorted.get_mut(*next)
            {
                *place = symbol;
                *next = next.saturating_add(1);
            }
        }
        self.fill_table();
        Ok(())
    }

    /// Codes in rising order fill the table from its start on, each with all that can follow it.
    fn fill_table(&mut self) {
        let mut room = self.table.as_mut_slice();
        for (row, length) in self.rows.iter().zip(1..=Self::LOOK_BITS) {
            let span = TABLE.wrapping_shr(length);
            for symbol in self.sorted.iter().skip(row.start).take(row.count) {
                let Some((entries, rest)) = room.split_at_mut_checked(span) else { return };
                entries.fill((symbol << LENGTH_BITS) | u16::try_from(length).unwrap_or(0));
                room = rest;
            }
        }
    }

    /// The symbol whose code comes next; `None` in a code without symbols.
    #[inline]
    pub(super) fn decode(&self, bits: &mut Bits<'_>) -> Option<u16> {
        bits.fill();
        let next = bits.peek();
        let entry = *self.table.get(usize::from(next.wrapping_shr(UNIT_BITS.saturating_sub(Self::LOOK_BITS))))?;
        if entry == 0 {
            return self.decode_long(bits, u32::from(next));
        }
        bits.skip(u32::from(entry & LENGTH_MASK));
        Some(entry >> LENGTH_BITS)
    }

    fn decode_long(&self, bits: &mut Bits<'_>, next: u32) -> Option<u16> {
        let (row, length) = self.rows.iter().zip(1..).find(|(row, _)| next < row.end)?;
        let code = next.saturating_sub(row.first).wrapping_shr(UNIT_BITS.saturating_sub(length));
        bits.skip(length);
        self.sorted.get(row.start.saturating_add(usize::try_from(code).ok()?)).copied()
    }
}

/// Which of the rows holds the codes of `length` bits, if that is any.
fn row_of(length: u8) -> Option<usize> {
    usize::from(length).checked_sub(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 1951, 3.2.2: the symbols `ABCDEFGH` with lengths (3, 3, 3, 3, 3, 2, 4, 4) have the codes 010, 011, 100, 101,
    /// 110, 00, 1110, 1111.
    #[test]
    fn the_example_of_rfc_1951() {
        let mut code = Code::<8, 8>::new();
        code.build(&[3, 3, 3, 3, 3, 2, 4, 4]).unwrap();
        // 010 011 100 101 110 00 1110 1111 = 0100 1110 0101 1100 0111 0111 1(000…): little-endian units.
        let mut bits = Bits::new(&[0x5C, 0x4E, 0x80, 0x77], 0);
        let symbols: Vec<u16> = (0..8).map(|_| code.decode(&mut bits).unwrap()).collect();
        assert_eq!(symbols, [0, 1, 2, 3, 4, 5, 6, 7]);
        assert!(bits.rest_is_zero());
    }

    #[test]
    fn codes_of_sixteen_bits_and_of_one() {
        let mut code = Code::<17, 8>::new();
        let mut lengths = [0; 17];
        for (length, symbol) in lengths.iter_mut().zip(1..) {
            *length = symbol.min(16);
        }
        code.build(&lengths).unwrap();
        let mut bits = Bits::new(&[0xFF, 0xFF, 0xFE, 0xFF, 0x00, 0x00], 0);
        assert_eq!([16, 15, 0].map(Some), std::array::from_fn(|_| code.decode(&mut bits)));
    }

    #[test]
    fn only_complete_codes_are_codes() {
        let mut code = Code::<4, 8>::new();
        code.build(&[1, 2, 3, 3]).unwrap();
        for (lengths, fault) in [
            ([0, 0, 0, 0], CodeFault::Empty),
            ([0, 1, 0, 0], CodeFault::Incomplete),
            ([1, 2, 3, 4], CodeFault::Incomplete),
            ([1, 2, 2, 16], CodeFault::OverSubscribed),
            ([1, 1, 1, 1], CodeFault::OverSubscribed),
        ] {
            assert_eq!(code.build(&lengths), Err(fault), "{lengths:?}");
            assert_eq!(code.decode(&mut Bits::new(&[0xFF; 8], 0)), None, "{lengths:?}");
        }
    }
}
