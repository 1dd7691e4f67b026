//! Directories of a TIFF file (TIFF 6.0, section 2).

use crate::bytes::{array, to_u64};
use crate::content::formats::{Step, Subject, broken};

/// Tags that say where something lies.
pub(super) struct Tags {
    /// SubIFDs, and those of EXIF, GPS and interoperability.
    pub(super) directories: &'static [u16],
    pub(super) jpeg: u16,
    pub(super) jpeg_length: u16,
}

pub(super) const TAGS: Tags = Tags { directories: &[330, 34665, 34853, 40965], jpeg: 513, jpeg_length: 514 };

/// How numbers are written.
#[derive(Clone, Copy)]
pub(super) struct Order {
    little: bool,
    /// Offsets of 64 bits.
    big: bool,
}

impl Order {
    pub(super) fn of(head: &[u8]) -> Option<Self> {
        let little = match head.first_chunk::<2>()? {
            b"II" => true,
            b"MM" => false,
            _ => return None,
        };
        let order = Self { little, big: false };
        Some(Self { big: order.magic(head) == Some(43), ..order })
    }

    pub(super) fn magic(self, head: &[u8]) -> Option<u16> {
        self.short(head, 2)
    }

    /// Where the first directory lies.
    pub(super) fn first(self, head: &[u8]) -> Option<u64> {
        if self.big { self.huge(head, 8) } else { self.long(head, 4).map(u64::from) }
    }

    fn short(self, bytes: &[u8], at: usize) -> Option<u16> {
        array(bytes, at).map(if self.little { u16::from_le_bytes } else { u16::from_be_bytes })
    }

    fn long(self, bytes: &[u8], at: usize) -> Option<u32> {
        array(bytes, at).map(if self.little { u32::from_le_bytes } else { u32::from_be_bytes })
    }

    fn huge(self, bytes: &[u8], at: usize) -> Option<u64> {
        array(bytes, at).map(if self.little { u64::from_le_bytes } else { u64::from_be_bytes })
    }
}

/// Bytes of a value, by its type.
fn width(kind: u16) -> Option<u64> {
    Some(match kind {
        1 | 2 | 6 | 7 => 1,
        3 | 8 => 2,
        4 | 9 | 11 | 13 => 4,
        5 | 10 | 12 | 16 | 17 | 18 => 8,
        _ => return None,
    })
}

/// The most numbers of one tag that are read: a strip for each row of the largest pictures.
const MOST_NUMBERS: u64 = 1 << 22;

/// How often a tag may be smaller than the one before it: old programs put one in at the wrong place.
const MOST_UNSORTED: u32 = 1;

/// One entry: its tag, the type and count of its values, and where they lie.
struct Entry {
    tag: u16,
    kind: u16,
    count: u64,
    place: u64,
}

pub(super) struct Directory {
    pub(super) at: u64,
    entries: Vec<Entry>,
    pub(super) next: Option<u64>,
}

impl Directory {
    pub(super) fn read(subject: &Subject<'_>, order: &Order, at: u64, raw: bool) -> Step<Self> {
        let (head, each, pointer) = if order.big { (8_u64, 20_u64, 8_u64) } else { (2, 12, 4) };
        if at < 8 || at >= subject.size() {
            return broken(at, "a directory that lies outside the file");
        }
        let bytes = subject.bytes(at, usize::try_from(head).unwrap_or(0))?;
        let count = if order.big { order.huge(&bytes, 0) } else { order.short(&bytes, 0).map(u64::from) };
        let count = count.unwrap_or(0);
        if count == 0 || count > 1 << 16 {
            return broken(at, "a directory with an impossible number of entries");
        }
        let start = at.saturating_add(head);
        let length = usize::try_from(count.saturating_mul(each)).unwrap_or(usize::MAX);
        let list = subject.bytes(start, length)?;
        let mut entries: Vec<Entry> = Vec::new();
        let mut unsorted = 0_u32;
        for (bytes, number) in list.chunks(usize::try_from(each).unwrap_or(1)).zip(0_u64..) {
            let here = start.saturating_add(number.saturating_mul(each));
            let (tag, kind) = (order.short(bytes, 0).unwrap_or(0), order.short(bytes, 2).unwrap_or(0));
            // Makers of cameras don't sort; a directory that was overwritten is not sorted either.
            unsorted = unsorted.saturating_add(u32::from(entries.last().is_some_and(|last| last.tag > tag)));
            if unsorted > MOST_UNSORTED && !raw {
                return broken(here, "a directory that is not in order");
            }
            let count = if order.big { order.huge(bytes, 4) } else { order.long(bytes, 4).map(u64::from) };
            let (count, value) = (count.unwrap_or(0), here.saturating_add(if order.big { 12 } else { 8 }));
            let Some(width) = width(kind) else {
                if raw || kind == 0 {
                    continue;
                }
                return broken(here, "an entry of an unknown kind");
            };
            let all = width.saturating_mul(count);
            let place = if all <= pointer { value } else { order.pointer(subject, value)? };
            if place.saturating_add(all) > subject.size() {
                if raw && !matters(tag) {
                    continue;
                }
                return broken(here, "an entry whose values lie outside the file");
            }
            entries.push(Entry { tag, kind, count, place });
        }
        let end = start.saturating_add(to_u64(length));
        let next = match subject.size() >= end.saturating_add(pointer) {
            true => Some(order.pointer(subject, end)?).filter(|next| *next != 0),
            false if raw => None,
            false => return broken(subject.size(), "the file ends inside a directory"),
        };
        // What stands behind the last directory of some cameras' files is no pointer.
        Ok(Self { at, entries, next: next.filter(|next| !raw || *next < subject.size()) })
    }

    /// The numbers of a tag; none if it is not there.
    pub(super) fn numbers(&self, subject: &Subject<'_>, order: &Order, tag: u16) -> Step<Vec<u64>> {
        let Some(entry) = self.entries.iter().find(|entry| entry.tag == tag) else { return Ok(Vec::new()) };
        let Some(width) = width(entry.kind).filter(|_| entry.count <= MOST_NUMBERS) else {
            return broken(self.at, "an entry with too many values");
        };
        let length = width.saturating_mul(entry.count);
        // Thousands of directories may point to the same large list.
        subject.spend(length)?;
        let bytes = subject.bytes(entry.place, usize::try_from(length).unwrap_or(0))?;
        let each = bytes.chunks(usize::try_from(width).unwrap_or(1));
        Ok(each.map(|bytes| order.number(bytes)).collect())
    }

    /// The first number of a tag.
    pub(super) fn number(&self, subject: &Subject<'_>, order: &Order, tag: u16) -> Step<Option<u64>> {
        Ok(self.numbers(subject, order, tag)?.first().copied())
    }

    /// Where the bytes of a tag lie.
    pub(super) fn range(&self, tag: u16) -> Option<(u64, u64)> {
        let entry = self.entries.iter().find(|entry| entry.tag == tag)?;
        Some((entry.place, entry.place.saturating_add(entry.count.saturating_mul(width(entry.kind)?))))
    }
}

/// Whether a tag says where something lies.
fn matters(tag: u16) -> bool {
    matches!(tag, 256..=259 | 273 | 278 | 279 | 322..=325 | 330 | 513 | 514)
}

impl Order {
    fn pointer(self, subject: &Subject<'_>, at: u64) -> Step<u64> {
        let bytes = subject.bytes(at, if self.big { 8 } else { 4 })?;
        Ok(self.number(&bytes))
    }

    /// A whole number of 1, 2, 4 or 8 bytes.
    fn number(self, bytes: &[u8]) -> u64 {
        let fold = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
        if self.little { bytes.iter().rev().fold(0, fold) } else { bytes.iter().fold(0, fold) }
    }
}
