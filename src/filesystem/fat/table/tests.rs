use std::sync::Arc;

use super::*;
use crate::filesystem::fat::structures::BootSector;
use crate::image::{Image, MemoryImage};
use crate::sector_map::{Basis, ByteState, SectorMap};
use crate::source::Damage;

/// A volume in outline whose tables have `sectors` each; each table follows the other from sector 1.
fn boot(width: Width, clusters: u64, sectors: u64) -> (BootSector, Layout) {
    let boot = BootSector {
        bytes_per_sector: 512,
        sectors_per_cluster: 1,
        reserved_sectors: 1,
        tables: 2,
        root_entries: 0,
        total_sectors: 1 + 2 * sectors + clusters,
        media: 0xf8,
        table_sectors: sectors,
        width,
        clusters,
        only_active: None,
        root_cluster: 0,
        info_sector: 0,
        backup_sector: 0,
        state: 0,
        serial: None,
        label: None,
    };
    let layout = Layout::of(&boot).unwrap();
    (boot, layout)
}

/// FAT12 entries, packed by the specification's rule: word at N + N/2, odd ones in the upper twelve bits.
fn pack_12(entries: &[u16]) -> Vec<u8> {
    let mut bytes = vec![0; entries.len().div_ceil(2) * 3 + 1];
    for (number, entry) in entries.iter().enumerate() {
        let at = number + number / 2;
        let old = u16::from_le_bytes([bytes[at], bytes[at + 1]]);
        let new = if number % 2 == 1 { old & 0x000f | entry << 4 } else { old & 0xf000 | entry };
        bytes[at..at + 2].copy_from_slice(&new.to_le_bytes());
    }
    bytes
}

fn source(bytes: Vec<u8>) -> Source {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[]).unwrap();
    Source::new(image, &map, 512)
}

fn image(tables: [&[u8]; 2], sectors: usize) -> Vec<u8> {
    let mut bytes = vec![0; 512 * (1 + 2 * sectors)];
    for (number, table) in tables.iter().enumerate() {
        let at = 512 * (1 + number * sectors);
        let length = table.len().min(512 * sectors);
        bytes[at..at + length].copy_from_slice(&table[..length]);
    }
    bytes
}

#[test]
fn entries_of_twelve_bits_may_straddle_two_sectors() {
    let entries: Vec<u16> = (0..600_u16).map(|number| if number < 2 { 0xff8 } else { (number + 1) % 601 }).collect();
    let table = pack_12(&entries);
    let (boot, layout) = boot(Width::Fat12, 600, 2);
    let whole = source(image([&table, &table], 2));
    let tables = Tables::read(&whole, &boot, &layout, &mut Findings::default()).unwrap();
    for (number, entry) in (0_u32..).zip(&entries).skip(2) {
        let link = tables.entry(Cluster(number)).link;
        assert_eq!(link, if *entry == 0 { Link::Free } else { Link::Next(Cluster(u32::from(*entry))) }, "{number}");
    }
    // 512 bytes hold 341 entries and a third: that one needs both sectors, of both tables.
    for sector in [512..1024, 1024..1536] {
        let holes = [sector.clone(), sector.start + 1024..sector.end + 1024].map(Damage::unread);
        let tables = Tables::read(&whole.with_damage(&holes), &boot, &layout, &mut Findings::default()).unwrap();
        let missing = |number| tables.entry(Cluster(number)).link == Link::Missing;
        assert!(missing(341), "{sector:?}");
        assert_eq!((missing(340), missing(342)), (sector.start == 512, sector.start == 1024));
    }
}

#[test]
fn the_upper_four_bits_of_fat32_do_not_count() {
    let words: Vec<u32> = vec![0x0fff_fff8, 0xffff_ffff, 0xf000_0003, 0x5fff_ffff, 0xa000_0000, 0x1fff_fff7];
    let first: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
    let second: Vec<u8> = words.iter().flat_map(|word| (word & 0x0fff_ffff).to_le_bytes()).collect();
    let (boot, layout) = boot(Width::Fat32, 4, 1);
    let tables = Tables::read(&source(image([&first, &second], 1)), &boot, &layout, &mut Findings::default()).unwrap();
    let links: Vec<Link> = (2..6).map(|number| tables.entry(Cluster(number)).link).collect();
    assert_eq!(links, [Link::Next(Cluster(3)), Link::End, Link::Free, Link::Bad]);
    assert!(!tables.differ() && tables.other_is_trusted());
    let (bitmap, bad) = tables.allocation();
    assert_eq!((bitmap.count(0..6).set, bad), (3, vec![(5, 1)]));
    assert_eq!(tables.free(), Some(1));
}

#[test]
fn nobody_vouches_only_for_the_sectors_that_are_unknown() {
    let table = vec![0xff; 1024];
    let (boot, layout) = boot(Width::Fat16, 510, 2);
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(image([&table, &table], 2)));
    let unknown = crate::sector_map::Segment { range: 1024..1536, state: ByteState::Unknown };
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[unknown]).unwrap();
    let source = Source::new(image, &map, 512);
    let tables = Tables::read(&source, &boot, &layout, &mut Findings::default()).unwrap();
    assert_eq!((tables.entry(Cluster(255)).unknown, tables.entry(Cluster(256)).unknown), (false, true));
}

#[test]
fn a_table_past_the_images_end_takes_no_memory() {
    let (boot, layout) = boot(Width::Fat32, 0x0fff_0000, 0x1f_ffff);
    let tables = Tables::read(&source(vec![0xff; 4096]), &boot, &layout, &mut Findings::default()).unwrap();
    assert!(tables.entries.len() < 2048);
    assert_eq!(tables.entry(Cluster(0x0ffe_0000)).link, Link::Missing);
    assert_eq!(tables.allocation().0.get(0x0ffe_0000), None);
}
