//! A first look at the place where a volume would begin: enough to tell a filesystem's boot sector from an MBR, and to
//! see at which sector size a table points at volumes. What the volume is in full, `volumes` says.

use crate::bytes::{le_u16, le_u32, slice, u8_at};
use crate::error::Result;
use crate::source::Source;

/// A filesystem that keeps a boot sector.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum BootSector {
    Ntfs,
    ExFat,
    Refs,
    BitLocker,
    Fat(FatKind),
}

/// Which FAT, by the number of clusters (Microsoft FAT specification, "FAT type determination").
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FatKind {
    Fat12,
    Fat16,
    Fat32,
}

/// Recognises a boot sector.
///
/// Sources: NTFS, BitLocker: OEM name at 3 (Linux `fs/ntfs3/ntfs.h`; libblkid `superblocks/bitlocker.c`); exFAT
/// specification 3.1.2; ReFS: libblkid `superblocks/refs.c` (from memory); FAT specification, "BPB structure".
pub(crate) fn recognise(sector: &[u8]) -> Option<BootSector> {
    match slice(sector, 0x03, 8)? {
        b"NTFS    " => return Some(BootSector::Ntfs),
        b"EXFAT   " => return Some(BootSector::ExFat),
        b"-FVE-FS-" => return Some(BootSector::BitLocker),
        b"ReFS\0\0\0\0" => return Some(BootSector::Refs),
        _ => {}
    }
    fat(sector).map(BootSector::Fat)
}

/// Bytes in a sector as the boot sector says, where that is a size that drives have.
pub(crate) fn sector_size(sector: &[u8]) -> Option<u64> {
    let size = match recognise(sector)? {
        BootSector::ExFat => 1_u64.checked_shl(u32::from(u8_at(sector, 0x6c)?))?,
        BootSector::Refs => u64::from(le_u32(sector, 0x20)?),
        BootSector::Ntfs | BootSector::BitLocker | BootSector::Fat(_) => u64::from(le_u16(sector, 0x0b)?),
    };
    matches!(size, 512 | 1024 | 2048 | 4096).then_some(size)
}

/// The fields that every FAT volume must have right; the texts "FAT12" and so on decide nothing.
fn fat(sector: &[u8]) -> Option<FatKind> {
    let jump = slice(sector, 0x00, 3)?; // BS_jmpBoot
    let bytes_per_sector = u64::from(le_u16(sector, 0x0b)?); // BPB_BytsPerSec
    let sectors_per_cluster = u64::from(u8_at(sector, 0x0d)?); // BPB_SecPerClus
    let reserved = u64::from(le_u16(sector, 0x0e)?); // BPB_RsvdSecCnt
    let tables = u64::from(u8_at(sector, 0x10)?); // BPB_NumFATs
    let root_entries = u64::from(le_u16(sector, 0x11)?); // BPB_RootEntCnt
    let total_16 = u64::from(le_u16(sector, 0x13)?); // BPB_TotSec16
    let media = u8_at(sector, 0x15)?; // BPB_Media
    let table_16 = u64::from(le_u16(sector, 0x16)?); // BPB_FATSz16
    let total_32 = u64::from(le_u32(sector, 0x20)?); // BPB_TotSec32
    let table_32 = u64::from(le_u32(sector, 0x24)?); // BPB_FATSz32
    let sound = matches!(jump, [0xeb, _, 0x90] | [0xe9, ..])
        && matches!(bytes_per_sector, 512 | 1024 | 2048 | 4096)
        && sectors_per_cluster.is_power_of_two()
        && reserved > 0
        && matches!(tables, 1 | 2)
        && (media == 0xf0 || media >= 0xf8);
    if !sound {
        return None;
    }
    let total = if total_16 == 0 { total_32 } else { total_16 };
    if table_16 == 0 {
        // Only FAT32 keeps its size elsewhere, however few clusters it has.
        return (table_32 > 0 && total > 0).then_some(FatKind::Fat32);
    }
    let root_sectors = root_entries.saturating_mul(32).div_ceil(bytes_per_sector);
    let before = reserved.saturating_add(tables.saturating_mul(table_16)).saturating_add(root_sectors);
    let clusters = total.checked_sub(before)?.checked_div(sectors_per_cluster)?;
    match clusters {
        0 => None,
        1..4085 => Some(FatKind::Fat12),
        4085..65_525 => Some(FatKind::Fat16),
        _ => Some(FatKind::Fat32),
    }
}

/// Whether a volume of a common kind begins at `offset`. Bytes that are not there show nothing.
pub(super) fn volume_begins_at(source: &Source, offset: u64) -> Result<bool> {
    const LOOK: u64 = 2048;
    let mut bytes = [0; 2048];
    if offset.checked_add(LOOK).is_none_or(|end| end > source.length()) {
        return Ok(false);
    }
    // What is not there is zeros, and no signature is made of zeros.
    source.read_at(offset, &mut bytes)?;
    let superblock = |at: usize, magic: &[u8]| slice(&bytes, at, magic.len()) == Some(magic);
    Ok(recognise(&bytes).is_some()
        || superblock(0, b"LUKS\xba\xbe")
        || superblock(0, b"XFSB")
        || superblock(0x20, b"NXSB")
        || superblock(0x218, b"LVM2 001")
        || superblock(0x400, b"H+\0\x04")
        || superblock(0x400, b"HX\0\x05")
        || superblock(0x438, &[0x53, 0xef]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bpb(fields: (u16, u8, u16, u8, u16, u32, u32)) -> Vec<u8> {
        let (bytes, cluster, reserved, tables, root, table, total) = fields;
        let mut sector = vec![0; 512];
        sector[..3].copy_from_slice(&[0xeb, 0x3c, 0x90]);
        sector[0x0b..0x0d].copy_from_slice(&bytes.to_le_bytes());
        sector[0x0d] = cluster;
        sector[0x0e..0x10].copy_from_slice(&reserved.to_le_bytes());
        sector[0x10] = tables;
        sector[0x11..0x13].copy_from_slice(&root.to_le_bytes());
        sector[0x15] = 0xf8;
        if root == 0 {
            sector[0x24..0x28].copy_from_slice(&table.to_le_bytes());
        } else {
            sector[0x16..0x18].copy_from_slice(&u16::try_from(table).unwrap().to_le_bytes());
        }
        sector[0x20..0x24].copy_from_slice(&total.to_le_bytes());
        sector
    }

    #[test]
    fn the_number_of_clusters_decides_which_fat() {
        // Microsoft FAT specification, appendices A and B, and volumes of mkfs.fat 4.2.
        let kind = |fields| recognise(&bpb(fields));
        assert_eq!(kind((512, 8, 4, 2, 512, 134, 273_042)), Some(BootSector::Fat(FatKind::Fat16)));
        assert_eq!(kind((512, 4, 32, 2, 0, 532, 273_042)), Some(BootSector::Fat(FatKind::Fat32)));
        assert_eq!(kind((512, 1, 1, 2, 224, 9, 2880)), Some(BootSector::Fat(FatKind::Fat12)));
        assert_eq!(kind((512, 4, 4, 2, 512, 32, 32_768)), Some(BootSector::Fat(FatKind::Fat16)));
        assert_eq!(kind((512, 1, 32, 2, 0, 1009, 131_072)), Some(BootSector::Fat(FatKind::Fat32)));
        assert_eq!(kind((500, 1, 1, 2, 224, 9, 2880)), None);
        assert_eq!(kind((512, 3, 1, 2, 224, 9, 2880)), None);
        assert_eq!(kind((512, 1, 0, 2, 224, 9, 2880)), None);
        assert_eq!(kind((512, 1, 1, 3, 224, 9, 2880)), None);
        assert_eq!(sector_size(&bpb((4096, 1, 1, 2, 224, 9, 2880))), Some(4096));
    }
}
