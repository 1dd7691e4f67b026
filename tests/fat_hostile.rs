//! FAT volumes that nobody would write: what runs in circles ends, what is claimed a thousand times takes no longer, and
//! no name leads anywhere else.

mod common;

use std::collections::HashSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

use common::edit::{open, sweep_for};
use common::fat_edit::FatEdit;
use handback::catalog::{Completeness, FindingKind, ObjectKind, State};
use handback::filesystem::{SweepOptions, Swept};
use handback::image::{Image, MemoryImage};
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::Source;

const LONGEST: Duration = Duration::from_secs(20);

/// A FAT32 volume in memory: sectors and clusters of 512 bytes, one table, an empty root folder in cluster 2.
struct Volume {
    bytes: Vec<u8>,
    data: usize,
}

impl Volume {
    fn new(clusters: usize) -> Self {
        let table = ((clusters + 2) * 4).div_ceil(512);
        let data = (32 + table) * 512;
        let mut bytes = vec![0; data + clusters * 512];
        bytes[..3].copy_from_slice(&[0xeb, 0x58, 0x90]);
        bytes[0x0b..0x0d].copy_from_slice(&512_u16.to_le_bytes());
        bytes[0x0d] = 1;
        bytes[0x0e] = 32;
        bytes[0x10] = 1;
        bytes[0x15] = 0xf8;
        let total = u32::try_from(32 + table + clusters).unwrap();
        bytes[0x20..0x24].copy_from_slice(&total.to_le_bytes());
        bytes[0x24..0x28].copy_from_slice(&u32::try_from(table).unwrap().to_le_bytes());
        bytes[0x2c] = 2;
        bytes[0x1fe..0x200].copy_from_slice(&[0x55, 0xaa]);
        let mut volume = Self { bytes, data };
        volume.link(0, 0x0fff_fff8);
        volume.link(1, 0x0fff_ffff);
        volume.link(2, 0x0fff_ffff);
        volume
    }

    fn link(&mut self, cluster: usize, value: u32) {
        let at = 32 * 512 + cluster * 4;
        self.bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
    }

    /// Links clusters one after another, and ends.
    fn chain(&mut self, clusters: std::ops::Range<usize>) {
        for cluster in clusters.clone() {
            let last = cluster + 1 == clusters.end;
            self.link(cluster, if last { 0x0fff_ffff } else { u32::try_from(cluster + 1).unwrap() });
        }
    }

    /// Writes an entry into a slot of a cluster.
    fn entry(&mut self, cluster: usize, slot: usize, name: &[u8; 11], attributes: u8, first: u32, size: u32) {
        let at = self.data + (cluster - 2) * 512 + slot * 32;
        self.bytes[at..at + 11].copy_from_slice(name);
        self.bytes[at + 11] = attributes;
        self.bytes[at + 20..at + 22].copy_from_slice(&first.to_le_bytes()[2..]);
        self.bytes[at + 24..at + 26].copy_from_slice(&0x3a6e_u16.to_le_bytes());
        self.bytes[at + 26..at + 28].copy_from_slice(&first.to_le_bytes()[..2]);
        self.bytes[at + 28..at + 32].copy_from_slice(&size.to_le_bytes());
    }

    fn source(&self) -> Source {
        let image: Arc<dyn Image> = Arc::new(MemoryImage::new(self.bytes.clone()));
        let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[]).unwrap();
        Source::new(image, &map, 512)
    }

    /// Sweeps it, deleted files too, within the time.
    fn swept(&self) -> Swept {
        let begun = Instant::now();
        let swept = sweep_for(&self.source(), SweepOptions { deleted: true, ..SweepOptions::default() });
        assert!(begun.elapsed() < LONGEST, "{:?}", begun.elapsed());
        swept
    }
}

fn name(number: usize) -> [u8; 11] {
    let mut name = *b"F          ";
    name[1..7].copy_from_slice(format!("{number:06}").as_bytes());
    name
}

#[test]
fn thousands_of_files_on_one_long_chain_take_no_longer() {
    // 65,520 files that all begin in one chain of 60,000 clusters: 4 billion links, were each followed to its end.
    let mut volume = Volume::new(66_000);
    volume.chain(2..2 + 4095);
    volume.chain(5000..65_000);
    for number in 0..4095 * 16 {
        let first = u32::try_from(5000 + number % 1000).unwrap();
        volume.entry(2 + number / 16, number % 16, &name(number), 0x20, first, 30_000_000);
    }
    let swept = volume.swept();
    let files: Vec<State> = swept
        .catalog
        .objects()
        .filter(|(_, object)| object.kind == ObjectKind::File)
        .map(|(_, object)| object.facts.state())
        .collect();
    assert_eq!(files.len(), 65_520);
    assert!(files.iter().all(|state| *state == State::Doubtful || *state == State::Damaged));
}

#[test]
fn folders_in_a_circle_and_many_names_for_one_folder_are_each_read_once() {
    let mut volume = Volume::new(4000);
    for cluster in [10, 11, 12] {
        volume.link(cluster, 0x0fff_ffff);
        let own = u32::try_from(cluster).unwrap();
        volume.entry(cluster, 0, b".          ", 0x10, own, 0);
        volume.entry(cluster, 1, b"..         ", 0x10, if cluster == 10 { 0 } else { own - 1 }, 0);
        volume.entry(cluster, 3, b"FILE    TXT", 0x20, 0, 0);
    }
    volume.entry(2, 0, b"A          ", 0x10, 10, 0);
    volume.entry(10, 2, b"B          ", 0x10, 11, 0);
    volume.entry(11, 2, b"C          ", 0x10, 12, 0);
    // C holds A again; and the root, by its own cluster.
    volume.entry(12, 2, b"A          ", 0x10, 10, 0);
    volume.entry(12, 4, b"ROOT       ", 0x10, 2, 0);
    let swept = volume.swept();
    let files = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File);
    assert_eq!(files.count(), 3);
    assert!(swept.catalog.findings.count(FindingKind::ChainsCross) >= 2);
    // The root is where the boot sector says, whoever else claims to be there.
    assert_eq!(swept.catalog.object(swept.catalog.root()).completeness(), Completeness::Complete);

    // A folder's chain that leads into itself, and 2,000 names for one folder.
    let mut volume = Volume::new(4000);
    volume.chain(2..2 + 125);
    volume.link(1000, 1001);
    volume.link(1001, 1000);
    for number in 0..2000 {
        volume.entry(2 + number / 16, number % 16, &name(number), 0x10, 1000, 0);
    }
    let swept = volume.swept();
    assert_eq!(swept.catalog.objects().count(), 2001);
    let incomplete = swept.catalog.objects().filter(|(_, object)| object.completeness() == Completeness::Incomplete);
    assert_eq!(incomplete.count(), 2000);
}

#[test]
fn a_list_past_the_longest_is_cut_and_says_so() {
    let mut volume = Volume::new(66_000);
    volume.chain(2..2 + 4200);
    for number in 0..4200 * 16 {
        volume.entry(2 + number / 16, number % 16, &name(number), 0x20, 0, 0);
    }
    let swept = volume.swept();
    // What goes on behind that is found like any list without a beginning.
    let files = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File);
    let homeless = files.filter(|(id, _)| swept.catalog.first_path(*id).starts_with("/(no folder)/")).count();
    assert_eq!((swept.catalog.children(swept.catalog.root()).count(), homeless), (65_537, 4200 * 16 - 65_536));
    assert_eq!(swept.catalog.findings.count(FindingKind::FolderListLong), 1);
    assert_eq!(swept.catalog.object(swept.catalog.root()).completeness(), Completeness::Incomplete);
}

#[test]
fn an_old_list_in_a_lost_files_clusters_vouches_for_nothing() {
    // A folder and its file were deleted; two files whose own entries are lost have their clusters now, and one of them
    // never wrote to its own. The old list opens as a folder does, and the other's chain has the length that it says.
    let mut volume = Volume::new(4000);
    volume.chain(100..101);
    volume.chain(101..102);
    volume.entry(100, 0, b".          ", 0x10, 100, 0);
    volume.entry(100, 1, b"..         ", 0x10, 0, 0);
    volume.entry(100, 2, b"OLD     JPG", 0x20, 101, 300);
    let swept = volume.swept();
    let files: Vec<_> = swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File).collect();
    let [(_, old)] = files[..] else { panic!("one file is found") };
    assert_eq!((old.facts.state(), old.facts.reasons()), (State::Doubtful, vec!["folder-doubtful"]));
}

#[test]
fn lost_folders_that_name_one_another_are_each_found_once() {
    // Nobody names clusters 100 to 199: each says that it stands in the next one, and the last in the first.
    let mut volume = Volume::new(4000);
    for cluster in 100..200_u32 {
        let at = usize::try_from(cluster).unwrap();
        volume.link(at, 0x0fff_ffff);
        volume.entry(at, 0, b".          ", 0x10, cluster, 0);
        volume.entry(at, 1, b"..         ", 0x10, if cluster == 199 { 100 } else { cluster + 1 }, 0);
        volume.entry(at, 2, &name(at), 0x20, 0, 0);
        volume.entry(at, 3, b"DEEPER     ", 0x10, if cluster == 100 { 199 } else { cluster - 1 }, 0);
    }
    let swept = volume.swept();
    let mut paths = HashSet::new();
    for (id, object) in swept.catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File) {
        assert!(paths.insert(swept.catalog.first_path(id)), "{object:?}");
    }
    assert_eq!(paths.len(), 100);
    assert!(paths.iter().all(|path| path.starts_with("/(no folder)/entry ")));
    assert_eq!(swept.facts.unexplained_bytes.map(|bytes| bytes.at_most), Some(0));
}

#[test]
fn a_lost_list_spoils_nothing_that_has_a_folder() {
    // A folder that nobody names, left over from an earlier day, names a file's clusters as its own file's.
    let mut volume = Volume::new(4000);
    volume.link(50, 51);
    volume.link(51, 0x0fff_ffff);
    volume.entry(2, 0, b"LIVE    TXT", 0x20, 50, 1000);
    volume.link(100, 0x0fff_ffff);
    volume.entry(100, 0, b".          ", 0x10, 100, 0);
    volume.entry(100, 1, b"..         ", 0x10, 0, 0);
    volume.entry(100, 2, b"OLD     TXT", 0x20, 51, 400);
    let swept = volume.swept();
    let words = common::edit::words(&swept.catalog);
    assert_eq!(words["/LIVE.TXT"].0, "whole");
    let old = words.iter().find(|(path, _)| path.ends_with("/OLD.TXT")).expect("found");
    assert_eq!(*old.1, ("doubtful", vec!["claimed-twice", "folder-doubtful"]));
}

#[test]
fn no_name_leads_anywhere_else() {
    let mut volume = FatEdit::of("fat12");
    let entry = volume.named("/Names/README");
    for hostile in [b"..\\..\\X    ", b"../../X    ", b"..         ", b".          ", b"\x1b[2J       "] {
        volume.bytes[entry..entry + 11].copy_from_slice(hostile);
        let swept = sweep_for(&volume.source(), SweepOptions::default());
        for (id, _) in swept.catalog.objects() {
            for name in swept.catalog.names_of(id) {
                let text = swept.catalog.name(name).text().into_owned();
                assert!(text != "." && text != "..", "{hostile:?}");
            }
        }
    }
}

#[test]
fn what_the_boot_sector_claims_costs_no_memory() {
    // 268 million clusters and a table of 1 GiB, in an image of some kilobytes.
    let mut volume = Volume::new(100);
    volume.bytes[0x20..0x24].copy_from_slice(&(32 + 0x0020_0000 + 0x0fff_0000_u32).to_le_bytes());
    volume.bytes[0x24..0x28].copy_from_slice(&0x0020_0000_u32.to_le_bytes());
    let begun = Instant::now();
    let swept = open(&volume.source()).sweep(SweepOptions::default(), &handback::progress::Silent).expect("in memory");
    assert!(begun.elapsed() < LONGEST);
    assert!(swept.catalog.object(swept.catalog.root()).completeness() != Completeness::Complete);
}
