//! What stood in the bytes that the drive did not give: files, the filesystem's own structures, free space.

use std::ops::Range;

use serde::Serialize;

use super::bitmap::{Bitmap, Bits};
use super::claims::{Claims, Owner};
use crate::source::{Missing, Source};

/// What a byte of a volume is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Use {
    /// It lies in a cluster of a file that was found; behind the file's last byte, too.
    Files,
    /// It is the filesystem's own: a table, a folder's list, a bitmap, a journal, a boot sector.
    Metadata,
    /// The filesystem itself had set it aside as bad before, and no file has it.
    SetAside,
    /// The allocation bitmap calls it in use, and nothing that was found has it.
    Unexplained,
    /// The allocation bitmap calls it free: the part of the bitmap that says so was read, and nothing contradicts the
    /// bitmap anywhere.
    Free,
    /// An allocation bitmap calls it free that can't be relied on: something that was found contradicts it, or no map
    /// speaks for the sectors it was read from.
    FreeUnproven,
    /// Nobody can say: the part of the allocation bitmap that speaks of it was not read.
    Undecided,
    /// No cluster of the filesystem lies there: the end of the partition, or what a format leaves between its parts.
    Unused,
}

impl Use {
    /// All, in the order of the type.
    pub const ALL: [Self; 8] = [
        Self::Files,
        Self::Metadata,
        Self::SetAside,
        Self::Unexplained,
        Self::Free,
        Self::FreeUnproven,
        Self::Undecided,
        Self::Unused,
    ];
}

/// Bytes of one state, by what they are for; each is counted once.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct UseBytes {
    /// [`Use::Files`].
    pub files: u64,
    /// [`Use::Metadata`].
    pub metadata: u64,
    /// [`Use::SetAside`].
    pub set_aside: u64,
    /// [`Use::Unexplained`].
    pub unexplained: u64,
    /// [`Use::Free`].
    pub free: u64,
    /// [`Use::FreeUnproven`].
    pub free_unproven: u64,
    /// [`Use::Undecided`].
    pub undecided: u64,
    /// [`Use::Unused`].
    pub unused: u64,
}

impl UseBytes {
    fn slot(&mut self, what: Use) -> &mut u64 {
        match what {
            Use::Files => &mut self.files,
            Use::Metadata => &mut self.metadata,
            Use::SetAside => &mut self.set_aside,
            Use::Unexplained => &mut self.unexplained,
            Use::Free => &mut self.free,
            Use::FreeUnproven => &mut self.free_unproven,
            Use::Undecided => &mut self.undecided,
            Use::Unused => &mut self.unused,
        }
    }

    /// The bytes of one use.
    #[must_use]
    pub fn of(mut self, what: Use) -> u64 {
        *self.slot(what)
    }

    /// All of them.
    #[must_use]
    pub fn total(self) -> u64 {
        Use::ALL.into_iter().map(|what| self.of(what)).fold(0, u64::saturating_add)
    }

    /// Adds bytes of one use.
    pub fn add(&mut self, what: Use, bytes: u64) {
        let slot = self.slot(what);
        *slot = slot.saturating_add(bytes);
    }
}

/// What the holes of a volume are for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct HoleUse {
    /// Of the bytes that would not come.
    pub unread: UseBytes,
    /// Of the bytes that were not tried.
    pub unreached: UseBytes,
}

impl HoleUse {
    /// The same for a volume whose layout is not proven (`true`): what is nobody's by it may be somebody's by another.
    pub(crate) fn on_layout(mut self, doubted: bool) -> Self {
        if doubted {
            for uses in [&mut self.unread, &mut self.unreached] {
                for what in [Use::Free, Use::Unused] {
                    let bytes = std::mem::take(uses.slot(what));
                    uses.add(Use::Undecided, bytes);
                }
            }
        }
        self
    }
}

/// Where the clusters of a volume lie.
#[derive(Debug, Clone)]
pub(crate) struct Clusters {
    /// The byte of the volume at which the first one starts.
    pub(crate) start: u64,
    /// Bytes in a cluster.
    pub(crate) size: u64,
    /// Their numbers, as claims and bitmap count them.
    pub(crate) numbers: Range<u64>,
}

impl Clusters {
    /// The bytes of the volume that clusters take; those outside the volume take none.
    fn bytes(&self, numbers: Range<u64>) -> Range<u64> {
        let byte = |number: u64| {
            let index = number.clamp(self.numbers.start, self.numbers.end).saturating_sub(self.numbers.start);
            self.start.saturating_add(index.saturating_mul(self.size))
        };
        byte(numbers.start)..byte(numbers.end)
    }
}

/// The allocation bitmap, and whether it may be relied on where it was read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Allocation<'a> {
    pub(crate) bitmap: &'a Bitmap,
    pub(crate) sure: bool,
}

/// Ranges of bytes of the volume, in order and joined, by what has them.
#[derive(Debug, Default)]
pub(crate) struct Ground {
    files: Vec<Range<u64>>,
    metadata: Vec<Range<u64>>,
    set_aside: Vec<Range<u64>>,
}

impl Ground {
    /// Sorts what is claimed by what has it. `own` are bytes outside of all claims that are the filesystem's own;
    /// `use_of` says whether an owner is a file ([`Use::Files`]), bad clusters ([`Use::SetAside`]) or else.
    pub(crate) fn of(
        claims: &Claims,
        clusters: &Clusters,
        own: impl IntoIterator<Item = Range<u64>>,
        mut use_of: impl FnMut(Owner) -> Use,
    ) -> Self {
        let mut ground = Self { metadata: own.into_iter().collect(), ..Self::default() };
        for (numbers, owner) in claims.all() {
            let list = match use_of(owner) {
                Use::Files => &mut ground.files,
                Use::SetAside => &mut ground.set_aside,
                _ => &mut ground.metadata,
            };
            list.push(clusters.bytes(numbers));
        }
        for list in [&mut ground.files, &mut ground.metadata, &mut ground.set_aside] {
            *list = joined(std::mem::take(list));
        }
        ground
    }
}

fn joined(mut ranges: Vec<Range<u64>>) -> Vec<Range<u64>> {
    ranges.retain(|range| range.start < range.end);
    ranges.sort_unstable_by_key(|range| range.start);
    let mut all: Vec<Range<u64>> = Vec::new();
    for range in ranges {
        match all.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => all.push(range),
        }
    }
    all
}

/// Whether the volume has any hole to classify.
pub(crate) fn has_holes(source: &Source) -> bool {
    let reality = source.reality(0, source.length());
    reality.holes.iter().any(|hole| hole.why != Missing::PastEnd)
}

/// Says of each byte of `source` that is unread or unreached what it is for. Bytes past the image's end are no holes of
/// it. A file's claim counts before the filesystem's own, and both before what the bitmap says.
pub(crate) fn hole_use(
    source: &Source,
    clusters: &Clusters,
    ground: &Ground,
    allocation: Option<Allocation<'_>>,
) -> HoleUse {
    let mut found = HoleUse::default();
    for hole in source.reality(0, source.length()).holes {
        let into = match hole.why {
            Missing::Unread => &mut found.unread,
            Missing::Unreached => &mut found.unreached,
            Missing::PastEnd => continue,
        };
        let mut rest = vec![hole.range];
        for (list, what) in
            [(&ground.files, Use::Files), (&ground.metadata, Use::Metadata), (&ground.set_aside, Use::SetAside)]
        {
            let mut left = Vec::new();
            for piece in rest {
                into.add(what, carve(piece, list, &mut left));
            }
            rest = left;
        }
        let area = clusters.bytes(clusters.numbers.clone());
        for piece in rest {
            let inside = piece.start.max(area.start)..piece.end.min(area.end);
            let length = piece.end.saturating_sub(piece.start);
            let there = inside.end.saturating_sub(inside.start);
            into.add(Use::Unused, length.saturating_sub(there));
            if there > 0 {
                by_bitmap(inside, clusters, allocation, into);
            }
        }
    }
    found
}

/// How many bytes of `range` lie in `list`; what does not goes to `outside`.
fn carve(range: Range<u64>, list: &[Range<u64>], outside: &mut Vec<Range<u64>>) -> u64 {
    let first = list.partition_point(|one| one.end <= range.start);
    let mut inside = 0_u64;
    let mut at = range.start;
    for one in list.get(first..).unwrap_or_default() {
        if one.start >= range.end {
            break;
        }
        if at < one.start {
            outside.push(at..one.start);
        }
        let end = one.end.min(range.end);
        inside = inside.saturating_add(end.saturating_sub(one.start.max(at)));
        at = end;
    }
    if at < range.end {
        outside.push(at..range.end);
    }
    inside
}

/// Bytes inside the clusters that nothing claims: what the bitmap says of them.
fn by_bitmap(range: Range<u64>, clusters: &Clusters, allocation: Option<Allocation<'_>>, into: &mut UseBytes) {
    let Some(Allocation { bitmap, sure }) = allocation else {
        into.add(Use::Undecided, range.end.saturating_sub(range.start));
        return;
    };
    let free = if sure { Use::Free } else { Use::FreeUnproven };
    let mut at = range.start;
    while at < range.end {
        let inside = at.saturating_sub(clusters.start);
        let number = clusters.numbers.start.saturating_add(inside.checked_div(clusters.size).unwrap_or(0));
        let next = number.saturating_add(1);
        let Range { start, end } = clusters.bytes(number..next);
        let whole = range.end.saturating_sub(at).checked_div(clusters.size).unwrap_or(0);
        if at == start && whole > 0 {
            let Bits { set, unknown } = bitmap.count(number..number.saturating_add(whole));
            let clear = whole.saturating_sub(set).saturating_sub(unknown);
            for (what, count) in [(Use::Unexplained, set), (Use::Undecided, unknown), (free, clear)] {
                into.add(what, count.saturating_mul(clusters.size));
            }
            at = at.saturating_add(whole.saturating_mul(clusters.size));
            continue;
        }
        // A hole counts by sectors, and may begin or end within a cluster.
        let stop = end.min(range.end).max(at.saturating_add(1));
        let what = match bitmap.get(number) {
            Some(true) => Use::Unexplained,
            Some(false) => free,
            None => Use::Undecided,
        };
        into.add(what, stop.saturating_sub(at));
        at = stop;
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use proptest::prelude::*;

    use super::*;
    use crate::image::MemoryImage;
    use crate::sector_map::{Basis, ByteState, SectorMap, Segment};

    /// A volume of 64 KiB: clusters 2 to 25 of 2,048 bytes from byte 4,096.
    const SIZE: u64 = 65536;

    fn clusters() -> Clusters {
        Clusters { start: 4096, size: 2048, numbers: 2..26 }
    }

    fn volume(holes: &[(Range<u64>, ByteState)]) -> Source {
        let segments: Vec<Segment> =
            holes.iter().map(|(range, state)| Segment { range: range.clone(), state: *state }).collect();
        let map = SectorMap::from_ranges(SIZE, Basis::Full, ByteState::Read, &segments).unwrap();
        Source::new(Arc::new(MemoryImage::new(vec![0; 65536])), &map, 512)
    }

    fn use_of(owner: Owner) -> Use {
        match owner {
            Owner::Object(_) | Owner::Found(_) => Use::Files,
            Owner::Other => Use::Metadata,
            Owner::SetAside => Use::SetAside,
        }
    }

    #[test]
    fn claims_go_before_the_bitmap_and_files_before_the_rest() {
        let mut claims = Claims::default();
        claims.add(2, 2, Owner::Object(7));
        claims.add(3, 2, Owner::Other);
        claims.add(4, 2, Owner::SetAside);
        let ground = Ground::of(&claims, &clusters(), [0..1024], use_of);
        // Clusters 0 to 7 free but 6; 8 to 15 not read; 16 on in use.
        let bitmap = Bitmap::new(vec![0x40, 0, 0xff, 0xff], vec![1..2]);
        let source = volume(&[(0..SIZE, ByteState::Unread)]);
        let unread = |allocation| hole_use(&source, &clusters(), &ground, allocation).unread;
        let sure = unread(Some(Allocation { bitmap: &bitmap, sure: true }));
        let wanted = UseBytes {
            files: 2 * 2048,
            metadata: 1024 + 2048,
            set_aside: 2048,
            unexplained: 11 * 2048,
            free: 2048,
            free_unproven: 0,
            undecided: 8 * 2048,
            unused: 3072 + SIZE - 4096 - 24 * 2048,
        };
        assert_eq!((sure, sure.total()), (wanted, SIZE));
        let doubted = unread(Some(Allocation { bitmap: &bitmap, sure: false }));
        assert_eq!(doubted, UseBytes { free: 0, free_unproven: 2048, ..wanted });
        let none = unread(None);
        assert_eq!(none, UseBytes { free: 0, unexplained: 0, undecided: 20 * 2048, ..wanted });
    }

    #[test]
    fn what_was_not_tried_is_counted_apart_and_what_was_read_not_at_all() {
        let ground = Ground::default();
        let bitmap = Bitmap::new(vec![0; 4], Vec::new());
        let source = volume(&[(4608..5120, ByteState::Unread), (8192..8704, ByteState::Unreached)]);
        let found = hole_use(&source, &clusters(), &ground, Some(Allocation { bitmap: &bitmap, sure: true }));
        assert_eq!((found.unread.free, found.unread.total()), (512, 512));
        assert_eq!((found.unreached.free, found.unreached.total()), (512, 512));
        assert!(has_holes(&source) && !has_holes(&volume(&[])));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn classifying_equals_looking_at_each_sector(
            runs in prop::collection::vec((0..30_u64, 1..6_u64, 0..3_u8), 0..8),
            bits in prop::collection::vec(any::<u8>(), 4), hole in 0..4_u64,
            starts in prop::collection::btree_set(0..128_u64, 0..40),
        ) {
            let owner = |kind: u8| [Owner::Object(1), Owner::Other, Owner::SetAside][usize::from(kind)];
            let mut claims = Claims::default();
            runs.iter().for_each(|(start, length, kind)| claims.add(*start, *length, owner(*kind)));
            let bitmap = Bitmap::new(bits, vec![hole..hole + 1]);
            let holes: Vec<_> = starts.iter().map(|at| (at * 512..at * 512 + 512, ByteState::Unread)).collect();
            let ground = Ground::of(&claims, &clusters(), [0..700], use_of);
            let allocation = Some(Allocation { bitmap: &bitmap, sure: true });
            let found = hole_use(&volume(&holes), &clusters(), &ground, allocation).unread;
            let mut each = UseBytes::default();
            for byte in starts.iter().flat_map(|at| at * 512..at * 512 + 512) {
                let cluster = byte.checked_sub(4096).map(|at| at / 2048 + 2).filter(|number| *number < 26);
                let claimed = |kind| cluster.is_some_and(|number| {
                    runs.iter().any(|(start, length, one)| *one == kind && (*start..start + length).contains(&number))
                });
                each.add(match cluster {
                    _ if claimed(0) => Use::Files,
                    _ if claimed(1) || byte < 700 => Use::Metadata,
                    _ if claimed(2) => Use::SetAside,
                    None => Use::Unused,
                    Some(number) => match bitmap.get(number) {
                        Some(true) => Use::Unexplained,
                        Some(false) => Use::Free,
                        None => Use::Undecided,
                    },
                }, 1);
            }
            prop_assert_eq!(found, each);
        }
    }
}
