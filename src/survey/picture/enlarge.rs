//! Which places of an image are worth enlarging: those where most would not come.

use std::ops::Range;

use crate::sector_map::{ByteState, SectorMap};

/// How many places are enlarged.
const PLACES: usize = 3;

/// The least that an enlarged place shows, in bytes, and the part of a small image that it shows at most.
const LEAST: u64 = 64 << 10;
const LEAST_PART: u64 = 64;

/// A place is enlarged at least so many times; what fills more of the strip can be seen there.
const FACTOR: u64 = 64;

/// Holes that lie closer together than this are never taken apart, in bytes.
const CLOSE: u64 = 4096;

/// Holes that lie together.
struct Group {
    range: Range<u64>,
    unread: u64,
}

/// Up to three places, in order and apart from one another.
pub(super) fn worst(map: &SectorMap) -> Vec<Range<u64>> {
    let length = map.length();
    let most = length / FACTOR;
    let mut apart = (length / 256).max(CLOSE);
    loop {
        let mut groups = groups(map, apart, most);
        groups.sort_by_key(|group| (std::cmp::Reverse(group.unread), group.range.start));
        // One group that is wider than a place is taken apart, until its worst part shows.
        if apart > CLOSE
            && groups.first().is_some_and(|group| window(group, length).is_none_or(|one| span(&one) > most))
        {
            apart = (apart / 8).max(CLOSE);
            continue;
        }
        let mut places: Vec<Range<u64>> = Vec::new();
        for place in groups.iter().filter_map(|group| window(group, length)).filter(|place| span(place) <= most) {
            if places.len() < PLACES && places.iter().all(|other| place.end <= other.start || other.end <= place.start)
            {
                places.push(place);
            }
        }
        places.sort_by_key(|place| place.start);
        return places;
    }
}

fn span(range: &Range<u64>) -> u64 {
    range.end.saturating_sub(range.start)
}

/// Holes that lie no further `apart`; one of more than `most` bytes can be seen as it is.
fn groups(map: &SectorMap, apart: u64, most: u64) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    let unread = map.segments(0..map.length()).filter(|segment| segment.state == ByteState::Unread);
    for segment in unread.filter(|segment| span(&segment.range) <= most / 2) {
        let unread = span(&segment.range);
        match groups.last_mut() {
            Some(last) if segment.range.start - last.range.end <= apart => {
                last.range.end = segment.range.end;
                last.unread += unread;
            }
            _ => groups.push(Group { range: segment.range, unread }),
        }
    }
    groups
}

/// What to show of a group: it, and some of what stands around it.
fn window(group: &Group, length: u64) -> Option<Range<u64>> {
    let least = (length / LEAST_PART).min(LEAST);
    let width = (span(&group.range).saturating_mul(3) / 2).max(least);
    if width == 0 || width > length {
        return None;
    }
    let middle = group.range.start + span(&group.range) / 2;
    let start = middle.saturating_sub(width / 2).min(length - width);
    Some(start..start + width)
}
