//! What is on disk: boot sector, FSInfo and directory entries.
//!
//! Source of every field: Microsoft, "FAT: General Overview of On-Disk Format" (FAT specification), 30 August 2005. What
//! does not stand there is marked where it is read.

use crate::bytes::{array, le_u16, le_u32, slice, u8_at};

/// Bytes in a directory entry.
pub(super) const ENTRY: usize = 32;

/// Which FAT: how wide the entries of its tables are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Width {
    Fat12,
    Fat16,
    Fat32,
}

impl Width {
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Fat12 => "FAT12",
            Self::Fat16 => "FAT16",
            Self::Fat32 => "FAT32",
        }
    }

    /// Bits of a table entry that count.
    pub(super) fn mask(self) -> u32 {
        match self {
            Self::Fat12 => 0x0fff,
            Self::Fat16 => 0xffff,
            // The top four bits are reserved.
            Self::Fat32 => 0x0fff_ffff,
        }
    }

    /// The mark of a bad cluster; everything above it ends a chain.
    pub(super) fn bad(self) -> u32 {
        self.mask() & !8
    }
}

/// The BIOS parameter block and what follows it ("Boot Sector and BPB Structure").
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct BootSector {
    pub(super) bytes_per_sector: u64,
    pub(super) sectors_per_cluster: u64,
    pub(super) reserved_sectors: u64,
    pub(super) tables: u64,
    pub(super) root_entries: u64,
    pub(super) total_sectors: u64,
    pub(super) media: u8,
    pub(super) table_sectors: u64,
    pub(super) width: Width,
    /// By the rule of the specification; the table may be too short for so many.
    pub(super) clusters: u64,
    /// FAT32: which table is active, where only one is.
    pub(super) only_active: Option<u64>,
    /// FAT32: first cluster of the root folder.
    pub(super) root_cluster: u32,
    /// FAT32: sector of FSInfo.
    pub(super) info_sector: u64,
    /// FAT32: sector of the backup.
    pub(super) backup_sector: u64,
    /// Bit 0: not closed properly; bit 1: errors were met. Source: Linux `fs/fat/fat.h` (FAT_STATE_DIRTY) and
    /// `include/uapi/linux/msdos_fs.h` (`fat_boot_sector.state`).
    pub(super) state: u8,
    pub(super) serial: Option<u32>,
    pub(super) label: Option<[u8; 11]>,
}

impl BootSector {
    /// Bytes that are read.
    pub(super) const LENGTH: usize = 512;
    /// Bit of `state`.
    pub(super) const DIRTY: u8 = 0x01;
    /// Bit of `state`.
    pub(super) const ERRORS: u8 = 0x02;

    /// A boot sector, if it can be one. The texts "FAT12" and so on decide nothing.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let jump = slice(bytes, 0x00, 3)?; // BS_jmpBoot
        let bytes_per_sector = u64::from(le_u16(bytes, 0x0b)?); // BPB_BytsPerSec
        let sectors_per_cluster = u64::from(u8_at(bytes, 0x0d)?); // BPB_SecPerClus
        let reserved_sectors = u64::from(le_u16(bytes, 0x0e)?); // BPB_RsvdSecCnt
        let tables = u64::from(u8_at(bytes, 0x10)?); // BPB_NumFATs
        let root_entries = u64::from(le_u16(bytes, 0x11)?); // BPB_RootEntCnt
        let total_16 = u64::from(le_u16(bytes, 0x13)?); // BPB_TotSec16
        let media = u8_at(bytes, 0x15)?; // BPB_Media
        let table_16 = u64::from(le_u16(bytes, 0x16)?); // BPB_FATSz16
        let total_32 = u64::from(le_u32(bytes, 0x20)?); // BPB_TotSec32
        let table_32 = u64::from(le_u32(bytes, 0x24)?); // BPB_FATSz32
        let flags = le_u16(bytes, 0x28)?; // BPB_ExtFlags
        let root_cluster = le_u32(bytes, 0x2c)?; // BPB_RootClus
        let info_sector = u64::from(le_u16(bytes, 0x30)?); // BPB_FSInfo
        let backup_sector = u64::from(le_u16(bytes, 0x32)?); // BPB_BkBootSec
        let signature = slice(bytes, 0x1fe, 2)?; // Signature_word
        let sound = matches!(jump, [0xeb, _, 0x90] | [0xe9, ..])
            && signature == [0x55, 0xaa]
            && matches!(bytes_per_sector, 512 | 1024 | 2048 | 4096)
            && sectors_per_cluster.is_power_of_two()
            && reserved_sectors > 0
            && matches!(tables, 1 | 2)
            && (media == 0xf0 || media >= 0xf8);
        if !sound {
            return None;
        }
        let table_sectors = if table_16 == 0 { table_32 } else { table_16 };
        let total_sectors = if total_16 == 0 { total_32 } else { total_16 };
        let root_sectors = root_entries.checked_mul(32)?.div_ceil(bytes_per_sector);
        let before = reserved_sectors.checked_add(tables.checked_mul(table_sectors)?)?.checked_add(root_sectors)?;
        let clusters = total_sectors.checked_sub(before)?.checked_div(sectors_per_cluster)?;
        let width = match (table_16, clusters) {
            (_, 0) => return None,
            // Only FAT32 keeps the size of its tables elsewhere, however few clusters it has. A cluster number has 28
            // bits, the last of which are marks.
            (0, 1..0x0fff_fff5) if table_32 > 0 => Width::Fat32,
            (1.., 1..4085) if root_entries > 0 => Width::Fat12,
            (1.., 4085..65_525) if root_entries > 0 => Width::Fat16,
            _ => return None,
        };
        let fat32 = width == Width::Fat32;
        // The part after the BPB stands further back on FAT32.
        let (state, mark, serial, label) = if fat32 { (0x41, 0x42, 0x43, 0x47) } else { (0x25, 0x26, 0x27, 0x2b) };
        let mark = u8_at(bytes, mark)?; // BS_BootSig: 29h: the next three fields are there; 28h: only the serial number
        Some(Self {
            bytes_per_sector,
            sectors_per_cluster,
            reserved_sectors,
            tables,
            root_entries,
            total_sectors,
            media,
            table_sectors,
            width,
            clusters,
            only_active: (fat32 && flags & 0x80 != 0).then_some(u64::from(flags & 0x0f)),
            root_cluster: if fat32 { root_cluster & Width::Fat32.mask() } else { 0 },
            info_sector: if fat32 { info_sector } else { 0 },
            backup_sector: if fat32 { backup_sector } else { 0 },
            state: u8_at(bytes, state)?,
            serial: le_u32(bytes, serial).filter(|_| matches!(mark, 0x28 | 0x29)), // BS_VolID
            label: array(bytes, label).filter(|_| mark == 0x29),                   // BS_VolLab
        })
    }
}

/// The note of free space of FAT32 ("FSInfo Sector Structure"): only ever a hint.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FsInfo {
    /// Free clusters; `None` if it says that it doesn't know.
    pub(super) free: Option<u32>,
}

impl FsInfo {
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let lead = slice(bytes, 0x000, 4)?; // FSI_LeadSig
        let inner = slice(bytes, 0x1e4, 4)?; // FSI_StrucSig
        let trail = slice(bytes, 0x1fe, 2)?; // FSI_TrailSig, upper half
        let free = le_u32(bytes, 0x1e8)?; // FSI_Free_Count
        (lead == b"RRaA" && inner == b"rrAa" && trail == [0x55, 0xaa])
            .then_some(Self { free: Some(free).filter(|free| *free != u32::MAX) })
    }
}

/// Bits of an entry's attributes.
pub(super) mod attribute {
    pub(in super::super) const READ_ONLY: u8 = 0x01;
    pub(in super::super) const HIDDEN: u8 = 0x02;
    pub(in super::super) const SYSTEM: u8 = 0x04;
    pub(in super::super) const LABEL: u8 = 0x08;
    pub(in super::super) const FOLDER: u8 = 0x10;
    /// All bits that mean something.
    pub(in super::super) const ALL: u8 = 0x3f;
    /// What a piece of a long name has.
    pub(in super::super) const LONG_NAME: u8 = 0x0f;
}

/// An entry of a folder ("Directory Structure").
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ShortEntry {
    /// As stored: eight bytes and three.
    pub(super) name: [u8; 11],
    pub(super) attributes: u8,
    /// Bits 3 and 4: base name and extension in lower case; bit 0: encrypted. Source: Linux
    /// `include/uapi/linux/msdos_fs.h` and `fs/fat/fat.h` (CASE_LOWER_BASE, CASE_LOWER_EXT); what Windows 10 and mtools
    /// write; bit 0: [MS-FSA] has nothing of it, the public damaged images of dosfstools have it on files of that kind.
    pub(super) flags: u8,
    pub(super) created: (u16, u16, u8),
    pub(super) modified: (u16, u16),
    /// The upper half counts on FAT32 only: OS/2 kept other things there.
    pub(super) first_cluster_high: u16,
    pub(super) first_cluster_low: u16,
    pub(super) size: u32,
}

impl ShortEntry {
    /// Bit of `flags`.
    pub(super) const LOWER_BASE: u8 = 0x08;
    /// Bit of `flags`.
    pub(super) const LOWER_EXTENSION: u8 = 0x10;
    /// Bit of `flags`.
    pub(super) const ENCRYPTED: u8 = 0x01;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        Some(Self {
            name: array(bytes, 0x00)?,                                                  // DIR_Name
            attributes: u8_at(bytes, 0x0b)?,                                            // DIR_Attr
            flags: u8_at(bytes, 0x0c)?,                                                 // DIR_NTRes
            created: (le_u16(bytes, 0x10)?, le_u16(bytes, 0x0e)?, u8_at(bytes, 0x0d)?), // DIR_CrtDate, -Time, -TimeTenth
            modified: (le_u16(bytes, 0x18)?, le_u16(bytes, 0x16)?),                     // DIR_WrtDate, DIR_WrtTime
            first_cluster_high: le_u16(bytes, 0x14)?,                                   // DIR_FstClusHI
            first_cluster_low: le_u16(bytes, 0x1a)?,                                    // DIR_FstClusLO
            size: le_u32(bytes, 0x1c)?,                                                 // DIR_FileSize
        })
    }

    pub(super) fn first_cluster(&self, width: Width) -> u32 {
        let high = if width == Width::Fat32 { u32::from(self.first_cluster_high) } else { 0 };
        (high << 16 | u32::from(self.first_cluster_low)) & width.mask()
    }

    pub(super) fn is_folder(&self) -> bool {
        self.attributes & attribute::FOLDER != 0
    }

    /// Whether the attributes can be some: unknown bits are clear, and nothing is a folder and a label.
    pub(super) fn has_sound_attributes(&self) -> bool {
        self.attributes & !attribute::ALL == 0
            && self.attributes & (attribute::FOLDER | attribute::LABEL) != attribute::FOLDER | attribute::LABEL
    }

    /// Whether the name can be one. Lower case and the characters that only long names may have are let pass: some
    /// devices write them.
    pub(super) fn has_sound_name(&self, first: u8) -> bool {
        let rest = self.name.get(1..).unwrap_or_default();
        let legal = |byte: u8| byte >= 0x20 && !br#""*/:<>?\|"#.contains(&byte);
        first != 0x20 && (legal(first) || first == 0x05) && rest.iter().all(|byte| legal(*byte))
    }
}

/// A piece of a long name ("Long Directory Entry Structure").
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct LongEntry {
    /// From 1, which stands next to the entry; [`LongEntry::LAST`] is set in the one that stands first.
    pub(super) order: u8,
    pub(super) checksum: u8,
    pub(super) units: [u16; 13],
    /// Whether the fields that must be 0 are.
    pub(super) sound: bool,
}

impl LongEntry {
    /// Bit of `order`.
    pub(super) const LAST: u8 = 0x40;
    /// Most pieces of a name: 255 units at 13 a piece.
    pub(super) const MOST: u8 = 20;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let mut units = [0; 13];
        let places = [0x01, 0x03, 0x05, 0x07, 0x09, 0x0e, 0x10, 0x12, 0x14, 0x16, 0x18, 0x1c, 0x1e]; // LDIR_Name1, 2, 3
        for (unit, place) in units.iter_mut().zip(places) {
            *unit = le_u16(bytes, place)?;
        }
        let kind = u8_at(bytes, 0x0c)?; // LDIR_Type
        let cluster = le_u16(bytes, 0x1a)?; // LDIR_FstClusLO
        Some(Self {
            order: u8_at(bytes, 0x00)?,    // LDIR_Ord
            checksum: u8_at(bytes, 0x0d)?, // LDIR_Chksum
            units,
            sound: kind == 0 && cluster == 0,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What mtools wrote for `The quick brown.fox`, 5 bytes, cluster 3, at 2009-03-14 15:09:26.
    pub(super) const QUICK: &str = "\
        4277006e002e0066006f000f0007780000 00ffffffffffffffff0000ffffffff\
        015400680065002000710 00f00077500690063006b002000620000 0072006f00\
        544845515549 7e31464f58200000 2d796e3a6e3a00002d796e3a030005000000";

    fn bytes(hex: &str) -> Vec<u8> {
        let digits: Vec<u8> = hex.bytes().filter(u8::is_ascii_hexdigit).collect();
        digits.chunks(2).map(|two| u8::from_str_radix(std::str::from_utf8(two).unwrap(), 16).unwrap()).collect()
    }

    #[test]
    fn entries_as_mtools_writes_them() {
        let raw = bytes(QUICK);
        let last = LongEntry::from_bytes(&raw[..32]).unwrap();
        assert_eq!((last.order, last.checksum, last.sound), (0x42, 0x07, true));
        assert_eq!(&last.units[..7], &"wn.fox\0".encode_utf16().collect::<Vec<_>>()[..]);
        let first = LongEntry::from_bytes(&raw[32..64]).unwrap();
        assert_eq!(String::from_utf16(&first.units).unwrap(), "The quick bro");
        let entry = ShortEntry::from_bytes(&raw[64..]).unwrap();
        assert_eq!((&entry.name, entry.size), (b"THEQUI~1FOX", 5));
        assert_eq!((entry.first_cluster(Width::Fat32), entry.modified), (3, (0x3a6e, 0x792d)));
        assert!(entry.has_sound_attributes() && entry.has_sound_name(entry.name[0]) && !entry.is_folder());
        assert_eq!(ShortEntry::from_bytes(&raw[65..]), None);
    }

    #[test]
    fn the_upper_half_of_a_cluster_counts_on_fat32_only() {
        let mut raw = bytes(QUICK)[64..].to_vec();
        raw[0x14..0x16].copy_from_slice(&[0xcd, 0xab]);
        let entry = ShortEntry::from_bytes(&raw).unwrap();
        assert_eq!(entry.first_cluster(Width::Fat32), 0x0bcd_0003);
        assert_eq!(entry.first_cluster(Width::Fat16), 3);
    }

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
        sector[0x1fe..].copy_from_slice(&[0x55, 0xaa]);
        sector
    }

    /// Appendices A and B of the specification, and volumes of mkfs.fat 4.2.
    #[test]
    fn the_number_of_clusters_decides_which_fat() {
        for (fields, width, clusters) in [
            ((512, 8, 4, 2, 512, 134, 273_042), Width::Fat16, 34_092),
            ((512, 4, 32, 2, 0, 532, 273_042), Width::Fat32, 67_986),
            ((512, 1, 1, 2, 224, 9, 2880), Width::Fat12, 2847),
            ((512, 4, 4, 2, 512, 32, 32_768), Width::Fat16, 8167),
            ((512, 1, 32, 2, 0, 1009, 131_072), Width::Fat32, 129_022),
            // mkfs.fat -F 32 -s 8 on 32 MiB.
            ((512, 8, 32, 2, 0, 64, 65_536), Width::Fat32, 8172),
            ((512, 1, 1, 2, 512, 16, 1 + 32 + 32 + 4084), Width::Fat12, 4084),
            ((512, 1, 1, 2, 512, 16, 1 + 32 + 32 + 4085), Width::Fat16, 4085),
            ((512, 1, 1, 2, 512, 256, 1 + 512 + 32 + 65_524), Width::Fat16, 65_524),
        ] {
            let boot = BootSector::from_bytes(&bpb(fields)).unwrap();
            assert_eq!((boot.width, boot.clusters), (width, clusters), "{fields:?}");
        }
        // Too many clusters for tables whose size has 16 bits, and the usual nonsense.
        for fields in [
            (512, 1, 1, 2, 512, 256, 1 + 512 + 32 + 65_525),
            (500, 1, 1, 2, 224, 9, 2880),
            (512, 3, 1, 2, 224, 9, 2880),
            (512, 1, 0, 2, 224, 9, 2880),
            (512, 1, 1, 3, 224, 9, 2880),
            (512, 1, 1, 2, 224, 9, 20),
            (512, 1, 1, 2, 0, 0, 2880),
        ] {
            assert_eq!(BootSector::from_bytes(&bpb(fields)), None, "{fields:?}");
        }
    }

    #[test]
    fn free_space_is_a_hint_with_three_signatures() {
        let mut sector = vec![0; 512];
        sector[..4].copy_from_slice(b"RRaA");
        sector[0x1e4..0x1e8].copy_from_slice(b"rrAa");
        sector[0x1e8..0x1ec].copy_from_slice(&77_u32.to_le_bytes());
        sector[0x1fe..].copy_from_slice(&[0x55, 0xaa]);
        assert_eq!(FsInfo::from_bytes(&sector), Some(FsInfo { free: Some(77) }));
        sector[0x1e8..0x1ec].fill(0xff);
        assert_eq!(FsInfo::from_bytes(&sector), Some(FsInfo { free: None }));
        sector[0] = 0;
        assert_eq!(FsInfo::from_bytes(&sector), None);
    }
}
