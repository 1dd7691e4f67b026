//! What is on disk, and nothing else. Names and offsets are those of the exFAT file system specification, revision 1.00
//! (Microsoft, 2019); all numbers are little-endian.

use super::units::{Cluster, FIRST_CLUSTER, Heap, MAX_CLUSTERS};
use crate::bytes::{array, le_u16, le_u32, le_u64, slice, u8_at};

/// Sectors in a boot region (specification, 2.1): boot sector, 8 extended ones, OEM parameters, a reserved one, and
/// the checksum.
pub(super) const BOOT_SECTORS: u64 = 12;

/// The main or backup boot sector (specification, 3.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct BootSector {
    /// VolumeLength in bytes.
    pub(super) length: u64,
    /// The byte of the volume at which the first FAT starts.
    pub(super) fat_start: u64,
    /// Bytes of one FAT.
    pub(super) fat_length: u64,
    /// Where clusters lie.
    pub(super) heap: Heap,
    /// The root folder's first cluster.
    pub(super) root: Cluster,
    /// VolumeSerialNumber.
    pub(super) serial: u32,
    /// FileSystemRevision: major and minor.
    pub(super) revision: (u8, u8),
    /// Bytes in a sector.
    pub(super) sector_size: u64,
    /// NumberOfFats: 1 or 2.
    pub(super) fats: u8,
    /// VolumeFlags; out of date in the backup.
    pub(super) flags: u16,
}

impl BootSector {
    /// Bytes of it that mean something.
    pub(super) const LENGTH: usize = 512;
    /// FileSystemName (03h).
    pub(super) const NAME: &[u8] = b"EXFAT   ";
    /// VolumeFlags: the second FAT and bitmap are in use.
    pub(super) const SECOND_FAT: u16 = 1;
    /// VolumeFlags: not closed properly.
    pub(super) const DIRTY: u16 = 2;
    /// VolumeFlags: the medium has failed.
    pub(super) const MEDIA_FAILURE: u16 = 4;

    /// Parses a boot sector; `None` if it can't be one.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let must_be_zero = slice(bytes, 0x0b, 53)?; // MustBeZero: so that no FAT driver takes it for its own
        let sectors = le_u64(bytes, 0x48)?; // VolumeLength
        let fat_offset = le_u32(bytes, 0x50)?; // FatOffset
        let fat_length = le_u32(bytes, 0x54)?; // FatLength
        let heap_offset = le_u32(bytes, 0x58)?; // ClusterHeapOffset
        let count = le_u32(bytes, 0x5c)?; // ClusterCount
        let root = Cluster(le_u32(bytes, 0x60)?); // FirstClusterOfRootDirectory
        let serial = le_u32(bytes, 0x64)?; // VolumeSerialNumber
        let [minor, major] = array(bytes, 0x68)?; // FileSystemRevision
        let flags = le_u16(bytes, 0x6a)?; // VolumeFlags
        let sector_shift = u8_at(bytes, 0x6c)?; // BytesPerSectorShift
        let cluster_shift = u8_at(bytes, 0x6d)?; // SectorsPerClusterShift
        let fats = u8_at(bytes, 0x6e)?; // NumberOfFats
        let signature = slice(bytes, 0x1fe, 2)?; // BootSignature
        let sound = slice(bytes, 0x03, 8)? == Self::NAME
            && must_be_zero.iter().all(|byte| *byte == 0)
            && signature == [0x55, 0xaa]
            && (9..=12).contains(&sector_shift)
            && u32::from(cluster_shift) <= 25_u32.checked_sub(u32::from(sector_shift))?
            && matches!(fats, 1 | 2)
            && (1..=MAX_CLUSTERS).contains(&count);
        if !sound {
            return None;
        }
        let sector_size = 1_u64.checked_shl(u32::from(sector_shift))?;
        let bytes_of = |sectors: u32| u64::from(sectors).checked_mul(sector_size);
        let heap = Heap {
            start: bytes_of(heap_offset)?,
            cluster_size: sector_size.checked_shl(u32::from(cluster_shift))?,
            count,
        };
        let boot = Self {
            length: sectors.checked_mul(sector_size)?,
            fat_start: bytes_of(fat_offset)?,
            fat_length: bytes_of(fat_length)?,
            heap,
            root,
            serial,
            revision: (major, minor),
            sector_size,
            fats,
            flags,
        };
        let entries = u64::from(count).checked_add(u64::from(FIRST_CLUSTER))?.checked_mul(4)?;
        let after_fats = boot.fat_start.checked_add(boot.fat_length.checked_mul(u64::from(fats))?)?;
        let fits = boot.fat_start >= sector_size.checked_mul(2)?.checked_mul(BOOT_SECTORS)?
            && boot.fat_length >= entries
            && heap.start >= after_fats
            && heap.offset(u64::from(count)) <= boot.length
            && heap.index(root).is_some();
        fits.then_some(boot)
    }

    /// The same without what may differ between main and backup.
    pub(super) fn geometry(self) -> Self {
        Self { flags: 0, ..self }
    }
}

/// Entry types (specification, 6.2.1 and 7), with the bit that says "in use" set.
pub(super) mod entry_type {
    /// The end of a folder's list; so is everything after it.
    pub(crate) const END: u8 = 0x00;
    /// Set in the type of an entry that is in use.
    pub(crate) const IN_USE: u8 = 0x80;
    /// Set in the type of an entry that follows a primary one.
    pub(crate) const SECONDARY: u8 = 0x40;
    /// Set in the type of an entry that one may leave out of account if one doesn't know it.
    pub(crate) const BENIGN: u8 = 0x20;
    /// Allocation bitmap.
    pub(crate) const BITMAP: u8 = 0x81;
    /// Up-case table.
    pub(crate) const UPCASE: u8 = 0x82;
    /// Volume label.
    pub(crate) const LABEL: u8 = 0x83;
    /// File or folder.
    pub(crate) const FILE: u8 = 0x85;
    /// Volume GUID.
    pub(crate) const GUID: u8 = 0xa0;
    /// TexFAT padding: without meaning outside TexFAT.
    pub(crate) const PADDING: u8 = 0xa1;
    /// Stream extension: where the content lies.
    pub(crate) const STREAM: u8 = 0xc0;
    /// 15 units of a name.
    pub(crate) const NAME: u8 = 0xc1;
    /// Vendor allocation: clusters that belong to a file and are no content.
    pub(crate) const VENDOR_ALLOCATION: u8 = 0xe1;
}

/// Bytes of an entry.
pub(super) const ENTRY: usize = 32;

/// One entry.
pub(super) type Entry = [u8; ENTRY];

/// The first entry of a file's set (specification, 7.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FileEntry {
    pub(super) secondaries: u8,
    pub(super) checksum: u16,
    pub(super) attributes: u16,
    pub(super) created: [u8; 6],
    pub(super) modified: [u8; 6],
}

impl FileEntry {
    /// FileAttributes.
    pub(super) const READ_ONLY: u16 = 0x01;
    pub(super) const HIDDEN: u16 = 0x02;
    pub(super) const SYSTEM: u16 = 0x04;
    pub(super) const FOLDER: u16 = 0x10;

    pub(super) fn from_bytes(entry: &Entry) -> Option<Self> {
        let stamp = |time: usize, increment: usize, offset: usize| {
            let [one, two, three, four] = array(entry, time)?;
            Some([one, two, three, four, u8_at(entry, increment)?, u8_at(entry, offset)?])
        };
        Some(Self {
            secondaries: u8_at(entry, 0x01)?,   // SecondaryCount
            checksum: le_u16(entry, 0x02)?,     // SetChecksum
            attributes: le_u16(entry, 0x04)?,   // FileAttributes
            created: stamp(0x08, 0x14, 0x16)?,  // CreateTimestamp, Create10msIncrement, CreateUtcOffset
            modified: stamp(0x0c, 0x15, 0x17)?, // LastModifiedTimestamp, LastModified10msIncrement, LastModifiedUtcOffset
        })
    }
}

/// Stream extension (specification, 7.6), and the fields of it that every secondary entry with clusters has (6.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct StreamEntry {
    pub(super) flags: u8,
    pub(super) name_length: u8,
    pub(super) name_hash: u16,
    pub(super) valid_length: u64,
    pub(super) first: Cluster,
    pub(super) length: u64,
}

impl StreamEntry {
    /// GeneralSecondaryFlags: it may have clusters.
    pub(super) const ALLOCATION_POSSIBLE: u8 = 1;
    /// GeneralSecondaryFlags: its clusters follow one another, and the FAT says nothing of them.
    pub(super) const NO_FAT_CHAIN: u8 = 2;

    pub(super) fn from_bytes(entry: &Entry) -> Option<Self> {
        Some(Self {
            flags: u8_at(entry, 0x01)?,           // GeneralSecondaryFlags
            name_length: u8_at(entry, 0x03)?,     // NameLength
            name_hash: le_u16(entry, 0x04)?,      // NameHash
            valid_length: le_u64(entry, 0x08)?,   // ValidDataLength
            first: Cluster(le_u32(entry, 0x14)?), // FirstCluster
            length: le_u64(entry, 0x18)?,         // DataLength
        })
    }

    /// Whether its clusters follow one another.
    pub(super) fn is_contiguous(&self) -> bool {
        self.flags & Self::NO_FAT_CHAIN != 0
    }
}

/// The 15 units of a name entry (specification, 7.7).
pub(super) fn name_units(entry: &Entry) -> impl Iterator<Item = u16> + '_ {
    (0x02..ENTRY).step_by(2).filter_map(|at| le_u16(entry, at)) // FileName
}

/// Allocation bitmap (specification, 7.1) or up-case table (7.2): a stream in the root folder without a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct TableEntry {
    /// BitmapFlags: bit 0 says that it is the second bitmap.
    pub(super) flags: u8,
    /// TableChecksum, of an up-case table.
    pub(super) checksum: u32,
    pub(super) first: Cluster,
    pub(super) length: u64,
}

impl TableEntry {
    pub(super) fn from_bytes(entry: &Entry) -> Option<Self> {
        Some(Self {
            flags: u8_at(entry, 0x01)?,           // BitmapFlags
            checksum: le_u32(entry, 0x04)?,       // TableChecksum
            first: Cluster(le_u32(entry, 0x14)?), // FirstCluster
            length: le_u64(entry, 0x18)?,         // DataLength
        })
    }
}

/// The volume label (specification, 7.3); `None` if it says that it has more than the 11 units that there are.
pub(super) fn label(entry: &Entry) -> Option<String> {
    let count = usize::from(u8_at(entry, 0x01)?); // CharacterCount
    let units = slice(entry, 0x02, count.checked_mul(2).filter(|length| *length <= 22)?)?; // VolumeLabel
    Some(String::from_utf16_lossy(&units.chunks_exact(2).filter_map(|pair| le_u16(pair, 0)).collect::<Vec<_>>()))
}

/// VolumeGuid (specification, 7.5), written as GUIDs are: three numbers, then bytes.
pub(super) fn guid(entry: &Entry) -> Option<String> {
    let (one, two, three) = (le_u32(entry, 0x06)?, le_u16(entry, 0x0a)?, le_u16(entry, 0x0c)?);
    let [a, b, c, d, e, f, g, h] = array(entry, 0x0e)?;
    Some(format!("{one:08X}-{two:04X}-{three:04X}-{a:02X}{b:02X}-{c:02X}{d:02X}{e:02X}{f:02X}{g:02X}{h:02X}"))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::filesystem::exfat::checksum::tests::REFERENCE;

    /// A boot sector as mkfs.exfat (exfatprogs 1.2.0) writes it for 8 MiB and clusters of 4 KiB.
    pub(crate) fn sector() -> Vec<u8> {
        let mut sector = vec![0; 512];
        sector[..11].copy_from_slice(b"\xeb\x76\x90EXFAT   ");
        sector[0x48..0x50].copy_from_slice(&16384_u64.to_le_bytes());
        for (at, value) in [(0x50, 2048), (0x54, 2048), (0x58, 4096), (0x5c, 1536), (0x60, 4), (0x64, 0x1234_abcd)] {
            sector[at..at + 4].copy_from_slice(&u32::to_le_bytes(value));
        }
        sector[0x68..0x6f].copy_from_slice(&[0, 1, 2, 0, 9, 3, 1]);
        sector[0x1fe..].copy_from_slice(&[0x55, 0xaa]);
        sector
    }

    #[test]
    fn a_boot_sector() {
        let boot = BootSector::from_bytes(&sector()).unwrap();
        assert_eq!((boot.length, boot.sector_size, boot.fats, boot.flags), (8 << 20, 512, 1, 2));
        assert_eq!((boot.fat_start, boot.fat_length, boot.revision), (1 << 20, 1 << 20, (1, 0)));
        assert_eq!(boot.heap, Heap { start: 2 << 20, cluster_size: 4096, count: 1536 });
        assert_eq!((boot.root, boot.serial), (Cluster(4), 0x1234_abcd));
        let wrong: [(usize, &[u8]); 12] = [
            (0x03, b"NTFS    "),
            (0x0b, &[1]),
            (0x1fe, &[0]),
            (0x6c, &[8]),
            (0x6c, &[13]),
            (0x6d, &[17]),
            (0x6e, &[3]),
            (0x5c, &[0, 0, 0, 0]),
            // One cluster more than the volume holds.
            (0x5c, &1537_u32.to_le_bytes()),
            (0x60, &1538_u32.to_le_bytes()),
            (0x50, &23_u32.to_le_bytes()),
            (0x54, &12_u32.to_le_bytes()),
        ];
        for (at, bytes) in wrong {
            let mut sector = sector();
            sector[at..at + bytes.len()].copy_from_slice(bytes);
            assert_eq!(BootSector::from_bytes(&sector), None, "{at:#x}");
        }
        assert_eq!(BootSector::from_bytes(&sector()[..511]), None);
    }

    #[test]
    fn the_entries_of_a_set() {
        let file = FileEntry::from_bytes(&REFERENCE[0]).unwrap();
        assert_eq!((file.secondaries, file.checksum, file.attributes), (2, 0x4102, 0x20));
        let stream = StreamEntry::from_bytes(&REFERENCE[1]).unwrap();
        assert_eq!((stream.valid_length, stream.length, stream.first), (3000, 5000, Cluster(6)));
        assert_eq!((stream.name_length, stream.name_hash, stream.is_contiguous()), (13, 0xad46, true));
        let units: Vec<u16> = name_units(&REFERENCE[2]).take(13).collect();
        assert_eq!(String::from_utf16(&units).unwrap(), "Reference.txt");
    }

    #[test]
    fn the_entries_of_the_root() {
        let mut entry = [0; ENTRY];
        entry[..10].copy_from_slice(b"\x83\x04C\0h\0o\0r\0");
        assert_eq!(label(&entry).unwrap(), "Chor");
        entry[1] = 12;
        assert_eq!(label(&entry), None);
        let mut entry = [0; ENTRY];
        entry[6..22].copy_from_slice(&[0x33, 0x22, 0x11, 0, 0x55, 0x44, 0x77, 0x66, 0x88, 0x99, 1, 2, 3, 4, 5, 6]);
        assert_eq!(guid(&entry).unwrap(), "00112233-4455-6677-8899-010203040506");
    }
}
