//! What one look at each sector notes of FAT volumes that may have lost their boot sectors.

use std::collections::BTreeSet;
use std::ops::Range;

use super::super::structures::{ENTRY, ShortEntry, attribute};
use crate::bytes::{le_u16, le_u32, slice, u8_at};

/// Openings of tables that are kept. A volume has two; an image of a collection of volumes has hundreds.
const MOST_OPENINGS: usize = 512;
/// Folders' first clusters that are kept, 24 bytes each.
const MOST_FOLDERS: usize = 1 << 16;
/// Lists that open with a label that are kept.
const MOST_LABELS: usize = 512;

/// A sector that opens as a table does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Opening {
    /// In the source.
    pub(super) offset: u64,
    pub(super) media: u8,
    /// Which widths it can have: entries of 12, 16 and 32 bits.
    pub(super) widths: [bool; 3],
}

impl Opening {
    pub(super) fn has(&self, bits: u8) -> bool {
        let [twelve, sixteen, thirty_two] = self.widths;
        match bits {
            12 => twelve,
            16 => sixteen,
            _ => thirty_two,
        }
    }

    /// Reads a sector as a table's first (FAT specification, "FAT Data Structure"): the medium in entry 0, an end mark in
    /// entry 1, two of whose bits may be cleared to say that the volume was not closed.
    pub(super) fn from_sector(offset: u64, sector: &[u8]) -> Option<Self> {
        let media = u8_at(sector, 0)?;
        // FFh was the medium of one floppy disk of 1981; NTFS fills its journal with it, and flash memory what was erased.
        if u8_at(sector, 1)? != 0xff || !(media == 0xf0 || (0xf8..0xff).contains(&media)) {
            return None;
        }
        let (one, two) = (le_u32(sector, 0)?, le_u32(sector, 4)?);
        let twelve = one & 0x00ff_ff00 == 0x00ff_ff00;
        let sixteen = one | 0xc000_0000 >= 0xfff8_0000;
        let thirty_two = one & 0x0fff_ff00 == 0x0fff_ff00 && (two | 0x0c00_0000) & 0x0fff_ffff >= 0x0fff_fff8;
        // No cluster has the number 1, so no link leads there.
        let no_ones_16 =
            || (4..slice(sector, 0, 512).map_or(0, <[u8]>::len)).step_by(2).all(|at| le_u16(sector, at) != Some(1));
        let widths = [twelve, sixteen && no_ones_16(), thirty_two];
        widths.contains(&true).then_some(Self { offset, media, widths })
    }
}

/// The first cluster of a folder, by its `.` and `..`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dots {
    /// In the source.
    pub(super) offset: u64,
    /// The cluster that it says it begins in, of which FAT12 and FAT16 count the lower half.
    pub(super) own: u32,
    /// The cluster of the folder above; 0 for the root.
    pub(super) above: u32,
}

impl Dots {
    pub(super) fn from_sector(offset: u64, sector: &[u8]) -> Option<Self> {
        let own = slice(sector, 0, ENTRY).and_then(ShortEntry::from_bytes)?;
        let above = slice(sector, ENTRY, ENTRY).and_then(ShortEntry::from_bytes)?;
        let is_pair = own.name == *b".          " && above.name == *b"..         ";
        let whole = |entry: &ShortEntry| u32::from(entry.first_cluster_high) << 16 | u32::from(entry.first_cluster_low);
        (is_pair && own.is_folder() && above.is_folder()).then(|| Self {
            offset,
            own: whole(&own),
            above: whole(&above),
        })
    }

    /// The cluster that it begins in, on a volume of this width.
    pub(super) fn own(&self, bits: u8) -> u32 {
        masked(self.own, bits)
    }

    /// The cluster of the folder above.
    pub(super) fn above(&self, bits: u8) -> u32 {
        masked(self.above, bits)
    }
}

fn masked(cluster: u32, bits: u8) -> u32 {
    if bits == 32 { cluster & 0x0fff_ffff } else { cluster & 0xffff }
}

/// What was noted of FAT volumes that may have lost their boot sectors. It takes less than 2 MB, however long the image
/// is.
#[derive(Debug, Default)]
pub struct Traces {
    pub(super) openings: Vec<Opening>,
    pub(super) folders: Vec<Dots>,
    /// Where lists stand that open with a volume's label, as root folders do.
    pub(super) labels: Vec<u64>,
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
        self.openings.retain(|one| keep(one.offset));
        self.folders.retain(|one| keep(one.offset));
        self.labels.retain(|one| keep(*one));
    }

    /// Forgets tables and root folders at these places: a boot sector explains them.
    pub(crate) fn forget_at(&mut self, places: &BTreeSet<u64>) {
        self.openings.retain(|one| !places.contains(&one.offset));
    }

    /// Looks at a sector: `offset` is where it stands in the source, `sector` its bytes, at least 512. All must have been
    /// read. Sectors come in the order in which they stand.
    pub fn look(&mut self, offset: u64, sector: &[u8]) {
        match sector {
            [0xf0 | 0xf8..=0xfe, 0xff, ..] => {
                if let Some(opening) = Opening::from_sector(offset, sector) {
                    keep(&mut self.openings, MOST_OPENINGS, opening, &mut self.full);
                }
            }
            [b'.', b' ', ..] => {
                if let Some(dots) = Dots::from_sector(offset, sector) {
                    keep(&mut self.folders, MOST_FOLDERS, dots, &mut self.full);
                }
            }
            _ if u8_at(sector, 0x0b) == Some(attribute::LABEL) && slice(sector, 0, ENTRY).is_some_and(is_label) => {
                keep(&mut self.labels, MOST_LABELS, offset, &mut self.full);
            }
            _ => {}
        }
    }
}

/// Whether an entry is a volume's label: it has a name, and nothing else but the time at which it was given.
fn is_label(entry: &[u8]) -> bool {
    ShortEntry::from_bytes(entry).is_some_and(|label| {
        let first = label.name.first().copied().unwrap_or(0);
        label.has_sound_name(first) && label.first_cluster_low == 0 && label.first_cluster_high == 0 && label.size == 0
    })
}

fn keep<T>(list: &mut Vec<T>, most: usize, one: T, full: &mut bool) {
    if list.len() < most {
        list.push(one);
    } else {
        *full = true;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sector(opening: &[u8]) -> Vec<u8> {
        let mut sector = opening.to_vec();
        sector.resize(512, 0);
        sector
    }

    /// As mkfs.fat 4.2 writes them, and the flags as the specification has them ("FAT Data Structure").
    #[test]
    fn openings_of_tables() {
        for (bytes, widths) in [
            (&b"\xf0\xff\xff\x00\x40\x00"[..], [true, false, false]),
            // The last file of a FAT12 volume begins in cluster 2: the same bytes could be FAT16.
            (b"\xf8\xff\xff\xff\x4f\x00", [true, true, false]),
            (b"\xf8\xff\xff\xff\x00\x00\xff\xff", [true, true, false]),
            (b"\xf8\xff\xff\x3f\x03\x00", [true, true, false]),
            (b"\xf8\xff\xff\xff\x01\x00", [true, false, false]),
            (b"\xf8\xff\xff\x0f\xff\xff\xff\x0f\xf8\xff\xff\x0f", [true, false, true]),
            (b"\xf8\xff\xff\x0f\xff\xff\xff\x03\xf8\xff\xff\x0f", [true, false, true]),
            (b"\xf8\xff\xff\xff\xff\xff\xff\xff\xf8\xff\xff\x0f", [true, true, true]),
        ] {
            let opening = Opening::from_sector(1024, &sector(bytes)).unwrap();
            assert_eq!((opening.offset, opening.media, opening.widths), (1024, bytes[0], widths), "{bytes:02x?}");
        }
        for bytes in [&b"\xf1\xff\xff\xff"[..], b"\xf8\xfe\xff\xff", b"\xf8\xff\xf0\x3f", b"\x00\xff\xff\xff"] {
            assert_eq!(Opening::from_sector(0, &sector(bytes)), None, "{bytes:02x?}");
        }
    }

    fn folder(name: &[u8; 11], cluster: u32) -> Vec<u8> {
        let mut entry = vec![0; 32];
        entry[..11].copy_from_slice(name);
        entry[11] = attribute::FOLDER;
        entry[0x14..0x16].copy_from_slice(&cluster.to_le_bytes()[2..]);
        entry[0x1a..0x1c].copy_from_slice(&cluster.to_le_bytes()[..2]);
        entry
    }

    #[test]
    fn folders_and_labels() {
        let mut traces = Traces::new();
        let pair = [folder(b".          ", 0x0001_0007), folder(b"..         ", 0)].concat();
        traces.look(4096, &sector(&pair));
        traces.look(4608, &sector(&[folder(b".          ", 7), folder(b"CHOIR      ", 0)].concat()));
        let mut label = vec![0; 32];
        label[..11].copy_from_slice(b"CHOIR      ");
        label[11] = attribute::LABEL;
        traces.look(5120, &sector(&label));
        label[0x1c] = 1;
        traces.look(5632, &sector(&label));
        let [dots] = traces.folders[..] else { panic!("{:?}", traces.folders) };
        assert_eq!((dots.offset, dots.own(32), dots.own(16), dots.above(32)), (4096, 0x0001_0007, 7, 0));
        assert_eq!(traces.labels, [5120]);
        assert!(traces.openings.is_empty() && !traces.full);
    }
}
