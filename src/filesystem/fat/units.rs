//! Cluster numbers and where they lie.

use super::structures::BootSector;

/// The number of a cluster. The first one that holds anything is 2.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Cluster(pub(super) u32);

/// The number of the first cluster.
pub(super) const FIRST: u32 = 2;

impl Cluster {
    /// The number as others count it.
    pub(super) fn number(self) -> u64 {
        u64::from(self.0)
    }

    /// The one after it.
    pub(super) fn next(self) -> Self {
        Self(self.0.saturating_add(1))
    }
}

/// Where the parts of a volume lie, in bytes from its start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Layout {
    /// Bytes in a cluster.
    pub(super) cluster: u64,
    /// First byte of the first table.
    pub(super) tables: u64,
    /// Bytes of one table.
    pub(super) table: u64,
    /// First byte and length of the root folder of FAT12 and FAT16.
    pub(super) root: (u64, u64),
    /// First byte of cluster 2.
    pub(super) data: u64,
    /// One more than the highest number of a cluster that the tables have an entry for.
    pub(super) end: u32,
}

impl Layout {
    pub(super) fn of(boot: &BootSector) -> Option<Self> {
        let sector = boot.bytes_per_sector;
        let tables = boot.reserved_sectors.checked_mul(sector)?;
        let table = boot.table_sectors.checked_mul(sector)?;
        let root = tables.checked_add(boot.tables.checked_mul(table)?)?;
        let root_length = boot.root_entries.checked_mul(32)?;
        let data = root.checked_add(root_length.div_ceil(sector).checked_mul(sector)?)?;
        let entries = match boot.width {
            super::structures::Width::Fat12 => table.checked_mul(2)?.checked_div(3)?,
            super::structures::Width::Fat16 => table.checked_div(2)?,
            super::structures::Width::Fat32 => table.checked_div(4)?,
        };
        let end = boot.clusters.checked_add(u64::from(FIRST))?.min(entries);
        Some(Self {
            cluster: sector.checked_mul(boot.sectors_per_cluster)?,
            tables,
            table,
            root: (root, root_length),
            data,
            end: u32::try_from(end).ok()?,
        })
    }

    /// Whether a cluster of this number exists.
    pub(super) fn has(&self, cluster: Cluster) -> bool {
        (FIRST..self.end).contains(&cluster.0)
    }

    /// The first byte of a cluster.
    pub(super) fn offset(&self, cluster: Cluster) -> u64 {
        let index = cluster.number().saturating_sub(u64::from(FIRST));
        self.data.saturating_add(index.saturating_mul(self.cluster))
    }

    /// The cluster that a byte lies in.
    pub(super) fn cluster_at(&self, offset: u64) -> Option<Cluster> {
        let index = offset.checked_sub(self.data)?.checked_div(self.cluster)?;
        let cluster = Cluster(u32::try_from(index).ok()?.checked_add(FIRST)?);
        self.has(cluster).then_some(cluster)
    }

    /// Bytes of so many clusters.
    pub(super) fn bytes(&self, clusters: u64) -> u64 {
        clusters.saturating_mul(self.cluster)
    }

    /// How many clusters so many bytes need.
    pub(super) fn clusters_for(&self, bytes: u64) -> u64 {
        // A cluster is never empty.
        bytes.div_ceil(self.cluster.max(1))
    }
}
