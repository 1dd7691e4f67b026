//! Checked helpers for on-disk fields. Every one answers `None` for a field that does not lie wholly inside `bytes`;
//! little-endian and big-endian readers differ by name, so a structure shows its byte order on every line.

/// The `length` bytes at `offset`, or `None` if they do not all exist.
pub(crate) fn slice(bytes: &[u8], offset: usize, length: usize) -> Option<&[u8]> {
    bytes.get(offset..offset.checked_add(length)?)
}

/// The `N` bytes at `offset` as an array.
pub(crate) fn array<const N: usize>(bytes: &[u8], offset: usize) -> Option<[u8; N]> {
    bytes.get(offset..)?.first_chunk().copied()
}

/// The byte at `offset`.
pub(crate) fn u8_at(bytes: &[u8], offset: usize) -> Option<u8> {
    bytes.get(offset).copied()
}

/// The little-endian 16-bit field at `offset`.
pub(crate) fn le_u16(bytes: &[u8], offset: usize) -> Option<u16> {
    array(bytes, offset).map(u16::from_le_bytes)
}

/// The little-endian 32-bit field at `offset`.
pub(crate) fn le_u32(bytes: &[u8], offset: usize) -> Option<u32> {
    array(bytes, offset).map(u32::from_le_bytes)
}

/// The little-endian 64-bit field at `offset`.
pub(crate) fn le_u64(bytes: &[u8], offset: usize) -> Option<u64> {
    array(bytes, offset).map(u64::from_le_bytes)
}

/// The big-endian 16-bit field at `offset`.
pub(crate) fn be_u16(bytes: &[u8], offset: usize) -> Option<u16> {
    array(bytes, offset).map(u16::from_be_bytes)
}

/// The big-endian 32-bit field at `offset`.
pub(crate) fn be_u32(bytes: &[u8], offset: usize) -> Option<u32> {
    array(bytes, offset).map(u32::from_be_bytes)
}

/// The big-endian 64-bit field at `offset`.
pub(crate) fn be_u64(bytes: &[u8], offset: usize) -> Option<u64> {
    array(bytes, offset).map(u64::from_be_bytes)
}

/// A length in memory as a 64-bit number (`usize` is never wider on the systems Rust's standard library supports).
pub(crate) fn to_u64(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}

/// A 64-bit number as a length in memory, `None` where it can't be one (32-bit systems).
pub(crate) fn to_usize(length: u64) -> Option<usize> {
    usize::try_from(length).ok()
}

/// `length`, at most `limit`, as a length in memory.
pub(crate) fn at_most(length: u64, limit: usize) -> usize {
    to_usize(length).map_or(limit, |length| length.min(limit))
}

/// `value` rounded down to a multiple of `unit`; `value` itself for a unit of 0.
pub(crate) fn round_down(value: u64, unit: u64) -> u64 {
    value.saturating_sub(value.checked_rem(unit).unwrap_or(0))
}

/// `value` rounded up to a multiple of `unit`, stopping at the largest number; `value` itself for a unit of 0.
pub(crate) fn round_up(value: u64, unit: u64) -> u64 {
    match value.checked_rem(unit) {
        None | Some(0) => value,
        Some(rest) => value.saturating_add(unit.saturating_sub(rest)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_that_sticks_out_does_not_exist() {
        let bytes = [1, 2, 3, 4, 5, 6, 7, 8, 9];
        assert_eq!(le_u16(&bytes, 7), Some(0x0908));
        assert_eq!(le_u16(&bytes, 8), None);
        assert_eq!(le_u64(&bytes, 1), Some(0x0908_0706_0504_0302));
        assert_eq!(le_u64(&bytes, 2), None);
        assert_eq!(le_u32(&bytes, usize::MAX), None);
        assert_eq!(be_u16(&bytes, 0), Some(0x0102));
        assert_eq!((be_u32(&bytes, 1), be_u32(&bytes, 6)), (Some(0x0203_0405), None));
        assert_eq!((be_u64(&bytes, 1), be_u64(&bytes, 2)), (Some(0x0203_0405_0607_0809), None));
        assert_eq!(slice(&bytes, 9, 0), Some(&[][..]));
        assert_eq!(slice(&bytes, 1, usize::MAX), None);
    }

    #[test]
    fn rounding_stops_at_the_borders() {
        assert_eq!(round_down(1023, 512), 512);
        assert_eq!(round_up(513, 512), 1024);
        assert_eq!(round_up(512, 512), 512);
        assert_eq!(round_up(u64::MAX, 512), u64::MAX);
        assert_eq!(round_up(5, 0), 5);
    }
}
