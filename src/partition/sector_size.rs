//! Which logical sector size a drive had. An image carries none; the table, and what lies where it points, show it.

use super::boot_sector;
use super::gpt_header;
use super::mbr::Sector;
use super::{SectorSizeFrom, read_real};
use crate::bytes::round_down;
use crate::error::Result;
use crate::source::Source;

/// The sizes that drives have, the usual one first.
const SIZES: [u64; 2] = [512, 4096];

/// The sector size in bytes, and on whose word.
pub(super) fn find(source: &Source) -> Result<(u64, SectorSizeFrom)> {
    let sector = Sector::read(source)?;
    let ordinary = matches!(&sector, Sector::Table(mbr) if mbr.has_entries() && !mbr.is_protective());
    if let Some(size) = if ordinary { None } else { by_gpt(source)? } {
        return Ok((size, SectorSizeFrom::Found));
    }
    let found = match &sector {
        Sector::Table(mbr) => by_volumes(source, &mbr.first_sectors())?,
        Sector::Filesystem(sector) => boot_sector::sector_size(sector),
        Sector::Unread | Sector::Garbled | Sector::Nothing => None,
    };
    Ok(found.map_or((512, SectorSizeFrom::Assumed), |size| (size, SectorSizeFrom::Found)))
}

/// The GPT header is in sector 1, its backup in the last one; each says its own sector number. A header whose checksum
/// holds goes before one that is damaged.
fn by_gpt(source: &Source) -> Result<Option<u64>> {
    let mut damaged = None;
    for at_end in [false, true] {
        for size in SIZES {
            let last = round_down(source.length(), size).saturating_sub(size);
            let offset = if at_end { last } else { size };
            let Some(bytes) = read_real(source, offset, 512)? else { continue };
            let Some(seen) = gpt_header::glance(&bytes) else { continue };
            if seen.own_sector.checked_mul(size) != Some(offset) {
                continue;
            }
            if seen.checksum_holds {
                return Ok(Some(size));
            }
            damaged = damaged.or(Some(size));
        }
    }
    Ok(damaged)
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
