//! The checksums of exFAT: "rotate right by one, add a byte", on unsigned numbers that wrap.

/// Boot checksum (exFAT specification, 3.4): over the first 11 sectors of a boot region, without VolumeFlags and
/// PercentInUse, which change while the volume is in use.
pub(super) fn boot_checksum(sectors: &[u8]) -> u32 {
    let skipped = |index: &usize| matches!(index, 106 | 107 | 112);
    let kept = sectors.iter().enumerate().filter(|(index, _)| !skipped(index));
    kept.fold(0, |sum, (_, byte)| step_32(sum, *byte))
}

/// Checksum of a table as stored (exFAT specification, 7.2.2).
pub(super) fn table_checksum(bytes: &[u8]) -> u32 {
    bytes.iter().fold(0, |sum, byte| step_32(sum, *byte))
}

fn step_32(sum: u32, byte: u8) -> u32 {
    sum.rotate_right(1).wrapping_add(u32::from(byte))
}

/// Checksum of an entry set (exFAT specification, 6.3.3): over all its entries, without the field that holds it.
pub(super) fn set_checksum<'a>(entries: impl IntoIterator<Item = &'a [u8; 32]>) -> u16 {
    let bytes = entries.into_iter().flatten().enumerate();
    bytes.filter(|(index, _)| !matches!(index, 2 | 3)).fold(0, |sum, (_, byte)| step_16(sum, *byte))
}

/// Hash of an up-cased name (exFAT specification, 7.6.4).
pub(super) fn name_hash(units: impl IntoIterator<Item = u16>) -> u16 {
    units.into_iter().flat_map(u16::to_le_bytes).fold(0, step_16)
}

fn step_16(sum: u16, byte: u8) -> u16 {
    sum.rotate_right(1).wrapping_add(u16::from(byte))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// An entry set that `fsck.exfat` (exfatprogs 1.2.0) calls clean: `Reference.txt`, archive, 2009-03-14 15:09:26
    /// UTC, first cluster 6, 5,000 bytes of which 3,000 are valid, no FAT chain.
    pub(crate) const REFERENCE: [[u8; 32]; 3] = [
        *b"\x85\x02\x02\x41\x20\0\0\0\x2d\x79\x6e\x3a\x2d\x79\x6e\x3a\x2d\x79\x6e\x3a\0\0\x80\x80\x80\0\0\0\0\0\0\0",
        *b"\xc0\x03\0\x0d\x46\xad\0\0\xb8\x0b\0\0\0\0\0\0\0\0\0\0\x06\0\0\0\x88\x13\0\0\0\0\0\0",
        *b"\xc1\0R\0e\0f\0e\0r\0e\0n\0c\0e\0.\0t\0x\0t\0\0\0\0\0",
    ];

    /// Outside source: computed apart from this library, the table's also as in the specification, 7.2.5.1.
    #[test]
    fn reference_values() {
        for (sector, sum) in [(512, 0xfffb_ac1b), (4096, 0xfffc_e01b)] {
            let bytes: Vec<u8> = (0..11 * sector).map(|index: usize| index as u8).collect();
            assert_eq!(boot_checksum(&bytes), sum);
        }
        let bytes: Vec<u8> = (0..11 * 512).map(|index: usize| index as u8).collect();
        assert_eq!(table_checksum(&bytes), 0x0000_2c00);
        assert_eq!(set_checksum(&REFERENCE), 0x4102);
        for (up_cased, hash) in [
            ("A", 0x8020),
            ("REFERENCE.TXT", 0xad46),
            ("RÉSUMÉ.PDF", 0x8e0b),
            ("STRAßE.DOCX", 0x9f87),
            ("A NAME THAT IS LONGER THAN FIFTEEN CHARACTERS.JPEG", 0xb825),
        ] {
            assert_eq!(name_hash(up_cased.encode_utf16()), hash, "{up_cased}");
        }
    }
}
