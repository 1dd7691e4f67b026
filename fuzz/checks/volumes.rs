//! What lies on a disk, as `sparse.rs` packs it: table, and a first look at every place.

use std::sync::Arc;

use handback::sector_map::{MapChoice, MapRequest};
use handback::volumes::{self, Options, address, search};

use super::partition::disk;

pub(super) fn check(data: &[u8]) {
    let disk = disk(data);
    let _ = handback::sector_map::examine(&disk, &disk.map(0), None, false).expect("an image in memory can't fail");
    let request = MapRequest { file: MapChoice::Ignored, ..MapRequest::default() };
    handback::sector_map::open::open(&disk, &request).expect("no file is asked for");
    let source = handback::source::Source::new(Arc::new(disk.clone()), &disk.map(0), 512);
    let Ok(opened) = volumes::open(&source, Options { sector_size: disk.sector_size, found: None }) else { return };
    for volume in &opened.volumes {
        let found = opened.volume(volume.number).expect("each has its own number");
        assert!(std::ptr::eq(found, volume));
        assert!(!volume.content.what().is_empty());
    }
    assert_eq!(opened.candidates().len(), opened.volumes.len());
    searched(&source, disk.sector_size, opened.volumes.len());
    let text = String::from_utf8_lossy(&data[..data.len().min(0x20)]);
    let _ = address::Argument::parse(&text);
}

/// A search adds volumes and takes none away, each with a number of its own; a place can be named by where it begins.
fn searched(source: &handback::source::Source, sector_size: Option<u64>, by_table: usize) {
    let found = search::search(source, &handback::progress::Silent).expect("an image in memory can't fail");
    let options = Options { sector_size, found: Some(Arc::new(found)) };
    let mut opened = volumes::open(source, options).expect("it was opened before");
    assert!(opened.volumes.len() >= by_table);
    for volume in &opened.volumes {
        assert!(std::ptr::eq(opened.volume(volume.number).expect("each has its own number"), volume));
    }
    let search = opened.search.clone().expect("it was searched");
    for located in search.places.iter().take(8) {
        let start = located.candidate.place.start();
        if let Ok(number) = opened.at(start) {
            assert_eq!(opened.volume(number).expect("it was just named").start, start);
        }
    }
}
