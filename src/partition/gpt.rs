//! The two copies of a GPT, and which of them counts.

use super::gpt_array::Array;
use super::gpt_copy::{Copy, Place};
use super::gpt_header::{Entry, Header};
use super::gpt_loose::Loose;
use super::{DiskId, MAX_PARTITIONS, Partition, Scheme, Table, TypeCode, boot_sector};
use crate::bytes::to_u64;
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::source::Source;

/// Where the first copy's header stands, in sectors.
const PRIMARY_SECTOR: u64 = 1;
/// How many of the entries in which two copies differ are named.
const NAMED_DIFFERENCES: usize = 4;

/// Both copies, as far as they were found.
#[derive(Debug)]
pub(super) struct Found {
    primary: Place,
    backup: Place,
    /// An array that no header vouches for; looked for if no header can be used.
    loose: Option<Loose>,
    image_length: u64,
}

impl Found {
    /// Looks for both copies of a table that counts in sectors of `unit` bytes. The backup is where the primary's header
    /// says, then where the protective entry lets the drive end, then at the image's end.
    pub(super) fn read(source: &Source, unit: u64, protective_length: Option<u64>) -> Result<Self> {
        let primary = Place::read(source, PRIMARY_SECTOR, unit)?;
        let sectors = source.length().checked_div(unit).unwrap_or(0);
        let candidates = [
            primary.copy().map(|copy| copy.header.other_sector),
            // All bits set say nothing of the length.
            protective_length.and_then(|length| length.checked_sub(1)).filter(|last| *last < u64::from(u32::MAX)),
            sectors.checked_sub(1),
        ];
        // Who says where it is can be believed: an image without its end ends with something else.
        let believed = primary.copy().is_none_or(|copy| copy.header.checksum_holds);
        let mut backup: Option<Place> = None;
        for sector in candidates.into_iter().flatten().filter(|sector| *sector > PRIMARY_SECTOR) {
            let place = Place::read(source, sector, unit)?;
            let better = match &backup {
                None => true,
                Some(Place::PastEnd) => !believed || place.copy().is_some(),
                Some(before) => place.is_sound() || (before.copy().is_none() && place.copy().is_some()),
            };
            if better {
                backup = Some(place);
            }
            if backup.as_ref().is_some_and(Place::is_sound) {
                break;
            }
        }
        let backup = backup.unwrap_or(Place::PastEnd);
        let mut found = Self { primary, backup, loose: None, image_length: source.length() };
        found.look_for_arrays(source, unit, &ends(source, unit, protective_length))?;
        Ok(found)
    }

    /// Where neither copy is sound, an array may still be where arrays stand.
    fn look_for_arrays(&mut self, source: &Source, unit: u64, ends: &[u64]) -> Result<()> {
        if self.any_sound() {
            return Ok(());
        }
        let named = |place: &Place| place.copy().and_then(|copy| copy.array.as_ref()).map(|array| array.offset);
        let mut places: Vec<u64> =
            [named(&self.primary), named(&self.backup), unit.checked_mul(2)].into_iter().flatten().collect();
        for place in [&self.primary, &self.backup] {
            let length = place.copy().and_then(|copy| copy.header.array_length()).map(to_u64);
            places.extend(ends.iter().filter_map(|end| end.checked_sub(unit)?.checked_sub(length?)));
        }
        for place in [&mut self.primary, &mut self.backup] {
            if let Place::Copy(copy) = place {
                copy.look_elsewhere(source, &places)?;
            }
        }
        if self.best().is_none() {
            self.loose = Loose::find(source, unit, ends)?;
        }
        Ok(())
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

    /// Whether entries without a header were found where no protective entry says that there was a GPT, and prove
    /// themselves.
    pub(super) fn has_loose_entries(&self) -> bool {
        self.loose.as_ref().is_some_and(|loose| loose.is_proven(false))
    }

    /// The copy that counts, and the other one. Best first: nothing wrong; an array that proves itself; a header that does.
    /// A header without a checksum and an array without one may lie about everything.
    fn best(&self) -> Option<(&Copy, Option<&Copy>)> {
        let rank = |copy: &Copy| match (copy.header.checksum_holds, copy.array_sound) {
            (true, true) => Some(0),
            (false, true) => Some(1),
            (true, false) if copy.array.is_some() => Some(2),
            _ => None,
        };
        let (primary, backup) = (self.primary.copy(), self.backup.copy());
        match (primary.and_then(rank), backup.and_then(rank)) {
            (Some(one), Some(two)) if two < one => backup.map(|best| (best, primary)),
            (Some(_), _) => primary.map(|best| (best, backup)),
            (None, Some(_)) => backup.map(|best| (best, primary)),
            (None, None) => None,
        }
    }

    /// Puts the partitions of the better copy into `table`.
    pub(super) fn fill(&self, source: &Source, table: &mut Table) -> Result<()> {
        table.scheme = Scheme::Gpt;
        note_faults(table, &self.primary, "primary");
        note_faults(table, &self.backup, "backup");
        let Some((best, other)) = self.best() else {
            self.fill_without_header(table);
            return Ok(());
        };
        let is_backup = self.backup.copy().is_some_and(|backup| std::ptr::eq(backup, best));
        if is_backup {
            table.note(FindingKind::GptBackupUsed, best.offset, "the primary copy is damaged or was not read");
        }
        if let Some(array) = &best.elsewhere {
            let why = "the entries that stand here have the checksum which the header names, and those in its own place don't";
            table.note(FindingKind::GptBackupUsed, array.offset, why);
        }
        table.disk_id = Some(DiskId::Gpt(best.header.disk_guid));
        table.header = Some(best.offset);
        self.check_length(table, best);
        let listed = best.entries().zip(other.and_then(Copy::entries));
        let filled = listed.filter(|_| !best.array_sound).and_then(|(mine, theirs)| {
            let checksum = best.header.array_checksum;
            if other.is_none_or(|other| other.header.array_checksum != checksum) {
                return None;
            }
            let size = u64::from(best.header.entry_size);
            mine.filled_from(theirs).or_else(|| mine.mended_from(theirs, size, checksum))
        });
        match (filled, best.entries()) {
            (Some(joined), _) => {
                table.complete &= joined.has_checksum(best.header.array_checksum);
                let why = if best.entries().is_some_and(|array| array.holes.is_empty()) {
                    "each copy is damaged in other entries: put together, they have the right checksum"
                } else {
                    "for entries that were not read in the primary copy"
                };
                table.note(FindingKind::GptBackupUsed, best.offset, why);
                add_entries(table, &best.header, &joined);
            }
            (None, Some(array)) => {
                table.complete &= best.array_sound;
                add_entries(table, &best.header, array);
            }
            (None, None) => table.complete = false,
        }
        match other {
            Some(other) => note_differences(source, table, best, other, if is_backup { "backup" } else { "primary" }),
            None => Ok(()),
        }
    }

    /// Both headers are gone: what the entries say by themselves. More partitions may have been in what is gone.
    fn fill_without_header(&self, table: &mut Table) {
        table.complete = false;
        if matches!(self.backup, Place::PastEnd) {
            let why = "the backup copy of the table lies after the image's end: did the imaging end early?";
            table.note(FindingKind::GptOtherLength, self.image_length, why);
        }
        let Some(loose) = self.loose.as_ref().filter(|loose| loose.is_proven(true)) else { return };
        let Loose { array, entry_size, used, volumes, differ, .. } = loose;
        table.note(
            FindingKind::GptArrayAlone,
            array.offset,
            format!("{volumes} of its {used} entries lead to a volume; read the sectors of both headers again"),
        );
        if *differ {
            let why = "two arrays without a header differ; the one with more entries that lead to volumes counts";
            table.note(FindingKind::GptCopiesDiffer, array.offset, why);
        }
        if let Some(hole) = array.holes.first() {
            let at = array.offset.saturating_add(hole.range.start);
            table.note(FindingKind::TableUnread, at, "GPT entries; read them again");
        }
        let count = to_u64(array.bytes.len()).checked_div(*entry_size).unwrap_or(0);
        for (index, number) in (0..count).zip(1_u32..) {
            let Some((bytes, offset)) = array.entry(index, *entry_size) else { continue };
            match Entry::from_bytes(bytes) {
                Some(entry) if entry.is_plausible(table.unit) => _ = add_entry(table, entry, number, offset),
                Some(_) => table.note(
                    FindingKind::PartitionEntryBad,
                    offset,
                    format!("entry {number} makes no sense, and no checksum tells what it was"),
                ),
                None => {}
            }
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
                    array.offset.saturating_add(hole.range.start),
                    format!("the {which} GPT entries; read them again"),
                );
            } else if !array.has_checksum(copy.header.array_checksum) {
                table.note(
                    FindingKind::GptArrayBad,
                    array.offset,
                    format!("the {which} entries contradict their checksum"),
                );
            }
        }
    }
}

/// Says in what two copies differ, and which counts. A volume that only the other one names may be missing.
fn note_differences(source: &Source, table: &mut Table, best: &Copy, other: &Copy, which: &str) -> Result<()> {
    let mut differences = Vec::new();
    if best.header.checksum_holds && other.header.checksum_holds {
        differences = best.header.differences(&other.header);
    }
    let entries = "partition entries";
    let sound = best.array_sound && other.array_sound;
    if sound && best.header.array_checksum != other.header.array_checksum && !differences.contains(&entries) {
        differences.push(entries);
    }
    if differences.is_empty() {
        return Ok(());
    }
    let mut detail = format!("they differ in: {}; the {which} copy counts", differences.join(", "));
    if let Some((mine, theirs)) = best.entries().zip(other.entries()).filter(|_| sound) {
        let mut named = 0_usize;
        for (index, number) in (0..u64::from(other.header.entry_count)).zip(1_u32..) {
            let read = |array: &Array, header: &Header| {
                array.entry(index, u64::from(header.entry_size)).and_then(|(bytes, _)| Entry::from_bytes(bytes))
            };
            let there = read(theirs, &other.header);
            if there == read(mine, &best.header) {
                continue;
            }
            let Some(there) = there else { continue };
            let Some(start) = table.sectors(there.first) else { continue };
            let listed = table.partitions.iter().any(|one| one.start == start);
            let stands = !listed && boot_sector::volume_begins_at(source, start)?;
            table.complete &= !stands;
            if named < NAMED_DIFFERENCES {
                let stands = if stands { ", where a volume begins" } else { "" };
                detail.push_str(&format!(
                    "; entry {number} of the other is sectors {} to {}{stands}",
                    there.first, there.last
                ));
            }
            named = named.saturating_add(1);
        }
        if let Some(more) = named.checked_sub(NAMED_DIFFERENCES).filter(|more| *more > 0) {
            detail.push_str(&format!("; and {more} more"));
        }
    }
    table.note(FindingKind::GptCopiesDiffer, other.offset, detail);
    Ok(())
}

/// Adds the entries that were read.
fn add_entries(table: &mut Table, header: &Header, array: &Array) {
    for (index, number) in (0..u64::from(header.entry_count)).zip(1_u32..) {
        let Some((bytes, offset)) = array.entry(index, u64::from(header.entry_size)) else { continue };
        let Some(entry) = Entry::from_bytes(bytes) else { continue };
        if table.partitions.len() >= MAX_PARTITIONS {
            table.lose(
                FindingKind::GptArrayBad,
                offset,
                format!("more than {MAX_PARTITIONS} partitions; the rest is not read"),
            );
            return;
        }
        let outside = entry.first < header.first_usable || entry.last > header.last_usable;
        if add_entry(table, entry, number, offset) && outside {
            let (first, last) = (header.first_usable, header.last_usable);
            let why = format!("entry {number} lies outside the usable sectors {first} to {last}");
            table.note(FindingKind::PartitionEntryBad, offset, why);
        }
    }
}

/// Adds an entry, if it has a place.
fn add_entry(table: &mut Table, entry: Entry, number: u32, offset: u64) -> bool {
    let length = entry.last.checked_sub(entry.first).and_then(|length| length.checked_add(1));
    let place = table.sectors(entry.first).zip(length.and_then(|length| table.sectors(length)));
    let Some((start, length)) = place else {
        let why = format!("entry {number}: from sector {} to {}", entry.first, entry.last);
        table.lose(FindingKind::PartitionEntryBad, offset, why);
        return false;
    };
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
    true
}

/// Where the drive may end, in bytes: at the image's end, or where the protective entry lets it end.
pub(super) fn ends(source: &Source, unit: u64, protective_length: Option<u64>) -> Vec<u64> {
    let image = source.length().checked_div(unit).and_then(|sectors| sectors.checked_mul(unit));
    let said = protective_length.and_then(|length| length.checked_mul(unit));
    image.into_iter().chain(said.filter(|said| Some(*said) != image && *said <= source.length())).collect()
}
