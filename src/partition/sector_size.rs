//! Which logical sector size a drive had. An image carries none; the table, and what lies where it points, show it.
//!
//! An adapter between drive and computer may show sectors of 4096 bytes where the drive has 512, or the reverse. What was
//! partitioned through it counts in the adapter's sectors, whatever the drive is imaged with later: the header of a GPT
//! stands at byte 4096 then, and says so itself.

use super::boot_sector;
use super::gpt::ends;
use super::gpt_header;
use super::gpt_loose::Loose;
use super::mbr::Sector;
use super::{SectorSizeFrom, Table, read_real};
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::source::Source;

/// The sizes that drives have, the usual one first.
const SIZES: [u64; 2] = [512, 4096];

/// What the image shows of its sectors.
#[derive(Debug)]
pub(super) struct Seen {
    /// Bytes in a sector.
    pub(super) size: u64,
    /// On whose word.
    pub(super) from: SectorSizeFrom,
    /// The sound header of a GPT that counts in sectors of another size, and that size.
    other: Option<(u64, u64)>,
    /// Whether a GPT shows it: its headers say their own place, and can't be read in sectors of another size.
    by_gpt: bool,
}

impl Seen {
    fn found(size: u64) -> Self {
        Self { size, from: SectorSizeFrom::Found, other: None, by_gpt: false }
    }

    /// Decides what the table counts in, and notes where that is not the drive's size or another table counts otherwise.
    pub(super) fn enter(&self, table: &mut Table) {
        let set = table.sector_size;
        if let Some((offset, size)) = self.other.filter(|(_, size)| *size != set) {
            let why = format!(
                "a GPT for sectors of {size} bytes stands here, too, and is not used; `--sector-size {size}` reads it"
            );
            table.note(FindingKind::TableOtherSectorSize, offset, why);
        }
        if table.sector_size_from != SectorSizeFrom::Set || self.size == set || self.from != SectorSizeFrom::Found {
            return;
        }
        let size = self.size;
        if self.by_gpt && self.other.is_none_or(|(_, other)| other != set) {
            table.unit = size;
            let why = format!(
                "the GPT counts in sectors of {size} bytes and is read so; holes count by {set} bytes, as you say"
            );
            table.note(FindingKind::TableOtherSectorSize, size, why);
        } else if !self.by_gpt {
            let why = format!("by what stands there it counts in sectors of {size} bytes; `--sector-size {size}` does");
            table.note(FindingKind::TableOtherSectorSize, 0, why);
        }
    }
}

/// The sector size, and on whose word.
pub(super) fn find(source: &Source) -> Result<Seen> {
    let sector = Sector::read(source)?;
    let ordinary = matches!(&sector, Sector::Table(mbr) if mbr.has_entries() && !mbr.is_protective());
    let protective = sector.protective_length();
    if let Some(seen) = if ordinary { None } else { by_gpt(source, protective)? } {
        return Ok(seen);
    }
    let found = match &sector {
        Sector::Table(mbr) => by_volumes(source, &mbr.first_sectors())?,
        Sector::Filesystem(sector) => boot_sector::sector_size(sector),
        Sector::Unread | Sector::Garbled | Sector::Nothing => None,
    };
    if let Some(size) = found {
        return Ok(Seen::found(size));
    }
    let loose =
        if ordinary || matches!(sector, Sector::Filesystem(_)) { None } else { by_entries(source, protective)? };
    Ok(loose.map_or(Seen { size: 512, from: SectorSizeFrom::Assumed, other: None, by_gpt: false }, |size| Seen {
        by_gpt: true,
        ..Seen::found(size)
    }))
}

/// A header that says its own place, in sectors of `size` bytes.
struct Header {
    offset: u64,
    size: u64,
    sound: bool,
    primary: bool,
}

/// The GPT header is in sector 1, its backup in the last one of the image or of what the protective entry covers; each
/// says its own sector number. A header whose checksum holds goes before one that is damaged, a primary one before a
/// backup, and of two that are as good the one counts in whose sectors the drive is as long as the image.
fn by_gpt(source: &Source, protective: Option<u64>) -> Result<Option<Seen>> {
    let mut headers: Vec<Header> = Vec::new();
    for size in SIZES {
        let backups = ends(source, size, protective).into_iter().filter_map(|end| end.checked_sub(size));
        for offset in std::iter::once(size).chain(backups) {
            let Some(bytes) = read_real(source, offset, 512)? else { continue };
            let Some(seen) = gpt_header::glance(&bytes) else { continue };
            if seen.own_sector.checked_mul(size) == Some(offset) {
                headers.push(Header { offset, size, sound: seen.checksum_holds, primary: offset == size });
            }
        }
    }
    let fits = |size: u64| protective.and_then(|count| count.checked_mul(size)) == Some(source.length());
    let Some(best) = headers.iter().max_by_key(|one| (one.sound, one.primary, fits(one.size), one.size == 512)) else {
        return Ok(None);
    };
    let other = headers.iter().find(|one| one.sound && one.size != best.size).map(|one| (one.offset, one.size));
    Ok(Some(Seen { other, by_gpt: true, ..Seen::found(best.size) }))
}

/// The size at which entries without a header lead to more volumes.
fn by_entries(source: &Source, protective: Option<u64>) -> Result<Option<u64>> {
    let mut best: Option<(u64, u64)> = None;
    for size in SIZES {
        let Some(loose) = Loose::find(source, size, &ends(source, size, protective))? else { continue };
        if loose.is_proven(protective.is_some()) && best.is_none_or(|(most, _)| loose.volumes > most) {
            best = Some((loose.volumes, size));
        }
    }
    Ok(best.map(|(_, size)| size))
}

/// An MBR counts in sectors without saying their size: the size at which more of its entries point at volumes.
fn by_volumes(source: &Source, first_sectors: &[u64]) -> Result<Option<u64>> {
    let mut best: Option<(u64, u64)> = None;
    for size in SIZES {
        let mut hits = 0_u64;
        for offset in first_sectors.iter().filter_map(|first| first.checked_mul(size)) {
            if boot_sector::volume_begins_at(source, offset)? || Sector::is_link_at(source, offset)? {
                hits = hits.saturating_add(1);
            }
        }
        if hits > best.map_or(0, |(most, _)| most) {
            best = Some((hits, size));
        }
    }
    Ok(best.map(|(_, size)| size))
}
