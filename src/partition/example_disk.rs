//! Drives for tests, built by hand from the published field offsets.

use std::sync::Arc;

use super::Guid;
use crate::image::MemoryImage;
use crate::sector_map::{Basis, ByteState, SectorMap};
use crate::source::Source;

pub(crate) const WINDOWS_DATA: Guid =
    Guid::from_groups(0xEBD0_A0A2, 0xB9E5, 0x4433, [0x87, 0xC0, 0x68, 0xB6, 0xB7, 0x26, 0x99, 0xC7]);
pub(crate) const EFI_SYSTEM: Guid =
    Guid::from_groups(0xC12A_7328, 0xF81F, 0x11D2, [0xBA, 0x4B, 0x00, 0xA0, 0xC9, 0x3E, 0xC9, 0x3B]);

/// Bytes of a drive.
#[derive(Debug, Clone)]
pub(crate) struct ExampleDisk {
    pub(crate) bytes: Vec<u8>,
    pub(crate) sector: usize,
}

impl ExampleDisk {
    pub(crate) fn new(sectors: usize, sector: usize) -> Self {
        Self { bytes: vec![0; sectors * sector], sector }
    }

    /// A source whose map says that every byte was read.
    pub(crate) fn source(&self) -> Source {
        source_of(self.bytes.clone())
    }

    /// Writes the signature and one entry of the boot record in sector `record`.
    pub(crate) fn entry(
        &mut self,
        record: usize,
        slot: usize,
        flag: u8,
        code: u8,
        first: u32,
        count: u32,
    ) -> &mut Self {
        let base = record * self.sector;
        self.bytes[base + 510..base + 512].copy_from_slice(&[0x55, 0xaa]);
        let at = base + 446 + slot * 16;
        self.bytes[at] = flag;
        self.bytes[at + 4] = code;
        self.bytes[at + 8..at + 12].copy_from_slice(&first.to_le_bytes());
        self.bytes[at + 12..at + 16].copy_from_slice(&count.to_le_bytes());
        self
    }

    /// Writes the opening of an NTFS volume, as far as recognition looks.
    pub(crate) fn ntfs_at(&mut self, sector: usize) -> &mut Self {
        let at = sector * self.sector;
        self.bytes[at..at + 11].copy_from_slice(b"\xeb\x52\x90NTFS    ");
        self.bytes[at + 11..at + 13].copy_from_slice(&(self.sector as u16).to_le_bytes());
        self.bytes[at + 510..at + 512].copy_from_slice(&[0x55, 0xaa]);
        self
    }

    /// Writes both copies of a GPT and its protective entry. An entry is its index, type, first and last sector, name.
    pub(crate) fn gpt(&mut self, entry_size: usize, entries: &[(usize, Guid, u64, u64, &str)]) -> &mut Self {
        let count = 128;
        let last = self.bytes.len() / self.sector - 1;
        self.entry(0, 0, 0, 0xee, 1, u32::try_from(last).unwrap());
        let array_sectors = (count * entry_size).div_ceil(self.sector);
        let mut array = vec![0; count * entry_size];
        for (index, code, first, end, name) in entries {
            let entry = &mut array[index * entry_size..(index + 1) * entry_size];
            entry[..16].copy_from_slice(&on_disk(*code));
            entry[16..32].fill(u8::try_from(index + 1).unwrap());
            entry[32..40].copy_from_slice(&first.to_le_bytes());
            entry[40..48].copy_from_slice(&end.to_le_bytes());
            for (place, unit) in entry[56..128].chunks_exact_mut(2).zip(name.encode_utf16()) {
                place.copy_from_slice(&unit.to_le_bytes());
            }
        }
        let first_usable = 2 + array_sectors;
        let backup_array = last - array_sectors;
        for (own, other, array_at) in [(1, last, 2), (last, 1, backup_array)] {
            let mut header = vec![0; 92];
            header[..8].copy_from_slice(b"EFI PART");
            header[8..12].copy_from_slice(&0x0001_0000_u32.to_le_bytes());
            header[12..16].copy_from_slice(&92_u32.to_le_bytes());
            header[24..32].copy_from_slice(&(own as u64).to_le_bytes());
            header[32..40].copy_from_slice(&(other as u64).to_le_bytes());
            header[40..48].copy_from_slice(&(first_usable as u64).to_le_bytes());
            header[48..56].copy_from_slice(&(backup_array as u64 - 1).to_le_bytes());
            header[56..72].fill(0x77);
            header[72..80].copy_from_slice(&(array_at as u64).to_le_bytes());
            header[80..84].copy_from_slice(&(count as u32).to_le_bytes());
            header[84..88].copy_from_slice(&(entry_size as u32).to_le_bytes());
            header[88..92].copy_from_slice(&crc32fast::hash(&array).to_le_bytes());
            let checksum = crc32fast::hash(&header);
            header[16..20].copy_from_slice(&checksum.to_le_bytes());
            self.bytes[own * self.sector..][..92].copy_from_slice(&header);
            self.bytes[array_at * self.sector..][..array.len()].copy_from_slice(&array);
        }
        self
    }

    /// Computes the checksum of the header in `sector` again after a change.
    pub(crate) fn seal_header(&mut self, sector: usize) {
        let at = sector * self.sector;
        self.bytes[at + 16..at + 20].fill(0);
        let checksum = crc32fast::hash(&self.bytes[at..at + 92]);
        self.bytes[at + 16..at + 20].copy_from_slice(&checksum.to_le_bytes());
    }
}

/// A source of these bytes, all of them read.
pub(crate) fn source_of(bytes: Vec<u8>) -> Source {
    let map = SectorMap::from_ranges(bytes.len() as u64, Basis::Full, ByteState::Read, &[]).unwrap();
    Source::new(Arc::new(MemoryImage::new(bytes)), &map, 512)
}

/// The bytes of a GUID on disk, from its text.
fn on_disk(guid: Guid) -> [u8; 16] {
    let text: String = guid.to_string().chars().filter(|character| *character != '-').collect();
    let mut bytes = [0; 16];
    for (index, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&text[index * 2..index * 2 + 2], 16).unwrap();
    }
    bytes[..4].reverse();
    bytes[4..6].reverse();
    bytes[6..8].reverse();
    bytes
}
