//! Conditions of `whole`, each broken alone: by a byte edit of an image that outside tools wrote, or by a map that
//! leaves one structure out.

mod common;

use std::sync::Arc;

use common::fixture;
use handback::catalog::{Catalog, Completeness, Lookup, ObjectId, ObjectKind, State, Unlocated};
use handback::filesystem::{self, Swept};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;
use handback::volumes;

/// A volume whose file table is one piece, as mkntfs makes it, to be changed.
struct Edit {
    bytes: Vec<u8>,
    table: usize,
}

impl Edit {
    fn of(name: &str) -> Self {
        let bytes = fixture::image(name);
        let number = |offset: usize, length: usize| {
            bytes[offset..offset + length].iter().rev().fold(0_usize, |sum, byte| sum << 8 | usize::from(*byte))
        };
        let table = number(0x30, 8) * number(0x0b, 2) * number(0x0d, 1);
        Self { bytes, table }
    }

    /// The place of a record of 1,024 bytes.
    fn record(&self, number: u64) -> usize {
        let at = self.table + usize::try_from(number).expect("small") * 1024;
        assert_eq!(&self.bytes[at..at + 4], b"FILE");
        at
    }

    /// The places of a record's attributes of a type.
    fn attributes(&self, record: u64, kind: u32) -> Vec<usize> {
        let record = self.record(record);
        let word = |at: usize| u32::from_le_bytes(self.bytes[at..at + 4].try_into().expect("four bytes"));
        let mut at = record + usize::from(self.bytes[record + 0x14]);
        let mut found = Vec::new();
        while word(at) != 0xffff_ffff {
            if word(at) == kind {
                found.push(at);
            }
            at += word(at + 4) as usize;
        }
        found
    }

    fn sweep(&self) -> Swept {
        sweep(&all_read(self.bytes.clone()))
    }
}

fn all_read(bytes: Vec<u8>) -> Source {
    mapped(bytes, &[])
}

fn mapped(bytes: Vec<u8>, ranges: &[Segment]) -> Source {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, ranges).expect("in order");
    Source::new(image, &map, 512)
}

fn sweep(source: &Source) -> Swept {
    filesystem::open(source).expect("in memory").expect("NTFS").sweep(Default::default(), &Silent).expect("in memory")
}

fn find(catalog: &Catalog, path: &str) -> ObjectId {
    match catalog.find(path) {
        Lookup::Found(object, _) => object,
        other => panic!("{path}: {other:?}"),
    }
}

fn record_of(swept: &Swept, path: &str) -> u64 {
    swept.catalog.object(find(&swept.catalog, path)).locator
}

#[test]
fn a_file_that_says_it_has_a_reparse_point_is_not_zeros_when_that_is_lost() {
    let mut edit = Edit::of("ntfs-reparse");
    let path = "/Cloud/online only.bin";
    let record = record_of(&edit.sweep(), path);
    let attribute = edit.attributes(record, 0xc0)[0];
    // The reparse attribute becomes one that nobody reads here (property set).
    edit.bytes[attribute] = 0xf0;
    let swept = edit.sweep();
    let facts = &swept.catalog.object(find(&swept.catalog, path)).facts;
    assert_eq!((facts.state(), facts.unlocated), (State::Unlocated, Some(Unlocated::ContentElsewhere)));
    // Content that has all its clusters is here whatever the lost tag said.
    let path = "/Cloud/all here.bin";
    let record = record_of(&swept, path);
    let attribute = edit.attributes(record, 0xc0)[0];
    edit.bytes[attribute] = 0xf0;
    let swept = edit.sweep();
    assert_eq!(swept.catalog.object(find(&swept.catalog, path)).facts.state(), State::Whole);
}

#[test]
fn a_stream_that_the_list_names_and_no_record_has_is_said() {
    let mut edit = Edit::of("ntfs-attrlist");
    let swept = edit.sweep();
    let streams =
        |swept: &Swept| swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::Stream).count();
    let before = streams(&swept);
    // A named stream in an extension record: its base is another record.
    let count = (24..2000).take_while(|number| {
        let at = edit.table + number * 1024;
        edit.bytes[at..at + 4] == *b"FILE"
    });
    let extension = count
        .filter(|number| edit.bytes[edit.table + number * 1024 + 0x20..][..8] != [0; 8])
        .find_map(|number| {
            let number = u64::try_from(number).ok()?;
            let named = edit.attributes(number, 0x80).into_iter().find(|at| edit.bytes[at + 9] > 0)?;
            Some(named)
        })
        .expect("the fixture has one");
    edit.bytes[extension] = 0xf0;
    let swept = edit.sweep();
    assert_eq!(streams(&swept), before, "it is still listed");
    let lost = swept
        .catalog
        .objects()
        .filter(|(_, object)| object.kind == ObjectKind::Stream)
        .filter(|(_, object)| object.facts.unlocated == Some(Unlocated::DescriptionLost));
    assert_eq!(lost.count(), 1);
}

#[test]
fn what_nobody_vouches_for_proves_nothing() {
    let unknown = |range| Segment { range, state: ByteState::Unknown };
    let boot = mapped(fixture::image("ntfs-c4k"), &[unknown(0..512)]);
    let swept = sweep(&boot);
    for (id, object) in swept.catalog.objects() {
        let path = swept.catalog.first_path(id);
        match object.kind {
            ObjectKind::File => assert_eq!(object.facts.state(), State::Unproven, "{path}"),
            ObjectKind::Folder => assert_eq!(object.completeness(), Completeness::Unproven, "{path}"),
            _ => {}
        }
    }
    for (name, start) in [("mbr-primary", 0), ("gpt-128", 512), ("gpt-128", 1024)] {
        let disk = volumes::open(&mapped(fixture::image(name), &[unknown(start..start + 512)]), Default::default());
        let disk = disk.expect("in memory");
        let readable: Vec<_> = disk.volumes.iter().filter_map(volumes::Volume::filesystem).collect();
        assert!(!readable.is_empty());
        for volume in readable {
            let swept = volume.sweep(Default::default(), &Silent).expect("in memory");
            let files = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File);
            assert!(files.into_iter().all(|(_, object)| object.facts.state() == State::Unproven), "{name}");
        }
    }
}

#[test]
fn a_record_with_another_number_or_free_in_the_bitmap_is_doubtful() {
    let mut edit = Edit::of("ntfs-c4k");
    let swept = edit.sweep();
    let (id, object) = swept
        .catalog
        .objects()
        .find(|(_, object)| object.kind == ObjectKind::File && object.size == 700)
        .expect("the fixture has a resident file");
    let path = swept.catalog.first_path(id);
    let record = edit.record(object.locator);
    edit.bytes[record + 0x2c] ^= 1;
    let swept = edit.sweep();
    let facts = &swept.catalog.object(find(&swept.catalog, &path)).facts;
    assert_eq!((facts.state(), facts.reasons()), (State::Doubtful, vec!["other-number"]));
    edit.bytes[record + 0x2c] ^= 1;
    assert_eq!(edit.sweep().catalog.object(find(&swept.catalog, &path)).facts.state(), State::Whole);
}
