//! GPT drives in every form and with every damage.

use std::sync::Arc;

use super::example_disk::{EFI_SYSTEM, ExampleDisk, WINDOWS_DATA};
use super::tests::{Row, kinds, rows, table};
use super::*;
use crate::image::MemoryImage;
use crate::sector_map::{Basis, ByteState, SectorMap, Segment};
use crate::source::Damage;

pub(super) fn gpt_disk(sector: usize, entry_size: usize) -> ExampleDisk {
    let mut disk = ExampleDisk::new(512, sector);
    let entries = [
        (0, EFI_SYSTEM, 100, 149, "start"),
        (1, WINDOWS_DATA, 150, 299, "choir – ноты"),
        (5, WINDOWS_DATA, 300, 300, ""),
    ];
    disk.gpt(entry_size, &entries);
    disk
}

pub(super) fn gpt_rows(sector: u64) -> Vec<Row> {
    let row = |number, first: u64, count: u64, code| (number, first * sector, count * sector, TypeCode::Gpt(code));
    vec![row(1, 100, 50, EFI_SYSTEM), row(2, 150, 150, WINDOWS_DATA), row(6, 300, 1, WINDOWS_DATA)]
}

#[test]
fn a_gpt_of_every_form() {
    for (sector, entry_size) in [(512, 128), (512, 256), (4096, 128), (4096, 512), (4096, 1024)] {
        let disk = gpt_disk(sector, entry_size);
        let table = table(&disk);
        assert_eq!((table.scheme, table.complete), (Scheme::Gpt, true));
        assert_eq!((table.sector_size, table.sector_size_from), (sector as u64, SectorSizeFrom::Found));
        assert_eq!(rows(&table), gpt_rows(sector as u64), "{sector} {entry_size}");
        assert!(table.findings.is_empty(), "{sector} {entry_size} {:?}", table.findings);
        assert_eq!(table.partitions[1].name.as_deref(), Some("choir – ноты"));
        assert_eq!(table.partitions[2].name, None);
        #[cfg(feature = "cross-check")]
        match entry_size {
            128 => assert_eq!(table.cross_check, CrossCheck::Agrees),
            _ => assert!(matches!(table.cross_check, CrossCheck::NotCheckable(_))),
        }
    }
}

#[test]
fn a_damaged_copy_of_a_gpt_costs_nothing() {
    let last = 511;
    let cases: [(usize, FindingKind, bool); 4] = [
        (512 + 40, FindingKind::GptHeaderBad, true),
        (1024 + 33, FindingKind::GptArrayBad, true),
        (last * 512 + 40, FindingKind::GptHeaderBad, false),
        ((last - 32) * 512 + 33, FindingKind::GptArrayBad, false),
    ];
    for (byte, kind, primary) in cases {
        let mut disk = gpt_disk(512, 128);
        disk.bytes[byte] ^= 1;
        let table = table(&disk);
        assert_eq!((rows(&table), table.complete), (gpt_rows(512), true), "{byte}");
        let expected = if primary { vec![kind, FindingKind::GptBackupUsed] } else { vec![kind] };
        assert_eq!(kinds(&table), expected, "{byte}");
        assert_eq!(table.cross_check, CrossCheck::NotAsked);
    }
}

#[test]
fn the_backup_is_where_the_header_says_and_then_at_the_end() {
    // The image was copied onto a longer drive: only the header knows where the backup is.
    let mut disk = gpt_disk(512, 128);
    disk.bytes.resize(600 * 512, 0);
    let longer = table(&disk);
    assert_eq!(rows(&longer), gpt_rows(512));
    assert_eq!(kinds(&longer), [FindingKind::ProtectiveLength, FindingKind::GptOtherLength]);
    // The primary gone as well: the protective entry's length still leads to it.
    disk.bytes[512..1024].fill(0);
    let without_primary = table(&disk);
    assert_eq!((rows(&without_primary), without_primary.complete), (gpt_rows(512), true));
    // A header that points nowhere: the image's end has it.
    let mut disk = gpt_disk(512, 128);
    disk.bytes[512 + 32..512 + 40].copy_from_slice(&400_u64.to_le_bytes());
    disk.seal_header(1);
    let misled = table(&disk);
    assert_eq!(rows(&misled), gpt_rows(512));
    assert_eq!(kinds(&misled), [FindingKind::GptCopiesDiffer, FindingKind::GptOtherLength]);
    // The image ends early.
    let mut disk = gpt_disk(512, 128);
    disk.bytes.truncate(256 * 512);
    let shorter = table(&disk);
    assert_eq!((rows(&shorter), shorter.complete), (gpt_rows(512), true));
    assert!(shorter.findings.count(FindingKind::GptOtherLength) == 1);
    assert_eq!(shorter.findings.count(FindingKind::PartitionPastEnd), 2);
}

#[test]
fn copies_that_differ_are_said() {
    let mut disk = gpt_disk(512, 128);
    let at = 511 * 512;
    disk.bytes[at + 56] = 0;
    disk.seal_header(511);
    let table = table(&disk);
    assert_eq!(kinds(&table), [FindingKind::GptCopiesDiffer]);
    assert_eq!(
        table.findings.kinds().next().unwrap().1.first[0].detail,
        "they differ in: disk GUID; the primary copy counts"
    );
}

#[test]
fn what_stands_before_a_gpt() {
    let mut disk = gpt_disk(512, 128);
    disk.entry(0, 1, 0, 0x07, 150, 150);
    let hybrid = table(&disk);
    assert_eq!((rows(&hybrid), kinds(&hybrid)), (gpt_rows(512), vec![FindingKind::HybridTable]));
    let mut disk = gpt_disk(512, 128);
    disk.entry(0, 0, 0, 0xee, 1, u32::MAX);
    assert!(table(&disk).findings.is_empty());
    disk.bytes[..512].fill(0);
    let bare = table(&disk);
    assert_eq!((rows(&bare), kinds(&bare)), (gpt_rows(512), vec![FindingKind::ProtectiveMissing]));
    // An ordinary MBR makes the GPT a leftover.
    let mut disk = gpt_disk(512, 128);
    disk.entry(0, 0, 0, 0x07, 150, 150);
    let leftover = table(&disk);
    assert_eq!((leftover.scheme, leftover.partitions.len()), (Scheme::Mbr, 1));
    assert_eq!(kinds(&leftover), [FindingKind::GptLeftover]);
    // So does a filesystem that was made over the primary copy.
    let mut disk = gpt_disk(512, 128);
    disk.bytes[..64 * 512].fill(0);
    disk.ntfs_at(0);
    let formatted = table(&disk);
    assert_eq!((formatted.scheme, kinds(&formatted)), (Scheme::None, vec![FindingKind::GptLeftover]));
    // A protective entry and neither copy: partitions are missing, and it is said.
    let mut disk = gpt_disk(512, 128);
    disk.bytes[512..].fill(0);
    let gone = table(&disk);
    assert_eq!((gone.scheme, gone.complete, gone.partitions.len()), (Scheme::Gpt, false, 0));
}

#[test]
fn a_header_counts_only_in_its_own_place() {
    let mut disk = gpt_disk(512, 128);
    disk.bytes[511 * 512 + 24..511 * 512 + 32].copy_from_slice(&500_u64.to_le_bytes());
    disk.seal_header(511);
    assert_eq!(kinds(&table(&disk)), [FindingKind::GptHeaderBad]);
}

#[test]
fn a_boot_sector_before_a_sound_primary_copy_hides_nothing() {
    let mut disk = gpt_disk(512, 128);
    disk.bytes[..512].fill(0);
    disk.ntfs_at(0);
    let table = table(&disk);
    assert_eq!((rows(&table), kinds(&table)), (gpt_rows(512), vec![FindingKind::ProtectiveMissing]));
}

#[test]
fn entries_of_a_gpt_that_can_not_be() {
    let mut disk = ExampleDisk::new(512, 512);
    let entries = [
        (0, WINDOWS_DATA, 200, 100, "backwards"),
        (1, WINDOWS_DATA, 3, 10, "on the table"),
        (2, WINDOWS_DATA, u64::MAX - 1, u64::MAX, "too far"),
    ];
    disk.gpt(128, &entries);
    let table = table(&disk);
    assert_eq!(rows(&table), [(2, 3 * 512, 8 * 512, TypeCode::Gpt(WINDOWS_DATA))]);
    assert_eq!((table.complete, table.findings.count(FindingKind::PartitionEntryBad)), (false, 3));
}

#[test]
fn entries_come_from_whichever_copy_was_read() {
    let disk = gpt_disk(512, 128);
    // Sector 2 holds entries 1 to 4 of the primary copy; the backup loses the rest.
    let holes = [Damage::unread(2 * 512..3 * 512), Damage::unread(480 * 512..485 * 512)];
    let both = read(&disk.source().with_damage(&holes), None).unwrap();
    assert_eq!((rows(&both), both.complete), (gpt_rows(512), true));
    assert_eq!(kinds(&both), [FindingKind::TableUnread, FindingKind::GptBackupUsed]);
    let holes = [Damage::unread(2 * 512..3 * 512), Damage::unread(479 * 512..480 * 512)];
    let lost = read(&disk.source().with_damage(&holes), None).unwrap();
    assert_eq!((rows(&lost), lost.complete), (gpt_rows(512)[2..].to_vec(), false));
}

/// A drive gives a sector or nothing: a hole of 512 bytes takes the whole sector of a drive with larger ones.
#[test]
fn holes_grow_to_the_sector_size_that_was_found() {
    let disk = gpt_disk(4096, 128);
    let length = disk.bytes.len() as u64;
    let hole = |range| Segment { range, state: ByteState::Unread };
    // The last 512 bytes of the sector with the first entries, and the backup.
    let holes = [hole(3 * 4096 - 512..3 * 4096), hole(507 * 4096..length)];
    let map = SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &holes).unwrap();
    let source = Source::new(Arc::new(MemoryImage::new(disk.bytes)), &map, 512);
    let table = read(&source, None).unwrap();
    assert_eq!((table.partitions.len(), table.complete, table.sector_size), (0, false, 4096));
}

/// An entry that was taken from the other copy is vouched for by who vouches for that one.
#[test]
fn a_lent_entry_is_vouched_for_where_it_stands() {
    let disk = gpt_disk(512, 128);
    let length = disk.bytes.len() as u64;
    let one = |sector: u64, state| Segment { range: sector * 512..(sector + 1) * 512, state };
    // Neither array is whole, and together they are.
    let holes = [one(2, ByteState::Unread), one(482, ByteState::Unread)];
    // The backup's sector with entries 1 to 4, the next one, its header; and the primary's own header.
    for (sector, vouched) in [(479, false), (480, true), (511, true), (1, false)] {
        let mut odd = holes.to_vec();
        odd.push(one(sector, ByteState::Unknown));
        odd.sort_by_key(|segment| segment.range.start);
        let map = SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &odd).unwrap();
        let source = Source::new(Arc::new(MemoryImage::new(disk.bytes.clone())), &map, 512);
        let table = read(&source, None).unwrap();
        assert_eq!((rows(&table), table.complete), (gpt_rows(512), true), "{sector}");
        assert_eq!(table.partitions[0].entry_offset, 479 * 512, "{sector}");
        assert_eq!(table.is_vouched_for(&table.partitions[0], &source), vouched, "{sector}");
    }
}

#[test]
fn entries_alone_must_be_entries() {
    let bare = |change: &dyn Fn(&mut ExampleDisk)| {
        let mut disk = gpt_disk(512, 128);
        disk.ntfs_at(150);
        disk.bytes[512..1024].fill(0);
        disk.bytes[511 * 512..].fill(0);
        change(&mut disk);
        // The same in both arrays.
        let array = disk.bytes[2 * 512..34 * 512].to_vec();
        disk.bytes[479 * 512..511 * 512].copy_from_slice(&array);
        table(&disk)
    };
    let sound = bare(&|_| {});
    assert_eq!((rows(&sound), sound.complete), (gpt_rows(512), false));
    assert_eq!(kinds(&sound), [FindingKind::GptHeaderBad, FindingKind::GptArrayAlone]);
    assert!(sound.is_vouched_for(&sound.partitions[0], &gpt_disk(512, 128).source()));
    // Each makes entry 1 no entry: no GUID, a reserved attribute, backwards, on the table, a control character.
    type Change = fn(&mut [u8]);
    let changes: [Change; 5] = [
        |entry| entry[16..32].fill(0),
        |entry| entry[49] = 1,
        |entry| entry[40] = 99,
        |entry| entry[32] = 2,
        |entry| entry[56] = 7,
    ];
    for change in changes {
        let one = bare(&|disk| change(&mut disk.bytes[1024..1152]));
        assert_eq!(rows(&one), gpt_rows(512)[1..]);
        assert_eq!(one.findings.count(FindingKind::PartitionEntryBad), 1);
    }
    // More bad ones than good: no array.
    let none = bare(&|disk| disk.bytes[2 * 512 + 128 * 8..4 * 512 + 128 * 8].fill(0x41));
    assert_eq!((rows(&none), none.complete), (vec![], false));
}

proptest::proptest! {
    /// Whatever is changed in the tables: a list that is called complete is the right one.
    #[test]
    fn complete_is_never_said_of_a_wrong_list(
        changes in proptest::collection::vec((0_usize..66, 0_usize..512, proptest::num::u8::ANY), 1..12),
        gone in proptest::collection::vec(0_usize..66, 0..6),
    ) {
        let mut disk = gpt_disk(512, 128);
        disk.ntfs_at(150);
        // Both headers and arrays: sectors 1 to 33, and 479 to 511.
        let place = |index: usize| if index < 33 { index + 1 } else { index - 33 + 479 };
        for (sector, byte, value) in changes {
            disk.bytes[place(sector) * 512 + byte] = value;
        }
        for sector in gone {
            disk.bytes[place(sector) * 512..][..512].fill(0);
        }
        let table = table(&disk);
        assert!(!table.complete || rows(&table) == gpt_rows(512), "{:?}", table.findings);
        assert!(table.partitions.len() <= 128);
    }
}
