//! The file table's second copies: the mirror of its first records, and the extension records that describe its further
//! parts and say themselves whose they are.

mod common;

use common::edit::{ATTRIBUTE_LIST, Edit, MFT, changes, open, sweep, words};
use common::fixture;
use handback::catalog::FindingKind;
use handback::source::Source;

const VOLUME: u64 = 3;
const VOLUME_INFORMATION: u32 = 0x70;

fn count(source: &Source, kind: FindingKind) -> u64 {
    open(source).findings().count(kind)
}

/// Where the mirror begins.
fn mirror(volume: &Edit) -> usize {
    volume.number(0x38, 8) as usize * volume.cluster
}

#[test]
fn a_fragmented_table_is_found_without_its_list() {
    let volume = Edit::of("ntfs-mftfrag");
    let sound = volume.sweep();
    let list = volume.attributes(MFT, ATTRIBUTE_LIST)[0];
    assert!(!volume.is_resident(list));
    let start = volume.place(list, 0) as u64;
    let source = volume.with_holes(&[start..start + volume.cluster as u64]);
    let after = sweep(&source);
    assert!(changes(&words(&sound.catalog), &words(&after.catalog)).is_empty());
    assert!(count(&source, FindingKind::TablePartFound) > 0);
    assert_eq!(count(&source, FindingKind::TablePartLost), 0);
    assert_eq!(count(&volume.source(), FindingKind::TablePartFound), 0, "nothing is searched on a sound volume");
}

#[test]
fn an_extension_record_of_an_earlier_table_is_not_taken_for_this_ones() {
    let mut volume = Edit::of("ntfs-mftfrag");
    let list = volume.attributes(MFT, ATTRIBUTE_LIST)[0];
    let start = volume.place(list, 0) as u64;
    let at = volume.record(MFT);
    // The table is of another generation than its extension records say.
    volume.write(at + 0x10, &[9]);
    let source = volume.with_holes(&[start..start + volume.cluster as u64]);
    assert_eq!(count(&source, FindingKind::TablePartFound), 0);
    assert!(count(&source, FindingKind::TablePartLost) > 0);
}

#[test]
fn a_mirror_that_differs_is_said_of_a_volume_that_was_closed() {
    let mut volume = Edit::of("ntfs-c4k");
    // A byte of the name that the mirror's record 0 gives itself, and one of what counts how often it was written.
    let differs = |volume: &Edit| count(&volume.source(), FindingKind::MirrorDiffers);
    let at = mirror(&volume);
    let head = volume.bytes[at + 8];
    volume.bytes[at + 8] ^= 1;
    assert_eq!(differs(&volume), 0, "its log number is no matter");
    volume.bytes[at + 8] = head;
    volume.bytes[at + 0x40] ^= 1;
    assert_eq!(differs(&volume), 1);
    volume.bytes[at + 0x40] ^= 1;
    volume.bytes[at + 3 * 1024] = b'G';
    assert_eq!(differs(&volume), 1, "a record that is none");
    // One that was not read proves nothing.
    let place = (at + 3 * 1024) as u64;
    assert_eq!(count(&volume.with_holes(&[place..place + 512]), FindingKind::MirrorDiffers), 0);
    // A volume that was not closed may have been stopped between the two.
    let information = volume.attributes(VOLUME, VOLUME_INFORMATION)[0];
    let flags = volume.value(information).start + 0x0a;
    volume.write(flags, &[1, 0]);
    assert_eq!((differs(&volume), count(&volume.source(), FindingKind::VolumeDirty)), (0, 1));
}

#[test]
fn no_healthy_volume_has_another_mirror() {
    let mut seen = 0;
    for name in [
        "ntfs-attrlist",
        "ntfs-c2m",
        "ntfs-c4k",
        "ntfs-c512",
        "ntfs-c64k",
        "ntfs-compressed-512",
        "ntfs-deleted",
        "ntfs-encrypted",
        "ntfs-faststart",
        "ntfs-hibernated",
        "ntfs-mftfrag",
        "ntfs-rec4k",
        "ntfs-recycle",
        "ntfs-reparse",
        "ntfs-resumed",
        "ntfs-sparse",
        "ntfs-streams",
        "ntfs-valid",
        "ntfs-wof-lzx",
    ] {
        let volume = open(&fixture::all_read(name));
        assert_eq!(volume.findings().count(FindingKind::MirrorDiffers), 0, "{name}");
        seen += u64::from(volume.facts().dirty == Some(false));
    }
    assert!(seen > 15, "{seen} were closed");
}
