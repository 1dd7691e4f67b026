//! Byte edits of NTFS volumes that outside tools wrote, with fixups kept right, and what they change.

#![allow(dead_code, reason = "each test file uses its part")]

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use handback::catalog::{Catalog, Extents, Lookup, Object, ObjectId, ObjectKind, Place};
use handback::filesystem::{self, Filesystem, SweepOptions, Swept};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;

use crate::common::fixture;

pub(crate) const STANDARD_INFORMATION: u32 = 0x10;
pub(crate) const ATTRIBUTE_LIST: u32 = 0x20;
pub(crate) const FILE_NAME: u32 = 0x30;
pub(crate) const DATA: u32 = 0x80;
pub(crate) const INDEX_ALLOCATION: u32 = 0xa0;
pub(crate) const BITMAP: u32 = 0xb0;
pub(crate) const REPARSE_POINT: u32 = 0xc0;

/// The record of $MFT's own description, and of the volume's bitmap.
pub(crate) const MFT: u64 = 0;
pub(crate) const VOLUME_BITMAP: u64 = 6;

/// A volume with records of 1,024 bytes and a file table in one piece, as mkntfs makes it, to be changed.
#[derive(Clone)]
pub(crate) struct Edit {
    pub(crate) bytes: Vec<u8>,
    table: usize,
    pub(crate) cluster: usize,
}

/// A run: cluster of the stream, clusters, cluster of the volume.
pub(crate) type RunOf = (u64, u64, Option<u64>);

/// What is said of everything, by path: the word and the reasons.
pub(crate) type Words = BTreeMap<String, (&'static str, Vec<&'static str>)>;

impl Edit {
    pub(crate) fn of(name: &str) -> Self {
        let bytes = fixture::image(name);
        let number =
            |range: Range<usize>| bytes[range].iter().rev().fold(0_usize, |sum, byte| sum << 8 | usize::from(*byte));
        let cluster = number(0x0b..0x0d) * number(0x0d..0x0e);
        let table = number(0x30..0x38) * cluster;
        Self { bytes, table, cluster }
    }

    /// A byte of the image; inside a record, the one that the fixups keep.
    fn byte(&self, at: usize) -> u8 {
        self.bytes[self.kept(at)]
    }

    /// Where a byte really stands: in a record, the last two of each 512 stand among the fixups.
    fn kept(&self, at: usize) -> usize {
        let Some(inside) = at.checked_sub(self.table).map(|inside| inside % 1024) else { return at };
        let record = at - inside;
        if inside % 512 < 510 || self.bytes.get(record..record + 4) != Some(b"FILE") {
            return at;
        }
        let fixups = record + usize::from(self.bytes[record + 4]);
        fixups + 2 + inside / 512 * 2 + inside % 512 - 510
    }

    pub(crate) fn number(&self, at: usize, length: usize) -> u64 {
        (at..at + length).rev().fold(0, |sum, at| sum << 8 | u64::from(self.byte(at)))
    }

    /// The place of a record.
    pub(crate) fn record(&self, number: u64) -> usize {
        let at = self.table + usize::try_from(number).expect("small") * 1024;
        assert_eq!(&self.bytes[at..at + 4], b"FILE", "record {number}");
        at
    }

    /// The sectors of a record.
    pub(crate) fn record_range(&self, number: u64) -> Range<u64> {
        let at = self.record(number) as u64;
        at..at + 1024
    }

    /// Writes into a record; what would fall on the last bytes of a sector goes where the fixups keep them.
    pub(crate) fn write(&mut self, at: usize, bytes: &[u8]) {
        for (at, byte) in (at..).zip(bytes) {
            let place = self.kept(at);
            self.bytes[place] = *byte;
        }
    }

    /// The places of a record's attributes of a type.
    pub(crate) fn attributes(&self, record: u64, kind: u32) -> Vec<usize> {
        let record = self.record(record);
        let mut at = record + usize::from(self.bytes[record + 0x14]);
        let mut found = Vec::new();
        while self.number(at, 4) != 0xffff_ffff {
            if self.number(at, 4) == u64::from(kind) {
                found.push(at);
            }
            at += usize::try_from(self.number(at + 4, 4)).expect("small");
        }
        found
    }

    /// The unnamed data stream of a record.
    pub(crate) fn data(&self, record: u64) -> usize {
        let unnamed = self.attributes(record, DATA).into_iter().find(|at| self.bytes[at + 9] == 0);
        unnamed.expect("a file has content")
    }

    pub(crate) fn is_resident(&self, attribute: usize) -> bool {
        self.bytes[attribute + 8] == 0
    }

    /// Where the value of a resident attribute stands.
    pub(crate) fn value(&self, attribute: usize) -> Range<usize> {
        assert!(self.is_resident(attribute));
        let start = attribute + self.number(attribute + 0x14, 2) as usize;
        start..start + self.number(attribute + 0x10, 4) as usize
    }

    /// Where the list of runs of an attribute starts.
    pub(crate) fn run_list(&self, attribute: usize) -> usize {
        assert!(!self.is_resident(attribute));
        attribute + self.number(attribute + 0x20, 2) as usize
    }

    /// The runs of an attribute that is not resident, decoded without any check.
    pub(crate) fn runs(&self, attribute: usize) -> Vec<RunOf> {
        let mut at = self.run_list(attribute);
        let (mut vcn, mut lcn) = (self.number(attribute + 0x10, 8), 0_i64);
        let mut runs = Vec::new();
        while self.byte(at) != 0 {
            let (lengths, places) = (usize::from(self.byte(at) & 15), usize::from(self.byte(at) >> 4));
            let length = self.number(at + 1, lengths);
            let place = (places > 0).then(|| {
                let shift = 64 - 8 * places as u32;
                lcn += (self.number(at + 1 + lengths, places) << shift).cast_signed() >> shift;
                lcn.cast_unsigned()
            });
            runs.push((vcn, length, place));
            vcn += length;
            at += 1 + lengths + places;
        }
        runs
    }

    /// Where a byte of an attribute's value lies in the image.
    pub(crate) fn place(&self, attribute: usize, byte: usize) -> usize {
        if self.is_resident(attribute) {
            return self.value(attribute).start + byte;
        }
        let vcn = (byte / self.cluster) as u64;
        let run = self.runs(attribute).into_iter().find(|(first, length, _)| (*first..first + length).contains(&vcn));
        let (first, _, lcn) = run.expect("the byte has a place");
        (lcn.expect("no hole") + vcn - first) as usize * self.cluster + byte % self.cluster
    }

    /// Where the blocks of a folder's list lie in the image.
    pub(crate) fn list_blocks(&self, folder: u64) -> Vec<Range<u64>> {
        let blocks = self.attributes(folder, INDEX_ALLOCATION)[0];
        let place = |lcn: Option<u64>| lcn.expect("no hole") * self.cluster as u64;
        let runs = self.runs(blocks).into_iter();
        runs.map(|(_, length, lcn)| place(lcn)..place(lcn) + length * self.cluster as u64).collect()
    }

    /// Clears a bit of an attribute that is a bitmap; it was set.
    pub(crate) fn clear_bit(&mut self, attribute: usize, bit: u64) {
        let at = self.place(attribute, (bit / 8) as usize);
        assert_ne!(self.bytes[at] & 1 << (bit % 8), 0, "bit {bit} is set");
        self.bytes[at] &= !(1 << (bit % 8));
    }

    pub(crate) fn source(&self) -> Source {
        self.with_holes(&[])
    }

    /// All was read but `holes`, in order.
    pub(crate) fn with_holes(&self, holes: &[Range<u64>]) -> Source {
        let image: Arc<dyn Image> = Arc::new(MemoryImage::new(self.bytes.clone()));
        let ranges: Vec<Segment> =
            holes.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
        let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &ranges).expect("in order");
        Source::new(image, &map, 512)
    }

    pub(crate) fn sweep(&self) -> Swept {
        sweep(&self.source())
    }

    pub(crate) fn words(&self) -> Words {
        words(&self.sweep().catalog)
    }
}

/// The volume that begins with `source`, by its boot sectors or, where those are lost, by what else shows it.
pub(crate) fn any(source: &Source) -> Option<Box<dyn Filesystem>> {
    let volume = filesystem::open(source).expect("in memory");
    volume.or_else(|| filesystem::open_without_head(source, filesystem::Formats::ALL).expect("in memory"))
}

pub(crate) fn open(source: &Source) -> Box<dyn Filesystem> {
    any(source).expect("a volume")
}

pub(crate) fn sweep(source: &Source) -> Swept {
    sweep_for(source, SweepOptions::default())
}

pub(crate) fn sweep_for(source: &Source, options: SweepOptions) -> Swept {
    open(source).sweep(options, &Silent).expect("in memory")
}

pub(crate) fn find(catalog: &Catalog, path: &str) -> ObjectId {
    match catalog.find(path) {
        Lookup::Found(object, _) => object,
        other => panic!("{path}: {other:?}"),
    }
}

pub(crate) fn object<'a>(swept: &'a Swept, path: &str) -> &'a Object {
    swept.catalog.object(find(&swept.catalog, path))
}

pub(crate) fn record_of(swept: &Swept, path: &str) -> u64 {
    object(swept, path).locator
}

/// What is said of an object.
pub(crate) fn word(object: &Object) -> (&'static str, Vec<&'static str>) {
    let mut reasons = object.facts.reasons();
    match object.kind {
        ObjectKind::Folder => {
            reasons.extend(object.incomplete.iter().map(|reason| reason.word()));
            (object.completeness().word(), reasons)
        }
        ObjectKind::File | ObjectKind::Stream => (object.facts.state().word(), reasons),
        ObjectKind::Link | ObjectKind::Other => ("other", reasons),
    }
}

pub(crate) fn words(catalog: &Catalog) -> Words {
    catalog.objects().map(|(id, object)| (catalog.first_path(id), word(object))).collect()
}

/// What is said otherwise, or only on one side: path, before, after.
pub(crate) fn changes(before: &Words, after: &Words) -> Vec<(String, String, String)> {
    let text = |words: &Words, path: &String| {
        words.get(path).map_or("-".to_string(), |(word, reasons)| {
            if reasons.is_empty() { (*word).to_string() } else { format!("{word}: {}", reasons.join(" ")) }
        })
    };
    let paths: std::collections::BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    paths
        .into_iter()
        .filter(|path| before.get(*path) != after.get(*path))
        .map(|path| (path.clone(), text(before, path), text(after, path)))
        .collect()
}

/// Where a file's bytes lie in the image, as the sweep of a sound volume says.
pub(crate) fn places(source: &Source, swept: &Swept, path: &str) -> Vec<Range<u64>> {
    let extents = open(source).extents(&swept.catalog, find(&swept.catalog, path)).expect("a sound file");
    let Extents::Runs(runs) = extents else { return Vec::new() };
    let placed = runs.runs.iter().filter_map(|run| match run.place {
        Place::At(offset) => Some(offset..offset + run.length),
        _ => None,
    });
    placed.collect()
}

/// The SHA-256 of a file's bytes, in hexadecimal, and how many bytes of it are gaps.
pub(crate) fn hash(source: &Source, swept: &Swept, id: ObjectId) -> (String, u64) {
    let extents = open(source).extents(&swept.catalog, id).expect("a placed file");
    let (digest, outcome) = hash_extents(source, &extents);
    (digest, outcome.gaps.iter().map(|gap| gap.range.end - gap.range.start).sum())
}

/// The SHA-256 of some bytes of a volume, in hexadecimal, and what reading them showed.
pub(crate) fn hash_extents(source: &Source, extents: &Extents) -> (String, handback::content::Outcome) {
    use sha2::Digest;
    let mut hash = sha2::Sha256::new();
    let outcome = handback::content::read(source, extents, &mut |piece| {
        hash.update(piece);
        Ok(())
    });
    let outcome = outcome.expect("in memory");
    (hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect(), outcome)
}
