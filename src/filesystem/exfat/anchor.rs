//! A boot sector and what it ties the volume to: the FAT's first two entries, the root folder's own entries, and the
//! checksum of its region. `structures` has the sources; the FAT's first entries stand in the specification, 4.1.

use super::checksum::boot_checksum;
use super::structures::{BOOT_SECTORS, BootSector, ENTRY, entry_type};
use crate::bytes::{at_most, le_u32, le_u64};
use crate::error::Result;
use crate::filesystem::anchor::{Anchor, Evidence, Format, Structure, look};
use crate::source::Source;

/// How much of the root folder's list is looked at, in bytes: its own entries are written first.
const LOOK: usize = 512;

pub(in crate::filesystem) fn anchor(sector: &[u8]) -> Option<Anchor> {
    let boot = BootSector::from_bytes(sector)?;
    let before = le_u64(sector, 0x40)?; // PartitionOffset
    Some(Anchor {
        format: Format::ExFat,
        length: boot.length,
        backup: BOOT_SECTORS.checked_mul(boot.sector_size),
        before: before.checked_mul(boot.sector_size).filter(|before| *before > 0),
    })
}

pub(in crate::filesystem) fn evidence(sector: &[u8], volume: &Source, all: &mut Vec<Evidence>) -> Result<()> {
    let Some(boot) = BootSector::from_bytes(sector) else { return Ok(()) };
    // Media type F8h, then a mark.
    let opens = |table: &[u8]| le_u32(table, 0) == Some(0xffff_fff8) && le_u32(table, 4) == Some(0xffff_ffff);
    look(volume, Structure::AllocationTable, boot.fat_start, 8, |table| Some(opens(table)), all)?;
    if let Some(index) = boot.heap.index(boot.root) {
        let is_root = |list: &[u8]| {
            let kinds = |kind: u8| list.chunks_exact(ENTRY).any(|entry| entry.first() == Some(&kind));
            Some(kinds(entry_type::BITMAP) && kinds(entry_type::UPCASE))
        };
        look(volume, Structure::RootFolder, boot.heap.offset(index), LOOK, is_root, all)?;
    }
    let over = at_most(BOOT_SECTORS.saturating_sub(1).saturating_mul(boot.sector_size), 11 << 12);
    for region in [0, BOOT_SECTORS.saturating_mul(boot.sector_size)] {
        let holds = |bytes: &[u8]| {
            let (sectors, sum) = bytes.split_at_checked(over)?;
            // Only of a region that is this volume's.
            BootSector::from_bytes(sectors).filter(|other| other.geometry() == boot.geometry())?;
            Some(le_u32(sum, 0) == Some(boot_checksum(sectors)))
        };
        look(volume, Structure::Checksum, region, over.saturating_add(4), holds, all)?;
    }
    Ok(())
}
