//! A boot sector and what it ties the volume to: the opening of each allocation table and of the root folder.
//! `structures` has the sources; the first two entries of a table stand in the FAT specification, "FAT Data Structure".

use super::structures::{BootSector, ENTRY, ShortEntry, Width, attribute};
use super::units::{Cluster, Layout};
use crate::bytes::{le_u16, le_u32, u8_at};
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
    let (mask, flags) = (boot.width.mask(), closing_flags(boot.width));
    let entries = entry(table, boot.width, 0).zip(entry(table, boot.width, 1));
    entries.is_some_and(|(first, second)| {
        first == (mask & !0xff) | u32::from(boot.media) && second | flags > boot.width.bad()
    })
}

/// The bits of the second entry that say whether the volume was closed.
fn closing_flags(width: Width) -> u32 {
    match width {
        Width::Fat12 => 0,
        Width::Fat16 => 0xc000,
        Width::Fat32 => 0x0c00_0000,
    }
}

/// Which FAT's table a sector opens, by itself: the medium's byte and an end mark, and then a file that lies in one piece,
/// or nothing but free clusters. A medium of FFh, which floppy disks of 320 KiB have, is left out: erased flash is full
/// of it.
pub(in crate::filesystem) fn opens_some_table(sector: &[u8]) -> Option<Format> {
    let media = u32::from(u8_at(sector, 0)?);
    if media != 0xf0 && !(0xf8..0xff).contains(&media) {
        return None;
    }
    [(Format::Fat32, Width::Fat32), (Format::Fat16, Width::Fat16), (Format::Fat12, Width::Fat12)].into_iter().find_map(
        |(format, width)| {
            let mask = width.mask();
            let flags = closing_flags(width);
            let entry = |index: u32| entry(sector, width, index);
            let opens = entry(0)? == (mask & !0xff) | media && (entry(1)? | flags) > width.bad();
            let links = (2..64).any(|index| entry(index) == Some(index.saturating_add(1)));
            let is_empty = || (2..64).filter_map(entry).all(|value| value == 0);
            (opens && (links || is_empty())).then_some(format)
        },
    )
}

/// An entry of a table's first sector.
fn entry(table: &[u8], width: Width, index: u32) -> Option<u32> {
    let index = usize::try_from(index).ok()?;
    let value = match width {
        Width::Fat12 => {
            let pair = u32::from(le_u16(table, index.checked_mul(3)?.checked_div(2)?)?);
            if index % 2 == 0 { pair } else { pair >> 4 }
        }
        Width::Fat16 => le_u16(table, index.checked_mul(2)?)?.into(),
        Width::Fat32 => le_u32(table, index.checked_mul(4)?)?,
    };
    Some(value & width.mask())
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
