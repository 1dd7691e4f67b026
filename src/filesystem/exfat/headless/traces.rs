//! What one look at each sector notes of exFAT volumes that may have lost their boot sectors.

use std::collections::BTreeSet;
use std::ops::Range;

use super::super::structures::{ENTRY, TableEntry, entry_type};
use super::super::upcase;
use crate::bytes::{slice, to_u64};

/// Things of a kind that are kept. A volume has one of each.
const MOST: usize = 512;

/// How a table opens (exFAT specification, 4.1.1 and 4.1.2): the medium, and an entry of ones.
const OPENING: &[u8] = b"\xf8\xff\xff\xff\xff\xff\xff\xff";
/// How an up-case table opens, compressed or not: the first units are their own capital letters (specification, 7.2.5).
const UPCASE: &[u8] = b"\x00\x00\x01\x00\x02\x00\x03\x00\x04\x00\x05\x00\x06\x00\x07\x00";

/// A list that has the volume's own entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Root {
    /// In the source.
    pub(super) offset: u64,
    pub(super) bitmap: TableEntry,
    pub(super) upcase: TableEntry,
}

impl Root {
    /// Reads a sector as the first one of a root folder.
    fn from_sector(offset: u64, sector: &[u8]) -> Option<Self> {
        let entries =
            || sector.chunks_exact(ENTRY).take(16).take_while(|entry| entry.first() != Some(&entry_type::END));
        let find = |kind: u8, reserved: &[(usize, usize)]| {
            let is_one = |entry: &&[u8]| {
                entry.first() == Some(&kind)
                    && reserved.iter().all(|(at, length)| {
                        slice(entry, *at, *length).is_some_and(|bytes| bytes.iter().all(|byte| *byte == 0))
                    })
            };
            let entry = entries().find(is_one)?;
            TableEntry::from_bytes(entry.first_chunk::<ENTRY>()?).filter(|table| table.first.0 >= 2 && table.length > 0)
        };
        // Reserved fields: specification, tables 24 and 26. The second bitmap belongs to the second table.
        let bitmap = find(entry_type::BITMAP, &[(1, 1), (2, 18)])?;
        let upcase = find(entry_type::UPCASE, &[(1, 3), (8, 12)])?;
        let sound = upcase.length <= to_u64(upcase::MOST_BYTES) && bitmap.length <= 1 << 29;
        sound.then_some(Self { offset, bitmap, upcase })
    }
}

/// What was noted of exFAT volumes that may have lost their boot sectors. It takes less than 100 kB.
#[derive(Debug, Default)]
pub struct Traces {
    /// Where tables open.
    pub(super) openings: Vec<u64>,
    /// Where up-case tables open.
    pub(super) upcases: Vec<u64>,
    pub(super) roots: Vec<Root>,
    /// Whether something had no room.
    pub(super) full: bool,
}

impl Traces {
    /// Nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Forgets what lies in volumes of which a boot sector is left: they begin elsewhere than the one that is looked for.
    pub(super) fn forget(&mut self, volumes: &[Range<u64>]) {
        let keep = |offset: u64| !volumes.iter().any(|volume| volume.contains(&offset));
        self.openings.retain(|one| keep(*one));
        self.upcases.retain(|one| keep(*one));
        self.roots.retain(|one| keep(one.offset));
    }

    /// Forgets tables and root folders at these places: a boot sector explains them.
    pub(crate) fn forget_at(&mut self, places: &BTreeSet<u64>) {
        self.openings.retain(|one| !places.contains(one));
        self.roots.retain(|one| !places.contains(&one.offset));
    }

    /// Looks at a sector: `offset` is where it stands in the source, `sector` its bytes, at least 512. All must have been
    /// read. Sectors come in the order in which they stand.
    pub fn look(&mut self, offset: u64, sector: &[u8]) {
        match sector.first().copied() {
            Some(0xf8) if sector.starts_with(OPENING) => keep(&mut self.openings, offset, &mut self.full),
            Some(0) if sector.starts_with(UPCASE) => keep(&mut self.upcases, offset, &mut self.full),
            // The volume's own entries stand first; one that is not in use, or a GUID, may stand before them.
            Some(0x01..=0x05 | 0x20 | 0x81..=0x85 | 0xa0) => {
                if let Some(root) = Root::from_sector(offset, sector) {
                    keep(&mut self.roots, root, &mut self.full);
                }
            }
            _ => {}
        }
    }
}

fn keep<T>(list: &mut Vec<T>, one: T, full: &mut bool) {
    if list.len() < MOST {
        list.push(one);
    } else {
        *full = true;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As mkfs.exfat (exfatprogs 1.2.0) writes a root folder: label, bitmap, up-case table.
    fn root() -> Vec<u8> {
        let mut sector = vec![0; 512];
        sector[..8].copy_from_slice(b"\x83\x03o\0d\0d\0");
        sector[32] = 0x81;
        sector[52..56].copy_from_slice(&2_u32.to_le_bytes());
        sector[56..64].copy_from_slice(&126_u64.to_le_bytes());
        sector[64] = 0x82;
        sector[68..72].copy_from_slice(&0xe619_d30d_u32.to_le_bytes());
        sector[84..88].copy_from_slice(&3_u32.to_le_bytes());
        sector[88..96].copy_from_slice(&5836_u64.to_le_bytes());
        sector
    }

    #[test]
    fn a_root_folder_has_a_bitmap_and_an_up_case_table() {
        let mut traces = Traces::new();
        traces.look(4096, &root());
        let [found] = traces.roots[..] else { panic!("{:?}", traces.roots) };
        assert_eq!((found.offset, found.bitmap.length, found.upcase.length), (4096, 126, 5836));
        for (at, value) in [(32, 0x01), (64, 0x02), (33, 0x01), (40, 0x01), (52, 0x01), (90, 0x03), (74, 0x01)] {
            let mut sector = root();
            sector[at] = value;
            traces.look(8192, &sector);
            assert_eq!(traces.roots.len(), 1, "{at}");
        }
    }

    #[test]
    fn openings() {
        let mut traces = Traces::new();
        let sector = |opening: &[u8]| [opening, &[0; 512]].concat();
        traces.look(512, &sector(OPENING));
        traces.look(1024, &sector(UPCASE));
        traces.look(1536, &sector(&OPENING[..7]));
        traces.look(2048, &sector(&UPCASE[..14]));
        assert_eq!((&traces.openings[..], &traces.upcases[..]), (&[512][..], &[1024][..]));
    }
}
