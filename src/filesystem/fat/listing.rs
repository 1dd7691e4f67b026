//! A folder's list, read: entries with their long names, and what is wrong with it.

use enumset::EnumSet;

use super::block::Block;
use super::names::{checksum, first_byte, short_name};
use super::structures::{LongEntry, ShortEntry, attribute};
use crate::bytes::u8_at;
use crate::catalog::{Distrust, FindingKind, Findings};
use crate::filesystem::CodePage;
use crate::source::Source;

/// First byte of an entry that was deleted.
const DELETED: u8 = 0xe5;
const DOT: &[u8; 11] = b".          ";
const DOT_DOT: &[u8; 11] = b"..         ";

/// A file or folder as its folder names it.
#[derive(Debug, Clone)]
pub(super) struct Named {
    /// Byte of the volume where its own entry lies.
    pub(super) offset: u64,
    pub(super) entry: ShortEntry,
    pub(super) name: Vec<u16>,
    pub(super) distrust: EnumSet<Distrust>,
}

/// What a folder's list says.
#[derive(Debug, Default)]
pub(super) struct Listing {
    pub(super) live: Vec<Named>,
    /// Deleted entries, if they were asked for.
    pub(super) deleted: Vec<Named>,
    /// Names whose entry was not read, and where it lies.
    pub(super) only_named: Vec<(u64, Vec<u16>)>,
    pub(super) label: Option<[u8; 11]>,
    /// `.` and `..`.
    pub(super) dots: [Option<ShortEntry>; 2],
    /// Whether the mark of its end was read.
    pub(super) ended: bool,
    /// Whether entries before the end were not read.
    pub(super) partly_read: bool,
    /// Whether entries contradict themselves or belong to nothing.
    pub(super) unsound: bool,
}

/// How a list is read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading {
    pub(super) codepage: CodePage,
    pub(super) deleted: bool,
}

/// Reads a list. `source` gives findings their place.
pub(super) fn read(source: &Source, block: &Block, reading: Reading, findings: &mut Findings) -> Listing {
    let mut reader = Reader {
        source,
        reading,
        findings,
        listing: Listing::default(),
        pending: Pending::default(),
        gone: Vec::new(),
    };
    for (index, (offset, slot)) in block.slots().enumerate() {
        if reader.listing.ended {
            if reader.after_the_end(offset, slot) {
                break;
            }
        } else {
            reader.slot(index, offset, slot);
        }
    }
    if !reader.listing.ended {
        reader.orphan();
        reader.listing.partly_read |= block.is_cut();
    }
    reader.listing
}

/// Pieces of a long name that wait for their entry.
#[derive(Debug, Default)]
struct Pending {
    pieces: Vec<LongEntry>,
    /// Where the first one lies.
    offset: u64,
    /// The piece before the first one was not read.
    headless: bool,
    /// The slot before this one was not read.
    after_hole: bool,
}

impl Pending {
    fn checksum(&self) -> Option<u8> {
        self.pieces.first().map(|piece| piece.checksum)
    }

    /// Whether the pieces lead up to an entry that comes next.
    fn leads_up(&self) -> bool {
        self.pieces.last().is_some_and(|piece| piece.order & !LongEntry::LAST == 1)
    }

    /// The whole name, if all pieces are here.
    fn name(&self) -> Option<Vec<u16>> {
        let whole = self.leads_up() && self.pieces.first().is_some_and(|piece| piece.order & LongEntry::LAST != 0);
        whole.then(|| put_together(&self.pieces)).filter(|name| !name.is_empty() && name.len() <= 255)
    }
}

/// The name that pieces make, which stand last one first.
fn put_together(pieces: &[LongEntry]) -> Vec<u16> {
    let units = pieces.iter().rev().flat_map(|piece| piece.units);
    units.take_while(|unit| *unit != 0).collect()
}

/// Whether a deleted entry may have been `.` or `..`: its first byte is lost, and what is left says no more.
fn is_deleted_dots(entry: &ShortEntry) -> bool {
    let rest = entry.name.get(1..);
    entry.is_folder() && (rest == DOT.get(1..) || rest == DOT_DOT.get(1..))
}

struct Reader<'a> {
    source: &'a Source,
    reading: Reading,
    findings: &'a mut Findings,
    listing: Listing,
    pending: Pending,
    /// Pieces of a deleted long name.
    gone: Vec<LongEntry>,
}

impl Reader<'_> {
    fn slot(&mut self, index: usize, offset: u64, slot: Option<&[u8]>) {
        let Some(bytes) = slot else {
            self.unread(offset);
            return;
        };
        let first = u8_at(bytes, 0).unwrap_or(0);
        let is_long = u8_at(bytes, 0x0b).unwrap_or(0) & attribute::ALL == attribute::LONG_NAME;
        let (Some(entry), Some(long)) = (ShortEntry::from_bytes(bytes), LongEntry::from_bytes(bytes)) else { return };
        match (first, is_long) {
            (0, _) => {
                self.orphan();
                self.listing.ended = true;
            }
            (DELETED, true) => {
                self.orphan();
                // The order is lost; twenty pieces make the longest name.
                if self.gone.len() >= usize::from(LongEntry::MOST) {
                    self.gone.clear();
                }
                self.gone.push(long);
            }
            (DELETED, false) => self.deleted(offset, entry),
            (_, true) => {
                self.gone.clear();
                self.long(offset, long);
            }
            (_, false) => {
                self.gone.clear();
                self.short(index, offset, entry);
            }
        }
        self.pending.after_hole = false;
    }

    fn unread(&mut self, offset: u64) {
        if !self.listing.partly_read {
            self.listing.partly_read = true;
            self.findings.add(FindingKind::FolderPartlyRead, Some(self.source.image_offset(offset)), None, || "");
        }
        // The entry of a name that leads up to a hole lies in it.
        if let Some(name) = self.pending.name() {
            self.listing.only_named.push((offset, name));
        }
        self.pending = Pending { after_hole: true, ..Pending::default() };
        self.gone.clear();
    }

    /// Looks at a slot behind the end mark; answers whether it has seen enough.
    fn after_the_end(&mut self, offset: u64, slot: Option<&[u8]>) -> bool {
        let Some(entry) = slot.and_then(ShortEntry::from_bytes) else { return false };
        let first = entry.name.first().copied().unwrap_or(0);
        let is_long = entry.attributes & attribute::ALL == attribute::LONG_NAME;
        let live = first != 0
            && first != DELETED
            && !is_long
            && entry.has_sound_attributes()
            && entry.has_sound_name(first)
            && crate::catalog::Timestamp::from_dos(entry.modified.0, entry.modified.1, 0).is_some();
        if live {
            self.bad(FindingKind::FolderListLong, offset, "an entry stands behind the end mark");
        }
        live
    }

    fn bad(&mut self, kind: FindingKind, offset: u64, what: &'static str) {
        self.listing.unsound = true;
        self.findings.add(kind, Some(self.source.image_offset(offset)), None, || what);
    }

    /// Gives up pieces of a long name that belong to nothing.
    fn orphan(&mut self) {
        if !self.pending.pieces.is_empty() {
            self.bad(FindingKind::LongNameOrphaned, self.pending.offset, "");
        }
        self.pending = Pending { after_hole: self.pending.after_hole, ..Pending::default() };
    }

    fn long(&mut self, offset: u64, piece: LongEntry) {
        let order = piece.order & !LongEntry::LAST;
        let is_first = piece.order & LongEntry::LAST != 0;
        if !piece.sound || order == 0 || order > LongEntry::MOST {
            self.orphan();
            self.bad(FindingKind::FolderEntryBad, offset, "a piece of a long name that can't be one");
            return;
        }
        let goes_on = self.pending.pieces.last().is_some_and(|before| {
            before.order & !LongEntry::LAST == order.saturating_add(1) && before.checksum == piece.checksum
        });
        if is_first || !goes_on {
            self.orphan();
            self.pending.offset = offset;
            self.pending.headless = !is_first && self.pending.after_hole;
        }
        self.pending.pieces.push(piece);
    }

    fn short(&mut self, index: usize, offset: u64, entry: ShortEntry) {
        let is_dot = [DOT, DOT_DOT].iter().position(|dots| entry.name == **dots);
        if let Some(which) = is_dot {
            self.orphan();
            match self.listing.dots.get_mut(which) {
                Some(slot) if index == which => *slot = Some(entry),
                _ => self.bad(FindingKind::FolderDotsBad, offset, "a dot entry stands where none belongs"),
            }
            return;
        }
        let sound_attributes = entry.has_sound_attributes();
        if sound_attributes && entry.attributes & attribute::LABEL != 0 {
            self.orphan();
            self.listing.label.get_or_insert(entry.name);
            return;
        }
        let sound_name = entry.has_sound_name(entry.name.first().copied().unwrap_or(0));
        let mut distrust = EnumSet::empty();
        let mut name = None;
        if self.pending.checksum() == Some(checksum(&entry.name)) && self.pending.leads_up() {
            name = self.pending.name();
            if name.is_none() && self.pending.headless {
                let at = Some(self.source.image_offset(offset));
                self.findings.add(FindingKind::LongNameLost, at, None, || "");
            } else if name.is_none() {
                self.orphan();
            }
        } else if self.pending.name().is_some() {
            self.orphan();
            distrust.insert(Distrust::NameChecksum);
        } else {
            self.orphan();
        }
        self.pending = Pending::default();
        match (sound_attributes, sound_name) {
            (true, true) => {}
            (false, false) => {
                self.bad(FindingKind::FolderEntryBad, offset, "neither its name nor its attributes can be some");
                return;
            }
            // A name that only a long one replaces was never meant to be one.
            (true, false) if name.is_some() => self.note_short_name(offset),
            _ => {
                self.bad(FindingKind::FolderEntryBad, offset, "its name or its attributes can't be some");
                distrust.insert(Distrust::RecordInconsistent);
            }
        }
        let first = entry.name.first().copied();
        let name = name.unwrap_or_else(|| short_name(&entry, first, self.reading.codepage).encode_utf16().collect());
        self.listing.live.push(Named { offset, entry, name, distrust });
    }

    /// The long name's checksum vouches for the entry; only old systems would stumble over its short name.
    fn note_short_name(&mut self, offset: u64) {
        let at = Some(self.source.image_offset(offset));
        self.findings.add(
            FindingKind::FolderEntryBad,
            at,
            None,
            || "its short name can't be one; its long name is sound",
        );
    }

    fn deleted(&mut self, offset: u64, entry: ShortEntry) {
        let gone = std::mem::take(&mut self.gone);
        let explains = |sum: u8| {
            let first = first_byte(&entry.name, sum);
            (entry.has_sound_attributes() && entry.has_sound_name(first)).then_some(first)
        };
        // A system that knows no long names leaves them behind when it deletes.
        let left_behind = self.pending.name().zip(self.pending.checksum().and_then(explains));
        if left_behind.is_some() {
            let at = Some(self.source.image_offset(self.pending.offset));
            self.findings.add(
                FindingKind::LongNameOrphaned,
                at,
                None,
                || "its file was deleted by a system without long names",
            );
            self.pending = Pending::default();
        } else {
            self.orphan();
        }
        if !self.reading.deleted || entry.attributes & attribute::LABEL != 0 || !entry.has_sound_attributes() {
            return;
        }
        let sum = gone.last().map(|piece| piece.checksum);
        let own = gone.iter().rposition(|piece| Some(piece.checksum) != sum).map_or(0, |other| other.saturating_add(1));
        let pieces = gone.get(own..).unwrap_or_default();
        let by_sum = sum.and_then(explains);
        let long = left_behind.map(|(name, first)| (Some(name), Some(first)));
        let (name, first) = long.unwrap_or_else(|| {
            let name = by_sum.map(|_| put_together(pieces)).filter(|name| !name.is_empty() && name.len() <= 255);
            (name, by_sum)
        });
        // What isn't even a name any more is the rest of something older.
        if !entry.has_sound_name(first.unwrap_or(b'A')) || is_deleted_dots(&entry) {
            return;
        }
        let name = name.unwrap_or_else(|| short_name(&entry, first, self.reading.codepage).encode_utf16().collect());
        self.listing.deleted.push(Named { offset, entry, name, distrust: Distrust::Deleted.into() });
    }
}

#[cfg(test)]
mod tests;
