//! The end of a ZIP archive, which says where its list is (APPNOTE.TXT 6.3, sections 4.3.14 to 4.3.16).

use crate::bytes::{at_most, le_u16, le_u32, le_u64, to_u64};
use crate::content::formats::{Step, Subject, broken, unchecked};

const END: [u8; 4] = *b"PK\x05\x06";
const END_LENGTH: usize = 22;
const LONGEST_COMMENT: usize = 0xFFFF;
const LOCATOR: [u8; 4] = *b"PK\x06\x07";
const LOCATOR_LENGTH: u64 = 20;
const END_64: [u8; 4] = *b"PK\x06\x06";
const END_64_LENGTH: u64 = 56;
const ENTRY: [u8; 4] = *b"PK\x01\x02";

/// Where the list of an archive's members is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct List {
    /// Byte of the file at which it begins.
    pub(super) start: u64,
    pub(super) length: u64,
    /// Members, of which the lower 16 bits count if `wide` is not set.
    pub(super) count: u64,
    /// The record that counts with 64 bits was there.
    pub(super) wide: bool,
    /// What has to be added to places in the list: bytes before the archive.
    pub(super) base: u64,
}

/// The last end record whose comment ends with the file, or else the last one whose comment ends in it: readers bear
/// bytes behind an archive.
fn find(tail: &[u8]) -> Option<usize> {
    let mut other = None;
    for at in (0..=tail.len().checked_sub(END_LENGTH)?).rev() {
        let record = tail.get(at..).unwrap_or_default();
        if !record.starts_with(&END) {
            continue;
        }
        let length = END_LENGTH.saturating_add(usize::from(le_u16(record, 0x14).unwrap_or_default()));
        if length == record.len() {
            return Some(at);
        }
        if length < record.len() && other.is_none() {
            other = Some(at);
        }
    }
    other
}

/// The list as the file's end describes it; `None` if there is no such end.
pub(super) fn list(subject: &Subject<'_>) -> Step<Option<List>> {
    let length = at_most(subject.size(), END_LENGTH.saturating_add(LONGEST_COMMENT));
    let from = subject.size().saturating_sub(to_u64(length));
    let tail = subject.bytes(from, length)?;
    let Some(at) = find(&tail) else { return Ok(None) };
    let record = tail.get(at..).unwrap_or_default();
    let at = from.saturating_add(to_u64(at));
    let field = |offset| u64::from(le_u16(record, offset).unwrap_or_default());
    let wide_field = |offset| u64::from(le_u32(record, offset).unwrap_or_default());
    let (disk, list_disk, count) = (field(0x04), field(0x06), field(0x0a));
    let (length, offset) = (wide_field(0x0c), wide_field(0x10));
    if (count == 0xFFFF || length == 0xFFFF_FFFF || offset == 0xFFFF_FFFF)
        && let Some(list) = wide_list(subject, at)?
    {
        return Ok(Some(list));
    }
    if (disk, list_disk) != (0, 0) {
        return unchecked("it is one part of an archive in several parts");
    }
    if subject.size() > u64::from(u32::MAX) && offset.saturating_add(length) != at {
        return unchecked("it is longer than its list can say");
    }
    place(subject, at, at, List { start: offset, length, count, wide: false, base: 0 }).map(Some)
}

/// The list by the record with 64-bit fields, which a locator before the end record leads to.
fn wide_list(subject: &Subject<'_>, end: u64) -> Step<Option<List>> {
    let Some(at) = end.checked_sub(LOCATOR_LENGTH) else { return Ok(None) };
    let locator: [u8; 20] = subject.array(at)?;
    if !locator.starts_with(&LOCATOR) {
        return Ok(None);
    }
    let said = le_u64(&locator, 0x08).unwrap_or_default();
    let beside = at.saturating_sub(END_64_LENGTH);
    for record_at in [said, beside] {
        if record_at.checked_add(END_64_LENGTH).is_none_or(|end| end > at) {
            continue;
        }
        let record: [u8; 56] = subject.array(record_at)?;
        if !record.starts_with(&END_64) {
            continue;
        }
        let field = |offset| le_u64(&record, offset).unwrap_or_default();
        let (disk, list_disk) = (le_u32(&record, 0x10), le_u32(&record, 0x14));
        if (disk, list_disk) != (Some(0), Some(0)) {
            return unchecked("it is one part of an archive in several parts");
        }
        let list = List { start: field(0x30), length: field(0x28), count: field(0x20), wide: true, base: 0 };
        return place(subject, record_at, at, list).map(Some);
    }
    broken(at, "the record that says where its list is is gone")
}

/// Puts the list to where it really is: `end` is where it has to end. `record` is named if it is nowhere.
fn place(subject: &Subject<'_>, end: u64, record: u64, list: List) -> Step<List> {
    let said_end = list.start.checked_add(list.length);
    if said_end == Some(end) {
        return Ok(list);
    }
    let is_there = |start: u64| -> Step<bool> {
        if list.count == 0 || start.saturating_add(4) > end {
            return Ok(list.count == 0);
        }
        Ok(subject.array::<4>(start)? == ENTRY)
    };
    // Something else stands before the archive, or between its list and its end.
    if let Some(base) = said_end.and_then(|said| end.checked_sub(said)) {
        let start = list.start.saturating_add(base);
        if is_there(start)? {
            return Ok(List { start, base, ..list });
        }
        if is_there(list.start)? {
            return Ok(list);
        }
    }
    broken(record, "the list of its files is not where its end says")
}
