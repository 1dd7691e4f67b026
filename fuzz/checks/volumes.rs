//! What lies on a disk, as `sparse.rs` packs it: table, and a first look at every place.

use std::sync::Arc;

use handback::sector_map::{MapChoice, MapRequest};
use handback::volumes::{self, Options, address};

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
    let text = String::from_utf8_lossy(&data[..data.len().min(0x20)]);
    let _ = address::Argument::parse(&text);
}
