//! Where a stream's clusters are: one after another, or by the table from link to link.

use std::collections::BTreeMap;
use std::ops::Range;

use super::table::{Link, Table};
use super::units::{Cluster, Heap};
use crate::catalog::{Distrust, FindingKind};
use crate::error::Result;

/// What is wrong with a chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// It comes back to one of its own clusters.
    Loop,
    /// It goes on in a cluster that the table calls free.
    Free,
    /// It goes on in a cluster that the table calls bad.
    Bad,
    /// It goes on where no cluster is.
    Outside,
    /// It ends before the stream does.
    Short,
    /// What says how it goes on was not read.
    Unread,
    /// So many links were followed on this volume that no sound one has them.
    GivenUp,
}

impl Fault {
    /// What it is, in words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Loop => "the chain runs in a loop",
            Self::Free => "the chain leads into a free cluster",
            Self::Bad => "the chain leads into a bad cluster",
            Self::Outside => "the chain leads out of the volume",
            Self::Short => "the chain is shorter than the stream",
            Self::Unread => "the table was not read",
            Self::GivenUp => "the volume has more links than clusters",
        }
    }

    /// The reason for distrust that it is.
    pub(super) fn distrust(self) -> Option<Distrust> {
        match self {
            Self::Loop => Some(Distrust::ChainLoop),
            Self::Free => Some(Distrust::ClustersFree),
            Self::Bad => Some(Distrust::ClusterBad),
            Self::Outside => Some(Distrust::OutsideVolume),
            Self::Short => Some(Distrust::RecordInconsistent),
            Self::Unread => Some(Distrust::ChainPartlyRead),
            Self::GivenUp => None,
        }
    }

    /// The finding that it is.
    pub(super) fn finding(self) -> FindingKind {
        match self {
            Self::Loop => FindingKind::ChainLoop,
            Self::Free | Self::Bad | Self::Outside => FindingKind::ChainBroken,
            Self::Short => FindingKind::ChainShort,
            Self::Unread | Self::GivenUp => FindingKind::ChainUnread,
        }
    }
}

/// Clusters of a stream.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Chain {
    /// Indices of clusters in the order of the stream; no cluster twice.
    pub(super) runs: Vec<Range<u64>>,
    /// Why it does not end as it should.
    pub(super) fault: Option<Fault>,
    /// Nobody vouches for some of the links.
    pub(super) unknown: bool,
    /// Some links come from the table that is not in use.
    pub(super) from_other: bool,
}

impl Chain {
    /// How many clusters were found.
    pub(super) fn clusters(&self) -> u64 {
        let lengths = self.runs.iter().map(|run| run.end.saturating_sub(run.start));
        lengths.fold(0, u64::saturating_add)
    }
}

/// How many links may be followed on a volume: sound chains have one link a cluster together.
#[derive(Debug)]
pub(super) struct Budget(u64);

impl Budget {
    pub(super) fn of(heap: Heap) -> Self {
        Self(u64::from(heap.count).saturating_mul(4).saturating_add(1024))
    }

    fn spend(&mut self) -> bool {
        let left = self.0.checked_sub(1);
        self.0 = left.unwrap_or(0);
        left.is_some()
    }
}

/// `need` clusters that follow one another.
pub(super) fn contiguous(heap: Heap, first: Cluster, need: u64) -> Chain {
    let mut chain = Chain::default();
    if need == 0 {
        return chain;
    }
    let Some(start) = heap.index(first) else {
        return Chain { fault: Some(Fault::Outside), ..chain };
    };
    let end = start.saturating_add(need);
    if end > u64::from(heap.count) {
        chain.fault = Some(Fault::Outside);
    }
    chain.runs.push(start..end.min(u64::from(heap.count)));
    chain
}

/// The chain that starts at `first`, to its end, which must not come before `need` clusters.
pub(super) fn follow(
    table: &mut Table<'_>,
    heap: Heap,
    first: Cluster,
    need: u64,
    budget: &mut Budget,
) -> Result<Chain> {
    let mut chain = Chain::default();
    let Some(mut at) = heap.index(first) else {
        return Ok(Chain { fault: Some(Fault::Outside), ..chain });
    };
    // Starts and ends of the runs that are finished; where the next of them starts, the run at hand must stop.
    let mut finished: BTreeMap<u64, u64> = BTreeMap::new();
    let mut run = at..at.saturating_add(1);
    let mut wall = u64::MAX;
    let fault = loop {
        if !budget.spend() {
            break Some(Fault::GivenUp);
        }
        let entry = table.get(at)?;
        chain.unknown |= entry.unknown;
        chain.from_other |= entry.from_other;
        let next = match entry.link {
            Link::Next(next) => next,
            Link::End => break None,
            Link::Free => break Some(Fault::Free),
            Link::Bad => break Some(Fault::Bad),
            Link::Outside => break Some(Fault::Outside),
            Link::Unread => break Some(Fault::Unread),
        };
        if next == run.end {
            if next == wall {
                break Some(Fault::Loop);
            }
            run.end = next.saturating_add(1);
        } else {
            if run.contains(&next) || finished.range(..=next).next_back().is_some_and(|(_, end)| next < *end) {
                break Some(Fault::Loop);
            }
            finished.insert(run.start, run.end);
            chain.runs.push(std::mem::replace(&mut run, next..next.saturating_add(1)));
            wall = finished.range(next..).next().map_or(u64::MAX, |(start, _)| *start);
        }
        at = next;
    };
    chain.runs.push(run);
    chain.fault = fault.or_else(|| (chain.clusters() < need).then_some(Fault::Short));
    Ok(chain)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::filesystem::exfat::structures::BootSector;
    use crate::image::{Image, MemoryImage};
    use crate::sector_map::{Basis, ByteState, SectorMap, Segment};
    use crate::source::Source;

    const HEAP: Heap = Heap { start: 0x4000, cluster_size: 512, count: 300 };

    /// A volume of 300 clusters with two tables; links are numbers of clusters as stored.
    fn source(links: &[(u32, u32)], second: &[(u32, u32)], unread: bool) -> Source {
        let mut bytes = vec![0; 0x4000];
        for (table, links) in [(0x1000, links), (0x2000, second)] {
            for (cluster, value) in links {
                let at = table + *cluster as usize * 4;
                bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
            }
        }
        let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
        let hole = [Segment { range: 0x1000..0x1200, state: ByteState::Unread }];
        let holes = if unread { &hole[..] } else { &[] };
        Source::new(image, &SectorMap::from_ranges(0x4000, Basis::Full, ByteState::Read, holes).unwrap(), 512)
    }

    fn boot(fats: u8) -> BootSector {
        BootSector {
            length: 1 << 20,
            fat_start: 0x1000,
            fat_length: 0x1000,
            heap: HEAP,
            root: Cluster(2),
            serial: 0,
            revision: (1, 0),
            sector_size: 512,
            fats,
            flags: 0,
        }
    }

    fn followed(links: &[(u32, u32)], need: u64) -> (Vec<Range<u64>>, Option<Fault>) {
        let source = source(links, &[], false);
        let mut table = Table::new(&source, &boot(1), Some(0));
        let chain = follow(&mut table, HEAP, Cluster(5), need, &mut Budget::of(HEAP)).unwrap();
        (chain.runs, chain.fault)
    }

    const END: u32 = u32::MAX;

    #[test]
    fn chains_and_what_is_wrong_with_them() {
        assert_eq!(followed(&[(5, 6), (6, 7), (7, END)], 3), (vec![3..6], None));
        assert_eq!(
            followed(&[(5, 9), (9, 7), (7, 8), (8, END)], 2),
            (vec![3..4, 7..8, 5..7], None),
            "longer is no fault"
        );
        assert_eq!(followed(&[(5, 6), (6, END)], 3), (vec![3..5], Some(Fault::Short)));
        assert_eq!(followed(&[(5, 6)], 2), (vec![3..5], Some(Fault::Free)));
        assert_eq!(followed(&[(5, 0xffff_fff7)], 2), (vec![3..4], Some(Fault::Bad)));
        for outside in [1, 302, 0xffff_fff8] {
            assert_eq!(followed(&[(5, outside)], 2), (vec![3..4], Some(Fault::Outside)));
        }
        assert_eq!(followed(&[(5, 301), (301, END)], 2), (vec![3..4, 299..300], None));
    }

    #[test]
    fn loops_end_where_they_close() {
        assert_eq!(followed(&[(5, 5)], 1), (vec![3..4], Some(Fault::Loop)));
        assert_eq!(followed(&[(5, 6), (6, 7), (7, 6)], 9), (vec![3..6], Some(Fault::Loop)));
        // Into the middle of an earlier run, and step by step into the start of one.
        assert_eq!(followed(&[(5, 6), (6, 20), (20, 6)], 9), (vec![3..5, 18..19], Some(Fault::Loop)));
        assert_eq!(followed(&[(5, 6), (6, 3), (3, 4), (4, 5)], 9), (vec![3..5, 1..3], Some(Fault::Loop)));
    }

    #[test]
    fn the_other_table_only_where_the_one_in_use_was_not_read() {
        let links = [(5, 6), (6, END)];
        let stale = [(5, 100), (100, 101), (101, END)];
        let run = |fats, flags, unread| {
            let source = source(&links, &stale, unread);
            let mut table = Table::new(&source, &boot(fats), flags);
            follow(&mut table, HEAP, Cluster(5), 1, &mut Budget::of(HEAP)).unwrap()
        };
        let one = Chain { runs: vec![3..5], ..Chain::default() };
        assert_eq!(run(1, Some(0), false), one);
        assert_eq!(run(2, Some(0), false), one);
        let other = vec![3..4, 98..100];
        assert_eq!(run(2, Some(1), false), Chain { runs: other.clone(), ..Chain::default() });
        assert_eq!(run(2, Some(0), true), Chain { runs: other, from_other: true, ..Chain::default() });
        assert_eq!(run(1, Some(0), true), Chain { runs: vec![3..4], fault: Some(Fault::Unread), ..Chain::default() });
        assert_eq!(run(2, None, false), Chain { from_other: true, ..one });
    }

    #[test]
    fn clusters_one_after_another() {
        assert_eq!(contiguous(HEAP, Cluster(301), 1).runs, [299..300]);
        let past = contiguous(HEAP, Cluster(301), 2);
        assert_eq!((past.runs, past.fault), (vec![299..300], Some(Fault::Outside)));
        assert_eq!(contiguous(HEAP, Cluster(0), 1).fault, Some(Fault::Outside));
        assert_eq!(contiguous(HEAP, Cluster(0), 0), Chain::default());
        assert_eq!(contiguous(HEAP, Cluster(2), u64::MAX).runs, [0..300]);
    }

    #[test]
    fn following_has_an_end() {
        let source = source(&[(5, 6), (6, END)], &[], false);
        let mut table = Table::new(&source, &boot(1), Some(0));
        let mut budget = Budget(3);
        assert_eq!(follow(&mut table, HEAP, Cluster(5), 2, &mut budget).unwrap().fault, None);
        assert_eq!(follow(&mut table, HEAP, Cluster(5), 2, &mut budget).unwrap().fault, Some(Fault::GivenUp));
    }
}
