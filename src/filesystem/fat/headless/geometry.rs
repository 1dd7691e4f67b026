//! How a FAT volume is laid out, as it was found without its boot sectors, and what that rests on.

use serde::{Deserialize, Serialize};

use super::super::structures::{BootSector, Width};
use super::super::units::{FIRST, Layout};

/// All places are multiples of so many bytes, whatever the volume's own sectors have.
pub(super) const UNIT: u64 = 512;
/// The largest cluster in bytes: 128 sectors of 4,096 (FAT specification, BPB_SecPerClus and BPB_BytsPerSec).
pub(super) const MOST_CLUSTER: u64 = 128 * 4096;
/// The longest root folder of FAT12 and FAT16 in bytes: BPB_RootEntCnt has 16 bits.
pub(super) const MOST_ROOT: u64 = 65_536 * 32;

/// Folders that must lie in the cluster whose number they have. One fits any cluster size, if only the place of cluster 2
/// is chosen for it; two give both.
const LEAST_FOLDERS: u64 = 2;
/// Where the root folder of FAT12 and FAT16 has a length that tools don't give it, only the folders say so: one more, which
/// could contradict.
const LEAST_FOLDERS_ODD_ROOT: u64 = 3;
/// Lengths that tools give it, in bytes: 512 entries first, then those of diskettes (FAT specification, BPB_RootEntCnt;
/// mkfs.fat 4.2; the formats of diskettes from memory).
pub(super) const ROOTS: [u64; 6] = [512 * 32, 224 * 32, 112 * 32, 240 * 32, 256 * 32, 1024 * 32];
/// Files of several clusters whose chain has the length that their size asks for. They alone tell the widths apart.
const LEAST_CHAINS: u64 = 2;
/// Of so many things that were looked for, one may be another: damage without a word, clusters allocated ahead.
const ONE_MAY_DIFFER: u64 = 8;

/// What speaks for a layout, and what against it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Evidence {
    /// Tables whose first entries stand where the layout has them.
    pub openings: u64,
    /// Sectors of 512 bytes with entries in use that were read in both tables and are the same. Of a single table, in both
    /// halves of it: then it may be two.
    pub same_sectors: u64,
    /// Those that differ.
    pub other_sectors: u64,
    /// Folders that lie in the cluster that their entry says, and say so themselves.
    pub folders: u64,
    /// Folders whose cluster was read and is none of theirs.
    pub other_folders: u64,
    /// Folders that the root names and that say that they stand in the root.
    pub top_folders: u64,
    /// Files of several clusters whose chain is as long as their size asks.
    pub chains: u64,
    /// Files whose chain is longer or shorter, or leads nowhere.
    pub other_chains: u64,
    /// Clusters near the volume's start that open as folders and lie where the number that they say would have them.
    pub placed: u64,
    /// Those that lie elsewhere: an earlier format's, or those of an image of a volume that is stored as a file.
    pub strays: u64,
    /// Whether a hole near the volume's start has room for the tables of another layout.
    pub may_hide: bool,
}

impl Evidence {
    /// Whether the layout of a FAT of so many bits is proven, with so many tables and bytes of a root folder.
    #[must_use]
    pub fn is_proof(&self, bits: u8, tables: u64, root_length: u64) -> bool {
        let few = |against: u64, speak: u64| against.saturating_mul(ONE_MAY_DIFFER) <= speak;
        let usual = bits == 32 || ROOTS.contains(&root_length);
        let least = if usual { LEAST_FOLDERS } else { LEAST_FOLDERS_ODD_ROOT };
        // Two openings say where the tables are, and so do two copies. One table alone is bounded by what follows it,
        // which only FAT32's first cluster does.
        let tables = match tables {
            2 => self.openings == 2 || (self.openings == 1 && self.same_sectors > 0 && self.other_sectors == 0),
            _ => bits == 32 && self.openings == 1 && self.same_sectors == 0,
        };
        tables
            && self.folders >= least
            && self.top_folders > 0
            && self.chains >= LEAST_CHAINS
            && few(self.other_folders, self.folders)
            && few(self.other_chains, self.chains)
            && few(self.strays, self.placed)
            && !self.may_hide
    }

    /// Whether the layout is likely enough to show what stands there.
    pub(super) fn is_plausible(&self) -> bool {
        let speak = self.folders.saturating_add(self.chains).saturating_add(self.placed);
        self.openings > 0 && speak > 0 && self.folders >= self.other_folders
    }

    /// For putting layouts in order: the better one is greater. Folders first: a table of an earlier day has wrong chains.
    pub(super) fn weight(&self) -> (u64, u64, u64) {
        // A second table of which nothing is the same is most likely none.
        let copy = match (self.same_sectors, self.other_sectors) {
            (1.., _) => 2,
            (0, 0) => 1,
            (0, _) => 0,
        };
        (
            self.folders.saturating_add(self.top_folders).saturating_sub(self.other_folders),
            // More may speak against than for.
            self.chains.saturating_add(1 << 32).saturating_sub(self.other_chains),
            self.openings.saturating_add(copy),
        )
    }
}

/// How a volume is laid out: enough to open it again, with [`super::super::Fat::open_at`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Geometry {
    /// The volume's first byte in the source that was searched, as far as that can be told: nothing hangs on it, all
    /// else is counted from there.
    pub start: u64,
    /// 12, 16 or 32: bits of a table's entry.
    pub bits: u8,
    /// The first byte of the first table.
    pub tables_start: u64,
    /// Bytes of one table.
    pub table_length: u64,
    /// How many tables there are: 1 or 2.
    pub tables: u64,
    /// Bytes of the root folder of FAT12 and FAT16, which stands between tables and clusters; 0 for FAT32.
    pub root_length: u64,
    /// The root folder's first cluster on FAT32, else 0.
    pub root_cluster: u32,
    /// Bytes in a cluster.
    pub cluster_size: u64,
    /// How many clusters there are at the most: nothing but the boot sector says how many it really is.
    pub clusters: u64,
    /// The medium, by the first entry of a table.
    pub media: u8,
    /// What this rests on.
    pub evidence: Evidence,
    /// Whether another layout is as well proven, or what was found again is not what was found before.
    pub contested: bool,
}

impl Geometry {
    /// Whether files that lie by it may be called whole.
    #[must_use]
    pub fn is_proven(&self) -> bool {
        self.evidence.is_proof(self.bits, self.tables, self.root_length) && !self.contested
    }

    /// The first byte of cluster 2, from the volume's start.
    #[must_use]
    pub fn data_start(&self) -> u64 {
        self.root_start().saturating_add(self.root_length)
    }

    /// The first byte after the tables, from the volume's start.
    #[must_use]
    pub fn root_start(&self) -> u64 {
        self.tables_start.saturating_add(self.tables.saturating_mul(self.table_length))
    }

    /// Bytes that the volume has at the most.
    #[must_use]
    pub fn total_bytes(&self) -> u64 {
        self.data_start().saturating_add(self.clusters.saturating_mul(self.cluster_size))
    }

    /// Whether two geometries place every cluster alike; which copy of the table they go by may differ.
    pub(super) fn places_alike(&self, other: &Self) -> bool {
        let place =
            |one: &Self| (one.bits, one.start.saturating_add(one.data_start()), one.root_cluster, one.cluster_size);
        place(self) == place(other)
    }

    /// Whether two geometries place everything alike.
    pub(super) fn is_same_place(&self, other: &Self) -> bool {
        let place = |one: &Self| {
            let tables = (one.start.saturating_add(one.tables_start), one.table_length, one.tables);
            (one.bits, tables, one.root_length, one.root_cluster, one.cluster_size)
        };
        place(self) == place(other)
    }

    /// As a boot sector would say it; `None` if it contradicts itself. Sectors are taken to have 512 bytes: the volume's
    /// own may be larger, and where its parts lie is the same.
    pub(in crate::filesystem::fat) fn boot(&self) -> Option<(BootSector, Layout)> {
        let width = width(self.bits)?;
        let fat32 = width == Width::Fat32;
        let aligned = |bytes: u64| bytes.checked_rem(UNIT) == Some(0);
        let sound = [self.tables_start, self.table_length, self.root_length].into_iter().all(aligned)
            && self.tables_start >= UNIT
            && (UNIT..=most_table(self.bits)).contains(&self.table_length)
            && matches!(self.tables, 1 | 2)
            && self.cluster_size.is_power_of_two()
            && (UNIT..=MOST_CLUSTER).contains(&self.cluster_size)
            && (self.root_length == 0) == fat32
            && self.root_length <= MOST_ROOT
            && (self.root_cluster >= FIRST) == fat32
            && (1..=most_clusters(self.bits, self.table_length)).contains(&self.clusters)
            && (self.media == 0xf0 || self.media >= 0xf8);
        if !sound {
            return None;
        }
        let units = |bytes: u64| bytes.checked_div(UNIT);
        let data = self.tables_start.checked_add(self.tables.checked_mul(self.table_length)?)?;
        let total = data.checked_add(self.root_length)?.checked_add(self.clusters.checked_mul(self.cluster_size)?)?;
        let boot = BootSector {
            bytes_per_sector: UNIT,
            sectors_per_cluster: units(self.cluster_size)?,
            reserved_sectors: units(self.tables_start)?,
            tables: self.tables,
            root_entries: self.root_length.checked_div(32)?,
            total_sectors: units(total)?,
            media: self.media,
            table_sectors: units(self.table_length)?,
            width,
            clusters: self.clusters,
            only_active: None,
            root_cluster: self.root_cluster,
            info_sector: 0,
            backup_sector: 0,
            state: 0,
            serial: None,
            label: None,
        };
        let layout = Layout::of(&boot)?;
        Some((boot, layout))
    }
}

/// Which FAT has entries of so many bits.
pub(super) fn width(bits: u8) -> Option<Width> {
    match bits {
        12 => Some(Width::Fat12),
        16 => Some(Width::Fat16),
        32 => Some(Width::Fat32),
        _ => None,
    }
}

/// The longest table in bytes. Tools round up to what they like; a border of 64 KiB is more than any needs.
pub(super) fn most_table(bits: u8) -> u64 {
    const ROUNDED: u64 = 64 << 10;
    match bits {
        12 => 6144 + ROUNDED,
        16 => (128 << 10) + ROUNDED,
        _ => 1 << 30,
    }
}

/// Most clusters that a table of so many bytes has entries for, and its width allows (FAT specification, "FAT Type
/// Determination").
pub(super) fn most_clusters(bits: u8, table: u64) -> u64 {
    let (entries, most) = match bits {
        12 => (table.saturating_mul(2) / 3, 4084),
        16 => (table / 2, 65_524),
        _ => (table / 4, 0x0fff_fff5),
    };
    entries.saturating_sub(u64::from(FIRST)).min(most)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn enough() -> Evidence {
        Evidence { openings: 2, folders: 3, top_folders: 1, chains: 2, placed: 3, ..Evidence::default() }
    }

    #[test]
    fn each_part_of_a_proof_is_needed() {
        let is_proof =
            |evidence: &Evidence, bits, tables| evidence.is_proof(bits, tables, if bits == 32 { 0 } else { 16_384 });
        assert!(is_proof(&enough(), 16, 2) && is_proof(&enough(), 32, 2));
        for lacking in [
            Evidence { openings: 1, ..enough() },
            Evidence { openings: 0, same_sectors: 5, ..enough() },
            Evidence { openings: 1, same_sectors: 5, other_sectors: 1, ..enough() },
            Evidence { folders: 1, ..enough() },
            Evidence { top_folders: 0, ..enough() },
            Evidence { chains: 1, ..enough() },
            Evidence { other_folders: 1, ..enough() },
            Evidence { other_chains: 1, ..enough() },
            Evidence { strays: 1, ..enough() },
            Evidence { may_hide: true, ..enough() },
        ] {
            assert!(!is_proof(&lacking, 16, 2) && !is_proof(&lacking, 32, 2), "{lacking:?}");
        }
        assert!(is_proof(&Evidence { openings: 1, same_sectors: 1, ..enough() }, 16, 2));
        // A root folder of a length that no tool gives it.
        assert!(enough().is_proof(16, 2, 600 * 32) && is_proof(&Evidence { folders: 2, ..enough() }, 16, 2));
        assert!(!Evidence { folders: 2, ..enough() }.is_proof(16, 2, 600 * 32));
        // Only FAT32's first cluster follows its tables at once.
        let alone = Evidence { openings: 1, ..enough() };
        assert_eq!((is_proof(&alone, 32, 1), is_proof(&alone, 16, 1)), (true, false));
        assert!(!is_proof(&Evidence { same_sectors: 1, ..alone }, 32, 1));
    }

    fn choir() -> Geometry {
        Geometry {
            start: 0,
            bits: 16,
            tables_start: 512,
            table_length: 9216,
            tables: 2,
            root_length: 16_384,
            root_cluster: 0,
            cluster_size: 1024,
            clusters: 4365,
            media: 0xf8,
            evidence: enough(),
            contested: false,
        }
    }

    #[test]
    fn a_geometry_that_contradicts_itself_is_none() {
        let (boot, layout) = choir().boot().unwrap();
        assert_eq!((layout.tables, layout.root, layout.data), (512, (18_944, 16_384), 35_328));
        assert_eq!((boot.total_sectors * 512, choir().total_bytes()), (35_328 + 4365 * 1024, 35_328 + 4365 * 1024));
        for wrong in [
            Geometry { bits: 17, ..choir() },
            Geometry { tables_start: 0, ..choir() },
            Geometry { tables_start: 513, ..choir() },
            Geometry { table_length: 0, ..choir() },
            Geometry { table_length: 1 << 20, ..choir() },
            Geometry { tables: 3, ..choir() },
            Geometry { root_length: 0, ..choir() },
            Geometry { root_length: MOST_ROOT + 512, ..choir() },
            Geometry { root_cluster: 2, ..choir() },
            Geometry { cluster_size: 1536, ..choir() },
            Geometry { cluster_size: 2 * MOST_CLUSTER, ..choir() },
            Geometry { clusters: 0, ..choir() },
            Geometry { clusters: 4607, ..choir() },
            Geometry { media: 0xf1, ..choir() },
            Geometry { tables_start: u64::MAX - 511, ..choir() },
            Geometry { bits: 32, ..choir() },
        ] {
            assert_eq!(wrong.boot().map(|(_, layout)| layout), None, "{wrong:?}");
        }
    }

    #[test]
    fn it_is_kept_as_text() {
        let text = serde_json::to_string(&choir()).unwrap();
        assert_eq!(serde_json::from_str::<Geometry>(&text).unwrap(), choir());
        assert!(choir().is_proven() && !Geometry { contested: true, ..choir() }.is_proven());
    }
}
