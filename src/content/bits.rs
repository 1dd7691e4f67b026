//! Bits out of 16-bit little-endian units, the first of them on top: how XPRESS with Huffman codes and LZX store theirs.

/// Bits in one unit.
pub(super) const UNIT_BITS: u32 = 16;
const UNIT_BYTES: usize = 2;

/// A reader of bits, and of whole bytes between them. It never fails: past the input's end it reads zeros and counts
/// them, so that the check for a truncated input need not be in every read (see [`Bits::truncated`]).
pub(super) struct Bits<'a> {
    input: &'a [u8],
    /// The next unread byte of `input`.
    at: usize,
    /// The bits that were loaded and not used, the next of them on top; zeros below them.
    loaded: u32,
    /// How many those are, at most 31.
    count: u32,
    /// Bits loaded from past the input's end.
    made_up: u32,
}

impl<'a> Bits<'a> {
    /// Reads `input` from the byte `at` on.
    pub(super) fn new(input: &'a [u8], at: usize) -> Self {
        Self { input, at, loaded: 0, count: 0, made_up: 0 }
    }

    /// Loads one unit if fewer than 16 bits are left. Where in the input that happens matters to both formats, as
    /// both store whole bytes behind the units that the decoder has loaded by then.
    pub(super) fn fill(&mut self) {
        if self.count < UNIT_BITS {
            let unit = match self.next_bytes() {
                Some(unit) => u16::from_le_bytes(unit),
                None => {
                    self.made_up = self.made_up.saturating_add(UNIT_BITS);
                    0
                }
            };
            // `count` is under 16 here, so the shift is by 1 to 16.
            self.loaded |= u32::from(unit).wrapping_shl(UNIT_BITS.saturating_sub(self.count));
            self.count = self.count.saturating_add(UNIT_BITS);
        }
    }

    /// The next 16 bits; zeros for those that were not loaded.
    pub(super) fn peek(&self) -> u16 {
        u16::try_from(self.loaded >> UNIT_BITS).unwrap_or(0)
    }

    /// Goes past the next `bits` bits, at most 16, which the caller has loaded with [`Bits::fill`].
    pub(super) fn skip(&mut self, bits: u32) {
        self.loaded = self.loaded.wrapping_shl(bits);
        self.count = self.count.saturating_sub(bits);
    }

    /// The next `bits` bits as a number, at most 16.
    pub(super) fn take(&mut self, bits: u32) -> u16 {
        self.fill();
        let value = u32::from(self.peek()).wrapping_shr(UNIT_BITS.saturating_sub(bits));
        self.skip(bits);
        u16::try_from(value).unwrap_or(0)
    }

    /// The next `N` whole bytes, which stand behind the units loaded so far; `None` if the input ends before.
    pub(super) fn next_bytes<const N: usize>(&mut self) -> Option<[u8; N]> {
        let bytes = self.input.get(self.at..)?.first_chunk()?;
        self.at = self.at.saturating_add(N);
        Some(*bytes)
    }

    /// The next `length` whole bytes, as [`Bits::next_bytes`].
    pub(super) fn next_slice(&mut self, length: usize) -> Option<&'a [u8]> {
        let end = self.at.checked_add(length)?;
        let bytes = self.input.get(self.at..end)?;
        self.at = end;
        Some(bytes)
    }

    /// Goes to where whole bytes start: past the rest of the unit in use, or past a whole unit where none is in use.
    /// Answers whether only zeros were passed.
    #[must_use]
    pub(super) fn align(&mut self) -> bool {
        if self.count == 0 {
            self.fill();
        }
        // A unit behind the one in use was loaded early: it is whole bytes, if it is there at all.
        let early = self.count > UNIT_BITS;
        let in_use = if early { self.count.saturating_sub(UNIT_BITS) } else { self.count };
        if early && self.made_up == 0 {
            self.at = self.at.saturating_sub(UNIT_BYTES);
        }
        let passed = self.peek().wrapping_shr(UNIT_BITS.saturating_sub(in_use));
        (self.loaded, self.count) = (0, 0);
        passed == 0
    }

    /// Whether bits from past the input's end were loaded. XPRESS data holds every unit that its decoder loads.
    pub(super) fn loaded_past_end(&self) -> bool {
        self.made_up > 0
    }

    /// Whether bits from past the input's end were used.
    pub(super) fn truncated(&self) -> bool {
        self.made_up > self.count
    }

    /// Whether no byte of the input is left, and only zeros of the bits.
    pub(super) fn rest_is_zero(&self) -> bool {
        self.at == self.input.len() && self.loaded == 0
    }

    /// Whether a whole unit of the input was loaded and not used.
    pub(super) fn unit_unused(&self) -> bool {
        self.count.saturating_sub(self.made_up) >= UNIT_BITS
    }

    /// The next unread byte of the input. The bits in use may stand in the four bytes before it.
    pub(super) fn offset(&self) -> usize {
        self.at
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const INPUT: [u8; 8] = [0xCD, 0xAB, 0x01, 0x00, 0x34, 0x12, 0x99, 0x88];

    #[test]
    fn bits_come_from_the_top_of_each_unit() {
        let mut bits = Bits::new(&INPUT, 0);
        assert_eq!([4, 8, 0, 16, 4].map(|width| bits.take(width)), [0xA, 0xBC, 0, 0xD000, 1]);
        assert_eq!((bits.offset(), bits.count), (6, 16));
    }

    #[test]
    fn whole_bytes_stand_behind_the_loaded_units() {
        let mut bits = Bits::new(&INPUT, 0);
        bits.take(1);
        bits.fill();
        assert_eq!(bits.next_bytes(), Some([0x34]));
        assert_eq!(bits.take(15), 0x2BCD);
        assert_eq!(bits.take(16), 1);
        assert_eq!(bits.next_slice(3), Some(&INPUT[5..]));
        assert_eq!((bits.next_bytes::<1>(), bits.next_slice(1), bits.next_slice(usize::MAX)), (None, None, None));
    }

    #[test]
    fn aligning_goes_to_the_end_of_the_unit_in_use() {
        // (bits used, whether a unit more is loaded, next byte, whether zeros were passed)
        for (used, early, offset, zeros) in [
            (&[][..], false, 2, false),
            (&[1], false, 2, false),
            (&[1], true, 2, false),
            (&[16], false, 4, false),
            (&[16, 15], false, 4, false),
            (&[16, 1], true, 4, false),
            (&[16, 16], false, 6, false),
            (&[16, 16, 16, 8], false, 8, false),
        ] {
            let mut bits = Bits::new(&INPUT, 0);
            for &width in used {
                bits.take(width);
            }
            if early {
                bits.fill();
            }
            assert_eq!((bits.align(), bits.offset()), (zeros, offset), "{used:?} {early}");
            assert!(!bits.truncated());
        }
        let mut bits = Bits::new(&[0x00, 0x80, 0xFF, 0xFF], 0);
        bits.take(1);
        bits.fill();
        assert_eq!((bits.align(), bits.take(16)), (true, 0xFFFF), "a unit that was loaded early is not passed");
    }

    #[test]
    fn past_the_end_come_zeros_that_are_counted() {
        let mut bits = Bits::new(&INPUT[..3], 0);
        assert_eq!(bits.take(15), 0x55E6);
        assert!(!bits.rest_is_zero() && !bits.loaded_past_end());
        bits.fill();
        assert!(bits.loaded_past_end() && !bits.truncated(), "a lone byte is no unit");
        assert_eq!(bits.take(1), 1);
        assert!(!bits.truncated() && !bits.rest_is_zero());
        assert_eq!(bits.take(1), 0);
        assert!(bits.truncated());
    }

    #[test]
    fn what_is_left_at_the_end() {
        let mut bits = Bits::new(&[0x00, 0x80, 0x00, 0x00], 0);
        bits.take(1);
        assert!(!bits.rest_is_zero(), "two bytes");
        bits.fill();
        assert!(bits.rest_is_zero() && bits.unit_unused());
        bits.take(16);
        assert!(bits.rest_is_zero() && !bits.unit_unused());
    }
}
