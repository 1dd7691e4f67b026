//! What lies behind the conditions of `whole`: what is lost is not zeros, and what nobody vouches for proves nothing.
//! Each condition broken alone stands in `ntfs_broken.rs` and `ntfs_claims.rs`.

mod common;

use std::sync::Arc;

use common::edit::{Edit, find, object, record_of, sweep};
use common::fixture;
use handback::catalog::{Completeness, ObjectKind, State, Unlocated};
use handback::filesystem::Swept;
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;
use handback::volumes;

fn mapped(bytes: Vec<u8>, ranges: &[Segment]) -> Source {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, ranges).expect("in order");
    Source::new(image, &map, 512)
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
    assert_eq!(object(&swept, path).facts.state(), State::Whole);
}

#[test]
fn a_stream_that_the_list_names_and_no_record_has_is_said() {
    let mut edit = Edit::of("ntfs-attrlist");
    let swept = edit.sweep();
    let streams =
        |swept: &Swept| swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::Stream).count();
    let before = streams(&swept);
    // A named stream in an extension record: its base is another record.
    let first = edit.record(0);
    let count = (24..2000).take_while(|number| {
        let at = first + number * 1024;
        edit.bytes[at..at + 4] == *b"FILE"
    });
    let extension = count
        .filter(|number| edit.bytes[first + number * 1024 + 0x20..][..8] != [0; 8])
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
