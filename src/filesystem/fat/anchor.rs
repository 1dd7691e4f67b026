//! A boot sector and what it ties the volume to: the opening of each allocation table and of the root folder.
//! `structures` has the sources; the first two entries of a table stand in the FAT specification, "FAT Data Structure".

use super::structures::{BootSector, ENTRY, ShortEntry, Width, attribute};
use super::units::{Cluster, Layout};
use crate::bytes::{le_u16, le_u32};
use crate::error::Result;
use crate::filesystem::anchor::{Anchor, Evidence, Format, Structure, look};
use crate::source::Source;

/// How much of each structure is looked at, in bytes.
const LOOK: usize = 512;

pub(in crate::filesystem) fn anchor(sector: &[u8]) -> Option<Anchor> {
    let boot = BootSector::from_bytes(sector)?;
    let size = boot.bytes_per_sector;
    let before = u64::from(le_u32(sector, 0x1c)?); // BPB_HiddSec
    let backup = (boot.backup_sector > 0 && boot.backup_sector < boot.reserved_sectors)
        .then(|| boot.backup_sector.checked_mul(size))
        .flatten();
    Some(Anchor {
        format: match boot.width {
            Width::Fat12 => Format::Fat12,
            Width::Fat16 => Format::Fat16,
            Width::Fat32 => Format::Fat32,
        },
        length: boot.total_sectors.checked_mul(size)?,
        backup,
        before: before.checked_mul(size).filter(|before| *before > 0),
    })
}

pub(in crate::filesystem) fn evidence(sector: &[u8], volume: &Source, all: &mut Vec<Evidence>) -> Result<()> {
    let Some(boot) = BootSector::from_bytes(sector) else { return Ok(()) };
    let Some(layout) = Layout::of(&boot) else { return Ok(()) };
    for index in 0..boot.tables {
        let offset = layout.tables.saturating_add(index.saturating_mul(layout.table));
        look(volume, Structure::AllocationTable, offset, LOOK, |table| Some(opens_table(&boot, table)), all)?;
    }
    let root = match boot.width {
        Width::Fat12 | Width::Fat16 => Some(layout.root.0),
        Width::Fat32 => {
            let first = Cluster(boot.root_cluster);
            layout.has(first).then(|| layout.offset(first))
        }
    };
    match root {
        Some(offset) => look(volume, Structure::RootFolder, offset, LOOK, is_list, all),
        None => Ok(()),
    }
}

/// Whether a table opens with the medium's byte and, in the second entry, an end mark whose two highest bits may be
/// cleared: they say whether the volume was closed.
fn opens_table(boot: &BootSector, table: &[u8]) -> bool {
    let opening = match boot.width {
        Width::Fat12 => le_u32(table, 0).map(|entries| (entries & 0xfff, entries >> 12 & 0xfff, 0)),
        Width::Fat16 => le_u16(table, 0).zip(le_u16(table, 2)).map(|(one, two)| (one.into(), two.into(), 0xc000)),
        Width::Fat32 => le_u32(table, 0).zip(le_u32(table, 4)).map(|(one, two)| (one, two, 0x0c00_0000)),
    };
    let mask = boot.width.mask();
    opening.is_some_and(|(first, second, flags)| {
        first & mask == (mask & !0xff) | u32::from(boot.media) && (second | flags) & mask > boot.width.bad()
    })
}

/// Whether a folder's list opens with entries that can be some; nothing is shown by an empty one.
fn is_list(bytes: &[u8]) -> Option<bool> {
    let entries = bytes.chunks_exact(ENTRY).take_while(|entry| entry.first().is_some_and(|first| *first != 0));
    let mut any = false;
    for entry in entries {
        any = true;
        let first = entry.first().copied().unwrap_or_default();
        let sound = ShortEntry::from_bytes(entry).is_some_and(|short| {
            short.attributes == attribute::LONG_NAME
                || (short.has_sound_attributes() && (first == 0xe5 || short.has_sound_name(first)))
        });
        if !sound {
            return Some(false);
        }
    }
    any.then_some(true)
}
