//! The GPT header and entry as they stand on disk.
//!
//! Sources: Intel EFI 1.10, tables 11-1 and 16-1 (the origin of UEFI 2.11 chapter 5); Linux `block/partitions/efi.c`.

use super::Guid;
use crate::bytes::{array, le_u32, le_u64, slice, to_usize};

/// Bytes of the defined fields.
pub(super) const SMALLEST_HEADER: u32 = 92;
/// Bytes of the defined fields of an entry.
pub(super) const SMALLEST_ENTRY: u32 = 128;
/// Entries larger than this exist nowhere.
const LARGEST_ENTRY: u32 = 4096;
/// The usual array has 16 KiB; a drive with 8,192 entries of 128 bytes would have 1 MiB.
const LARGEST_ARRAY: u64 = 4 << 20;

/// What one look at the first 512 bytes of a header tells.
pub(super) struct Glance {
    pub(super) own_sector: u64,
    pub(super) checksum_holds: bool,
}

/// Looks whether a header stands here, its sector size unknown.
pub(super) fn glance(bytes: &[u8]) -> Option<Glance> {
    let header = Header::from_bytes(bytes)?;
    Some(Glance { own_sector: header.own_sector, checksum_holds: header.checksum_holds })
}

/// A header with its signature in place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Header {
    pub(super) size: u32,
    pub(super) own_sector: u64,
    pub(super) other_sector: u64,
    pub(super) first_usable: u64,
    pub(super) last_usable: u64,
    pub(super) disk_guid: Guid,
    pub(super) array_sector: u64,
    pub(super) entry_count: u32,
    pub(super) entry_size: u32,
    pub(super) array_checksum: u32,
    pub(super) checksum_holds: bool,
}

impl Header {
    /// `None` without the signature. `bytes` is one sector.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        if slice(bytes, 0x00, 8)? != b"EFI PART" {
            return None;
        }
        let size = le_u32(bytes, 0x0c)?;
        Some(Self {
            size,                                                              // 0x0c HeaderSize
            checksum_holds: checksum_holds(bytes, size, le_u32(bytes, 0x10)?), // 0x10 HeaderCRC32
            own_sector: le_u64(bytes, 0x18)?,                                  // MyLBA
            other_sector: le_u64(bytes, 0x20)?,                                // AlternateLBA
            first_usable: le_u64(bytes, 0x28)?,                                // FirstUsableLBA
            last_usable: le_u64(bytes, 0x30)?,                                 // LastUsableLBA
            disk_guid: Guid::from_disk(array(bytes, 0x38)?),                   // DiskGUID
            array_sector: le_u64(bytes, 0x48)?,                                // PartitionEntryLBA
            entry_count: le_u32(bytes, 0x50)?,                                 // NumberOfPartitionEntries
            entry_size: le_u32(bytes, 0x54)?,                                  // SizeOfPartitionEntry
            array_checksum: le_u32(bytes, 0x58)?,                              // PartitionEntryArrayCRC32
        })
    }

    /// Whether the fields that say where the array lies can be true.
    pub(super) fn is_plausible(&self) -> bool {
        self.entry_size.is_power_of_two()
            && (SMALLEST_ENTRY..=LARGEST_ENTRY).contains(&self.entry_size)
            && self.entry_count > 0
            && self.array_length().is_some()
            && self.array_sector > 0
            && self.first_usable <= self.last_usable
    }

    /// Bytes of the entry array, within its bound.
    pub(super) fn array_length(&self) -> Option<usize> {
        let length = u64::from(self.entry_count).checked_mul(u64::from(self.entry_size))?;
        (length <= LARGEST_ARRAY).then(|| to_usize(length)).flatten()
    }

    /// Which fields, that two copies share, differ.
    pub(super) fn differences(&self, other: &Self) -> Vec<&'static str> {
        let pairs = [
            (self.size != other.size, "size of the header"),
            (self.first_usable != other.first_usable, "first usable sector"),
            (self.last_usable != other.last_usable, "last usable sector"),
            (self.disk_guid != other.disk_guid, "disk GUID"),
            (self.entry_count != other.entry_count, "number of entries"),
            (self.entry_size != other.entry_size, "size of an entry"),
            (self.array_checksum != other.array_checksum, "partition entries"),
            (self.own_sector != other.other_sector || self.other_sector != other.own_sector, "place of the other copy"),
        ];
        pairs.into_iter().filter(|(differs, _)| *differs).map(|(_, what)| what).collect()
    }
}

/// The checksum over the header's own size with its field taken as zeros.
fn checksum_holds(bytes: &[u8], size: u32, checksum: u32) -> bool {
    let rest = to_usize(u64::from(size)).and_then(|size| bytes.get(0x14..size));
    let (Some(before), Some(rest)) = (slice(bytes, 0, 0x10), rest.filter(|_| size >= SMALLEST_HEADER)) else {
        return false;
    };
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(before);
    hasher.update(&[0; 4]);
    hasher.update(rest);
    hasher.finalize() == checksum
}

/// One used entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) code: Guid,
    pub(super) id: Guid,
    pub(super) first: u64,
    /// Inclusive.
    pub(super) last: u64,
    flags: u64,
    pub(super) name: String,
}

impl Entry {
    /// `None` for an unused entry.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let code = Guid::from_disk(array(bytes, 0x00)?);
        if code == Guid::ZERO {
            return None;
        }
        let units: Vec<u16> = slice(bytes, 0x38, 72)?
            .chunks_exact(2)
            .filter_map(|unit| unit.first_chunk().copied().map(u16::from_le_bytes))
            .take_while(|unit| *unit != 0)
            .collect();
        Some(Self {
            code,                                     // 0x00 PartitionTypeGUID
            id: Guid::from_disk(array(bytes, 0x10)?), // UniquePartitionGUID
            first: le_u64(bytes, 0x20)?,              // StartingLBA
            last: le_u64(bytes, 0x28)?,               // EndingLBA
            flags: le_u64(bytes, 0x30)?,              // Attributes
            name: String::from_utf16_lossy(&units),   // 0x38 PartitionName
        })
    }

    /// Whether it can be an entry, by itself: a GUID of its own, a place after the table, no reserved attribute (UEFI 2.11
    /// table 5.8: bits 3 to 47), a name without control characters. `unit` is bytes in a sector.
    pub(super) fn is_plausible(&self, unit: u64) -> bool {
        const RESERVED: u64 = 0x0000_ffff_ffff_fff8;
        // Sector 0 is the MBR's, 1 the header's, and an array has at least one.
        const FIRST: u64 = 3;
        self.id != Guid::ZERO
            && (FIRST..=self.last).contains(&self.first)
            && self.last.checked_add(1).and_then(|end| end.checked_mul(unit)).is_some()
            && self.flags & RESERVED == 0
            && !self.name.chars().any(|one| one.is_control() || one == char::REPLACEMENT_CHARACTER)
    }

    /// Attribute bit 2.
    pub(super) fn is_legacy_bootable(&self) -> bool {
        self.flags & 4 != 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A header that sgdisk 1.0.9 wrote on a drive of 64 MiB.
    const SGDISK: [u8; 92] = [
        0x45, 0x46, 0x49, 0x20, 0x50, 0x41, 0x52, 0x54, 0x00, 0x00, 0x01, 0x00, 0x5c, 0x00, 0x00, 0x00, 0xe0, 0xcf,
        0x8c, 0x1a, 0x00, 0x00, 0x00, 0x00, 0x01, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0xff, 0xff, 0x01, 0x00,
        0x00, 0x00, 0x00, 0x00, 0x22, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0xde, 0xff, 0x01, 0x00, 0x00, 0x00,
        0x00, 0x00, 0x11, 0x11, 0x11, 0x11, 0x22, 0x22, 0x33, 0x33, 0x44, 0x44, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55,
        0x02, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x80, 0x00, 0x00, 0x00, 0x80, 0x00, 0x00, 0x00, 0x5b, 0x01,
        0xd9, 0x3d,
    ];

    #[test]
    fn a_header_as_written_by_another_program() {
        let mut sector = SGDISK.to_vec();
        sector.resize(512, 0);
        let header = Header::from_bytes(&sector).unwrap();
        assert!(header.checksum_holds && header.is_plausible());
        assert_eq!(header.size, SMALLEST_HEADER);
        assert_eq!((header.own_sector, header.other_sector, header.array_sector), (1, 131_071, 2));
        assert_eq!((header.first_usable, header.last_usable), (34, 131_038));
        assert_eq!((header.entry_count, header.entry_size, header.array_checksum), (128, 128, 0x3dd9_015b));
        assert_eq!(header.disk_guid.to_string(), "11111111-2222-3333-4444-555555555555");
    }

    #[test]
    fn every_flipped_bit_of_the_header_breaks_its_checksum() {
        for position in 0..SGDISK.len() * 8 {
            let mut sector = SGDISK.to_vec();
            sector.resize(512, 0);
            sector[position / 8] ^= 1 << (position % 8);
            assert!(Header::from_bytes(&sector).is_none_or(|header| !header.checksum_holds), "bit {position}");
        }
    }

    #[test]
    fn checksums_are_those_of_zlib() {
        // CRC-32 of zlib: its check value, and an empty array.
        assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
        assert_eq!(crc32fast::hash(&[0; 16_384]), 0xab54_d286);
    }

    #[test]
    fn a_header_can_not_ask_for_more_than_the_bounds() {
        let mut sector = SGDISK.to_vec();
        sector.resize(512, 0);
        let with = |count: u32, size: u32| {
            let mut header = Header::from_bytes(&sector).unwrap();
            (header.entry_count, header.entry_size) = (count, size);
            header.is_plausible()
        };
        assert!(with(128, 256) && with(1024, 4096) && with(32_768, 128));
        assert!(!with(1025, 4096) && !with(u32::MAX, 128) && !with(0, 128));
        assert!(!with(128, 64) && !with(128, 192) && !with(128, 8192) && !with(128, 0));
    }
}
