//! What stands where on a sound image: short, trusting readers of the harness's own, one per format, so that it does not
//! ask the library that it tests.

pub(crate) mod exfat;
pub(crate) mod fat;
pub(crate) mod ntfs;

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use handback::source::Source;

/// What the harness has to know of a format to tell what stands where.
pub(crate) trait Format {
    /// Whether a volume that begins with this sector is of the format.
    fn begins(&self, first: &[u8]) -> bool;

    /// Enters all that the sound volume at `start` holds: [`Anatomy::volume`] once, [`Anatomy::add`] for each part of
    /// it, and [`Anatomy::piece`] for each structure.
    fn enter(&self, source: &Source, start: u64, into: &mut Anatomy);

    /// Kinds of sectors that change nothing when nothing asks for them, alone.
    fn quiet(&self) -> &[&str];
}

/// The formats that are known.
const FORMATS: [&dyn Format; 3] = [&ntfs::Ntfs, &fat::Fat, &exfat::ExFat];

/// What a sector holds, and of whose file.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Part {
    kind: &'static str,
    volume: u64,
    /// The number in the address of the file or folder; `None` is nobody's.
    owner: Option<u64>,
}

/// A structure in the image, for the sweep over its fields.
#[derive(Debug, Clone)]
pub(crate) struct Piece {
    /// Its place in the image.
    pub(crate) range: Range<u64>,
    pub(crate) kind: &'static str,
}

/// What stands in each sector of an image.
#[derive(Debug, Default)]
pub(crate) struct Anatomy {
    sectors: BTreeMap<u64, Vec<Part>>,
    volumes: Vec<Range<u64>>,
    quiet: BTreeSet<String>,
    /// Structures whose fields are swept, and at which half of the random damage is aimed.
    pub(crate) pieces: Vec<Piece>,
}

impl Anatomy {
    /// Looks at the sound volumes that begin at `starts`; everything outside them is of the table.
    pub(crate) fn of(source: &Source, starts: &BTreeSet<u64>) -> Self {
        let mut all = Self::default();
        for start in starts {
            let first = bytes(source, *start..*start + 512);
            let format = FORMATS.into_iter().find(|format| format.begins(&first));
            let format = format.unwrap_or_else(|| panic!("the volume at {start} is read, and has no anatomy"));
            format.enter(source, *start, &mut all);
            all.quiet.extend(format.quiet().iter().map(ToString::to_string));
        }
        all
    }

    /// A volume takes up this range of the image; what is not added there is free space.
    pub(crate) fn volume(&mut self, range: Range<u64>) {
        self.volumes.push(range);
    }

    /// Something of a volume (its first byte) stands there. A sector is of the kind that was added first, and may be
    /// of many files and folders: add each that may lose its word by it. `owner` is the number in its address.
    pub(crate) fn add(&mut self, range: &Range<u64>, kind: &'static str, volume: u64, owner: Option<u64>) {
        for sector in range.start / 512..range.end.div_ceil(512) {
            self.sectors.entry(sector).or_default().push(Part { kind, volume, owner });
        }
    }

    /// A structure stands there, whole.
    pub(crate) fn piece(&mut self, range: Range<u64>, kind: &'static str) {
        self.pieces.push(Piece { range, kind });
    }

    /// Whether some of the range is of the file or folder with this address, or of the one whose stream it is.
    pub(crate) fn belongs(&self, range: &Range<u64>, volume: u64, address: &str) -> bool {
        let owner = address.split(':').nth(1).and_then(|number| number.parse().ok());
        owner.is_some()
            && self
                .sectors
                .range(range.start / 512..range.end.div_ceil(512))
                .any(|(_, parts)| parts.iter().any(|part| part.volume == volume && part.owner == owner))
    }

    /// What stands at a byte of the image.
    pub(crate) fn kind(&self, offset: u64) -> &'static str {
        match self.sectors.get(&(offset / 512)).and_then(|parts| parts.first()) {
            Some(part) => part.kind,
            None if self.volumes.iter().any(|volume| volume.contains(&offset)) => "free space",
            None if offset < 512 => "first sector of the disk",
            None => "outside the volumes",
        }
    }

    /// Where the sectors of a kind stand in the image, in order.
    pub(crate) fn sectors_of(&self, kind: &str) -> Vec<u64> {
        let of_kind = self.sectors.iter().filter(|(_, parts)| parts.first().is_some_and(|part| part.kind == kind));
        of_kind.map(|(sector, _)| sector * 512).collect()
    }

    /// Whether a sector of this kind, for which nothing asks, changes nothing when it alone is broken.
    pub(crate) fn is_quiet(&self, kind: &str) -> bool {
        matches!(kind, "free space" | "outside the volumes") || self.quiet.contains(kind)
    }
}

/// Bytes of a sound image.
pub(crate) fn bytes(source: &Source, range: Range<u64>) -> Vec<u8> {
    let mut bytes = vec![0; index(range.end - range.start)];
    source.read_at(range.start, &mut bytes).expect("in memory");
    bytes
}

pub(crate) fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes(bytes[at..at + 2].try_into().expect("two"))
}

pub(crate) fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four"))
}

pub(crate) fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from_le_bytes(bytes[at..at + 8].try_into().expect("eight"))
}

pub(crate) fn index(value: u64) -> usize {
    usize::try_from(value).expect("a small image")
}
