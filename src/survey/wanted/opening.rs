//! What says where volumes are and what they are, where that was not read.

use super::ranges::Ranges;
use super::{Round, Wanted};
use crate::catalog::FindingKind;
use crate::filesystem::NeededStructure;
use crate::partition::Purpose;
use crate::source::Source;
use crate::volumes::{Content, Disk, Role, Unknown};

/// Bytes from a volume's start among which its boot sector lies.
const OPENING: u64 = 512;

/// How far a part of the table reaches from where its first unread sector stands, in bytes: GPT keeps room for 128
/// entries of 128 bytes (UEFI 2.11, 5.3.1).
const TABLE: u64 = 128 * 128;

/// In which sector the backup of FAT32's boot sector stands, and exFAT's; NTFS keeps it in the volume's last.
const BACKUPS: [u64; 2] = [6, 12];

/// What to read again so that volumes can be told: of the one with the number `asked`, if the table has it, its boot
/// sector; else the sectors of the table that were not read, and the boot sector of every main volume that can't be
/// opened.
#[must_use]
pub fn to_open(disk: &Disk, asked: Option<u32>) -> Wanted {
    let mut ranges = Ranges::default();
    let is_known = asked.is_some_and(|number| disk.volume(number).is_some());
    if !disk.complete && !is_known {
        table(disk, &mut ranges);
    }
    for volume in &disk.volumes {
        let meant = if is_known { asked == Some(volume.number) } else { volume.role == Role::Main };
        let unread = matches!(volume.content, Content::Unknown(Unknown::FirstSectorsUnread | Unknown::PartlyUnread));
        if meant && unread {
            let window = disk.source.window(volume.start, volume.length);
            boot_sectors(&window, disk.table.sector_size, true, &mut ranges);
        }
    }
    if disk.volumes.is_empty() && disk.table.partitions.is_empty() {
        add(&disk.source, 0, OPENING, NeededStructure::BootSector, true, &mut ranges);
    }
    let mut wanted = Wanted::default();
    wanted.measure(&disk.source, disk.table.sector_size);
    let rounded = ranges.rounded(disk.table.sector_size, disk.source.length(), &[]);
    wanted.metadata = Round::default();
    wanted.metadata.set(rounded);
    wanted
}

/// Adds what of a range is not there; answers whether anything is.
fn add(source: &Source, start: u64, length: u64, what: NeededStructure, certain: bool, ranges: &mut Ranges) -> bool {
    let holes = source.reality(start, length).holes;
    for hole in &holes {
        ranges.add(source, hole.range.clone(), hole.why, what, certain);
    }
    !holes.is_empty()
}

/// The parts of the partition table that were not read: of two copies, the first.
fn table(disk: &Disk, ranges: &mut Ranges) {
    let kept = disk.table.findings.kinds().filter(|(kind, _)| *kind == FindingKind::TableUnread);
    let mut places: Vec<u64> = kept.flat_map(|(_, kept)| &kept.first).filter_map(|finding| finding.offset).collect();
    places.sort_unstable();
    let sector = disk.table.sector_size;
    let partitions = disk.table.partitions.iter().filter(|one| one.code.purpose() != Purpose::Protective);
    let first = partitions.map(|partition| partition.start).min().unwrap_or(u64::MAX);
    let half = disk.source.length() / 2;
    let in_front = places.iter().any(|place| *place < half);
    for place in places.into_iter().filter(|place| !in_front || *place < half) {
        // A header or link is one sector; entries are more.
        let is_array = place >= 2 * sector && place < first.min(2 * sector + TABLE);
        let length = if is_array { TABLE.min(first.saturating_sub(place)) } else { sector };
        add(&disk.source, place, length, NeededStructure::PartitionTable, true, ranges);
    }
}

/// The boot sector of a volume that can't be opened by one; if it was read and is none, the places of its backups.
pub(super) fn boot_sectors(volume: &Source, sector: u64, certain: bool, ranges: &mut Ranges) {
    if add(volume, 0, OPENING, NeededStructure::BootSector, certain, ranges) {
        return;
    }
    let last = volume.length().checked_sub(sector);
    for place in BACKUPS.map(|number| number * sector).into_iter().chain(last) {
        add(volume, place, OPENING, NeededStructure::BootSector, certain, ranges);
    }
}
