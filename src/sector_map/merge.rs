//! Several maps of one drive made into one.

use super::{Basis, ByteState, SectorMap, Segment};

/// Joins maps of the same image: a byte is in the best state that any map gives it (read, then unread, then unreached,
/// then unknown), and the basis is the weakest of those that gave a `read`. Where the maps are of different lengths,
/// the longest counts, and a shorter one says nothing about the rest.
///
/// Returns `None` for an empty list.
#[must_use]
pub fn merge(maps: &[SectorMap]) -> Option<SectorMap> {
    let length = maps.iter().map(SectorMap::length).max()?;
    let mut edges: Vec<u64> = maps
        .iter()
        .flat_map(|map| map.segments(0..map.length()).map(|segment| segment.range.start).chain([map.length()]))
        .chain([0, length])
        .collect();
    edges.sort_unstable();
    edges.dedup();
    let mut iterators: Vec<_> = maps.iter().map(|map| map.segments(0..map.length()).peekable()).collect();
    let mut all = Vec::with_capacity(edges.len());
    for pair in edges.windows(2) {
        let [start, end] = *pair else { continue };
        let mut best = ByteState::Unknown;
        for iterator in &mut iterators {
            while iterator.next_if(|segment| segment.range.end <= start).is_some() {}
            if let Some(segment) = iterator.peek().filter(|segment| segment.range.start <= start) {
                best = best.max(segment.state);
            }
        }
        all.push(Segment { range: start..end, state: best });
    }
    let weakest = |maps: &mut dyn Iterator<Item = &SectorMap>| maps.filter_map(SectorMap::basis).min();
    let basis: Option<Basis> =
        weakest(&mut maps.iter().filter(|map| map.total(ByteState::Read) > 0)).or_else(|| weakest(&mut maps.iter()));
    let nobody = maps.iter().all(|map| map.rest() == ByteState::Unknown);
    let rest = if nobody { ByteState::Unknown } else { ByteState::Unreached };
    Some(SectorMap::assemble(length, basis, rest, all))
}
