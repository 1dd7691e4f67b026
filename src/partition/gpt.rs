//! The two copies of a GPT, and which of them counts.

use super::gpt_header::{Entry, Header};
use super::{DiskId, MAX_PARTITIONS, Partition, Scheme, Table, TypeCode, read_real};
use crate::bytes::{slice, to_u64, to_usize};
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::source::{Hole, Source};

/// Where the first copy's header stands, in sectors.
const PRIMARY_SECTOR: u64 = 1;

/// The entry array that a header names.
#[derive(Debug)]
struct Array {
    offset: u64,
    bytes: Vec<u8>,
    /// Relative to the array's start.
    holes: Vec<Hole>,
    checksum_holds: bool,
}

/// One copy of the table.
#[derive(Debug)]
struct Copy {
    /// Where its header stands, in bytes.
    offset: u64,
    header: Header,
    /// `None` if the header names no array that could be.
    array: Option<Array>,
}

impl Copy {
    fn is_sound(&self) -> bool {
        self.header.checksum_holds && self.array_is_sound()
    }

    /// A sound array also speaks for the fields of the header that name it.
    fn array_is_sound(&self) -> bool {
        self.array.as_ref().is_some_and(|array| array.checksum_holds)
    }

    /// This copy with the holes of its array filled from another one that describes the same array.
    fn filled_from(&self, other: &Self) -> Option<Self> {
        let (mine, theirs) = (self.array.as_ref()?, other.array.as_ref()?);
        let same = self.header.array_checksum == other.header.array_checksum && mine.bytes.len() == theirs.bytes.len();
        if !same || mine.holes.is_empty() {
            return None;
        }
        let mut bytes = mine.bytes.clone();
        let mut holes = Vec::new();
        for hole in &mine.holes {
            let place = to_usize(hole.range.start).zip(to_usize(hole.range.end));
            let (from, to) = place?;
            bytes.get_mut(from..to)?.copy_from_slice(theirs.bytes.get(from..to)?);
            for inner in &theirs.holes {
                let range = inner.range.start.max(hole.range.start)..inner.range.end.min(hole.range.end);
                if !range.is_empty() {
                    holes.push(Hole { range, why: inner.why });
                }
            }
        }
        let checksum_holds = holes.is_empty() && crc32fast::hash(&bytes) == self.header.array_checksum;
        let array = Array { offset: mine.offset, bytes, holes, checksum_holds };
        Some(Self { offset: self.offset, header: self.header.clone(), array: Some(array) })
    }

    /// The bytes of an entry, if every one was read.
    fn entry(&self, index: usize) -> Option<(&[u8], u64)> {
        let array = self.array.as_ref()?;
        let size = to_usize(u64::from(self.header.entry_size))?;
        let start = index.checked_mul(size)?;
        let bytes = slice(&array.bytes, start, size)?;
        let range = to_u64(start)..to_u64(start.checked_add(size)?);
        let whole = array.holes.iter().all(|hole| hole.range.end <= range.start || hole.range.start >= range.end);
        whole.then(|| (bytes, array.offset.saturating_add(range.start)))
    }
}

/// What stands where a header should be.
#[derive(Debug)]
enum Place {
    Copy(Copy),
    Unread(u64),
    PastEnd,
    Nothing(u64),
}

impl Place {
    fn read(source: &Source, sector: u64, sector_size: u64) -> Result<Self> {
        let inside = sector
            .checked_mul(sector_size)
            .filter(|offset| offset.checked_add(sector_size).is_some_and(|end| end <= source.length()));
        let (Some(offset), Some(length)) = (inside, to_usize(sector_size)) else { return Ok(Self::PastEnd) };
        let Some(bytes) = read_real(source, offset, length)? else { return Ok(Self::Unread(offset)) };
        let Some(mut header) = Header::from_bytes(&bytes) else { return Ok(Self::Nothing(offset)) };
        // A copy of a header in another place is a leftover.
        header.checksum_holds &= header.own_sector == sector && header.is_plausible();
        let array = if header.is_plausible() { read_array(source, &header, sector_size)? } else { None };
        Ok(Self::Copy(Copy { offset, header, array }))
    }

    fn copy(&self) -> Option<&Copy> {
        match self {
            Self::Copy(copy) => Some(copy),
            _ => None,
        }
    }

    fn is_sound(&self) -> bool {
        self.copy().is_some_and(Copy::is_sound)
    }
}

fn read_array(source: &Source, header: &Header, sector_size: u64) -> Result<Option<Array>> {
    let place = header.array_sector.checked_mul(sector_size).zip(header.array_length());
    let Some((offset, length)) = place.filter(|(offset, length)| {
        // Nothing of an array past the end is there; a part of it may be.
        *length > 0 && *offset < source.length()
    }) else {
        return Ok(None);
    };
    let mut bytes = vec![0; length];
    let mut holes = source.read_at(offset, &mut bytes)?.holes;
    for hole in &mut holes {
        let range = hole.range.start.saturating_sub(offset)..hole.range.end.saturating_sub(offset);
        hole.range = range;
    }
    let checksum_holds = holes.is_empty() && crc32fast::hash(&bytes) == header.array_checksum;
    Ok(Some(Array { offset, bytes, holes, checksum_holds }))
}

/// Both copies, as far as they were found.
#[derive(Debug)]
pub(super) struct Found {
    primary: Place,
    backup: Place,
    image_length: u64,
}

impl Found {
    /// Looks for both copies. The backup is where the primary's header says, then where the protective entry lets the
    /// drive end, then at the image's end.
    pub(super) fn read(source: &Source, sector_size: u64, protective_length: Option<u64>) -> Result<Self> {
        let primary = Place::read(source, PRIMARY_SECTOR, sector_size)?;
        let sectors = source.length().checked_div(sector_size).unwrap_or(0);
        let candidates = [
            primary.copy().map(|copy| copy.header.other_sector),
            protective_length.and_then(|length| length.checked_sub(1)),
            sectors.checked_sub(1),
        ];
        let mut backup: Option<Place> = None;
        for sector in candidates.into_iter().flatten().filter(|sector| *sector > PRIMARY_SECTOR) {
            let place = Place::read(source, sector, sector_size)?;
            let better = match &backup {
                None | Some(Place::PastEnd) => true,
                Some(before) => place.is_sound() || (before.copy().is_none() && place.copy().is_some()),
            };
            if better {
                backup = Some(place);
            }
            if backup.as_ref().is_some_and(Place::is_sound) {
                break;
            }
        }
        Ok(Self { primary, backup: backup.unwrap_or(Place::PastEnd), image_length: source.length() })
    }

    /// Whether the primary copy has nothing wrong.
    pub(super) fn primary_sound(&self) -> bool {
        self.primary.is_sound()
    }

    /// Whether one of the copies has nothing wrong.
    pub(super) fn any_sound(&self) -> bool {
        self.primary.is_sound() || self.backup.is_sound()
    }

    /// Where a header stands, sound or not.
    pub(super) fn any_header(&self) -> Option<u64> {
        self.primary.copy().or(self.backup.copy()).map(|copy| copy.offset)
    }

    /// Puts the partitions of the better copy into `table`.
    pub(super) fn fill(&self, table: &mut Table) {
        table.scheme = Scheme::Gpt;
        note_faults(table, &self.primary, "primary");
        note_faults(table, &self.backup, "backup");
        let (primary, backup) = (self.primary.copy(), self.backup.copy());
        if let (Some(one), Some(other)) = (primary, backup)
            && one.header.checksum_holds
            && other.header.checksum_holds
        {
            let differences = one.header.differences(&other.header);
            if !differences.is_empty() {
                let what = format!("they differ in: {}", differences.join(", "));
                table.note(FindingKind::GptCopiesDiffer, other.offset, what);
            }
        }
        // Best first: nothing wrong; an array that proves itself; a header that does. A header without a checksum and an
        // array without one may lie about everything.
        let rank = |copy: &Copy| match (copy.header.checksum_holds, copy.array_is_sound()) {
            (true, true) => Some(0),
            (false, true) => Some(1),
            (true, false) if copy.array.is_some() => Some(2),
            _ => None,
        };
        let copies = [primary, backup].into_iter().flatten();
        let Some((_, best)) = copies.filter_map(|copy| Some((rank(copy)?, copy))).min_by_key(|(rank, _)| *rank) else {
            table.complete = false;
            return;
        };
        let other = if std::ptr::eq(primary.unwrap_or(best), best) { backup } else { primary };
        if backup.is_some_and(|backup| std::ptr::eq(backup, best)) {
            table.note(FindingKind::GptBackupUsed, best.offset, "the primary copy is damaged or was not read");
        }
        table.disk_id = Some(DiskId::Gpt(best.header.disk_guid));
        self.check_length(table, best);
        if best.array_is_sound() {
            add_entries(table, best);
        } else if let Some(joined) = other.and_then(|other| best.filled_from(other)) {
            table.complete &= joined.array_is_sound();
            table.note(FindingKind::GptBackupUsed, best.offset, "for entries that were not read in the primary copy");
            add_entries(table, &joined);
        } else {
            table.complete = false;
            add_entries(table, best);
        }
    }

    /// A table for a longer drive means that the image may end early.
    fn check_length(&self, table: &mut Table, copy: &Copy) {
        let last = copy.header.own_sector.max(copy.header.other_sector);
        let drive = last.checked_add(1).and_then(|sectors| table.sectors(sectors));
        if let Some(drive) = drive.filter(|drive| *drive != self.image_length) {
            let (than, by) = if drive > self.image_length {
                ("shorter", drive.saturating_sub(self.image_length))
            } else {
                ("longer", self.image_length.saturating_sub(drive))
            };
            table.note(
                FindingKind::GptOtherLength,
                copy.offset,
                format!(
                    "the table is for {drive} bytes, the image is {by} bytes {than}; compare with the drive's label"
                ),
            );
        }
    }
}

/// Notes what is wrong with one copy. Whether anything is lost by it, the choice between the copies decides.
fn note_faults(table: &mut Table, place: &Place, which: &str) {
    let copy = match place {
        Place::Copy(copy) => copy,
        Place::Unread(offset) => {
            return table.note(FindingKind::TableUnread, *offset, format!("the {which} GPT header; read it again"));
        }
        Place::Nothing(offset) => {
            return table.note(FindingKind::GptHeaderBad, *offset, format!("no {which} header stands here"));
        }
        // Where the drive is longer than the image, the length is what is said.
        Place::PastEnd => return,
    };
    if !copy.header.checksum_holds {
        table.note(
            FindingKind::GptHeaderBad,
            copy.offset,
            format!("the {which} header contradicts its checksum or place"),
        );
    }
    match &copy.array {
        None => {
            table.note(FindingKind::GptArrayBad, copy.offset, format!("the {which} header names no array that can be"))
        }
        Some(array) => {
            if let Some(hole) = array.holes.first() {
                table.note(
                    FindingKind::TableUnread,
                    hole.range.start,
                    format!("the {which} GPT entries; read them again"),
                );
            } else if !array.checksum_holds {
                table.note(
                    FindingKind::GptArrayBad,
                    array.offset,
                    format!("the {which} entries contradict their checksum"),
                );
            }
        }
    }
}

/// Adds the entries that were read.
fn add_entries(table: &mut Table, best: &Copy) {
    for (index, number) in (0..best.header.entry_count).zip(1_u32..) {
        let Some(index) = to_usize(u64::from(index)) else { return };
        let Some((bytes, offset)) = best.entry(index) else { continue };
        let Some(entry) = Entry::from_bytes(bytes) else { continue };
        if table.partitions.len() >= MAX_PARTITIONS {
            table.lose(
                FindingKind::GptArrayBad,
                offset,
                format!("more than {MAX_PARTITIONS} partitions; the rest is not read"),
            );
            return;
        }
        let length = entry.last.checked_sub(entry.first).and_then(|length| length.checked_add(1));
        let place = table.sectors(entry.first).zip(length.and_then(|length| table.sectors(length)));
        let Some((start, length)) = place else {
            let why = format!("entry {number}: from sector {} to {}", entry.first, entry.last);
            table.lose(FindingKind::PartitionEntryBad, offset, why);
            continue;
        };
        if entry.first < best.header.first_usable || entry.last > best.header.last_usable {
            let (first, last) = (best.header.first_usable, best.header.last_usable);
            let why = format!("entry {number} lies outside the usable sectors {first} to {last}");
            table.note(FindingKind::PartitionEntryBad, offset, why);
        }
        table.partitions.push(Partition {
            number,
            start,
            length,
            code: TypeCode::Gpt(entry.code),
            bootable: entry.is_legacy_bootable(),
            name: Some(entry.name).filter(|name| !name.is_empty()),
            id: Some(entry.id),
            logical: false,
            entry_offset: offset,
        });
    }
}
