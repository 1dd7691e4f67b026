//! NTFS volumes of which the head is taken away, and how what is left of them compares with the truth.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::sync::Arc;

use handback::catalog::{Catalog, Completeness, NameId, ObjectId, ObjectKind, State};
use handback::filesystem::ntfs::headless::Traces;
use handback::filesystem::{self, Filesystem, SweepOptions, Swept};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;

use crate::common::edit::hash_extents;
use crate::common::fixture::{self, INNER_SLASH};

/// What a boot sector says, read without the library; offsets as in `src/filesystem/ntfs/structures.rs`.
pub(crate) struct Boot {
    pub(crate) cluster: u64,
    pub(crate) record: u64,
    pub(crate) mft: u64,
    pub(crate) mirror: u64,
    pub(crate) total: u64,
}

pub(crate) fn number(bytes: &[u8], at: usize, width: usize) -> u64 {
    bytes[at..at + width].iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte))
}

impl Boot {
    pub(crate) fn of(bytes: &[u8]) -> Self {
        let sector = number(bytes, 0x0b, 2);
        let cluster =
            sector * if bytes[0x0d] >= 0xe0 { 1 << (256 - u32::from(bytes[0x0d])) } else { bytes[0x0d].into() };
        let record = match i8::from_le_bytes([bytes[0x40]]) {
            clusters @ 1.. => u64::from(clusters.unsigned_abs()) * cluster,
            exponent => 1 << exponent.unsigned_abs(),
        };
        let place = |at| number(bytes, at, 8) * cluster;
        Self { cluster, record, mft: place(0x30), mirror: place(0x38), total: number(bytes, 0x28, 8) * sector }
    }

    pub(crate) fn boots(&self, length: u64) -> Vec<Range<u64>> {
        vec![0..512, self.total..(self.total + 512).min(length)]
    }
}

/// The whole image is taken to be read but `gone`, which is unread and holds zeros.
pub(crate) fn unread(mut bytes: Vec<u8>, gone: &[Range<u64>]) -> Source {
    zero(&mut bytes, gone);
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let mut ranges: Vec<Segment> =
        gone.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
    ranges.sort_by_key(|one| one.range.start);
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &ranges).expect("apart");
    Source::new(image, &map, 512)
}

/// `gone` holds zeros, and nobody says anything of the image.
pub(crate) fn zeroed(mut bytes: Vec<u8>, gone: &[Range<u64>]) -> Source {
    zero(&mut bytes, gone);
    Source::without_map(Arc::new(MemoryImage::new(bytes)))
}

pub(crate) fn zero(bytes: &mut [u8], gone: &[Range<u64>]) {
    for range in gone {
        bytes[range.start as usize..range.end as usize].fill(0);
    }
}

pub(crate) fn open(source: &Source) -> Option<Box<dyn Filesystem>> {
    assert!(filesystem::open(source).expect("in memory").is_none(), "no boot sector is left");
    filesystem::open_without_head(source, filesystem::Formats::ALL).expect("in memory")
}

/// The units of a path as the truth writes them.
pub(crate) fn path_units(catalog: &Catalog, name: NameId) -> Vec<u16> {
    let mut units = Vec::new();
    for part in catalog.line(name) {
        units.push(u16::from(b'/'));
        let inner = |unit| if unit == u16::from(b'/') { INNER_SLASH } else { unit };
        units.extend(catalog.name(part).units().into_iter().map(inner));
    }
    units
}

/// Every path of everything that has content.
pub(crate) fn paths(catalog: &Catalog) -> BTreeMap<Vec<u16>, ObjectId> {
    let mut all = BTreeMap::new();
    for (id, object) in catalog.objects() {
        for name in catalog.names_of(id) {
            match object.owner {
                None => {
                    all.insert(path_units(catalog, name), id);
                }
                Some(owner) => all.extend(catalog.names_of(owner).map(|above| {
                    let mut path = path_units(catalog, above);
                    path.push(u16::from(b':'));
                    path.extend(catalog.name(name).units());
                    (path, id)
                })),
            }
        }
    }
    all
}

/// What became of the files of an image.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Seen {
    /// Files and streams of which the truth has a hash.
    pub(crate) files: u64,
    /// At their path, with the right bytes.
    pub(crate) right: u64,
    /// Called whole.
    pub(crate) whole: u64,
    pub(crate) doubtful: u64,
    pub(crate) unproven: u64,
    pub(crate) folders_complete: u64,
    pub(crate) lost_records: u64,
}

/// Holds what a volume lists against the truth. What is called whole has the right bytes, whatever else is lost.
pub(crate) fn look(name: &str, volume: &dyn Filesystem) -> (Seen, Swept) {
    let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
    let catalog = &swept.catalog;
    let paths = paths(catalog);
    let mut seen = Seen { lost_records: catalog.lost_records, ..Seen::default() };
    let mut known = BTreeSet::new();
    for truth in fixture::truth(name).iter().filter(|truth| !truth.has("deleted")) {
        let Some(sha256) = &truth.sha256 else { continue };
        seen.files += 1;
        let Some(id) = paths.get(&truth.path) else { continue };
        let object = catalog.object(*id);
        let Ok(extents) = volume.extents(catalog, *id) else { continue };
        let (found, outcome) = hash_extents(volume.source(), &extents);
        let mut facts = object.facts.clone();
        facts.after_reading(&outcome.gaps, outcome.unknown);
        let state = facts.state();
        if found == *sha256 {
            seen.right += 1;
        } else {
            assert_ne!(state, State::Whole, "{name}: {}", truth.path_text());
        }
        match state {
            State::Whole => seen.whole += 1,
            State::Doubtful => seen.doubtful += 1,
            State::Unproven => seen.unproven += 1,
            _ => {}
        }
        known.insert(*id);
    }
    for (id, object) in catalog.objects() {
        let whole = object.facts.state() == State::Whole && object.size > 0;
        let is_content = matches!(object.kind, ObjectKind::File | ObjectKind::Stream);
        assert!(!whole || !is_content || known.contains(&id), "{name}: {} is nobody's", catalog.first_path(id));
        let complete = object.kind == ObjectKind::Folder && object.completeness() == Completeness::Complete;
        seen.folders_complete += u64::from(complete);
    }
    (seen, swept)
}

/// A volume that fills an image, and where its parts are.
pub(crate) struct Volume {
    pub(crate) name: &'static str,
    pub(crate) bytes: Vec<u8>,
    pub(crate) boot: Boot,
}

impl Volume {
    pub(crate) fn of(name: &'static str) -> Self {
        let bytes = fixture::image(name);
        let boot = Boot::of(&bytes);
        Self { name, bytes, boot }
    }

    pub(crate) fn boots(&self) -> Vec<Range<u64>> {
        self.boot.boots(self.bytes.len() as u64)
    }

    /// The table's first four records.
    pub(crate) fn first_records(&self) -> Range<u64> {
        self.boot.mft..self.boot.mft + 4 * self.boot.record
    }

    /// The four copies of them, or what fills the cluster.
    pub(crate) fn mirror(&self) -> Range<u64> {
        self.boot.mirror..self.boot.mirror + (4 * self.boot.record).max(self.boot.cluster)
    }

    pub(crate) fn place(&self, record: u64) -> Range<u64> {
        self.boot.mft + record * self.boot.record..self.boot.mft + (record + 1) * self.boot.record
    }

    pub(crate) fn sound(&self) -> (Seen, Swept) {
        let source = fixture::all_read(self.name);
        look(self.name, filesystem::open(&source).expect("in memory").expect("NTFS").as_ref())
    }

    pub(crate) fn gone(&self, more: &[Range<u64>]) -> Vec<Range<u64>> {
        self.boots().into_iter().chain(more.iter().cloned()).collect()
    }

    /// Records in use: the number of each, and that of its base record, or 0; by the image's own bytes, for a table in
    /// one piece.
    pub(crate) fn in_use(&self) -> Vec<(u64, u64)> {
        let mut found = Vec::new();
        for index in 0.. {
            let at = self.place(index).start as usize;
            if self.bytes.get(at..at + 4) != Some(b"FILE") {
                break;
            }
            if number(&self.bytes, at + 0x16, 2) & 1 == 1 {
                if number(&self.bytes, at + 0x2c, 4) != index {
                    break;
                }
                found.push((index, number(&self.bytes, at + 0x20, 8) & 0xffff_ffff_ffff));
            }
        }
        found
    }
}

/// All that one pass through an image notes.
pub(crate) fn traces(source: &Source) -> Traces {
    let mut traces = Traces::new();
    let mut sector = vec![0; 512];
    for at in (0..source.length() / 512).map(|number| number * 512) {
        let reality = source.read_at(at, &mut sector).expect("in memory");
        if reality.is_all_there() && (sector.starts_with(b"FILE") || sector.starts_with(b"INDX")) {
            traces.look(at, &sector);
        }
    }
    traces
}
