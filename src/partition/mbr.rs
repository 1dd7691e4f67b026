//! The master boot record and the chain of extended boot records.
//!
//! Sources: Linux `block/partitions/msdos.c`; UEFI 2.11 section 5.2; numbering as `sfdisk` 2.38 numbers.

use std::collections::BTreeSet;

use super::boot_sector;
use super::types::Purpose;
use super::{DiskId, Partition, Scheme, Table, TypeCode, read_real};
use crate::bytes::{array, le_u32, slice, u8_at};
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::source::Source;

/// Bytes of a boot record, whatever the sector size.
const RECORD: usize = 512;
/// Logical partitions that are followed; Linux gives up after 100 empty links, and no drive letter scheme has more.
const MAX_LINKS: usize = 256;
/// The numbers of primary partitions end here.
const PRIMARIES: u32 = 4;

/// One entry of a boot record.
#[derive(Debug, Clone, Copy)]
struct Entry {
    flag: u8,
    code: u8,
    first: u64,
    count: u64,
    /// Where it stands in its record.
    offset: u64,
}

impl Entry {
    fn from_bytes(bytes: [u8; 16], offset: u64) -> Self {
        let field = |at| u64::from(le_u32(&bytes, at).unwrap_or(0));
        let byte = |at| u8_at(&bytes, at).unwrap_or(0);
        Self {
            flag: byte(0x00),   // boot indicator
            code: byte(0x04),   // type; the CHS fields at 0x01 and 0x05 are not used
            first: field(0x08), // first sector
            count: field(0x0c), // sectors
            offset,
        }
    }

    fn is_unused(&self) -> bool {
        self.code == 0 && self.count == 0
    }

    fn has_place(&self) -> bool {
        self.count > 0
    }

    fn flag_is_valid(&self) -> bool {
        matches!(self.flag, 0x00 | 0x80)
    }

    fn purpose(&self) -> Purpose {
        TypeCode::Mbr(self.code).purpose()
    }
}

/// A boot record that holds entries: the MBR or one link of the chain.
#[derive(Debug, Clone)]
pub(super) struct Record {
    entries: [Entry; 4],
    disk_id: u32,
}

impl Record {
    /// `None` without the signature.
    fn from_bytes(bytes: &[u8]) -> Option<Self> {
        if slice(bytes, 0x1fe, 2)? != [0x55, 0xaa] {
            return None;
        }
        let entry = |at: usize, offset| array(bytes, at).map(|bytes| Entry::from_bytes(bytes, offset));
        Some(Self {
            disk_id: le_u32(bytes, 0x1b8)?, // disk signature
            entries: [
                entry(0x1be, 0x1be)?, // entry 1
                entry(0x1ce, 0x1ce)?, // entry 2
                entry(0x1de, 0x1de)?, // entry 3
                entry(0x1ee, 0x1ee)?, // entry 4
            ],
        })
    }

    pub(super) fn has_entries(&self) -> bool {
        self.entries.iter().any(|entry| !entry.is_unused())
    }

    fn protective(&self) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.purpose() == Purpose::Protective)
    }

    pub(super) fn is_protective(&self) -> bool {
        self.protective().is_some()
    }

    /// Where its entries point, in sectors.
    pub(super) fn first_sectors(&self) -> Vec<u64> {
        self.entries.iter().filter(|entry| entry.has_place()).map(|entry| entry.first).collect()
    }

    /// Notes what is unusual about the record before a GPT.
    pub(super) fn check_protective(&self, table: &mut Table, image_length: u64) {
        let Some(entry) = self.protective() else { return };
        if self.entries.iter().any(|other| other.has_place() && other.purpose() != Purpose::Protective) {
            // Here the protective entry covers only what the others leave.
            return table.note(FindingKind::HybridTable, entry.offset, "the GPT counts");
        }
        let last = image_length.checked_div(table.unit).unwrap_or(0).saturating_sub(1);
        // A drive too long for the field has all bits set; some tools always do that.
        if entry.count != last.min(u64::from(u32::MAX)) && entry.count != u64::from(u32::MAX) {
            let said = entry.count.saturating_add(1);
            table.note(FindingKind::ProtectiveLength, entry.offset, format!("it was made for {said} sectors"));
        }
    }

    /// Puts the partitions of this MBR and its chains into `table`.
    pub(super) fn fill(&self, source: &Source, table: &mut Table) -> Result<()> {
        if table.scheme == Scheme::None {
            table.scheme = Scheme::Mbr;
        }
        table.disk_id = table.disk_id.or(Some(DiskId::Mbr(self.disk_id)));
        let mut extended = Vec::new();
        for (entry, number) in self.entries.iter().zip(1..) {
            let Some(partition) = place(table, entry, number, 0, entry.offset) else { continue };
            if entry.purpose() == Purpose::Extended {
                extended.push((partition.start, partition.end()));
            }
            table.partitions.push(partition);
        }
        if let Some((second, _)) = extended.get(1) {
            table.note(FindingKind::PartitionEntryBad, *second, "a second extended partition; both are read");
        }
        let mut number = PRIMARIES;
        let mut visited = BTreeSet::new();
        for (start, end) in extended {
            follow(source, table, start..end, &mut number, &mut visited)?;
        }
        Ok(())
    }
}

/// An entry as a partition, its first sector relative to `base` (bytes). What can't be placed is noted.
fn place(table: &mut Table, entry: &Entry, number: u32, base: u64, entry_offset: u64) -> Option<Partition> {
    if entry.is_unused() {
        if !entry.flag_is_valid() {
            table.note(
                FindingKind::PartitionEntryBad,
                entry_offset,
                format!("an empty entry has flag {:#04x}", entry.flag),
            );
        }
        return None;
    }
    if !entry.has_place() {
        let why = format!("type {:02x} without a length", entry.code);
        table.lose(FindingKind::PartitionEntryBad, entry_offset, why);
        return None;
    }
    let place = table.sectors(entry.first).and_then(|first| base.checked_add(first)).zip(table.sectors(entry.count));
    let Some((start, length)) = place else {
        table.lose(FindingKind::PartitionEntryBad, entry_offset, "it lies further than a drive can be long");
        return None;
    };
    let doubt = if !entry.flag_is_valid() {
        Some(format!("flag {:#04x} instead of 00 or 80", entry.flag))
    } else if entry.code == 0 {
        Some("type 00 (empty) with a place and a length".to_string())
    } else if entry.first == 0 {
        Some("it begins on the boot record itself".to_string())
    } else {
        None
    };
    if let Some(doubt) = doubt {
        table.note(FindingKind::PartitionEntryBad, entry_offset, doubt);
    }
    Some(Partition {
        number,
        start,
        length,
        code: TypeCode::Mbr(entry.code),
        name: None,
        id: None,
        bootable: entry.flag == 0x80,
        logical: base > 0,
        entry_offset,
    })
}

/// Follows one chain of extended boot records. The volume of a record counts from that record, the next record from
/// the outermost extended partition; the chain may jump back and forth inside it.
fn follow(
    source: &Source,
    table: &mut Table,
    container: std::ops::Range<u64>,
    number: &mut u32,
    visited: &mut BTreeSet<u64>,
) -> Result<()> {
    let mut at = container.start;
    for _ in 0..MAX_LINKS {
        if !visited.insert(at) {
            table.lose(FindingKind::LogicalChainLoop, at, "this link was followed before");
            return Ok(());
        }
        if at.saturating_add(table.unit) > source.length() {
            table.lose(FindingKind::LogicalChainBroken, at, "the next link lies after the image's end");
            return Ok(());
        }
        let Some(bytes) = read_real(source, at, RECORD)? else {
            table.lose(FindingKind::TableUnread, at, "a link of the chain of logical partitions; read it again");
            return Ok(());
        };
        let Some(record) = Record::from_bytes(&bytes) else {
            table.lose(FindingKind::LogicalChainBroken, at, "no boot record stands here");
            return Ok(());
        };
        let mut volume = None;
        let mut link = None;
        for entry in &record.entries {
            let offset = at.saturating_add(entry.offset);
            let slot = if entry.purpose() == Purpose::Extended { &mut link } else { &mut volume };
            if entry.is_unused() && entry.flag_is_valid() {
                continue;
            }
            if slot.is_some() {
                table.note(FindingKind::PartitionEntryBad, offset, "a link has one volume and one next link; ignored");
                continue;
            }
            *slot = Some((*entry, offset));
        }
        if let Some((entry, offset)) = volume
            && let Some(partition) = place(table, &entry, number.saturating_add(1), at, offset)
        {
            *number = number.saturating_add(1);
            if partition.end() > container.end {
                table.note(FindingKind::PartitionEntryBad, offset, "it reaches out of the extended partition");
            }
            table.partitions.push(partition);
        }
        let Some((next, offset)) = link else { return Ok(()) };
        if !next.has_place() {
            table.lose(FindingKind::LogicalChainBroken, offset, "the next link has no length");
            return Ok(());
        }
        let target = table.sectors(next.first).and_then(|first| container.start.checked_add(first));
        match target.filter(|target| *target < container.end) {
            Some(target) => at = target,
            None => {
                table.lose(
                    FindingKind::LogicalChainBroken,
                    offset,
                    "the next link lies outside the extended partition",
                );
                return Ok(());
            }
        }
    }
    table.lose(FindingKind::LogicalChainBroken, at, format!("more than {MAX_LINKS} links; the rest is not followed"));
    Ok(())
}

/// What sector 0 is.
#[derive(Debug)]
pub(super) enum Sector {
    /// It lies where the drive gave nothing.
    Unread,
    /// It has the form of an MBR.
    Table(Record),
    /// It is the boot sector of a filesystem that fills the image.
    Filesystem(Vec<u8>),
    /// It ends like an MBR, but its entries make no sense.
    Garbled,
    /// It is none of these.
    Nothing,
}

impl Sector {
    /// Reads sector 0.
    ///
    /// A boot sector ends with the same two bytes as an MBR, and its code fills the place of the entries. It is a
    /// boot sector if it has a filesystem's fields, unless its entries are all well-formed and one of them points at a
    /// volume (some tools write both into one sector, others leave the old one's fields). Entries with odd flags are a table only in the same case.
    pub(super) fn read(source: &Source) -> Result<Self> {
        // A whole filesystem may be shorter than a drive's largest sector, a table never shorter than one record.
        let Some(bytes) = read_real(source, 0, RECORD)? else {
            return Ok(if source.length() < 512 { Self::Nothing } else { Self::Unread });
        };
        let filesystem = boot_sector::recognise(&bytes);
        let Some(record) = Record::from_bytes(&bytes) else {
            return Ok(if filesystem.is_some() { Self::Filesystem(bytes) } else { Self::Nothing });
        };
        let flags_valid = record.entries.iter().all(Entry::flag_is_valid);
        let believed = match filesystem {
            None if flags_valid => true,
            None => record.points_at_a_volume(source)?,
            Some(_) => flags_valid && record.points_at_a_volume(source)?,
        };
        Ok(match (believed, filesystem) {
            (true, _) => Self::Table(record),
            (false, Some(_)) => Self::Filesystem(bytes),
            (false, None) => Self::Garbled,
        })
    }

    /// What the protective entry says of the drive's length, in sectors.
    pub(super) fn protective_length(&self) -> Option<u64> {
        match self {
            Self::Table(record) => record.protective().map(|entry| entry.count.saturating_add(1)),
            _ => None,
        }
    }

    /// Whether an extended boot record stands at `offset`: the signature, and at least one entry.
    pub(super) fn is_link_at(source: &Source, offset: u64) -> Result<bool> {
        let record = read_real(source, offset, RECORD)?.and_then(|bytes| Record::from_bytes(&bytes));
        Ok(record.is_some_and(|record| record.has_entries() && record.entries.iter().all(Entry::flag_is_valid)))
    }
}

impl Record {
    /// Whether an entry is well-formed and a volume, a link or a GPT header stands where it points, at either sector
    /// size.
    fn points_at_a_volume(&self, source: &Source) -> Result<bool> {
        for entry in self.entries.iter().filter(|entry| entry.flag_is_valid() && entry.first > 0 && entry.has_place()) {
            for offset in [512, 4096].into_iter().filter_map(|size: u64| entry.first.checked_mul(size)) {
                let header = read_real(source, offset, 8)?.is_some_and(|bytes| bytes == b"EFI PART");
                if header || boot_sector::volume_begins_at(source, offset)? || Sector::is_link_at(source, offset)? {
                    return Ok(true);
                }
            }
        }
        Ok(false)
    }
}
