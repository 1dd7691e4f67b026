//! exFAT volumes that nobody would write: what runs in circles ends, and what is claimed ten thousand times takes no longer
//! than it must.

mod common;

use std::sync::Arc;
use std::time::{Duration, Instant};

use common::edit::{open, sweep_for};
use common::harness::anatomy::exfat::set_checksum;
use handback::catalog::{Completeness, FindingKind, ObjectKind};
use handback::filesystem::{SweepOptions, Swept};
use handback::image::{Image, MemoryImage};
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::Source;

const LONGEST: Duration = Duration::from_secs(20);

/// A volume in memory: sectors and clusters of 512 bytes, one table, no bitmap; the root begins in cluster 2.
struct Volume {
    bytes: Vec<u8>,
    heap: usize,
    root: Vec<[u8; 32]>,
    /// What stands in the table for the root's first cluster, if not what is right.
    root_link: Option<u32>,
}

const TABLE: usize = 24 * 512;
const END: u32 = u32::MAX;

impl Volume {
    fn new(clusters: usize) -> Self {
        let sectors = ((clusters + 2) * 4).div_ceil(512);
        let heap = TABLE + sectors * 512;
        let mut bytes = vec![0; heap + clusters * 512];
        let number = |value: usize| u32::try_from(value).expect("small").to_le_bytes();
        bytes[..11].copy_from_slice(b"\xeb\x76\x90EXFAT   ");
        let length = (bytes.len() / 512) as u64;
        bytes[0x48..0x50].copy_from_slice(&length.to_le_bytes());
        for (at, value) in [(0x50, 24), (0x54, sectors), (0x58, heap / 512), (0x5c, clusters), (0x60, 2)] {
            bytes[at..at + 4].copy_from_slice(&number(value));
        }
        bytes[0x68..0x6f].copy_from_slice(&[0, 1, 0, 0, 9, 0, 1]);
        bytes[0x1fe..0x200].copy_from_slice(&[0x55, 0xaa]);
        Self { bytes, heap, root: Vec::new(), root_link: None }
    }

    fn link(&mut self, cluster: u32, value: u32) {
        let at = TABLE + 4 * cluster as usize;
        self.bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
    }

    /// Puts entries into clusters from `first` on, and chains them.
    fn list(&mut self, first: u32, entries: &[[u8; 32]]) {
        let clusters = u32::try_from(entries.len().div_ceil(16).max(1)).expect("small");
        for cluster in first..first + clusters {
            self.link(cluster, if cluster + 1 == first + clusters { END } else { cluster + 1 });
        }
        let at = self.heap + (first as usize - 2) * 512;
        let bytes = entries.concat();
        self.bytes[at..at + bytes.len()].copy_from_slice(&bytes);
    }

    fn add(&mut self, set: &[[u8; 32]]) {
        self.root.extend(set);
    }

    fn swept(mut self, deleted: bool) -> (Source, Swept) {
        let root = std::mem::take(&mut self.root);
        self.list(2, &root);
        if let Some(link) = self.root_link {
            self.link(2, link);
        }
        let image: Arc<dyn Image> = Arc::new(MemoryImage::new(self.bytes));
        let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[]).expect("no ranges");
        let source = Source::new(image, &map, 512);
        let begun = Instant::now();
        let swept = sweep_for(&source, SweepOptions { deleted, ..SweepOptions::default() });
        let took = begun.elapsed();
        assert!(took < LONGEST, "{took:?}");
        (source, swept)
    }
}

const FOLDER: u8 = 0x10;
const FILE: u8 = 0x20;

/// The set of a file or folder whose name is a number.
fn set(number: usize, attributes: u8, contiguous: bool, first: u32, length: u64) -> [[u8; 32]; 3] {
    let name = format!("{number:06}");
    let (mut file, mut stream, mut part) = ([0; 32], [0; 32], [0; 32]);
    (file[0], file[1], file[4]) = (0x85, 2, attributes);
    (stream[0], stream[1], stream[3]) = (0xc0, if contiguous { 3 } else { 1 }, 6);
    stream[8..16].copy_from_slice(&length.to_le_bytes());
    stream[20..24].copy_from_slice(&first.to_le_bytes());
    stream[24..32].copy_from_slice(&length.to_le_bytes());
    part[0] = 0xc1;
    for (at, byte) in (2..).step_by(2).zip(name.bytes()) {
        part[at] = byte;
    }
    let mut set = [file, stream, part];
    let sum = set_checksum(&set.concat());
    set[0][2..4].copy_from_slice(&sum.to_le_bytes());
    set
}

fn deleted(mut set: [[u8; 32]; 3]) -> [[u8; 32]; 3] {
    set.iter_mut().for_each(|entry| entry[0] &= 0x7f);
    set
}

#[test]
fn ten_thousand_files_on_one_long_chain() {
    let mut volume = Volume::new(60_000);
    for cluster in 10_000..60_000 {
        volume.link(cluster, cluster + 1);
    }
    volume.link(60_000, END);
    for number in 0..10_000 {
        volume.add(&set(number, FILE, false, 10_000, 50_000 * 512));
    }
    let (_, swept) = volume.swept(false);
    assert_eq!(swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File).count(), 10_000);
    // None of them is whole, whether its chain was followed or not.
    let sound = |facts: &handback::catalog::Facts| facts.distrust.is_empty() && facts.gaps.is_empty();
    assert!(swept.catalog.objects().skip(1).all(|(_, object)| !sound(&object.facts)));
}

#[test]
fn folders_in_themselves_and_in_one_another() {
    let mut volume = Volume::new(3000);
    // In the root's own first cluster; in its own; two in each other; three of one list.
    volume.add(&set(0, FOLDER, true, 2, 512));
    volume.add(&set(1, FOLDER, true, 1000, 512));
    volume.list(1000, &set(2, FOLDER, true, 1000, 512));
    volume.add(&set(3, FOLDER, true, 1001, 512));
    volume.list(1001, &set(4, FOLDER, true, 1002, 512));
    volume.list(1002, &set(5, FOLDER, true, 1001, 512));
    for number in 6..9 {
        volume.add(&set(number, FOLDER, true, 1003, 512));
    }
    volume.list(1003, &set(9, FILE, true, 1004, 512));
    let (_, swept) = volume.swept(false);
    let folders = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::Folder);
    let incomplete = folders.filter(|(_, object)| object.completeness() == Completeness::Incomplete).count();
    assert_eq!(incomplete, 10, "all but the last list's file");
    assert_eq!(swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File).count(), 1);
    assert!(swept.catalog.findings.count(FindingKind::ChainsCross) >= 4);
}

#[test]
fn lists_and_files_of_any_length_that_somebody_claims() {
    let mut volume = Volume::new(20_000);
    for number in 0..3000 {
        let length = [u64::MAX, 1 << 63, 256 << 20, (256 << 20) + 1][number % 4];
        let attributes = if number % 2 == 0 { FOLDER } else { FILE };
        volume.add(&set(number, attributes, number % 3 == 0, 15_000 + (number % 7) as u32, length));
    }
    let (source, swept) = volume.swept(true);
    let reader = open(&source);
    for (id, object) in swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File) {
        assert!(!object.facts.gaps.is_empty(), "{object:?}");
        assert!(reader.extents(&swept.catalog, id).is_ok());
    }
}

#[test]
fn ten_thousand_deleted_folders_of_the_whole_volume() {
    let mut volume = Volume::new(40_000);
    for number in 0..10_000 {
        volume.add(&deleted(set(number, FOLDER, true, 3, 39_000 * 512)));
    }
    let (_, swept) = volume.swept(true);
    assert_eq!(swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::Folder).count(), 10_001);
}

#[test]
fn lost_lists_that_list_one_another() {
    let mut volume = Volume::new(20_000);
    // The root's chain leads into a free cluster, so that what nobody claims is searched; each list found there names the
    // next one, and all before it.
    for cluster in 1000..9000_u32 {
        let sets = [
            set(cluster as usize, FOLDER, true, cluster + 1, 512),
            set(cluster as usize + 10_000, FOLDER, true, 1000, u64::from(cluster - 999) * 512),
        ];
        volume.list(cluster, &sets.concat());
        volume.link(cluster, 0);
    }
    volume.add(&set(0, FILE, true, 19_000, 512));
    // One cluster without an end mark.
    volume.root.resize(16, [5; 32]);
    volume.root_link = Some(0);
    let (_, swept) = volume.swept(false);
    assert!(swept.catalog.object_count() >= 16_000);
    assert!(swept.catalog.findings.count(FindingKind::LostFolderFound) >= 1);
}
