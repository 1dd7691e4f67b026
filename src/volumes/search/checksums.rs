//! Checksums of heads that are recognised and not read.

use crate::bytes::{le_u32, le_u64};

/// CRC-32C (Castagnoli), as Btrfs has it: reflected polynomial 82F63B78h, start and end inverted.
pub(super) fn crc32c(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = (crc >> 1) ^ (if crc & 1 == 1 { 0x82f6_3b78 } else { 0 });
        }
    }
    !crc
}

/// The CRC of LVM's label: CRC-32 that starts from F597A6CFh and is not inverted.
pub(super) fn lvm_crc(bytes: &[u8]) -> u32 {
    let mut crc = crc32fast::Hasher::new_with_initial(!0xf597_a6cf);
    crc.update(bytes);
    !crc.finalize()
}

/// The sum of a Linux RAID superblock of version 1: its words with the sum itself (D8h) as 0, the carry folded in.
pub(super) fn md_sum(bytes: &[u8]) -> Option<u32> {
    let (words, rest) = bytes.as_chunks::<4>();
    let own = u64::from(le_u32(bytes, 0xd8)?);
    let mut sum = words.iter().map(|word| u64::from(u32::from_le_bytes(*word))).fold(0, u64::wrapping_add);
    if let [low, high] = rest {
        sum = sum.wrapping_add(u64::from(u16::from_le_bytes([*low, *high])));
    }
    let sum = sum.wrapping_sub(own);
    u32::try_from((sum & 0xffff_ffff).wrapping_add(sum >> 32) & 0xffff_ffff).ok()
}

/// Fletcher's checksum with 64 bits over all but the first 8 bytes, as APFS objects have it (Apple File System
/// Reference, "Object checksum").
pub(super) fn fletcher64(bytes: &[u8]) -> Option<u64> {
    const MODULUS: u64 = 0xffff_ffff;
    le_u64(bytes, 0)?;
    let (words, _) = bytes.get(8..)?.as_chunks::<4>();
    let (mut low, mut high) = (0_u64, 0_u64);
    for word in words {
        low = low.wrapping_add(u64::from(u32::from_le_bytes(*word))).checked_rem(MODULUS)?;
        high = high.wrapping_add(low).checked_rem(MODULUS)?;
    }
    let first = MODULUS.wrapping_sub(low.wrapping_add(high).checked_rem(MODULUS)?);
    let second = MODULUS.wrapping_sub(low.wrapping_add(first).checked_rem(MODULUS)?);
    Some(second << 32 | first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_values() {
        // RFC 3720, B.4: 32 bytes of zeros, and the check value of "123456789".
        assert_eq!(crc32c(&[0; 32]), 0x8a91_36aa);
        assert_eq!(crc32c(b"123456789"), 0xe306_9283);
    }

    #[test]
    fn an_appended_fletcher_sum_brings_both_sums_to_zero() {
        let mut bytes = vec![0; 8];
        bytes.extend_from_slice(b"sopranos altos tenors and basses");
        let sum = fletcher64(&bytes).unwrap();
        bytes.extend_from_slice(&sum.to_le_bytes());
        // Both sums are 0, so what brings them to 0 is the modulus itself, twice.
        assert_eq!(fletcher64(&bytes), Some(u64::MAX));
        assert_eq!(fletcher64(&bytes[..7]), None);
    }
}
