//! Ranges of the image: rounded to sectors, in order, joined.

use std::ops::Range;

use enumset::EnumSet;
use serde::{Serialize, Serializer};

use crate::bytes::{round_down, round_up};
use crate::filesystem::NeededStructure;
use crate::sector_map::{Basis, ByteState, SectorMap, Segment};
use crate::source::{Missing, Source};

/// A range that another pass should try.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WantedRange {
    /// First byte, from the image's start.
    pub start: u64,
    /// Length in bytes.
    pub length: u64,
    /// `unread`: it was tried and would not come. `unreached`: it was not tried yet.
    pub state: ByteState,
    /// Whether something chosen certainly lacks it. Of the others nobody can tell: they may hold nothing of it.
    pub certain: bool,
    /// What stands there.
    #[serde(serialize_with = "words")]
    pub what: EnumSet<NeededStructure>,
}

fn words<S: Serializer>(what: &EnumSet<NeededStructure>, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(what.iter().map(NeededStructure::word))
}

impl WantedRange {
    /// The byte after its last.
    #[must_use]
    pub fn end(&self) -> u64 {
        self.start.saturating_add(self.length)
    }
}

/// Ranges as they come.
#[derive(Debug, Default)]
pub(super) struct Ranges(Vec<Wish>);

#[derive(Debug, Clone)]
struct Wish {
    range: Range<u64>,
    state: ByteState,
    certain: bool,
    what: EnumSet<NeededStructure>,
}

impl Ranges {
    /// Adds a range of a volume. What lies after the image's end is not in the image and can't be read into it.
    pub(super) fn add(
        &mut self,
        volume: &Source,
        range: Range<u64>,
        why: Missing,
        structure: NeededStructure,
        certain: bool,
    ) {
        let state = match why {
            Missing::Unread => ByteState::Unread,
            Missing::Unreached => ByteState::Unreached,
            Missing::PastEnd => return,
        };
        let range = volume.image_offset(range.start)..volume.image_offset(range.end);
        self.0.push(Wish { range, state, certain, what: structure.into() });
    }

    /// The ranges grown to sectors of `sector` bytes, inside an image of `length` bytes, in order, neighbours joined,
    /// without what is in `others`. Of a byte that is asked for twice, what is certain and what was tried counts.
    pub(super) fn rounded(self, sector: u64, length: u64, others: &[WantedRange]) -> Vec<WantedRange> {
        let mut wishes: Vec<Wish> = self.0;
        for wish in &mut wishes {
            wish.range = round_down(wish.range.start, sector)..round_up(wish.range.end, sector).min(length);
        }
        wishes.retain(|wish| wish.range.start < wish.range.end);
        // Where any range begins or ends, and between neighbours of these: what holds there.
        let mut edges: Vec<u64> = wishes
            .iter()
            .map(|wish| &wish.range)
            .flat_map(|range| [range.start, range.end])
            .chain(others.iter().flat_map(|other| [other.start, other.end()]))
            .collect();
        edges.sort_unstable();
        edges.dedup();
        wishes.sort_by_key(|wish| wish.range.start);
        let mut joined: Vec<WantedRange> = Vec::new();
        let mut open: Vec<Wish> = Vec::new();
        let mut next = wishes.into_iter().peekable();
        let mut others = others.iter().peekable();
        for pair in edges.windows(2) {
            let (start, end) = (pair[0], pair[1]);
            open.retain(|wish| wish.range.end > start);
            while let Some(wish) = next.next_if(|wish| wish.range.start <= start) {
                // Many wishes ask for one sector: of those that say the same, the longest is enough.
                let same = |other: &&mut Wish| {
                    (other.state, other.certain, other.what) == (wish.state, wish.certain, wish.what)
                };
                match open.iter_mut().find(same) {
                    Some(other) => other.range.end = other.range.end.max(wish.range.end),
                    None => open.push(wish),
                }
            }
            while others.next_if(|other| other.end() <= start).is_some() {}
            if open.is_empty() || others.peek().is_some_and(|other| other.start <= start) {
                continue;
            }
            let state = open.iter().map(|wish| wish.state).max().unwrap_or(ByteState::Unread);
            let certain = open.iter().any(|wish| wish.certain);
            let what: EnumSet<NeededStructure> = open.iter().flat_map(|wish| wish.what).collect();
            match joined.last_mut() {
                Some(last) if last.end() == start && last.state == state && last.certain == certain => {
                    last.length = end - last.start;
                    last.what |= what;
                }
                _ => joined.push(WantedRange { start, length: end - start, state, certain, what }),
            }
        }
        joined
    }
}

/// The ranges as a map: it says nothing of what is not wanted.
pub(super) fn map(ranges: &[WantedRange], length: u64) -> SectorMap {
    let segments: Vec<Segment> =
        ranges.iter().map(|range| Segment { range: range.start..range.end(), state: range.state }).collect();
    let made = SectorMap::from_ranges(length, Basis::BadList, ByteState::Unknown, &segments);
    made.unwrap_or_else(|_| SectorMap::none(length))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::image::MemoryImage;

    fn ranges(wishes: &[(Range<u64>, Missing, bool)], others: &[WantedRange]) -> Vec<(u64, u64, ByteState, bool)> {
        let source = Source::without_map(Arc::new(MemoryImage::new(vec![0; 10_000]))).window(512, 9000);
        let mut all = Ranges::default();
        for (range, why, certain) in wishes {
            all.add(&source, range.clone(), *why, NeededStructure::FileRecord, *certain);
        }
        let rounded = all.rounded(512, 10_000, others);
        rounded.iter().map(|one| (one.start, one.length, one.state, one.certain)).collect()
    }

    #[test]
    fn ranges_grow_to_sectors_and_join() {
        use ByteState::{Unreached, Unread};
        let found = ranges(
            &[
                (600..700, Missing::Unread, true),
                (512..520, Missing::Unread, true),
                (1024..1030, Missing::Unread, false),
                (4000..4001, Missing::Unreached, false),
                (9470..9480, Missing::Unreached, true),
                (40_000..40_001, Missing::PastEnd, true),
            ],
            &[],
        );
        let expected = [
            (1024, 512, Unread, true),
            (1536, 512, Unread, false),
            (4096, 512, Unreached, false),
            (9728, 272, Unreached, true),
        ];
        assert_eq!(found, expected);
    }

    #[test]
    fn what_is_certain_or_was_tried_counts_and_what_others_have_is_left_out() {
        let both = [(0..1024, Missing::Unreached, false), (512..1536, Missing::Unread, true)];
        let found = ranges(&both, &[]);
        use ByteState::{Unreached, Unread};
        assert_eq!(found, [(512, 512, Unreached, false), (1024, 1024, Unread, true)]);
        let other = WantedRange {
            start: 1024,
            length: 512,
            state: Unread,
            certain: true,
            what: NeededStructure::FolderList.into(),
        };
        assert_eq!(ranges(&both, &[other]), [(512, 512, Unreached, false), (1536, 512, Unread, true)]);
        assert_eq!(ranges(&[], &[]), []);
    }
}
