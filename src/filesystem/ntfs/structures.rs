//! NTFS on disk. Offsets are in bytes from the structure's start; all numbers are little-endian.
//!
//! Sources: Microsoft developer notes "Master File Table", MULTI_SECTOR_HEADER, FILE_RECORD_SEGMENT_HEADER,
//! ATTRIBUTE_RECORD_HEADER, ATTRIBUTE_LIST_ENTRY, FILE_NAME; Linux `fs/ntfs3/ntfs.h` and `fs/ntfs/layout.h`; checked on
//! volumes written by mkntfs and ntfs-3g.

use super::units::{ClusterSize, Lcn, Reference, Vcn};
use crate::bytes::{le_u16, le_u32, le_u64, slice, u8_at};

/// Fixups protect pieces of this many bytes, whatever the sector size is.
pub(super) const STRIDE: usize = 512;

/// The largest file record that is read, in bytes. Windows makes 1,024 and 4,096.
pub(super) const MAX_RECORD: u64 = 65_536;

/// The largest cluster, in bytes (Windows 10 version 1709 and later).
pub(super) const MAX_CLUSTER: u64 = 2 << 20;

/// The file record numbers that have a meaning of their own.
pub(super) mod record_number {
    /// $MFT, the table itself.
    pub(in crate::filesystem::ntfs) const MFT: u64 = 0;
    /// $MFTMirr, the copy of the table's first records.
    pub(in crate::filesystem::ntfs) const MIRROR: u64 = 1;
    /// $Volume.
    pub(in crate::filesystem::ntfs) const VOLUME: u64 = 3;
    /// The root folder.
    pub(in crate::filesystem::ntfs) const ROOT: u64 = 5;
    /// $Bitmap, which clusters are in use.
    pub(in crate::filesystem::ntfs) const BITMAP: u64 = 6;
    /// $BadClus, which clusters are bad.
    pub(in crate::filesystem::ntfs) const BAD_CLUSTERS: u64 = 8;
    /// $Extend, the folder of further files of the filesystem's own.
    pub(in crate::filesystem::ntfs) const EXTEND: u64 = 11;
    /// The first record that may hold a user's file.
    pub(in crate::filesystem::ntfs) const FIRST_ORDINARY: u64 = 24;
}

/// Attribute type codes.
pub(super) mod attribute_type {
    pub(in crate::filesystem::ntfs) const STANDARD_INFORMATION: u32 = 0x10;
    pub(in crate::filesystem::ntfs) const ATTRIBUTE_LIST: u32 = 0x20;
    pub(in crate::filesystem::ntfs) const FILE_NAME: u32 = 0x30;
    pub(in crate::filesystem::ntfs) const VOLUME_NAME: u32 = 0x60;
    pub(in crate::filesystem::ntfs) const VOLUME_INFORMATION: u32 = 0x70;
    pub(in crate::filesystem::ntfs) const DATA: u32 = 0x80;
    pub(in crate::filesystem::ntfs) const INDEX_ROOT: u32 = 0x90;
    pub(in crate::filesystem::ntfs) const INDEX_ALLOCATION: u32 = 0xa0;
    pub(in crate::filesystem::ntfs) const BITMAP: u32 = 0xb0;
    pub(in crate::filesystem::ntfs) const REPARSE_POINT: u32 = 0xc0;
    pub(in crate::filesystem::ntfs) const END: u32 = 0xffff_ffff;
}

/// File attribute bits of STANDARD_INFORMATION.
pub(super) mod file_attribute {
    pub(in crate::filesystem::ntfs) const READ_ONLY: u32 = 0x1;
    pub(in crate::filesystem::ntfs) const HIDDEN: u32 = 0x2;
    pub(in crate::filesystem::ntfs) const SYSTEM: u32 = 0x4;
    pub(in crate::filesystem::ntfs) const REPARSE_POINT: u32 = 0x400;
    /// In FILE_NAME only: the name is a folder's.
    pub(in crate::filesystem::ntfs) const FOLDER: u32 = 0x1000_0000;
}

/// Attribute flags.
pub(super) mod attribute_flag {
    /// The low byte is the compression method; 1 is LZNT1.
    pub(in crate::filesystem::ntfs) const COMPRESSION_MASK: u16 = 0x00ff;
    pub(in crate::filesystem::ntfs) const LZNT1: u16 = 0x0001;
    pub(in crate::filesystem::ntfs) const ENCRYPTED: u16 = 0x4000;
    pub(in crate::filesystem::ntfs) const SPARSE: u16 = 0x8000;
}

/// The boot sector: what of it says where things are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct BootSector {
    pub(super) sector_size: u64,
    pub(super) cluster: ClusterSize,
    /// Sectors of the volume; the sector after the last holds the backup of this one.
    pub(super) total_sectors: u64,
    pub(super) mft: Lcn,
    pub(super) mft_mirror: Lcn,
    /// Bytes in a file record.
    pub(super) record_size: usize,
    /// `None` where no boot sector was read.
    pub(super) serial: Option<u64>,
}

impl BootSector {
    /// How many bytes of the sector are looked at.
    pub(super) const LENGTH: usize = 512;

    /// Reads the sector; `None` if it is not an NTFS boot sector.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        if slice(bytes, 0x03, 8)? != b"NTFS    " || slice(bytes, 0x1fe, 2)? != [0x55, 0xaa] {
            return None;
        }
        let sector_size = u64::from(le_u16(bytes, 0x0b)?);
        if !(256..=4096).contains(&sector_size) || !sector_size.is_power_of_two() {
            return None;
        }
        let sectors = match u32::from(u8_at(bytes, 0x0d)?) {
            // A negative power: the cluster has 2^(256 - v) sectors.
            exponent @ 0xe0..=0xff => 1_u64.checked_shl(256_u32.checked_sub(exponent)?)?,
            count => u64::from(count),
        };
        let cluster = sectors.checked_mul(sector_size).filter(|size| *size <= MAX_CLUSTER && size.is_power_of_two())?;
        let total_sectors = le_u64(bytes, 0x28)?;
        let mft = Lcn(le_u64(bytes, 0x30)?);
        let mft_mirror = Lcn(le_u64(bytes, 0x38)?);
        let record_size = Self::coded_size(u8_at(bytes, 0x40)?, cluster)?;
        let serial = Some(le_u64(bytes, 0x48)?);
        total_sectors.checked_mul(sector_size).filter(|size| *size >= cluster)?;
        Some(Self {
            sector_size,
            cluster: ClusterSize(cluster),
            total_sectors,
            mft,
            mft_mirror,
            record_size: usize::try_from(record_size).ok()?,
            serial,
        })
    }

    /// A size in clusters, or, if the byte is negative, as a power of two in bytes.
    fn coded_size(code: u8, cluster: u64) -> Option<u64> {
        let size = match i8::from_le_bytes([code]) {
            clusters @ 1.. => u64::try_from(clusters).ok()?.checked_mul(cluster)?,
            exponent => 1_u64.checked_shl(u32::from(exponent.unsigned_abs()))?,
        };
        // A record is made of whole strides and its update sequence must fit into the first.
        ((512..=MAX_RECORD).contains(&size) && size.is_power_of_two()).then_some(size)
    }

    /// Bytes of the volume without the backup boot sector.
    pub(super) fn total_bytes(&self) -> u64 {
        self.total_sectors.saturating_mul(self.sector_size)
    }

    /// Clusters of the volume.
    pub(super) fn total_clusters(&self) -> u64 {
        self.total_bytes().checked_div(self.cluster.0).unwrap_or(0)
    }
}

/// The head of a file record (FILE_RECORD_SEGMENT_HEADER).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct RecordHeader {
    pub(super) update_sequence_offset: usize,
    /// In 16-bit words, the sequence number itself included.
    pub(super) update_sequence_count: usize,
    pub(super) sequence: u16,
    /// How many FILE_NAMEs the file has, in all its records.
    pub(super) links: u16,
    pub(super) first_attribute: usize,
    pub(super) flags: u16,
    pub(super) used: usize,
    pub(super) allocated: usize,
    /// Record 0 for a base record.
    pub(super) base: Reference,
    /// The record's own number (its low 32 bits), in volumes of version 3.1.
    pub(super) own_number: Option<u32>,
}

impl RecordHeader {
    pub(super) const MAGIC: [u8; 4] = *b"FILE";
    pub(super) const IN_USE: u16 = 0x1;
    pub(super) const FOLDER: u16 = 0x2;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        if slice(bytes, 0x00, 4)? != Self::MAGIC {
            return None;
        }
        let update_sequence_offset = usize::from(le_u16(bytes, 0x04)?);
        Some(Self {
            update_sequence_offset,
            update_sequence_count: usize::from(le_u16(bytes, 0x06)?),
            sequence: le_u16(bytes, 0x10)?,
            links: le_u16(bytes, 0x12)?,
            first_attribute: usize::from(le_u16(bytes, 0x14)?),
            flags: le_u16(bytes, 0x16)?,
            used: usize::try_from(le_u32(bytes, 0x18)?).ok()?,
            allocated: usize::try_from(le_u32(bytes, 0x1c)?).ok()?,
            base: Reference::from_field(le_u64(bytes, 0x20)?),
            // Older records have their update sequence where newer ones keep their number.
            own_number: if update_sequence_offset >= 0x30 { Some(le_u32(bytes, 0x2c)?) } else { None },
        })
    }
}

/// The head of an attribute (ATTRIBUTE_RECORD_HEADER), without its body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct AttributeHeader {
    pub(super) kind: u32,
    pub(super) length: usize,
    pub(super) non_resident: bool,
    /// In UTF-16 units.
    pub(super) name_length: usize,
    pub(super) name_offset: usize,
    pub(super) flags: u16,
    pub(super) id: u16,
}

impl AttributeHeader {
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        Some(Self {
            kind: le_u32(bytes, 0x00)?,
            length: usize::try_from(le_u32(bytes, 0x04)?).ok()?,
            non_resident: u8_at(bytes, 0x08)? != 0,
            name_length: usize::from(u8_at(bytes, 0x09)?),
            name_offset: usize::from(le_u16(bytes, 0x0a)?),
            flags: le_u16(bytes, 0x0c)?,
            id: le_u16(bytes, 0x0e)?,
        })
    }
}

/// Where the value of a resident attribute is, relative to the attribute.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ResidentBody {
    pub(super) length: usize,
    pub(super) offset: usize,
}

impl ResidentBody {
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        Some(Self { length: usize::try_from(le_u32(bytes, 0x10)?).ok()?, offset: usize::from(le_u16(bytes, 0x14)?) })
    }
}

/// What a non-resident attribute says of its clusters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NonResidentBody {
    pub(super) first: Vcn,
    /// The last cluster; one before the first for an empty stream.
    pub(super) last: Vcn,
    pub(super) runs_offset: usize,
    /// Power of two of clusters; 0 for none.
    pub(super) compression_unit: u8,
    /// Bytes; valid only in the piece that starts at cluster 0, as are the next two.
    pub(super) allocated: u64,
    pub(super) size: u64,
    pub(super) valid_size: u64,
}

impl NonResidentBody {
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        Some(Self {
            first: Vcn(le_u64(bytes, 0x10)?),
            last: Vcn(le_u64(bytes, 0x18)?),
            runs_offset: usize::from(le_u16(bytes, 0x20)?),
            compression_unit: u8_at(bytes, 0x22)?,
            allocated: le_u64(bytes, 0x28)?,
            size: le_u64(bytes, 0x30)?,
            valid_size: le_u64(bytes, 0x38)?,
        })
    }
}

/// STANDARD_INFORMATION: the times and bits that count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct StandardInformation {
    pub(super) created: u64,
    pub(super) modified: u64,
    pub(super) attributes: u32,
}

impl StandardInformation {
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        Some(Self { created: le_u64(bytes, 0x00)?, modified: le_u64(bytes, 0x08)?, attributes: le_u32(bytes, 0x20)? })
    }
}

/// FILE_NAME: a name and the folder it stands in. Its times and sizes are often old.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct FileName {
    pub(super) parent: Reference,
    pub(super) created: u64,
    pub(super) modified: u64,
    pub(super) size: u64,
    pub(super) attributes: u32,
    pub(super) namespace: u8,
    pub(super) units: Vec<u16>,
}

impl FileName {
    /// Where the reference to the folder stands.
    pub(super) const PARENT: usize = 0x00;
    /// The namespace of a name made for DOS beside a longer one.
    pub(super) const DOS: u8 = 2;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let length = usize::from(u8_at(bytes, 0x40)?);
        let units = utf16(slice(bytes, 0x42, length.checked_mul(2)?)?);
        if units.is_empty() {
            return None;
        }
        Some(Self {
            parent: Reference::from_field(le_u64(bytes, Self::PARENT)?), // 0x00
            created: le_u64(bytes, 0x08)?,
            modified: le_u64(bytes, 0x10)?,
            size: le_u64(bytes, 0x30)?,
            attributes: le_u32(bytes, 0x38)?,
            namespace: u8_at(bytes, 0x41)?,
            units,
        })
    }
}

/// One entry of an ATTRIBUTE_LIST.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ListEntry {
    pub(super) kind: u32,
    pub(super) length: usize,
    pub(super) first: Vcn,
    pub(super) record: Reference,
    pub(super) id: u16,
    pub(super) name: Vec<u16>,
}

impl ListEntry {
    /// The shortest entry.
    pub(super) const MIN_LENGTH: usize = 0x1a;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let length = usize::from(le_u16(bytes, 0x04)?);
        let bytes = bytes.get(..length).filter(|_| length >= Self::MIN_LENGTH)?;
        let name_length = usize::from(u8_at(bytes, 0x06)?).checked_mul(2)?;
        Some(Self {
            kind: le_u32(bytes, 0x00)?,
            length,
            first: Vcn(le_u64(bytes, 0x08)?),
            record: Reference::from_field(le_u64(bytes, 0x10)?),
            id: le_u16(bytes, 0x18)?,
            name: utf16(slice(bytes, usize::from(u8_at(bytes, 0x07)?), name_length)?),
        })
    }
}

/// VOLUME_INFORMATION.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct VolumeInformation {
    pub(super) major: u8,
    pub(super) minor: u8,
    pub(super) flags: u16,
}

impl VolumeInformation {
    pub(super) const DIRTY: u16 = 0x1;

    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        Some(Self { major: u8_at(bytes, 0x08)?, minor: u8_at(bytes, 0x09)?, flags: le_u16(bytes, 0x0a)? })
    }
}

/// UTF-16LE bytes as units; an odd last byte is left out.
pub(super) fn utf16(bytes: &[u8]) -> Vec<u16> {
    bytes.as_chunks::<2>().0.iter().map(|unit| u16::from_le_bytes(*unit)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        let digits: Vec<u8> = text.bytes().filter(u8::is_ascii_hexdigit).collect();
        digits.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
    }

    fn boot() -> Vec<u8> {
        let mut bytes = vec![0; 512];
        bytes[3..11].copy_from_slice(b"NTFS    ");
        bytes[0x0b..0x0d].copy_from_slice(&512_u16.to_le_bytes());
        bytes[0x0d] = 8;
        bytes[0x28..0x30].copy_from_slice(&65_535_u64.to_le_bytes());
        bytes[0x30..0x38].copy_from_slice(&4_u64.to_le_bytes());
        bytes[0x38..0x40].copy_from_slice(&4095_u64.to_le_bytes());
        bytes[0x40] = 0xf6;
        bytes[0x44] = 1;
        bytes[0x1fe..].copy_from_slice(&[0x55, 0xaa]);
        bytes
    }

    #[test]
    fn a_boot_sector_and_its_coded_sizes() {
        let sector = BootSector::from_bytes(&boot()).unwrap();
        assert_eq!((sector.cluster, sector.record_size), (ClusterSize(4096), 1024));
        assert_eq!(sector.total_clusters(), 8191);
        // F6h is 1,024 and F4h 4,096; clusters above 80h are negative powers (Linux `fs/ntfs/layout.h`).
        for (code, size) in
            [(0xf6, Some(1024)), (0xf4, Some(4096)), (1, Some(4096)), (0, None), (0x80, None), (0xf8, None)]
        {
            let mut bytes = boot();
            bytes[0x40] = code;
            assert_eq!(BootSector::from_bytes(&bytes).map(|boot| boot.record_size), size, "{code:#x}");
        }
        for (code, size) in [(0x80, Some(65_536)), (0xf4, Some(2 << 20)), (0xf3, None), (0, None), (3, None)] {
            let mut bytes = boot();
            bytes[0x0d] = code;
            assert_eq!(BootSector::from_bytes(&bytes).map(|boot| boot.cluster.0), size, "{code:#x}");
        }
    }

    #[test]
    fn no_boot_sector_field_panics() {
        for offset in 0..512 {
            for value in [0, 1, 0x7f, 0x80, 0xff] {
                let mut bytes = boot();
                bytes[offset] = value;
                let _ = BootSector::from_bytes(&bytes);
            }
        }
        assert_eq!(BootSector::from_bytes(&boot()[..511]), None);
    }

    #[test]
    fn a_record_head() {
        // Record 68 of a volume written by ntfs-3g, after its file was deleted.
        let head = hex(
            "46494c45 3000 0300 0000000000000000 0200 0000 3800 0000 88010000 00040000 0000000000000000 0400 0000 44000000",
        );
        let header = RecordHeader::from_bytes(&head).unwrap();
        assert_eq!((header.sequence, header.flags, header.used, header.allocated), (2, 0, 0x188, 0x400));
        assert_eq!(header.links, 0, "a deleted file has no name");
        assert_eq!((header.first_attribute, header.own_number), (0x38, Some(68)));
        assert_eq!((header.update_sequence_offset, header.update_sequence_count), (0x30, 3));
        assert_eq!(RecordHeader::from_bytes(&head[..0x2f]), None);
        assert_eq!(RecordHeader::from_bytes(b"BAAD"), None);
    }

    #[test]
    fn an_attribute_head_with_both_bodies() {
        let resident = hex("80000000 30000000 00 00 1800 0000 0300 14000000 1800 0000");
        assert_eq!(
            AttributeHeader::from_bytes(&resident),
            Some(AttributeHeader {
                kind: 0x80,
                length: 0x30,
                non_resident: false,
                name_length: 0,
                name_offset: 0x18,
                flags: 0,
                id: 3
            })
        );
        assert_eq!(ResidentBody::from_bytes(&resident), Some(ResidentBody { length: 20, offset: 24 }));
        let body = hex("80000000 48000000 01 00 4000 0100 0100 0000000000000000 0f00000000000000 4800 04 0000000000
             0000010000000000 0100010000000000 0000010000000000");
        let body = NonResidentBody::from_bytes(&body).unwrap();
        assert_eq!((body.first, body.last, body.compression_unit), (Vcn(0), Vcn(15), 4));
        assert_eq!((body.allocated, body.size, body.valid_size), (0x10000, 0x10001, 0x10000));
    }

    #[test]
    fn a_file_name_and_a_list_entry() {
        let mut name = vec![0; 0x42];
        name[..8].copy_from_slice(&0x0005_0000_0000_0005_u64.to_le_bytes());
        name[0x40] = 2;
        name[0x41] = 3;
        name.extend([0x61, 0, 0xe4, 0]);
        let file_name = FileName::from_bytes(&name).unwrap();
        assert_eq!(file_name.units, [0x61, 0xe4]);
        assert_eq!(file_name.parent, Reference { record: 5, sequence: 5 });
        assert_eq!(FileName::from_bytes(&name[..name.len() - 1]), None);

        let entry = hex("80000000 2800 01 1a 0300000000000000 4500000000000200 0100 7a00 000000000000000000000000");
        let entry = ListEntry::from_bytes(&entry).unwrap();
        assert_eq!((entry.kind, entry.length, entry.first, entry.id), (0x80, 0x28, Vcn(3), 1));
        assert_eq!((entry.record, &entry.name[..]), (Reference { record: 0x45, sequence: 2 }, &[0x7a][..]));
        assert_eq!(ListEntry::from_bytes(&hex("80000000 0000")), None, "an entry without length would not end");
    }

    #[test]
    fn times_and_version() {
        let mut bytes = vec![0; 0x24];
        bytes[..8].copy_from_slice(&hex("87ed56ddb6a4c901"));
        bytes[0x20] = 7;
        let information = StandardInformation::from_bytes(&bytes).unwrap();
        assert_eq!((information.created, information.attributes), (128_815_169_661_234_567, 7));
        let version = VolumeInformation::from_bytes(&hex("0000000000000000 0301 0100")).unwrap();
        assert_eq!((version.major, version.minor, version.flags & VolumeInformation::DIRTY), (3, 1, 1));
    }
}
