//! The two boot regions: which of them counts, and whether anything speaks against it.

use super::checksum::boot_checksum;
use super::structures::{BOOT_SECTORS, BootSector};
use crate::bytes::{at_most, le_u32, slice, to_u64};
use crate::catalog::{FindingKind, Findings};
use crate::error::Result;
use crate::source::{Reality, Source};

/// Sector sizes that exFAT knows, in bytes (specification, 3.1.14).
const SECTOR_SIZES: [u64; 4] = [512, 1024, 2048, 4096];

/// The boot sector that counts.
#[derive(Debug)]
pub(super) struct Boot {
    pub(super) sector: BootSector,
    /// VolumeFlags of the main boot sector; in the backup they are out of date.
    pub(super) flags: Option<u16>,
    /// Its checksum is wrong, or the copy whose checksum is right says otherwise.
    pub(super) doubted: bool,
    /// Nobody vouches for it.
    pub(super) unknown: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Check {
    Sound,
    /// A part of the region was not read: nothing is proved, and nothing spoilt.
    Unread,
    Wrong,
}

struct Region {
    sector: BootSector,
    check: Check,
    unknown: bool,
    offset: u64,
}

/// Reads both regions. `None` if neither has a boot sector of exFAT.
pub(super) fn find(source: &Source, findings: &mut Findings) -> Result<Option<Boot>> {
    let first = source.read_real(0, BootSector::LENGTH)?.map(|(bytes, _)| bytes);
    let main = match first.as_deref().and_then(BootSector::from_bytes) {
        Some(sector) => region(source, 0, sector.sector_size)?,
        None => None,
    };
    let backup = match &main {
        Some(main) => backup(source, main.sector.sector_size)?,
        None => {
            // A sound boot sector of something else makes this volume something else, whatever an old backup says.
            let other = first.as_deref().is_some_and(|bytes| {
                slice(bytes, 0x1fe, 2) == Some(&[0x55, 0xaa]) && slice(bytes, 0x03, 8) != Some(BootSector::NAME)
            });
            if other {
                return Ok(None);
            }
            let mut found = None;
            for size in SECTOR_SIZES {
                found = match found {
                    None => backup(source, size)?,
                    found => found,
                };
            }
            found
        }
    };
    if let (Some(main), None) = (&main, &backup) {
        let place = BOOT_SECTORS.saturating_mul(main.sector.sector_size);
        if source.read_real(place, BootSector::LENGTH)?.is_some() {
            let offset = Some(source.image_offset(place));
            findings.add(FindingKind::BootSectorsDiffer, offset, None, || "the backup is none; the first one was used");
        }
    }
    Ok(choose(source, main, backup, findings))
}

fn backup(source: &Source, sector_size: u64) -> Result<Option<Region>> {
    region(source, BOOT_SECTORS.saturating_mul(sector_size), sector_size)
}

fn choose(source: &Source, main: Option<Region>, backup: Option<Region>, findings: &mut Findings) -> Option<Boot> {
    let flags = main.as_ref().map(|main| main.sector.flags);
    // A wrong one of two is told of when they are compared.
    let alone = main.is_none() || backup.is_none();
    let same = |one: &Region, other: &Region| one.sector.geometry() == other.sector.geometry();
    let (chosen, doubted) = match (main, backup) {
        (None, None) => return None,
        (Some(main), None) => {
            let doubted = main.check == Check::Wrong;
            (main, doubted)
        }
        (None, Some(backup)) => {
            let doubted = backup.check == Check::Wrong;
            (backup, doubted)
        }
        (Some(main), Some(backup)) => {
            let same = same(&main, &backup);
            if !same {
                findings.add(FindingKind::BootSectorsDiffer, Some(source.image_offset(backup.offset)), None, || {
                    match main.check {
                        Check::Wrong => "the backup was used if its checksum is right",
                        Check::Sound | Check::Unread => "the first one was used",
                    }
                });
            }
            if same && backup.check == Check::Wrong {
                findings.add(
                    FindingKind::BootSectorsDiffer,
                    Some(source.image_offset(backup.offset)),
                    None,
                    || "the backup's checksum is wrong",
                );
            }
            if main.check == Check::Wrong {
                findings.add(FindingKind::BootChecksumWrong, Some(source.image_offset(0)), None, || "");
            }
            match (main.check, backup.check) {
                (Check::Sound, _) => (main, false),
                (Check::Wrong, Check::Sound) => (backup, false),
                // The bytes that count were read; only if the copy that can be proved says otherwise is there doubt.
                (Check::Unread, Check::Sound) => (main, !same),
                (Check::Unread, Check::Unread | Check::Wrong) => (main, false),
                (Check::Wrong, Check::Unread | Check::Wrong) => (main, true),
            }
        }
    };
    let offset = Some(source.image_offset(chosen.offset));
    if chosen.offset > 0 {
        findings.add(FindingKind::BackupBootUsed, offset, None, || "the first boot sectors can't be used");
    }
    match chosen.check {
        Check::Sound => {}
        Check::Unread => findings.add(FindingKind::BootChecksumUnread, offset, None, || ""),
        Check::Wrong if alone => findings.add(FindingKind::BootChecksumWrong, offset, None, || ""),
        Check::Wrong => {}
    }
    Some(Boot { sector: chosen.sector, flags, doubted, unknown: chosen.unknown })
}

/// The region that starts at `offset`; `None` if its boot sector is none of exFAT, or of another sector size.
fn region(source: &Source, offset: u64, sector_size: u64) -> Result<Option<Region>> {
    let Some((bytes, unknown)) = source.read_real(offset, BootSector::LENGTH)? else { return Ok(None) };
    let Some(sector) = BootSector::from_bytes(&bytes).filter(|sector| sector.sector_size == sector_size) else {
        return Ok(None);
    };
    let length = BOOT_SECTORS.saturating_mul(sector_size);
    let mut all = vec![0; at_most(length, 12 * 4096)];
    let reality = source.read_at(offset, &mut all)?;
    Ok(Some(Region { sector, check: check(&all, offset, sector_size, &reality), unknown, offset }))
}

/// Holds the checksum against the sectors that it is over. The last sector repeats it; each copy that was read counts.
fn check(all: &[u8], offset: u64, sector_size: u64, reality: &Reality) -> Check {
    let over = at_most(BOOT_SECTORS.saturating_sub(1).saturating_mul(sector_size), all.len());
    let (sectors, copies) = all.split_at(over);
    let is_hole = |start: u64, end: u64| {
        reality
            .holes
            .iter()
            .any(|hole| hole.range.start < offset.saturating_add(end) && offset.saturating_add(start) < hole.range.end)
    };
    if is_hole(0, to_u64(over)) {
        return Check::Unread;
    }
    let sum = boot_checksum(sectors);
    let mut seen = false;
    for (index, copy) in (0_u64..).zip(copies.chunks_exact(4)) {
        let at = to_u64(over).saturating_add(index.saturating_mul(4));
        if is_hole(at, at.saturating_add(4)) {
            continue;
        }
        if le_u32(copy, 0) != Some(sum) {
            return Check::Wrong;
        }
        seen = true;
    }
    if seen { Check::Sound } else { Check::Unread }
}

#[cfg(test)]
mod tests {
    use std::ops::Range;
    use std::sync::Arc;

    use super::*;
    use crate::filesystem::exfat::structures::tests::sector;
    use crate::image::MemoryImage;
    use crate::sector_map::{Basis, ByteState, SectorMap, Segment};

    fn regions() -> Vec<u8> {
        let mut region = vec![0; 11 * 512];
        region[..512].copy_from_slice(&sector());
        let sum = boot_checksum(&region).to_le_bytes();
        region.extend(sum.repeat(128));
        let mut both = region.repeat(2);
        both.resize(8 << 20, 0);
        both
    }

    fn looked(bytes: Vec<u8>, unread: &[Range<u64>]) -> (Option<Boot>, Findings) {
        let segments: Vec<Segment> =
            unread.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
        let length = bytes.len() as u64;
        let map = SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &segments).unwrap();
        let mut findings = Findings::default();
        let boot = find(&Source::new(Arc::new(MemoryImage::new(bytes)), &map, 512), &mut findings).unwrap();
        (boot, findings)
    }

    fn kinds(findings: &Findings) -> Vec<FindingKind> {
        findings.kinds().map(|(kind, _)| kind).collect()
    }

    #[test]
    fn a_sound_one_needs_nothing_else() {
        let (boot, findings) = looked(regions(), &[]);
        let boot = boot.unwrap();
        assert_eq!((boot.flags, boot.doubted, boot.unknown), (Some(2), false, false));
        assert!(findings.is_empty());
    }

    #[test]
    fn the_backup_stands_in_for_a_boot_sector_in_a_hole_or_of_zeros() {
        let mut zeroed = regions();
        zeroed[..512].fill(0);
        for (bytes, unread) in [(regions(), vec![0..512]), (regions(), vec![0..6144]), (zeroed, vec![])] {
            let (boot, findings) = looked(bytes, &unread);
            let boot = boot.unwrap();
            assert_eq!((boot.flags, boot.doubted), (None, false));
            assert_eq!(kinds(&findings), [FindingKind::BackupBootUsed]);
        }
        // Both gone; or a sound boot sector of something else before an old backup.
        assert!(looked(regions(), &[0..512, 6144..6656]).0.is_none());
        let mut other = regions();
        other[3..11].copy_from_slice(b"NTFS    ");
        assert!(looked(other, &[]).0.is_none());
    }

    #[test]
    fn a_wrong_checksum_is_doubted_unless_the_backup_is_right() {
        let mut wrong = regions();
        wrong[0x64] ^= 1;
        let (boot, findings) = looked(wrong.clone(), &[]);
        let boot = boot.unwrap();
        assert_eq!((boot.doubted, boot.sector.serial), (false, 0x1234_abcd));
        let expected = [FindingKind::BackupBootUsed, FindingKind::BootSectorsDiffer, FindingKind::BootChecksumWrong];
        assert_eq!(kinds(&findings), expected);
        wrong[6144 + 600] ^= 1;
        let (boot, findings) = looked(wrong.clone(), &[]);
        assert!(boot.unwrap().doubted);
        assert_eq!(kinds(&findings), [FindingKind::BootSectorsDiffer, FindingKind::BootChecksumWrong]);
        // The flags and the percentage may be anything.
        let mut used = regions();
        (used[106], used[107], used[112]) = (0xff, 0xff, 77);
        assert!(looked(used, &[]).1.is_empty());
    }

    #[test]
    fn what_was_not_read_proves_nothing() {
        let (boot, findings) = looked(regions(), &[1024..1536, 6144 + 5632..12288]);
        assert!(!boot.unwrap().doubted);
        assert_eq!(kinds(&findings), [FindingKind::BootChecksumUnread]);
        // Sound by the backup, which says the same.
        let (boot, findings) = looked(regions(), &[1024..1536]);
        assert!(!boot.unwrap().doubted);
        assert_eq!(kinds(&findings), [FindingKind::BootChecksumUnread]);
    }
}
