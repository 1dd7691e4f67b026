//! The units of exFAT as types, so that the compiler tells them apart.

use std::ops::Range;

/// The number of a cluster as it is stored: the heap's first one is number 2.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Cluster(pub(super) u32);

/// The number that the heap's first cluster has (exFAT specification, 4.1).
pub(super) const FIRST_CLUSTER: u32 = 2;

/// The largest number of clusters: 2^32 - 11 (exFAT specification, 3.1.9).
pub(super) const MAX_CLUSTERS: u32 = 0xffff_fff5;

/// Where clusters lie. Indices count from 0 at the heap's start, as the bits of the allocation bitmap do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Heap {
    /// The byte of the volume at which the heap starts.
    pub(super) start: u64,
    /// Bytes in a cluster: a power of two, at most 32 MiB.
    pub(super) cluster_size: u64,
    /// How many clusters there are.
    pub(super) count: u32,
}

impl Heap {
    /// The index of a cluster; `None` outside the heap.
    pub(super) fn index(self, cluster: Cluster) -> Option<u64> {
        cluster.0.checked_sub(FIRST_CLUSTER).filter(|index| *index < self.count).map(u64::from)
    }

    /// The cluster with this index; `None` outside the heap.
    pub(super) fn cluster(self, index: u64) -> Option<Cluster> {
        let index = u32::try_from(index).ok().filter(|index| *index < self.count)?;
        index.checked_add(FIRST_CLUSTER).map(Cluster)
    }

    /// So many clusters in bytes.
    pub(super) fn bytes(self, clusters: u64) -> u64 {
        clusters.saturating_mul(self.cluster_size)
    }

    /// The byte of the volume at which the cluster with this index starts.
    pub(super) fn offset(self, index: u64) -> u64 {
        self.start.saturating_add(self.bytes(index))
    }

    /// The index of the cluster in which a byte of the volume lies.
    pub(super) fn index_at(self, offset: u64) -> Option<u64> {
        let index = offset.checked_sub(self.start)?.checked_div(self.cluster_size)?;
        (index < u64::from(self.count)).then_some(index)
    }

    /// How many clusters hold so many bytes.
    pub(super) fn clusters(self, bytes: u64) -> u64 {
        bytes.div_ceil(self.cluster_size.max(1))
    }

    /// The bytes of the volume that clusters take.
    pub(super) fn place(self, clusters: &Range<u64>) -> Range<u64> {
        self.offset(clusters.start)..self.offset(clusters.end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_heap_begins_with_number_2() {
        let heap = Heap { start: 0x10000, cluster_size: 4096, count: 10 };
        assert_eq!(heap.index(Cluster(2)), Some(0));
        assert_eq!(heap.index(Cluster(11)), Some(9));
        assert_eq!(
            (heap.index(Cluster(12)), heap.index(Cluster(1)), heap.index(Cluster(u32::MAX))),
            (None, None, None)
        );
        assert_eq!((heap.cluster(9), heap.cluster(10)), (Some(Cluster(11)), None));
        assert_eq!(heap.place(&(1..3)), 0x11000..0x13000);
        assert_eq!((heap.index_at(0x11fff), heap.index_at(0xffff), heap.index_at(0x1a000)), (Some(1), None, None));
        assert_eq!((heap.clusters(0), heap.clusters(1), heap.clusters(4097)), (0, 1, 2));
    }
}
