//! The check words of sound and mail: CRCs that no crate of ours has.

/// A table for a CRC that goes from the highest bit to the lowest, as wide as `width` bits of 32.
const fn table(polynomial: u32, width: u32) -> [u32; 256] {
    let mut table = [0; 256];
    let top = 1 << 31;
    let polynomial = polynomial << 32_u32.saturating_sub(width);
    let mut byte = 0_u32;
    let mut rest: &mut [u32] = &mut table;
    while let Some((slot, others)) = rest.split_first_mut() {
        let mut value = byte << 24;
        let mut bit = 0_u32;
        while bit < 8 {
            value = if value & top == 0 { value << 1 } else { (value << 1) ^ polynomial };
            bit = bit.saturating_add(1);
        }
        *slot = value;
        byte = byte.saturating_add(1);
        rest = others;
    }
    table
}

/// A CRC from the highest bit down, kept in the top bits of a word.
#[derive(Debug, Clone, Copy)]
pub(super) struct Crc {
    table: &'static [u32; 256],
    width: u32,
    value: u32,
}

/// Polynomial 07h: headers of FLAC frames (RFC 9639, 9.1.8).
static EIGHT: [u32; 256] = table(0x07, 8);
/// Polynomial 8005h: FLAC frames (RFC 9639, 9.3), MPEG audio (ISO/IEC 11172-3, 2.4.3.1).
static SIXTEEN: [u32; 256] = table(0x8005, 16);
/// Polynomial 04C11DB7h, from the highest bit: Ogg pages (RFC 3533, 6).
static THIRTY_TWO: [u32; 256] = table(0x04c1_1db7, 32);

impl Crc {
    pub(super) fn eight() -> Self {
        Self { table: &EIGHT, width: 8, value: 0 }
    }

    pub(super) fn sixteen(start: u16) -> Self {
        Self { table: &SIXTEEN, width: 16, value: u32::from(start) << 16 }
    }

    pub(super) fn thirty_two() -> Self {
        Self { table: &THIRTY_TWO, width: 32, value: 0 }
    }

    pub(super) fn add(&mut self, bytes: &[u8]) {
        for byte in bytes {
            let [high, ..] = self.value.to_be_bytes();
            let entry = self.table.get(usize::from(high ^ byte)).copied().unwrap_or_default();
            self.value = (self.value << 8) ^ entry;
        }
    }

    pub(super) fn of(mut self, bytes: &[u8]) -> u32 {
        self.add(bytes);
        self.value()
    }

    pub(super) fn value(self) -> u32 {
        self.value.checked_shr(32_u32.saturating_sub(self.width)).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values of `123456789` from the public catalogue of CRC algorithms: CRC-8/SMBUS, CRC-16/UMTS, CRC-16/CMS.
    #[test]
    fn published_check_values() {
        assert_eq!(Crc::eight().of(b"123456789"), 0xf4);
        assert_eq!(Crc::sixteen(0).of(b"123456789"), 0xfee8);
        assert_eq!(Crc::sixteen(0xffff).of(b"123456789"), 0xaee7);
        // CRC-32/CKSUM without its final inversion.
        assert_eq!(!Crc::thirty_two().of(b"123456789"), 0x765e_7680);
    }
}
