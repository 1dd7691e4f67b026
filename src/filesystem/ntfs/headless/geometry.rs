//! How a volume is laid out, as it was found without its boot sectors.

use serde::{Deserialize, Serialize};

/// Records that must say the number of the place where they are. A volume that was just made has 24 and more.
const LEAST_RECORDS: u64 = 16;

/// Places, at different clusters, at which something must be that says itself that it belongs there. One alone fits any
/// cluster size, if only the start is chosen for it.
const LEAST_PLACES: u64 = 2;

/// Of so many things that were looked for, one may be another: lists that were being written, records that were
/// damaged without a word.
const ONE_MAY_DIFFER: u64 = 8;

/// What speaks for a geometry, and what against it. All are counts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Evidence {
    /// Records that say the number of the place where they lie.
    pub records: u64,
    /// Records that say another number.
    pub other_records: u64,
    /// Different clusters at which a part of the table, its mirror or a folder's list lies where it should.
    pub places: u64,
    /// Folders' lists that name the folder whose record says that they lie there.
    pub lists: u64,
    /// Folders whose list is not where their record says.
    pub other_lists: u64,
    /// Attributes whose allocated size and clusters give this cluster size.
    pub sizes: u64,
    /// Attributes that give another one.
    pub other_sizes: u64,
}

impl Evidence {
    /// Whether the layout is proven.
    #[must_use]
    pub fn is_proof(&self) -> bool {
        let few = |against: u64, speak: u64| against.saturating_mul(ONE_MAY_DIFFER) <= speak;
        self.records >= LEAST_RECORDS
            && self.places >= LEAST_PLACES
            && self.sizes > 0
            && few(self.other_records, self.records)
            && few(self.other_lists, self.lists)
            && few(self.other_sizes, self.sizes)
    }

    /// Whether the layout is likely enough to show what stands there.
    pub(super) fn is_plausible(&self) -> bool {
        const FEW: u64 = 4;
        self.records >= FEW
            && self.places > 0
            && self.records > self.other_records
            && self.lists >= self.other_lists
            && self.sizes > self.other_sizes
    }

    /// For putting guesses in order: the better one is greater.
    pub(super) fn weight(&self) -> (bool, u64, u64) {
        (self.is_proof(), self.places, self.records)
    }
}

/// Consecutive records of a table that was put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct TablePiece {
    /// The number of its first record.
    pub first: u64,
    /// How many there are.
    pub records: u64,
    /// Where the first one lies: bytes from the volume's start.
    pub offset: u64,
}

/// Where the file table is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TablePlace {
    /// The table's own record, or the mirror's copy of it, says where.
    Described {
        /// The cluster of the table.
        mft: u64,
        /// The cluster of its mirror; that of the table where nothing says.
        mirror: u64,
    },
    /// Both are lost. The table was put together from records that say their own numbers.
    Pieces(Vec<TablePiece>),
}

/// How a volume is laid out: enough to open it again, with [`super::super::Ntfs::open_at`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Geometry {
    /// The volume's first byte, in the source that was searched.
    pub start: u64,
    /// Bytes of the volume: what its own files say, else all from `start` to the source's end.
    pub total_bytes: u64,
    /// Whether its own files say it ($BadClus or $Bitmap).
    pub total_is_known: bool,
    /// Bytes in a cluster.
    pub cluster_size: u64,
    /// Bytes in a file record.
    pub record_size: u64,
    /// Where the file table is.
    pub table: TablePlace,
    /// What spoke for it.
    pub evidence: Evidence,
    /// Whether every sector of the volume that could be read was looked at. If not, there may be another volume's
    /// records that nobody has seen.
    pub searched: bool,
    /// Whether something else speaks against it: another layout that is proven too and overlaps this one, or more
    /// records that it does not place than records that it does.
    pub contested: bool,
}

impl Geometry {
    /// Whether files that lie by it may be called whole.
    #[must_use]
    pub fn is_proven(&self) -> bool {
        self.evidence.is_proof() && self.searched && !self.contested
    }

    /// The volume's end, in the source that was searched.
    #[must_use]
    pub fn end(&self) -> u64 {
        self.start.saturating_add(self.total_bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn enough() -> Evidence {
        Evidence { records: 16, places: 2, sizes: 1, ..Evidence::default() }
    }

    #[test]
    fn each_part_of_a_proof_is_needed() {
        assert!(enough().is_proof());
        for lacking in [
            Evidence { records: 15, ..enough() },
            Evidence { places: 1, ..enough() },
            Evidence { sizes: 0, ..enough() },
            Evidence { other_records: 3, ..enough() },
            Evidence { other_lists: 1, ..enough() },
            Evidence { lists: 15, other_lists: 2, ..enough() },
            Evidence { other_sizes: 1, ..enough() },
        ] {
            assert!(!lacking.is_proof(), "{lacking:?}");
        }
        assert!(Evidence { other_records: 2, ..enough() }.is_proof());
        assert!(Evidence { lists: 16, other_lists: 2, ..enough() }.is_proof());
    }

    #[test]
    fn what_nobody_searched_or_something_contests_is_not_proven() {
        let geometry = Geometry {
            start: 0,
            total_bytes: 1 << 20,
            total_is_known: true,
            cluster_size: 4096,
            record_size: 1024,
            table: TablePlace::Described { mft: 4, mirror: 127 },
            evidence: enough(),
            searched: true,
            contested: false,
        };
        assert!(geometry.is_proven());
        assert!(!Geometry { searched: false, ..geometry.clone() }.is_proven());
        assert!(!Geometry { contested: true, ..geometry.clone() }.is_proven());
        let text = serde_json::to_string(&geometry).unwrap();
        assert_eq!(serde_json::from_str::<Geometry>(&text).unwrap(), geometry);
    }
}
