//! What the holes of a whole drive are for: each byte that would not come, or was not tried, is counted once.

use std::ops::Range;

use serde::Serialize;

use crate::filesystem::{HoleUse, Swept, UseBytes};
use crate::sector_map::{ByteState, SectorMap};
use crate::volumes::Disk;

/// The bytes of one state. All but `total` add up to it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Account {
    /// All of them, by the map.
    pub total: u64,
    /// In volumes that were swept, by what they are for.
    #[serde(flatten)]
    pub uses: UseBytes,
    /// In volumes that were not swept: locked, not read, or not asked for.
    pub not_surveyed: u64,
    /// In places that two volumes of the table claim.
    pub contested: u64,
    /// Outside of every volume.
    pub outside: u64,
}

impl Account {
    /// All the parts together.
    #[must_use]
    pub fn parts(&self) -> u64 {
        [self.uses.total(), self.not_surveyed, self.contested, self.outside].into_iter().fold(0, u64::saturating_add)
    }

    fn merge(&mut self, uses: UseBytes) {
        for what in crate::filesystem::Use::ALL {
            self.uses.add(what, uses.of(what));
        }
    }
}

/// The holes of one volume.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct VolumeHoles {
    /// The volume's number.
    pub number: u32,
    /// Bytes of it that would not come.
    pub unread: u64,
    /// Bytes of it that were not tried.
    pub unreached: u64,
    /// What they are for; `None` if the volume was not swept or another one claims a part of its place.
    pub uses: Option<HoleUse>,
}

/// What the holes of a drive are for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DiskHoles {
    /// Bytes that would not come.
    pub unread: Account,
    /// Bytes that were not tried.
    pub unreached: Account,
    /// Volume by volume.
    pub volumes: Vec<VolumeHoles>,
}

/// Accounts for every hole of a drive. `swept` has what the sweep of a volume brought, by its number.
#[must_use]
pub fn holes<'a>(disk: &Disk, swept: impl Fn(u32) -> Option<&'a Swept>) -> DiskHoles {
    let map = disk.source.map();
    let mut all = DiskHoles {
        unread: start(map, ByteState::Unread),
        unreached: start(map, ByteState::Unreached),
        volumes: Vec::new(),
    };
    let place = |at: usize| {
        let volume = &disk.volumes[at];
        volume.start..volume.start.saturating_add(volume.length).min(map.length()).max(volume.start)
    };
    let mut order: Vec<usize> = (0..disk.volumes.len()).filter(|at| !place(*at).is_empty()).collect();
    order.sort_by_key(|at| (place(*at).start, *at));
    let mut at = 0;
    for group in overlapping(&order, place) {
        let range = place(group[0]).start..group.iter().map(|one| place(*one).end).max().unwrap_or(0);
        all.outside(map, at..range.start);
        at = range.end;
        for one in group {
            let volume = &disk.volumes[*one];
            let (unread, unreached) = count(map, place(*one));
            let uses = swept(volume.number).map(|swept| swept.holes).filter(|_| group.len() == 1);
            all.volumes.push(VolumeHoles { number: volume.number, unread, unreached, uses });
        }
        let (unread, unreached) = count(map, range);
        match all.volumes.last().and_then(|volume| volume.uses) {
            Some(uses) => {
                all.unread.merge(uses.unread);
                all.unreached.merge(uses.unreached);
            }
            None if group.len() == 1 => {
                all.unread.not_surveyed += unread;
                all.unreached.not_surveyed += unreached;
            }
            None => {
                all.unread.contested += unread;
                all.unreached.contested += unreached;
            }
        }
    }
    all.outside(map, at..map.length());
    all.volumes.sort_by_key(|volume| volume.number);
    all
}

impl DiskHoles {
    fn outside(&mut self, map: &SectorMap, range: Range<u64>) {
        let (unread, unreached) = count(map, range);
        self.unread.outside += unread;
        self.unreached.outside += unreached;
    }
}

fn start(map: &SectorMap, state: ByteState) -> Account {
    Account { total: map.total(state), ..Account::default() }
}

fn count(map: &SectorMap, range: Range<u64>) -> (u64, u64) {
    (map.count(range.clone(), ByteState::Unread), map.count(range, ByteState::Unreached))
}

/// Volumes in the order of their places, those together that overlap.
fn overlapping(order: &[usize], place: impl Fn(usize) -> Range<u64>) -> Vec<&[usize]> {
    let mut groups = Vec::new();
    let (mut first, mut reach) = (0, 0);
    for (at, one) in order.iter().enumerate() {
        if at > first && place(*one).start >= reach {
            groups.push(&order[first..at]);
            first = at;
        }
        reach = reach.max(place(*one).end);
    }
    if first < order.len() {
        groups.push(&order[first..]);
    }
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volumes_that_overlap_stand_together() {
        let places = [0..10, 10..20, 15..40, 17..18, 39..50, 50..60];
        let order: Vec<usize> = (0..places.len()).collect();
        let groups = overlapping(&order, |at| places[at].clone());
        assert_eq!(groups, [&[0][..], &[1, 2, 3, 4], &[5]]);
        assert!(overlapping(&[], |_| 0..0).is_empty());
    }
}
