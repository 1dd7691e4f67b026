//! The allocation tables: read, and weighed against one another.
//!
//! A volume has one table or two. Where both are copies, the second stands in for what the first has in a hole, if the
//! two agree wherever they can be compared; where they differ, the first counts, and what differs is remembered.

use super::structures::Width;
use super::units::{Cluster, FIRST, Layout};
use crate::bytes::{at_most, le_u16, le_u32, to_u64};
use crate::catalog::{FindingKind, Findings};
use crate::error::Result;
use crate::filesystem::bitmap::Bitmap;
use crate::source::{Hole, Source};

/// How much of a table is read at once: whole sectors, and a multiple of the three bytes that two entries of FAT12 take.
const CHUNK: u64 = 3 << 18;

/// Bits above the 28 of an entry: it was not read.
const MISSING: u32 = 1 << 31;
/// Nobody vouches for it.
const UNKNOWN: u32 = 1 << 30;
/// It was taken from the other table.
const OTHER: u32 = 1 << 29;
const FLAGS: u32 = MISSING | UNKNOWN | OTHER;

/// What an entry says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Link {
    Free,
    Next(Cluster),
    End,
    Bad,
    /// A number that no cluster has.
    OutOfRange(u32),
    /// It was not read.
    Missing,
}

/// An entry, and what is known of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) link: Link,
    pub(super) unknown: bool,
    /// It comes from the table that is not the active one.
    pub(super) from_other: bool,
}

/// How the two tables stand to one another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Other {
    /// There is none, or none that counts.
    None,
    /// Wherever both were read they agree, and entries in use were among them.
    Trusted,
    /// It could not be compared, or the volume says that it is not kept up: it stands in for holes, and is not to be
    /// relied on.
    Unproven,
    /// It differs.
    Differs,
}

/// The tables of a volume.
#[derive(Debug)]
pub(super) struct Tables {
    width: Width,
    end: u32,
    /// The active table, with what of the other stands in for its holes.
    entries: Vec<u32>,
    other: Other,
    /// The other table, where it differs.
    differing: Vec<u32>,
    /// Entry 1 of a table that was read: flags of FAT16 and FAT32.
    pub(super) flags: Option<u32>,
}

struct Read {
    entries: Vec<u32>,
    holes: u64,
    first_hole: Option<u64>,
}

impl Tables {
    /// Reads and weighs the tables. `only_active` is the one that is kept up where only one is; `root` is FAT32's root
    /// folder, which formatting enters in both.
    pub(super) fn read(
        source: &Source,
        boot: &super::structures::BootSector,
        layout: &Layout,
        findings: &mut Findings,
    ) -> Result<Self> {
        let active = boot.only_active.unwrap_or(0).min(boot.tables.saturating_sub(1));
        let place = |number: u64| layout.tables.saturating_add(number.saturating_mul(layout.table));
        let first = read(source, place(active), boot.width, layout)?;
        note_holes(source, &first, active, findings);
        let mut tables = Self {
            width: boot.width,
            end: layout.end,
            entries: first.entries,
            other: Other::None,
            differing: Vec::new(),
            flags: None,
        };
        if let Some(other) = (boot.tables == 2).then(|| 1_u64.saturating_sub(active)) {
            let second = read(source, place(other), boot.width, layout)?;
            note_holes(source, &second, other, findings);
            let copies = boot.only_active.is_none();
            let differ_at = tables.weigh(second.entries, copies, boot.root_cluster);
            if let Some(cluster) = differ_at.filter(|_| copies) {
                let kind = if tables.other == Other::None {
                    FindingKind::SecondTableUnused
                } else {
                    FindingKind::AllocationTablesDiffer
                };
                findings.add(kind, Some(source.image_offset(place(other))), None, || {
                    format!("the first difference is at cluster {cluster}")
                });
            }
        }
        let open = tables.entries.first().copied().filter(|entry| entry & MISSING == 0);
        if let Some(open) = open.map(|entry| entry & tables.width.mask())
            && open & 0xff != u32::from(boot.media)
        {
            findings.add(FindingKind::AllocationTableBad, Some(source.image_offset(place(active))), Some(0), || {
                format!("its first entry is {open:#x} and the media byte is {:#04x}", boot.media)
            });
        }
        tables.flags = tables
            .entries
            .get(1)
            .copied()
            .filter(|entry| entry & MISSING == 0)
            .map(|entry| entry & tables.width.mask());
        Ok(tables)
    }

    /// Holds the other table against the active one, and fills holes from it. Answers the first cluster at which they
    /// differ.
    fn weigh(&mut self, second: Vec<u32>, copies: bool, root: u32) -> Option<u32> {
        let mask = self.width.mask();
        let root = usize::try_from(root).unwrap_or(0);
        let (mut in_use, mut differ_at, mut kept_up) = (0_u64, None, false);
        let first_cluster = usize::try_from(FIRST).unwrap_or(2);
        for (cluster, (mine, theirs)) in self.entries.iter().zip(&second).enumerate().skip(first_cluster) {
            if theirs & MISSING == 0 && !matches!(self.link(theirs & mask), Link::Free | Link::OutOfRange(_)) {
                // Formatting enters FAT32's root folder in both tables.
                kept_up |= cluster != root || !matches!(self.link(theirs & mask), Link::End);
            }
            if (mine | theirs) & MISSING != 0 {
                continue;
            }
            if mine & mask != theirs & mask {
                differ_at = differ_at.or(u32::try_from(cluster).ok());
            } else if mine & mask != 0 && cluster != root {
                in_use = in_use.saturating_add(1);
            }
        }
        self.other = match (copies, differ_at) {
            (false, _) => Other::Unproven,
            (true, None) if in_use > 0 => Other::Trusted,
            (true, None) => Other::Unproven,
            (true, Some(_)) if !kept_up => Other::None,
            (true, Some(_)) => Other::Differs,
        };
        if self.other != Other::None {
            for (mine, theirs) in self.entries.iter_mut().zip(&second) {
                if *mine & MISSING != 0 && theirs & MISSING == 0 {
                    *mine = theirs | OTHER;
                }
            }
        }
        if self.other == Other::Differs {
            self.differing = second;
        }
        differ_at
    }

    fn link(&self, value: u32) -> Link {
        let bad = self.width.bad();
        match value & self.width.mask() {
            0 => Link::Free,
            value if value == bad => Link::Bad,
            value if value > bad => Link::End,
            value if value >= FIRST && value < self.end => Link::Next(Cluster(value)),
            value => Link::OutOfRange(value),
        }
    }

    fn entry_of(&self, list: &[u32], cluster: Cluster) -> Entry {
        let raw = usize::try_from(cluster.0).ok().and_then(|index| list.get(index)).copied().unwrap_or(MISSING);
        let link = if raw & MISSING != 0 { Link::Missing } else { self.link(raw & !FLAGS) };
        Entry { link, unknown: raw & UNKNOWN != 0, from_other: raw & OTHER != 0 }
    }

    /// What the active table says of a cluster, or the other one in its place.
    pub(super) fn entry(&self, cluster: Cluster) -> Entry {
        self.entry_of(&self.entries, cluster)
    }

    /// What the other table says, where it differs from the active one anywhere.
    pub(super) fn differing(&self, cluster: Cluster) -> Option<Entry> {
        (self.other == Other::Differs).then(|| self.entry_of(&self.differing, cluster))
    }

    /// Whether the tables differ in anything that counts.
    pub(super) fn differ(&self) -> bool {
        self.other == Other::Differs
    }

    /// Whether what was taken from the other table counts like the active one's.
    pub(super) fn other_is_trusted(&self) -> bool {
        self.other == Other::Trusted
    }

    /// Which clusters are in use, by their numbers, and runs of those that are set aside as bad. Where the active table is
    /// empty and the other is not, the other one speaks.
    pub(super) fn allocation(&self) -> (Bitmap, Vec<(u64, u64)>) {
        let first = usize::try_from(FIRST).unwrap_or(2);
        let empty = |list: &[u32]| list.iter().skip(first).all(|raw| raw & (self.width.mask() | MISSING) == 0);
        let list = if self.differ() && empty(&self.entries) { &self.differing } else { &self.entries };
        let mut bytes = vec![0_u8; list.len().div_ceil(8)];
        let mut holes: Vec<std::ops::Range<u64>> = Vec::new();
        let mut bad: Vec<(u64, u64)> = Vec::new();
        for (index, (raw, number)) in list.iter().zip(0_u64..).enumerate().skip(first) {
            let byte = number >> 3;
            if raw & MISSING != 0 {
                match holes.last_mut() {
                    Some(last) if last.end >= byte => last.end = byte.saturating_add(1),
                    _ => holes.push(byte..byte.saturating_add(1)),
                }
            } else if raw & self.width.mask() != 0
                && let Some(slot) = bytes.get_mut(index >> 3)
            {
                *slot |= 1_u8.checked_shl(u32::try_from(index & 7).unwrap_or(0)).unwrap_or(0);
            }
            if raw & MISSING == 0 && self.link(*raw & !FLAGS) == Link::Bad {
                match bad.last_mut() {
                    Some((start, length)) if start.saturating_add(*length) == number => {
                        *length = length.saturating_add(1);
                    }
                    _ => bad.push((number, 1)),
                }
            }
        }
        (Bitmap::new(bytes, holes), bad)
    }

    /// Whether what [`Tables::allocation`] calls free can be relied on: the tables agree, what stands in for holes is
    /// trusted, and a map speaks for all of it.
    pub(super) fn allocation_is_sure(&self) -> bool {
        let trusted = if self.other_is_trusted() { UNKNOWN } else { UNKNOWN | OTHER };
        !self.differ() && self.entries.iter().all(|raw| raw & MISSING != 0 || raw & trusted == 0)
    }

    /// The highest number of a cluster that is in use by what was read.
    pub(super) fn last_in_use(&self) -> Option<u32> {
        let is_used = |raw: &u32| raw & MISSING == 0 && raw & self.width.mask() != 0;
        u32::try_from(self.entries.iter().rposition(is_used)?).ok().filter(|last| *last >= FIRST)
    }

    /// Whether the link of any cluster that was read leads to this one.
    pub(super) fn leads_to(&self, cluster: Cluster) -> bool {
        let first = usize::try_from(FIRST).unwrap_or(2);
        self.entries.iter().skip(first).any(|raw| raw & MISSING == 0 && raw & self.width.mask() == cluster.0)
    }

    /// How many clusters are free by the active table; `None` if it was not read whole.
    pub(super) fn free(&self) -> Option<u64> {
        let first = usize::try_from(FIRST).unwrap_or(2);
        let mut free = 0_u64;
        for raw in self.entries.iter().skip(first) {
            if raw & (MISSING | OTHER) != 0 {
                return None;
            }
            free = free.saturating_add(u64::from(raw & self.width.mask() == 0));
        }
        Some(free)
    }
}

fn note_holes(source: &Source, read: &Read, number: u64, findings: &mut Findings) {
    if let Some(offset) = read.first_hole {
        let offset = Some(source.image_offset(offset));
        findings.add(FindingKind::AllocationTableUnread, offset, Some(number), || {
            format!("{} entries of table {number} were not read", read.holes)
        });
    }
}

/// Reads one table: entries 0 to the last cluster's, as far as the image goes.
fn read(source: &Source, start: u64, width: Width, layout: &Layout) -> Result<Read> {
    let bits = match width {
        Width::Fat12 => 12,
        Width::Fat16 => 16,
        Width::Fat32 => 32_u64,
    };
    let end = u64::from(layout.end);
    let wanted = end.saturating_mul(bits).div_ceil(8);
    // What lies after the image's end takes no memory.
    let there = wanted.min(source.length_in_image().saturating_sub(start));
    let count = at_most(end.min(there.saturating_mul(8).div_ceil(bits)), usize::MAX);
    let mut read =
        Read { entries: Vec::with_capacity(count), holes: end.saturating_sub(to_u64(count)), first_hole: None };
    if to_u64(count) < end {
        read.first_hole = Some(start.saturating_add(there));
    }
    let mut at = 0;
    while at < there && read.entries.len() < count {
        // The last entry of FAT12 may end in the byte after the chunk's last whole pair: chunks hold whole pairs.
        let length = at_most(there.saturating_sub(at), at_most(CHUNK, usize::MAX));
        let mut bytes = vec![0; length];
        let offset = start.saturating_add(at);
        let reality = source.read_at(offset, &mut bytes)?;
        let unknown = reality.unknown.then(|| unknown_sectors(source, offset, to_u64(length)));
        let per_chunk = to_u64(length).saturating_mul(8).div_ceil(bits);
        let mut holes = reality.holes.as_slice();
        let mut vague = unknown.as_deref().unwrap_or_default();
        for index in 0..at_most(per_chunk, count.saturating_sub(read.entries.len())) {
            let (byte, size) = match width {
                Width::Fat12 => (index.saturating_mul(3) >> 1, 2),
                Width::Fat16 => (index.saturating_mul(2), 2),
                Width::Fat32 => (index.saturating_mul(4), 4),
            };
            let value = match width {
                Width::Fat12 => le_u16(&bytes, byte).map(|word| if index & 1 == 0 { word & 0xfff } else { word >> 4 }),
                Width::Fat16 => le_u16(&bytes, byte),
                Width::Fat32 => None,
            };
            let value = if width == Width::Fat32 { le_u32(&bytes, byte) } else { value.map(u32::from) };
            let from = offset.saturating_add(to_u64(byte));
            let to = from.saturating_add(size);
            while holes.first().is_some_and(|hole| hole.range.end <= from) {
                holes = holes.get(1..).unwrap_or_default();
            }
            while vague.first().is_some_and(|range| range.end <= from) {
                vague = vague.get(1..).unwrap_or_default();
            }
            let missing = holes.first().is_some_and(|Hole { range, .. }| range.start < to);
            let raw = match value {
                Some(value) if !missing => {
                    let unknown = vague.first().is_some_and(|range| range.start < to);
                    value & width.mask() | if unknown { UNKNOWN } else { 0 }
                }
                _ => {
                    read.holes = read.holes.saturating_add(1);
                    read.first_hole.get_or_insert(from);
                    MISSING
                }
            };
            read.entries.push(raw);
        }
        at = at.saturating_add(to_u64(length));
    }
    Ok(read)
}

/// The sectors of a stretch for which nobody vouches.
fn unknown_sectors(source: &Source, offset: u64, length: u64) -> Vec<std::ops::Range<u64>> {
    let mut found: Vec<std::ops::Range<u64>> = Vec::new();
    let end = offset.saturating_add(length);
    let mut at = offset;
    while at < end {
        let next = at.saturating_add(crate::source::SMALLEST_SECTOR).min(end);
        if source.reality(at, next.saturating_sub(at)).unknown {
            match found.last_mut() {
                Some(last) if last.end == at => last.end = next,
                _ => found.push(at..next),
            }
        }
        at = next;
    }
    found
}

#[cfg(test)]
mod tests;
