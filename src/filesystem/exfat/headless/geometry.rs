//! How an exFAT volume is laid out, as it was found without its boot sectors, and what that rests on.

use serde::{Deserialize, Serialize};

use super::super::structures::{BOOT_SECTORS, BootSector};
use super::super::units::{Cluster, FIRST_CLUSTER, Heap, MAX_CLUSTERS};

/// All places are multiples of so many bytes, whatever the volume's own sectors have.
pub(super) const UNIT: u64 = 512;
/// The largest cluster in bytes (exFAT specification, 3.1.15).
pub(super) const MOST_CLUSTER: u64 = 32 << 20;
/// Where a table may start: behind two boot regions (specification, 3.1.6).
pub(super) const FIRST_TABLE: u64 = 2 * BOOT_SECTORS * UNIT;

/// Folders whose list must lie where their entry says.
const LEAST_FOLDERS: u64 = 1;
/// Bits of the bitmap that must be set where something lies: bitmap, up-case table, root and a folder.
const LEAST_BITS: u64 = 4;
/// Bitmap, up-case table and root: the table must have a chain of each that is as long as it should be.
const OWN_CHAINS: u64 = 3;
/// Of so many things that were looked for, one may be another: damage without a word, a volume that was not closed.
const ONE_MAY_DIFFER: u64 = 8;

/// What speaks for a layout, and what against it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Evidence {
    /// Whether the up-case table lies where the root says, with the checksum that the root says.
    pub upcase: bool,
    /// Whether the table's first entries stand where the layout has them.
    pub opening: bool,
    /// Chains of bitmap, up-case table and root that are as long as they should be.
    pub own_chains: u64,
    /// Those that are not.
    pub other_own_chains: u64,
    /// Folders whose list lies where their entry says: it opens with an entry set whose checksum is right.
    pub folders: u64,
    /// Folders whose cluster was read and opens otherwise.
    pub other_folders: u64,
    /// First clusters of what was found that the bitmap calls in use.
    pub bits: u64,
    /// Those that it calls free.
    pub other_bits: u64,
    /// Files in several pieces whose chain is as long as their size asks.
    pub chains: u64,
    /// Files whose chain is not.
    pub other_chains: u64,
    /// Root folders and up-case tables that were seen elsewhere.
    pub strays: u64,
    /// Whether a hole near the volume's start has room for another root folder.
    pub may_hide: bool,
}

impl Evidence {
    /// Whether the layout is proven.
    #[must_use]
    pub fn is_proof(&self) -> bool {
        let few = |against: u64, speak: u64| against.saturating_mul(ONE_MAY_DIFFER) <= speak;
        self.upcase
            && self.opening
            && self.own_chains == OWN_CHAINS
            && self.other_own_chains == 0
            && self.folders >= LEAST_FOLDERS
            && self.bits >= LEAST_BITS
            && few(self.other_folders, self.folders)
            && few(self.other_bits, self.bits)
            && few(self.other_chains, self.chains)
            && self.strays == 0
            && !self.may_hide
    }

    /// Whether the layout is likely enough to show what stands there.
    pub(super) fn is_plausible(&self) -> bool {
        self.upcase && self.folders >= self.other_folders && self.bits >= self.other_bits
    }

    /// For putting layouts in order: the better one is greater.
    pub(super) fn weight(&self) -> u64 {
        let speak = [self.own_chains, self.folders, self.bits, self.chains, u64::from(self.opening)];
        let against = [self.other_own_chains, self.other_folders, self.other_bits, self.other_chains];
        let sum = |list: &[u64]| list.iter().copied().fold(0, u64::saturating_add);
        sum(&speak).saturating_sub(sum(&against))
    }
}

/// How a volume is laid out: enough to open it again, with [`super::super::ExFat::open_at`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Geometry {
    /// The volume's first byte in the source that was searched, as far as that can be told: nothing hangs on it, all
    /// else is counted from there.
    pub start: u64,
    /// The first byte of the first table; `None` if it is lost, and all chains with it.
    pub table_start: Option<u64>,
    /// Bytes of one table, at the least.
    pub table_length: u64,
    /// How many tables there are: 1 or 2.
    pub tables: u8,
    /// The first byte of the first cluster.
    pub heap_start: u64,
    /// Bytes in a cluster.
    pub cluster_size: u64,
    /// How many clusters there are: the bitmap says it to within seven.
    pub clusters: u32,
    /// The root folder's first cluster.
    pub root: u32,
    /// What this rests on.
    pub evidence: Evidence,
    /// Whether another layout is as well proven, or what was found again is not what was found before.
    pub contested: bool,
}

impl Geometry {
    /// Whether files that lie by it may be called whole.
    #[must_use]
    pub fn is_proven(&self) -> bool {
        self.evidence.is_proof() && !self.contested
    }

    /// Bytes that the volume has at the least; what follows is less than a cluster, or as much as seven.
    #[must_use]
    pub fn total_bytes(&self) -> u64 {
        self.heap_start.saturating_add(u64::from(self.clusters).saturating_mul(self.cluster_size))
    }

    /// Whether two geometries place everything alike.
    pub(super) fn is_same_place(&self, other: &Self) -> bool {
        let place = |one: &Self| {
            let table = one.table_start.map(|table| table.saturating_add(one.start));
            (table, one.tables, one.heap_start.saturating_add(one.start), one.cluster_size, one.root)
        };
        place(self) == place(other)
    }

    /// As a boot sector would say it; `None` if it contradicts itself. Sectors are taken to have 512 bytes: the volume's
    /// own may be larger, and where its parts lie is the same.
    pub(in crate::filesystem::exfat) fn boot(&self) -> Option<BootSector> {
        let aligned = |bytes: u64| bytes.checked_rem(UNIT) == Some(0);
        let table = self.table_start.unwrap_or(FIRST_TABLE);
        let tables = table.checked_add(self.table_length.checked_mul(u64::from(self.tables))?)?;
        let sound = aligned(table)
            && aligned(self.heap_start)
            && table >= FIRST_TABLE
            && tables <= self.heap_start
            && matches!(self.tables, 1 | 2)
            && self.cluster_size.is_power_of_two()
            && (UNIT..=MOST_CLUSTER).contains(&self.cluster_size)
            && (1..=MAX_CLUSTERS).contains(&self.clusters);
        let heap = Heap { start: self.heap_start, cluster_size: self.cluster_size, count: self.clusters };
        let length = self.heap_start.checked_add(u64::from(self.clusters).checked_mul(self.cluster_size)?)?;
        heap.index(Cluster(self.root)).filter(|_| sound)?;
        Some(BootSector {
            length,
            fat_start: table,
            // A table of which nothing is known has no entries.
            fat_length: if self.table_start.is_some() { self.table_length } else { 0 },
            heap,
            root: Cluster(self.root),
            serial: 0,
            revision: (0, 0),
            sector_size: UNIT,
            fats: self.tables,
            flags: 0,
        })
    }
}

/// Bytes of a table with an entry for each of so many clusters, in whole sectors.
pub(super) fn table_length(clusters: u32) -> u64 {
    u64::from(clusters).saturating_add(u64::from(FIRST_CLUSTER)).saturating_mul(4).div_ceil(UNIT).saturating_mul(UNIT)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn enough() -> Evidence {
        Evidence { upcase: true, opening: true, own_chains: 3, folders: 1, bits: 4, ..Evidence::default() }
    }

    #[test]
    fn each_part_of_a_proof_is_needed() {
        assert!(enough().is_proof());
        for lacking in [
            Evidence { upcase: false, ..enough() },
            Evidence { opening: false, ..enough() },
            Evidence { own_chains: 2, ..enough() },
            Evidence { other_own_chains: 1, ..enough() },
            Evidence { folders: 0, ..enough() },
            Evidence { bits: 3, ..enough() },
            Evidence { other_folders: 1, ..enough() },
            Evidence { other_bits: 1, ..enough() },
            Evidence { other_chains: 1, ..enough() },
            Evidence { strays: 1, ..enough() },
            Evidence { may_hide: true, ..enough() },
        ] {
            assert!(!lacking.is_proof(), "{lacking:?}");
        }
        assert!(Evidence { bits: 8, other_bits: 1, ..enough() }.is_proof());
    }

    fn choir() -> Geometry {
        Geometry {
            start: 0,
            table_start: Some(1 << 20),
            table_length: table_length(1536),
            tables: 1,
            heap_start: 2 << 20,
            cluster_size: 4096,
            clusters: 1536,
            root: 4,
            evidence: enough(),
            contested: false,
        }
    }

    #[test]
    fn a_geometry_that_contradicts_itself_is_none() {
        let boot = choir().boot().unwrap();
        assert_eq!((boot.fat_start, boot.fat_length, boot.length), (1 << 20, 6656, (2 << 20) + 1536 * 4096));
        assert_eq!(Geometry { table_start: None, ..choir() }.boot().unwrap().fat_length, 0);
        for wrong in [
            Geometry { table_start: Some(512), ..choir() },
            Geometry { table_start: Some((1 << 20) + 1), ..choir() },
            Geometry { table_start: Some(2 << 20), ..choir() },
            Geometry { table_length: u64::MAX, ..choir() },
            Geometry { tables: 0, ..choir() },
            Geometry { tables: 3, ..choir() },
            Geometry { heap_start: (2 << 20) + 1, ..choir() },
            Geometry { cluster_size: 4097, ..choir() },
            Geometry { cluster_size: 2 * MOST_CLUSTER, ..choir() },
            Geometry { clusters: 0, ..choir() },
            Geometry { clusters: u32::MAX, ..choir() },
            Geometry { root: 1, ..choir() },
            Geometry { root: 1538, ..choir() },
        ] {
            assert_eq!(wrong.boot(), None, "{wrong:?}");
        }
    }

    #[test]
    fn it_is_kept_as_text() {
        let text = serde_json::to_string(&choir()).unwrap();
        assert_eq!(serde_json::from_str::<Geometry>(&text).unwrap(), choir());
        assert!(choir().is_proven() && !Geometry { contested: true, ..choir() }.is_proven());
    }
}
