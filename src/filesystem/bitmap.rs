//! Allocation bitmaps: one bit a cluster or record, and which of them were read.

use std::ops::Range;

use crate::bytes::{to_u64, to_usize};

/// Bits, lowest bit of the first byte first.
#[derive(Debug, Clone, Default)]
pub(crate) struct Bitmap {
    bytes: Vec<u8>,
    /// Ranges of bytes that were not read, in order.
    holes: Vec<Range<u64>>,
}

/// Bits of a range.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Bits {
    /// Read and set.
    pub(crate) set: u64,
    /// Not read, or past the bits that exist.
    pub(crate) unknown: u64,
}

impl Bitmap {
    /// A bitmap of these bytes, of which `holes` (ranges of bytes, in order) were not read.
    pub(crate) fn new(bytes: Vec<u8>, holes: Vec<Range<u64>>) -> Self {
        Self { bytes, holes }
    }

    /// Whether a bit is set; `None` if it was not read.
    pub(crate) fn get(&self, bit: u64) -> Option<bool> {
        let byte = bit >> 3;
        if self.in_hole(byte) {
            return None;
        }
        let bits = to_usize(byte).and_then(|byte| self.bytes.get(byte))?;
        Some(bits >> (bit & 7) & 1 == 1)
    }

    fn in_hole(&self, byte: u64) -> bool {
        let next = self.holes.partition_point(|hole| hole.end <= byte);
        self.holes.get(next).is_some_and(|hole| hole.contains(&byte))
    }

    /// Counts the bits of a range, whole bytes at a time.
    pub(crate) fn count(&self, bits: Range<u64>) -> Bits {
        let mut count = Bits::default();
        let known_end = to_u64(self.bytes.len()).saturating_mul(8).clamp(bits.start, bits.end.max(bits.start));
        count.unknown = bits.end.saturating_sub(known_end);
        let mut bit = bits.start;
        while bit < known_end {
            let byte = bit >> 3;
            let end = byte.saturating_add(1).saturating_mul(8).min(known_end);
            if self.in_hole(byte) {
                count.unknown = count.unknown.saturating_add(end.saturating_sub(bit));
            } else {
                let value = to_usize(byte).and_then(|byte| self.bytes.get(byte)).copied().unwrap_or(0);
                let first = u32::try_from(bit & 7).unwrap_or(0);
                let length = u32::try_from(end.saturating_sub(bit)).unwrap_or(8);
                let mask = 0xff_u8.checked_shr(8_u32.saturating_sub(length)).unwrap_or(0);
                let bits = value.checked_shr(first).unwrap_or(0) & mask;
                count.set = count.set.saturating_add(u64::from(bits.count_ones()));
            }
            bit = end;
        }
        count
    }

    /// How many bits of a range are set or not known to be clear.
    pub(crate) fn count_possible(&self, bits: Range<u64>) -> u64 {
        let Bits { set, unknown } = self.count(bits);
        set.saturating_add(unknown)
    }

    /// Whether a bit of the range was read and is not set.
    pub(crate) fn has_free(&self, bits: Range<u64>) -> bool {
        let length = bits.end.saturating_sub(bits.start);
        let Bits { set, unknown } = self.count(bits);
        set.saturating_add(unknown) < length
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn counting_equals_looking_at_each_bit(
            bytes in prop::collection::vec(any::<u8>(), 0..8), hole in 0..8_u64, width in 0..3_u64,
            start in 0..70_u64, length in 0..70_u64,
        ) {
            let holes = if width > 0 { vec![hole..hole + width] } else { Vec::new() };
            let bitmap = Bitmap::new(bytes, holes);
            let bits = start..start + length;
            let each: Vec<Option<bool>> = bits.clone().map(|bit| bitmap.get(bit)).collect();
            let count = |what| each.iter().filter(|bit| **bit == what).count() as u64;
            prop_assert_eq!(bitmap.count(bits.clone()), Bits { set: count(Some(true)), unknown: count(None) });
            prop_assert_eq!(bitmap.has_free(bits), each.contains(&Some(false)));
        }
    }
}
