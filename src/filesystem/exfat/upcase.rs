//! The up-case table: which capital letter each unit of a name has on this volume.

use super::checksum::{name_hash, table_checksum};
use super::structures::TableEntry;
use crate::bytes::le_u16;

/// Bytes that a table has at the most: all 65,536 units, not compressed (exFAT specification, 7.2.5).
pub(super) const MOST_BYTES: usize = 0x2_0000;

/// Stands before the number of units that are their own capital letters.
const REPEAT: u16 = 0xffff;

/// A table, expanded.
#[derive(Debug)]
pub(super) struct UpCase(Vec<u16>);

impl UpCase {
    /// From the table as stored; `None` if its checksum is wrong.
    pub(super) fn from_stored(entry: &TableEntry, stored: &[u8]) -> Option<Self> {
        (table_checksum(stored) == entry.checksum).then(|| Self::expand(stored))
    }

    fn expand(stored: &[u8]) -> Self {
        let mut units: Vec<u16> = Vec::with_capacity(0x1_0000);
        let mut words = stored.chunks_exact(2).filter_map(|pair| le_u16(pair, 0));
        while let Some(word) = words.next() {
            let at = u16::try_from(units.len()).ok();
            match (at, word) {
                // All units have one.
                (None, _) => break,
                (Some(at), REPEAT) => {
                    // Alone at the end it stands for itself.
                    let count = words.next().map_or(1, usize::from);
                    units.extend((at..=u16::MAX).take(count));
                }
                (Some(_), word) => units.push(word),
            }
        }
        Self(units)
    }

    fn capital(&self, unit: u16) -> u16 {
        self.0.get(usize::from(unit)).copied().unwrap_or(unit)
    }

    /// A name in capital letters: names are the same if these are.
    pub(super) fn name(&self, units: &[u16]) -> Vec<u16> {
        units.iter().map(|unit| self.capital(*unit)).collect()
    }

    /// The hash that the set of a file of this name has.
    pub(super) fn hash(&self, units: &[u16]) -> u16 {
        name_hash(units.iter().map(|unit| self.capital(*unit)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filesystem::exfat::units::Cluster;

    /// The small example of the specification, 7.2.5; it says eight entries and shows these five.
    #[test]
    fn a_compressed_table() {
        let stored: Vec<u8> = [0xffff, 0x61, 0x41, 0x42, 0x43].into_iter().flat_map(u16::to_le_bytes).collect();
        let checksum = table_checksum(&stored);
        let entry = TableEntry { flags: 0, checksum, first: Cluster(3), length: 10 };
        let table = UpCase::from_stored(&entry, &stored).unwrap();
        assert_eq!(
            table.name(&"abcdé`".encode_utf16().collect::<Vec<_>>()),
            "ABCdé`".encode_utf16().collect::<Vec<_>>()
        );
        assert_eq!(table.hash(&[0x61]), 0x8020);
        assert!(UpCase::from_stored(&TableEntry { checksum: checksum ^ 1, ..entry }, &stored).is_none());
    }

    #[test]
    fn no_table_is_longer_than_all_units() {
        let stored: Vec<u8> = [0xffff, 0xfffe, 1, 2, 3, 4].into_iter().flat_map(u16::to_le_bytes).collect();
        assert_eq!(UpCase::expand(&stored).0.len(), 0x1_0000);
        assert_eq!(UpCase::expand(&[0xff, 0xff]).0, [0]);
        assert_eq!(UpCase::expand(&[]).capital(7), 7);
    }
}
