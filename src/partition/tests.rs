use std::sync::Arc;

use super::example_disk::{ExampleDisk, source_of};
use super::gpt_tests::{gpt_disk, gpt_rows};
use super::*;
use crate::image::Image;
use crate::image::failing_tests::FailingImage;
use crate::source::Damage;

/// What a partition is, without where it was read.
pub(super) type Row = (u32, u64, u64, TypeCode);

pub(super) fn rows(table: &Table) -> Vec<Row> {
    table.partitions.iter().map(|one| (one.number, one.start, one.length, one.code)).collect()
}

pub(super) fn table(disk: &ExampleDisk) -> Table {
    read(&disk.source(), None).unwrap()
}

pub(super) fn kinds(table: &Table) -> Vec<FindingKind> {
    table.findings.kinds().map(|(kind, _)| kind).collect()
}

/// A chain that sfdisk 2.38 wrote, with sectors divided by 64.
fn chain() -> ExampleDisk {
    let mut disk = ExampleDisk::new(2048 + 8, 512);
    disk.entry(0, 0, 0x80, 0x07, 32, 256).entry(0, 1, 0, 0x0f, 640, 1408);
    disk.entry(640, 0, 0, 0x83, 32, 128).entry(640, 1, 0, 0x05, 160, 160);
    disk.entry(800, 0, 0, 0x07, 32, 128).entry(800, 1, 0, 0x05, 320, 96);
    disk.entry(960, 0, 0, 0x07, 32, 64);
    disk.ntfs_at(32).ntfs_at(832).ntfs_at(992);
    disk
}

fn chain_rows() -> Vec<Row> {
    let row = |number, first: u64, count: u64, code| (number, first * 512, count * 512, TypeCode::Mbr(code));
    vec![
        row(1, 32, 256, 0x07),
        row(2, 640, 1408, 0x0f),
        row(5, 672, 128, 0x83),
        row(6, 832, 128, 0x07),
        row(7, 992, 64, 0x07),
    ]
}

#[test]
fn an_mbr_with_a_chain_of_logical_partitions() {
    let table = table(&chain());
    assert_eq!((table.scheme, table.complete, table.sector_size), (Scheme::Mbr, true, 512));
    assert_eq!(table.sector_size_from, SectorSizeFrom::Found);
    assert_eq!(rows(&table), chain_rows());
    assert!(table.findings.is_empty(), "{:?}", table.findings);
    assert!(table.partitions[0].bootable && table.partitions[1].is_extended() && table.partitions[2].logical);
    #[cfg(feature = "cross-check")]
    assert_eq!(table.cross_check, CrossCheck::Agrees);
}

#[test]
fn entry_bytes_as_written_by_another_program() {
    // An entry that sfdisk 2.38 wrote: active, type 07h, at 2,048, 16,384 long.
    let entry = [0x80, 0x20, 0x21, 0x00, 0x07, 0x25, 0x24, 0x01, 0, 8, 0, 0, 0, 0x40, 0, 0];
    let mut disk = ExampleDisk::new(20_480, 512);
    disk.bytes[446..462].copy_from_slice(&entry);
    disk.bytes[440..444].copy_from_slice(&0x1234_5678_u32.to_le_bytes());
    disk.bytes[510..512].copy_from_slice(&[0x55, 0xaa]);
    let table = table(&disk);
    assert_eq!(rows(&table), [(1, 2048 * 512, 16_384 * 512, TypeCode::Mbr(7))]);
    assert_eq!(table.disk_id.unwrap().to_string(), "0x12345678");
    assert!(table.partitions[0].bootable);
    assert_eq!(table.sector_size_from, SectorSizeFrom::Assumed);
}

#[test]
fn a_chain_may_jump_back_and_forth() {
    let mut disk = ExampleDisk::new(2048 + 8, 512);
    disk.entry(0, 1, 0, 0x05, 640, 1408);
    disk.entry(640, 0, 0, 0x07, 32, 64).entry(640, 1, 0, 0x05, 800, 160);
    disk.entry(1440, 0, 0, 0x07, 32, 64).entry(1440, 1, 0, 0x05, 320, 160);
    disk.entry(960, 0, 0, 0x07, 32, 64);
    let table = table(&disk);
    let starts: Vec<(u32, u64)> = table.partitions.iter().map(|one| (one.number, one.start / 512)).collect();
    assert_eq!(starts, [(2, 640), (5, 672), (6, 1472), (7, 992)]);
    assert!(table.complete && table.findings.is_empty(), "{:?}", table.findings);
    #[cfg(feature = "cross-check")]
    assert!(matches!(table.cross_check, CrossCheck::NotCheckable(_)));
}

#[test]
fn a_broken_chain_costs_what_comes_after_the_break() {
    type Case = (&'static str, fn(&mut ExampleDisk), FindingKind, usize);
    let cases: [Case; 6] = [
        ("no signature", |disk| disk.bytes[800 * 512 + 510] = 0, FindingKind::LogicalChainBroken, 3),
        ("loop", |disk| _ = disk.entry(960, 1, 0, 0x05, 160, 160), FindingKind::LogicalChainLoop, 5),
        ("itself", |disk| _ = disk.entry(640, 1, 0, 0x05, 0, 160), FindingKind::LogicalChainLoop, 3),
        ("outside", |disk| _ = disk.entry(800, 1, 0, 0x05, 5000, 96), FindingKind::LogicalChainBroken, 4),
        ("no length", |disk| _ = disk.entry(800, 1, 0, 0x05, 320, 0), FindingKind::LogicalChainBroken, 4),
        ("no volume", |disk| _ = disk.entry(960, 0, 0, 0x07, 32, 0), FindingKind::PartitionEntryBad, 4),
    ];
    for (what, change, kind, left) in cases {
        let mut disk = chain();
        change(&mut disk);
        let table = table(&disk);
        assert_eq!(rows(&table), chain_rows()[..left], "{what}");
        assert!(table.findings.count(kind) > 0, "{what}: {:?}", table.findings);
        assert_eq!((table.complete, table.cross_check.clone()), (false, CrossCheck::NotAsked), "{what}");
    }
    let mut disk = chain();
    disk.bytes.truncate(900 * 512);
    let table = table(&disk);
    assert_eq!(rows(&table), chain_rows()[..4]);
    assert!(!table.complete);
    assert_eq!(kinds(&table), [FindingKind::PartitionPastEnd, FindingKind::LogicalChainBroken]);
}

#[test]
fn odd_links_are_said_and_followed() {
    let mut disk = chain();
    disk.entry(960, 0, 0, 0x07, 32, 2000);
    let long = table(&disk);
    assert_eq!((long.partitions.len(), long.complete), (5, true));
    assert_eq!(long.findings.count(FindingKind::PartitionEntryBad), 1);
    let mut disk = chain();
    disk.entry(800, 2, 0, 0x83, 100, 10).entry(800, 3, 0, 0x05, 0, 10);
    let crowded = table(&disk);
    assert_eq!((rows(&crowded), crowded.complete), (chain_rows(), true));
    assert_eq!(crowded.findings.count(FindingKind::PartitionEntryBad), 2);
    let mut disk = ExampleDisk::new(1000, 512);
    disk.entry(0, 0, 0, 0x05, 100, 100).entry(0, 1, 0, 0x0f, 300, 100);
    disk.entry(100, 0, 0, 0x83, 10, 10).entry(300, 0, 0, 0x83, 10, 10);
    let two = table(&disk);
    assert_eq!(
        two.partitions.iter().map(|one| (one.number, one.start / 512)).collect::<Vec<_>>(),
        [(1, 100), (2, 300), (5, 110), (6, 310)]
    );
    assert_eq!(kinds(&two), [FindingKind::PartitionEntryBad]);
}

#[test]
fn a_chain_ends_at_its_bound() {
    let links: u32 = 300;
    let mut disk = ExampleDisk::new(1024, 512);
    disk.entry(0, 0, 0, 0x05, 10, 1000);
    for link in 0..links {
        disk.entry(10 + link as usize * 2, 0, 0, 0x83, 1, 1).entry(10 + link as usize * 2, 1, 0, 5, (link + 1) * 2, 2);
    }
    let table = table(&disk);
    assert_eq!(table.partitions.len(), 1 + 256);
    assert!(!table.complete && table.findings.count(FindingKind::LogicalChainBroken) == 1);
}

#[test]
fn overlaps_and_ends_are_said_and_stop_nothing() {
    let mut disk = ExampleDisk::new(1000, 512);
    disk.entry(0, 0, 0, 0x07, 100, 300).entry(0, 1, 0, 0x07, 150, 10).entry(0, 2, 0, 0x07, 390, 100);
    disk.entry(0, 3, 0, 0x83, 900, 400);
    let table = table(&disk);
    assert_eq!(table.partitions.len(), 4);
    assert!(table.complete);
    assert_eq!(table.findings.count(FindingKind::PartitionOverlap), 2);
    assert_eq!(table.findings.count(FindingKind::PartitionPastEnd), 1);
    let detail = &table.findings.kinds().next().unwrap().1.first[0].detail;
    assert_eq!(detail, &format!("partition 4: {} of its {} bytes lie after the end", 300 * 512, 400 * 512));
}

#[test]
fn an_entry_that_contradicts_itself_is_said() {
    let cases: [(u8, u8, u32, u32, usize, bool); 4] = [
        (0x13, 0x07, 32, 256, 1, true),
        (0x00, 0x00, 32, 256, 1, true),
        (0x00, 0x07, 0, 256, 1, true),
        (0x00, 0x07, 32, 0, 0, false),
    ];
    for (flag, code, first, count, listed, complete) in cases {
        let mut disk = ExampleDisk::new(1000, 512);
        disk.entry(0, 1, flag, code, first, count).entry(0, 2, 0, 0x07, 500, 100).ntfs_at(500);
        let table = table(&disk);
        assert_eq!(
            (table.partitions.len(), table.complete),
            (listed + 1, complete),
            "{flag:x} {code:x} {first} {count}"
        );
        assert_eq!(kinds(&table), [FindingKind::PartitionEntryBad]);
    }
}

#[test]
fn a_boot_sector_is_no_table() {
    let mut disk = ExampleDisk::new(1000, 512);
    disk.ntfs_at(0);
    let bare = table(&disk);
    assert_eq!((bare.scheme, bare.partitions.len(), bare.complete), (Scheme::None, 0, true));
    assert_eq!((bare.sector_size, bare.sector_size_from), (512, SectorSizeFrom::Found));
    assert!(bare.findings.is_empty());
    // The fields of a formatted stick may survive under a later table.
    disk.entry(0, 0, 0x80, 0x07, 100, 200).ntfs_at(100);
    let both = table(&disk);
    assert_eq!((both.scheme, both.partitions.len()), (Scheme::Mbr, 1));
    disk.bytes[100 * 512..101 * 512].fill(0);
    assert_eq!(table(&disk).scheme, Scheme::None);
    // Text in the place of the entries, as boot code has it.
    disk.bytes[3..11].copy_from_slice(b"anything");
    disk.bytes[446..482].copy_from_slice(b"Remove disks and press any key. Then");
    let garbled = table(&disk);
    assert_eq!(
        (garbled.scheme, garbled.complete, kinds(&garbled)),
        (Scheme::None, false, vec![FindingKind::PartitionEntryBad])
    );
    // One damaged flag does not hide a table whose entries point at volumes.
    let mut disk = chain();
    disk.bytes[446] = 0x81;
    let table = table(&disk);
    assert_eq!((table.scheme, rows(&table)), (Scheme::Mbr, chain_rows()));
    assert_eq!(kinds(&table), [FindingKind::PartitionEntryBad]);
}

#[test]
fn an_mbr_of_a_drive_with_large_sectors() {
    let mut disk = ExampleDisk::new(300, 4096);
    disk.entry(0, 0, 0, 0x07, 100, 50).entry(0, 1, 0, 0x05, 160, 100).entry(160, 0, 0, 0x07, 10, 20);
    disk.ntfs_at(100);
    let found = table(&disk);
    assert_eq!((found.sector_size, found.sector_size_from), (4096, SectorSizeFrom::Found));
    let starts: Vec<u64> = found.partitions.iter().map(|one| one.start / 4096).collect();
    assert_eq!(starts, [100, 160, 170]);
    // The link alone shows it too.
    disk.bytes[100 * 4096..101 * 4096].fill(0);
    assert_eq!(table(&disk).sector_size_from, SectorSizeFrom::Found);
    let set = read(&disk.source(), Some(512)).unwrap();
    assert_eq!((set.sector_size, set.sector_size_from, set.partitions[0].start), (512, SectorSizeFrom::Set, 51_200));
    for wrong in [0, 1, 500, 8192, u64::MAX] {
        assert!(matches!(read(&disk.source(), Some(wrong)), Err(Error::Usage(_))));
    }
}

/// Every sector of the tables unread in turn: never a partition that isn't there, never a loss that isn't said.
#[test]
fn any_unread_sector_of_a_table_is_said_and_invents_nothing() {
    let mut sectors: Vec<(ExampleDisk, Vec<Row>, Vec<u64>)> = vec![(chain(), chain_rows(), vec![0, 640, 800, 960])];
    for (sector, entry_size) in [(512, 128), (512, 256), (4096, 128)] {
        let array = (128 * entry_size as u64).div_ceil(sector as u64);
        let tables = (0..2 + array).chain(511 - array..512).collect();
        sectors.push((gpt_disk(sector, entry_size), gpt_rows(sector as u64), tables));
    }
    for (disk, truth, table_sectors) in sectors {
        let size = disk.sector as u64;
        for sector in table_sectors {
            let source = disk.source().with_damage(&[Damage::unread(sector * size..(sector + 1) * size)]);
            let table = read(&source, None).unwrap();
            assert!(rows(&table).iter().all(|row| truth.contains(row)), "sector {sector}: {table:?}");
            assert!(table.findings.count(FindingKind::TableUnread) > 0, "sector {sector}");
            assert!(!table.complete || rows(&table) == truth, "sector {sector}");
            if table.scheme == Scheme::Mbr || sector == 0 {
                assert!(!table.complete, "sector {sector}");
            }
        }
    }
}

/// A changed byte that nobody noticed: no panic, and every GPT stays right, for it has checksums and a second copy.
#[test]
fn any_changed_byte_of_a_table_ends_well() {
    let mut disk = chain();
    for sector in [0, 640, 800, 960] {
        for byte in sector * 512 + 440..(sector + 1) * 512 {
            for mask in [0x01, 0x80, 0xff] {
                disk.bytes[byte] ^= mask;
                let table = table(&disk);
                assert!(table.partitions.len() <= 8, "byte {byte}");
                disk.bytes[byte] ^= mask;
            }
        }
    }
    let mut disk = gpt_disk(512, 128);
    for byte in (512..512 + 96).chain(1024..1536).chain(479 * 512..480 * 512).chain(511 * 512..511 * 512 + 96) {
        for mask in [0x01, 0xff] {
            disk.bytes[byte] ^= mask;
            let table = table(&disk);
            assert_eq!((rows(&table), table.complete), (gpt_rows(512), true), "byte {byte}");
            let after_header = |sector: usize| (sector * 512 + 92..sector * 512 + 512).contains(&byte);
            if !after_header(1) && !after_header(511) {
                assert!(!table.findings.is_empty(), "byte {byte}");
            }
            disk.bytes[byte] ^= mask;
        }
    }
}

proptest::proptest! {
    /// Random bytes where a table is believed most easily: it ends, within its bounds, and every number is its own.
    #[test]
    fn garbage_ends_well(
        mut bytes in proptest::collection::vec(proptest::num::u8::ANY, 64 * 512),
        small in proptest::collection::vec((0_u8..64, proptest::sample::select(vec![0_u8, 5, 7, 0x0f, 0xee])), 64),
        header in proptest::bool::ANY,
    ) {
        for (sector, (first, code)) in bytes.chunks_exact_mut(512).zip(&small) {
            sector[446..510].fill(0);
            sector[450] = *code;
            sector[454] = *first;
            sector[458] = 8;
            sector[466] = 5;
            sector[470] = first.wrapping_mul(7) % 64;
            sector[474] = 8;
            sector[510..].copy_from_slice(&[0x55, 0xaa]);
        }
        if header {
            bytes[512..520].copy_from_slice(b"EFI PART");
        }
        let table = read(&source_of(bytes), None).unwrap();
        let mut numbers: Vec<u32> = table.partitions.iter().map(|one| one.number).collect();
        numbers.dedup();
        assert_eq!(numbers.len(), table.partitions.len());
        assert!(numbers.len() <= 4 + 4 * 256);
    }
}

#[test]
fn images_of_any_length_are_read_without_a_panic() {
    for length in [0, 1, 2, 509, 510, 511, 512, 513, 1023, 1024, 4095, 4097, 12_289] {
        for fill in [0, 0x55, 0xff] {
            let table = read(&source_of(vec![fill; length]), None).unwrap();
            assert!(table.partitions.is_empty(), "{length} {fill}");
            assert_eq!(table.findings.count(FindingKind::ImageOddLength), u64::from(length % 512 != 0));
        }
    }
}

#[test]
fn a_failing_image_file_ends_the_reading_at_any_read() {
    for disk in [chain(), gpt_disk(512, 128), gpt_disk(4096, 256)] {
        let sound = Arc::new(FailingImage::new(disk.bytes.clone(), u64::MAX));
        let table = read(&Source::without_map(Arc::clone(&sound) as Arc<dyn Image>), None).unwrap();
        assert_ne!(table.cross_check, CrossCheck::NotAsked);
        assert!(sound.reads() > 5);
        // The independent readers' reads are among them.
        for fails_at in 0..sound.reads() {
            let image = Arc::new(FailingImage::new(disk.bytes.clone(), fails_at));
            let result = read(&Source::without_map(image), None);
            assert!(matches!(result, Err(Error::ImageIo { .. })), "read {fails_at} of {}: {result:?}", sound.reads());
        }
    }
}
