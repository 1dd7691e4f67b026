//! Entry sets: a file's entries, which one checksum holds together.

use std::ops::Range;

use super::checksum::set_checksum;
use super::list::{List, Slot};
use super::structures::{Entry, FileEntry, StreamEntry, entry_type, name_units};
use crate::bytes::to_u64;
use crate::error::Result;

/// What a set is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Worth {
    /// All of it was read, it has the form of a set, and its checksum is right.
    Sound,
    /// Some of its entries were not read.
    PartlyRead,
    /// Its checksum is wrong.
    WrongChecksum,
    /// Its entries don't make a set.
    Broken,
}

impl Worth {
    /// What is wrong with it, in words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Sound => "",
            Self::PartlyRead => "some of its entries were not read",
            Self::WrongChecksum => "its checksum is wrong",
            Self::Broken => "its entries don't make a set",
        }
    }
}

/// The entries of a file or folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Set {
    /// The byte of the volume at which its first entry lies, of those that were read.
    pub(super) offset: u64,
    /// Its entries in order, types with the bit that says "in use"; `None` for one that was not read.
    pub(super) entries: Vec<Option<Entry>>,
    /// The bytes of the volume in which those lie that were read; neighbours are joined.
    pub(super) spans: Vec<Range<u64>>,
    pub(super) worth: Worth,
    pub(super) deleted: bool,
}

impl Set {
    fn new(offset: u64, first: Entry, deleted: bool) -> Self {
        let mut set = Self { offset, entries: Vec::new(), spans: Vec::new(), worth: Worth::Broken, deleted };
        set.push(offset, first);
        set
    }

    fn push(&mut self, offset: u64, entry: Entry) {
        let end = offset.saturating_add(to_u64(entry.len()));
        match self.spans.last_mut() {
            Some(last) if last.end == offset => last.end = end,
            _ => self.spans.push(offset..end),
        }
        self.entries.push(Some(entry));
    }

    /// Its first entry, if that was read.
    pub(super) fn file(&self) -> Option<FileEntry> {
        let first = self.entries.first()?.as_ref()?;
        if kind(first) == entry_type::FILE { FileEntry::from_bytes(first) } else { None }
    }

    /// Where its stream entry stands: second, or first if the entry before it is lost.
    fn stream_place(&self) -> usize {
        let headless = self.entries.first().is_some_and(|first| first.as_ref().is_some_and(is_stream));
        usize::from(!headless)
    }

    /// What says where the content lies, if that was read.
    pub(super) fn stream(&self) -> Option<StreamEntry> {
        let entry = self.entries.get(self.stream_place())?.as_ref()?;
        if is_stream(entry) { StreamEntry::from_bytes(entry) } else { None }
    }

    /// The entries after the stream's.
    pub(super) fn others(&self) -> impl Iterator<Item = Option<&Entry>> {
        self.entries.iter().skip(self.stream_place().saturating_add(1)).map(Option::as_ref)
    }

    /// The name, with U+FFFD for what was not read or is missing at its end, and whether there is any such.
    pub(super) fn name(&self) -> (Vec<u16>, bool) {
        let count = self.stream().map(|stream| usize::from(stream.name_length));
        let mut units: Vec<u16> = Vec::new();
        let mut lost = false;
        for entry in self.others() {
            let enough = count.is_some_and(|count| units.len() >= count);
            match entry {
                _ if enough => break,
                Some(entry) if kind(entry) == entry_type::NAME => units.extend(name_units(entry)),
                Some(_) => break,
                None => {
                    units.extend([0xfffd; 15]);
                    lost = true;
                }
            }
        }
        let cut = count.is_some_and(|count| units.len() < count);
        units.truncate(count.unwrap_or(units.len()));
        if self.worth != Worth::Sound
            && let Some(end) = units.iter().position(|unit| *unit == 0)
        {
            // What the length says can't be trusted.
            units.truncate(end);
        } else if cut {
            units.push(0xfffd);
        }
        (units, lost || cut || count.is_none())
    }
}

/// An entry's type with the bit that says "in use".
pub(super) fn kind(entry: &Entry) -> u8 {
    entry.first().copied().unwrap_or(0) | entry_type::IN_USE
}

fn is_stream(entry: &Entry) -> bool {
    kind(entry) == entry_type::STREAM
}

fn is_in_use(entry: &Entry) -> bool {
    entry.first().is_some_and(|first| first & entry_type::IN_USE != 0)
}

fn is_secondary(entry: &Entry) -> bool {
    kind(entry) & entry_type::SECONDARY != 0
}

/// What stands in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Item {
    /// A file or folder.
    Set(Set),
    /// An entry of the root folder that is the volume's own.
    Own { offset: u64, entry: Entry },
    /// An entry that can't stand there.
    Stray { offset: u64, kind: u8 },
    /// Something that one may leave out of account if one doesn't know it.
    Benign,
    /// Something was not read.
    Hole,
}

/// The next thing in a list; `None` at its end. With `deleted`, sets that are not in use are among them if their
/// checksum is right.
pub(super) fn next(list: &mut List<'_>, deleted: bool) -> Result<Option<Item>> {
    loop {
        let (offset, entry) = match list.next()? {
            None => return Ok(None),
            Some(Slot::Hole { .. }) => return Ok(Some(Item::Hole)),
            Some(Slot::Entry { offset, entry }) => (offset, entry),
        };
        let kind = kind(&entry);
        if !is_in_use(&entry) {
            if deleted && kind == entry_type::FILE {
                let set = gather(list, offset, entry, false)?;
                // What was deleted long ago may be overwritten in part; only the checksum shows that it is not.
                if set.worth == Worth::Sound {
                    return Ok(Some(Item::Set(set)));
                }
            }
            continue;
        }
        return Ok(Some(match kind {
            entry_type::FILE => Item::Set(gather(list, offset, entry, true)?),
            entry_type::BITMAP | entry_type::UPCASE | entry_type::LABEL | entry_type::GUID => {
                Item::Own { offset, entry }
            }
            entry_type::STREAM => Item::Set(gather_headless(list, offset, entry)?),
            _ if is_secondary(&entry) => Item::Stray { offset, kind },
            entry_type::PADDING => Item::Benign,
            _ if kind & entry_type::BENIGN != 0 => {
                // Whatever it is, its secondaries and checksum are as in every set.
                let set = gather(list, offset, entry, true)?;
                let entries: Option<Vec<Entry>> = set.entries.iter().copied().collect();
                let sum = FileEntry::from_bytes(&entry).map(|entry| entry.checksum);
                match entries {
                    Some(entries) if sum != Some(set_checksum(&entries)) => Item::Stray { offset, kind },
                    Some(_) | None => Item::Benign,
                }
            }
            _ => Item::Stray { offset, kind },
        }));
    }
}

/// Collects the entries of a set whose first one was read.
fn gather(list: &mut List<'_>, offset: u64, first: Entry, in_use: bool) -> Result<Set> {
    let count = FileEntry::from_bytes(&first).map_or(0, |file| u64::from(file.secondaries));
    let mut set = Set::new(offset, first, !in_use);
    let mut left = count;
    while left > 0 {
        match list.peek()? {
            None => break,
            Some(Slot::Hole { entries }) => {
                let (entries, mine) = (*entries, left.min(*entries));
                list.next()?;
                list.put_back_hole(entries.saturating_sub(mine));
                set.entries.extend((0..mine).map(|_| None));
                left = left.saturating_sub(mine);
            }
            Some(Slot::Entry { entry, offset }) => {
                if !is_secondary(entry) || is_in_use(entry) != in_use {
                    break;
                }
                set.push(*offset, *entry);
                list.next()?;
                left = left.saturating_sub(1);
            }
        }
    }
    set.worth = if left > 0 { Worth::Broken } else { worth(&mut set) };
    Ok(set)
}

/// Collects the entries of a set from its stream entry on: the one before it is lost.
fn gather_headless(list: &mut List<'_>, offset: u64, first: Entry) -> Result<Set> {
    let mut set = Set::new(offset, first, false);
    while let Some(Slot::Entry { entry, offset }) = list.peek()? {
        if !is_in_use(entry) || !is_secondary(entry) || is_stream(entry) {
            break;
        }
        set.push(*offset, *entry);
        list.next()?;
    }
    Ok(set)
}

/// What a set of the right length is worth, and sets the bit that says "in use" in its types.
fn worth(set: &mut Set) -> Worth {
    let as_stored: Option<Vec<Entry>> = set.entries.iter().copied().collect();
    for entry in set.entries.iter_mut().flatten() {
        if let Some(first) = entry.first_mut() {
            *first |= entry_type::IN_USE;
        }
    }
    let file = set.file();
    let Some(stored) = as_stored else { return Worth::PartlyRead };
    let in_use: Vec<Entry> = set.entries.iter().copied().flatten().collect();
    let right = |entries: &[Entry]| file.is_some_and(|file| set_checksum(entries) == file.checksum);
    // Drivers that delete a set clear that bit and leave the checksum as it was.
    let sound = right(&in_use) || set.deleted && right(&stored);
    if !sound {
        return Worth::WrongChecksum;
    }
    let names = set.others().flatten().filter(|entry| kind(entry) == entry_type::NAME).count();
    match set.stream() {
        Some(stream) if names > 0 && names == usize::from(stream.name_length).div_ceil(15) => Worth::Sound,
        _ => Worth::Broken,
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;
    use std::sync::Arc;

    use super::*;
    use crate::filesystem::exfat::checksum::tests::REFERENCE;
    use crate::filesystem::exfat::units::Heap;
    use crate::image::MemoryImage;
    use crate::sector_map::{Basis, ByteState, SectorMap, Segment};
    use crate::source::Source;

    fn items(entries: &[Entry], unread: &[Range<u64>], deleted: bool) -> Vec<Item> {
        let mut bytes = entries.concat();
        bytes.resize(4096, 0);
        let segments: Vec<Segment> =
            unread.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
        let map = SectorMap::from_ranges(4096, Basis::Full, ByteState::Read, &segments).unwrap();
        let source = Source::new(Arc::new(MemoryImage::new(bytes)), &map, 32);
        let heap = Heap { start: 0, cluster_size: 4096, count: 1 };
        let mut visited = HashSet::new();
        let mut list = List::new(&source, heap, &[0..1], 4096, &mut visited);
        let mut items = Vec::new();
        while let Some(item) = next(&mut list, deleted).unwrap() {
            items.push(item);
        }
        items
    }

    fn worths(items: &[Item]) -> Vec<(Worth, String)> {
        items
            .iter()
            .map(|item| match item {
                Item::Set(set) => (set.worth, String::from_utf16_lossy(&set.name().0)),
                other => panic!("{other:?}"),
            })
            .collect()
    }

    /// A set as a driver leaves it that deletes.
    fn deleted() -> Vec<Entry> {
        let mut entries = REFERENCE.to_vec();
        entries.iter_mut().for_each(|entry| entry[0] &= 0x7f);
        entries
    }

    #[test]
    fn a_set_and_its_faults() {
        let reference = "Reference.txt".to_string();
        assert_eq!(worths(&items(&REFERENCE, &[], false)), [(Worth::Sound, reference.clone())]);
        let mut wrong = REFERENCE;
        wrong[1][0x18] ^= 1;
        assert_eq!(worths(&items(&wrong, &[], false)), [(Worth::WrongChecksum, reference.clone())]);
        // Too few secondaries: the set behind it stays whole.
        let mut short = REFERENCE.to_vec();
        short[0][1] = 3;
        short.extend(REFERENCE);
        let found = worths(&items(&short, &[], false));
        assert_eq!(found, [(Worth::Broken, reference.clone()), (Worth::Sound, reference.clone())]);
        // One name entry more than the name has units for, under a right checksum.
        let mut many = REFERENCE.to_vec();
        many.push(REFERENCE[2]);
        many[0][1] = 3;
        let sum = set_checksum(&many).to_le_bytes();
        many[0][2..4].copy_from_slice(&sum);
        assert_eq!(worths(&items(&many, &[], false)), [(Worth::Broken, reference)]);
    }

    #[test]
    fn what_was_not_read_of_a_set() {
        let both: Vec<Entry> = REFERENCE.into_iter().chain(REFERENCE).collect();
        let sound = (Worth::Sound, "Reference.txt".to_string());
        // Its name; its stream and name; then the second set is as it was.
        for (hole, name) in [(64..96, "\u{fffd}".repeat(13)), (32..96, "\u{fffd}".repeat(15))] {
            let found = worths(&items(&both, &[hole], false));
            assert_eq!(found, [(Worth::PartlyRead, name), sound.clone()]);
        }
        // Its first entry: what says where the content lies is still there.
        let found = items(&both, &[0..32], false);
        assert_eq!(found[0], Item::Hole);
        let Item::Set(set) = &found[1] else { panic!() };
        assert_eq!((set.offset, set.worth, set.file(), set.stream().unwrap().length), (32, Worth::Broken, None, 5000));
        assert_eq!(String::from_utf16_lossy(&set.name().0), "Reference.txt");
        assert_eq!(worths(&found[2..]), [sound]);
        // The end of one and the start of the next.
        let found = items(&both, &[64..128], false);
        assert_eq!(worths(&found[..1]), [(Worth::PartlyRead, "\u{fffd}".repeat(13))]);
        assert_eq!(found[1], Item::Hole);
        assert!(matches!(&found[2], Item::Set(set) if set.file().is_none()));
    }

    #[test]
    fn deleted_sets_need_their_checksum() {
        assert_eq!(items(&deleted(), &[], false), []);
        let found = items(&deleted(), &[], true);
        assert_eq!(worths(&found), [(Worth::Sound, "Reference.txt".to_string())]);
        assert!(matches!(&found[0], Item::Set(set) if set.deleted));
        let mut other = deleted();
        other[2][2] ^= 1;
        assert_eq!(items(&other, &[], true), []);
        // A live set over the end of a deleted one.
        let mut over = deleted();
        over.truncate(2);
        over.extend(REFERENCE);
        assert_eq!(worths(&items(&over, &[], true)), [(Worth::Sound, "Reference.txt".to_string())]);
    }

    #[test]
    fn vendors_and_the_unknown() {
        // A vendor's own entry at the end of a set belongs to it.
        let mut vendor = REFERENCE.to_vec();
        let mut extension = [7; 32];
        extension[0] = 0xe0;
        vendor.push(extension);
        vendor[0][1] = 3;
        let sum = set_checksum(&vendor).to_le_bytes();
        vendor[0][2..4].copy_from_slice(&sum);
        assert_eq!(worths(&items(&vendor, &[], false)), [(Worth::Sound, "Reference.txt".to_string())]);
        // A benign primary entry with what follows it, then one that must not be passed over, then a stray name; and the
        // benign one with a wrong checksum.
        let (mut benign, mut critical) = ([0; 32], [0; 32]);
        (benign[0], benign[1], critical[0]) = (0xa5, 1, 0x86);
        let sum = set_checksum(&[benign, extension]).to_le_bytes();
        benign[2..4].copy_from_slice(&sum);
        let found = items(&[benign, extension, critical, REFERENCE[2]], &[], false);
        assert_eq!(
            found,
            [Item::Benign, Item::Stray { offset: 64, kind: 0x86 }, Item::Stray { offset: 96, kind: 0xc1 }]
        );
        benign[3] ^= 1;
        assert_eq!(items(&[benign, extension], &[], false), [Item::Stray { offset: 0, kind: 0xa5 }]);
    }
}
