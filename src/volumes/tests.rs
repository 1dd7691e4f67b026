use super::*;
use crate::catalog::{Catalog, Extents, Findings, ObjectId};
use crate::filesystem::{Chosen, Needs, SweepOptions, Swept, VolumeFacts};
use crate::partition::Guid;
use crate::partition::example_disk::{EFI_SYSTEM, ExampleDisk, WINDOWS_DATA, source_of};
use crate::progress::Progress;
use crate::source::Damage;

const MIB: usize = 1 << 20;
const DATA: Option<TypeCode> = Some(TypeCode::Mbr(0x83));

/// A volume of 1 MiB with these bytes in it.
fn with(pieces: &[(usize, &[u8])]) -> Vec<u8> {
    let mut bytes = vec![0; MIB];
    for (offset, piece) in pieces {
        bytes[*offset..offset + piece.len()].copy_from_slice(piece);
    }
    bytes
}

fn kind_of(pieces: &[(usize, &[u8])]) -> Option<Kind> {
    kind_in(&source_of(with(pieces)))
}

/// The filesystem that is read.
fn read_as(pieces: &[(usize, &[u8])]) -> Option<&'static str> {
    match look(&source_of(with(pieces)), DATA).unwrap() {
        Content::Readable(filesystem) => Some(filesystem.facts().filesystem),
        Content::Recognised(_) | Content::Unknown(_) => None,
    }
}

fn kind_in(source: &Source) -> Option<Kind> {
    match look(source, DATA).unwrap() {
        Content::Recognised(recognised) => Some(recognised.kind),
        Content::Readable(_) | Content::Unknown(_) => None,
    }
}

fn unknown_in(source: &Source, code: Option<TypeCode>) -> Option<Unknown> {
    match look(source, code).unwrap() {
        Content::Unknown(why) => Some(why),
        Content::Readable(_) | Content::Recognised(_) => None,
    }
}

/// A FAT16 boot sector with 8,167 clusters, as mkfs.fat 4.2 writes it.
const FAT16: &[u8] =
    &[0xeb, 0x3c, 0x90, b'm', b'k', b'f', b's', b'.', b'f', b'a', b't', 0, 2, 4, 4, 0, 2, 0, 2, 0, 0x80, 0xf8, 32, 0];
const SIGNATURE: (usize, &[u8]) = (0x1fe, &[0x55, 0xaa]);
const EXT_MAGIC: (usize, &[u8]) = (0x438, &[0x53, 0xef]);
const EXT_INODES: (usize, &[u8]) = (0x400, &[16, 0, 0, 0]);
const MD: &[u8] = &[0xfc, 0x4e, 0x2b, 0xa9, 1, 0, 0, 0];
/// The places of the superblocks at the end of a volume of 1 MiB, by the formulas in libblkid.
const MD_1_0: usize = MIB - 0x2000;
const MD_0_90: usize = MIB - 0x1_0000;

#[test]
fn what_the_fixtures_do_not_hold_is_recognised() {
    assert_eq!(kind_of(&[(0, MD)]), Some(Kind::Raid11));
    assert_eq!(kind_of(&[(0x400, b"HX\0\x05")]), Some(Kind::Hfsx));
    assert_eq!(kind_of(&[(0x400, b"BD"), (0x47c, b"H+")]), Some(Kind::HfsPlus));
    assert_eq!(kind_of(&[(0x400, b"BD"), (0x40e, &[0, 3])]), Some(Kind::Hfs));
    assert_eq!(kind_of(&[EXT_MAGIC, EXT_INODES, (0x45c, &[4])]), Some(Kind::Ext3));
    assert_eq!(kind_of(&[(0xff6, b"S1SUSPEND")]), Some(Kind::HibernatedSwap));
    assert_eq!(kind_of(&[(0x3ff6, b"SWAPSPACE2")]), Some(Kind::Swap));
    assert_eq!(kind_of(&[(0x8001, b"CD001")]), Some(Kind::Iso9660));
    assert_eq!(kind_of(&[(0x8001, b"CD001"), (0x9001, b"BEA01"), (0x9801, b"NSR02")]), Some(Kind::Udf));
    assert_eq!(kind_of(&[(0x8001, b"BEA01"), (0x8801, b"NSR03")]), Some(Kind::Udf));
    assert_eq!(kind_of(&[(0, b"SPACEDB ")]), Some(Kind::StorageSpaces));
    assert_eq!(kind_of(&[(0x4000, b"SKUL\xba\xbe\0\x02")]), Some(Kind::Luks2));
    assert_eq!(kind_of(&[(MIB - 0x400, b"H+\0\x04")]), Some(Kind::HfsPlus));
    assert_eq!(kind_of(&[(0x1800, b"\xeb\x76\x90EXFAT   "), (0x19fe, &[0x55, 0xaa])]), Some(Kind::ExFat));
}

#[test]
fn the_order_of_signatures_decides_what_looks_like_several() {
    let total = (0x20, &32_768_u32.to_le_bytes()[..]);
    let fat = [(0, FAT16), total, SIGNATURE];
    assert_eq!(read_as(&fat), Some("FAT16"));
    // A FAT volume over the rest of an ext volume.
    assert_eq!(read_as(&[&fat[..], &[EXT_MAGIC, EXT_INODES]].concat()), Some("FAT16"));
    // BitLocker To Go has the boot sector of a FAT volume.
    let bitlocker = [&fat[..], &[(0x03, b"MSWIN4.1"), (0x1a8, signatures::BITLOCKER_GUID)]].concat();
    assert_eq!((read_as(&bitlocker), kind_of(&bitlocker)), (None, Some(Kind::BitLockerToGo)));
    // An ext volume over the rest of a Btrfs volume.
    assert_eq!(kind_of(&[EXT_MAGIC, EXT_INODES, (0x1_0040, b"_BHRfS_M")]), Some(Kind::Ext2));
    // The first member of a striped set opens with the set's filesystem; a mirror holds it plainly.
    for (place, level, head, kind) in [
        (MD_1_0, 0x48, &[0xfc, 0x4e, 0x2b, 0xa9, 1, 0, 0, 0, 0, 0, 0, 0][..], Kind::Raid10),
        (MD_0_90, 0x1c, &[0xfc, 0x4e, 0x2b, 0xa9, 0, 0, 0, 0, 90, 0, 0, 0], Kind::Raid090),
    ] {
        let set = |number: &'static [u8]| kind_of(&[EXT_MAGIC, EXT_INODES, (place, head), (place + level, number)]);
        assert_eq!(set(&[5, 0, 0, 0]), Some(kind));
        assert_eq!(set(&[0, 0, 0, 0]), Some(kind));
        assert_eq!(set(&[1, 0, 0, 0]), Some(Kind::Ext2));
        assert_eq!(kind_of(&[(place, head), (place + level, &[1, 0, 0, 0])]), Some(kind));
    }
    // An alternate header left over at the end does not count against what opens the volume.
    assert_eq!(kind_of(&[(0, b"XFSB"), (MIB - 0x400, b"H+\0\x04")]), Some(Kind::Xfs));
}

#[test]
fn a_magic_number_alone_is_not_enough() {
    assert_eq!(kind_of(&[EXT_MAGIC]), None);
    assert_eq!(kind_of(&[(0, b"LUKS\xba\xbe\0\x09")]), None);
    assert_eq!(kind_of(&[(0, &MD[..4])]), None);
    assert_eq!(kind_of(&[(0, b"LABELONE")]), None);
    assert_eq!(kind_of(&[(0x58, b"CS")]), None);
    assert_eq!(kind_of(&[(0x400, b"BD")]), None);
    assert_eq!(kind_of(&[SIGNATURE]), None);
}

#[test]
fn a_signature_that_was_not_read_does_not_exist() {
    let plain = source_of(with(&[(0x8001, b"CD001")]));
    assert_eq!(kind_in(&plain), Some(Kind::Iso9660));
    let holed = plain.with_damage(&[Damage::unread(0x8000..0x8200)]);
    assert_eq!(unknown_in(&holed, DATA), Some(Unknown::PartlyUnread));
    let holed = source_of(with(&[(0, b"XFSB")])).with_damage(&[Damage::unread(0..512)]);
    assert_eq!(unknown_in(&holed, DATA), Some(Unknown::FirstSectorsUnread));
    // What the magic number needs beside it may be in a hole as well.
    let ext = source_of(with(&[EXT_MAGIC, EXT_INODES]));
    assert_eq!(kind_in(&ext), Some(Kind::Ext2));
    assert_eq!(kind_in(&ext.with_damage(&[Damage::unread(0x45c..0x468)])), None);
    // Half a magic number is none.
    let holed = plain.with_damage(&[Damage::unread(0x8004..0x8200)]);
    assert_eq!(kind_in(&holed), None);
}

#[test]
fn nothing_recognised_says_why() {
    let reserved = Some(TypeCode::Gpt(Guid::from_groups(
        0xE3C9_E316,
        0x0B5C,
        0x4DB8,
        [0x81, 0x7D, 0xF9, 0x2D, 0xF0, 0x02, 0x15, 0xAE],
    )));
    assert_eq!(unknown_in(&source_of(with(&[])), DATA), Some(Unknown::Blank));
    assert_eq!(unknown_in(&source_of(with(&[(9, b"x")])), DATA), Some(Unknown::NoSignature));
    assert_eq!(unknown_in(&source_of(with(&[])), reserved), Some(Unknown::ByDesign));
    assert_eq!(unknown_in(&source_of(vec![0; 512]).window(512, 512), DATA), Some(Unknown::PastEnd));
    let whys = [
        Unknown::ByDesign,
        Unknown::PastEnd,
        Unknown::FirstSectorsUnread,
        Unknown::PartlyUnread,
        Unknown::Blank,
        Unknown::NoSignature,
    ];
    assert!(whys.iter().all(|why| why.sentence().ends_with('.')));
}

#[test]
fn the_type_decides_for_containers_whatever_they_begin_with() {
    let source = source_of(with(&[(3, b"NTFS    "), SIGNATURE]));
    let content = look(&source, Some(TypeCode::Mbr(0x42))).unwrap();
    assert!(matches!(content, Content::Recognised(Recognised { kind: Kind::DynamicDisk, .. })));
}

#[test]
fn a_drive_gives_its_volumes_with_numbers_and_roles() {
    let mut disk = ExampleDisk::new(4096, 512);
    let entries = [(0, EFI_SYSTEM, 100, 149, ""), (3, WINDOWS_DATA, 1000, 1999, ""), (4, WINDOWS_DATA, 2000, 8999, "")];
    disk.gpt(128, &entries);
    disk.bytes[1000 * 512..][..11].copy_from_slice(b"\xeb\x58\x90-FVE-FS-");
    let open = open(&disk.source(), Options::default()).unwrap();
    let seen: Vec<(u32, Role, &str)> =
        open.volumes.iter().map(|one| (one.number, one.role, one.content.what())).collect();
    assert_eq!(
        seen,
        [(1, Role::Start, "a blank volume"), (4, Role::Main, "a BitLocker volume"), (5, Role::Main, "a blank volume"),]
    );
    assert!(open.complete && open.volume(4).is_some() && open.volume(2).is_none());
    assert_eq!(open.candidates().iter().filter(|one| one.readable).count(), 0);
}

#[test]
fn extended_partitions_are_no_volumes() {
    let mut disk = ExampleDisk::new(4096, 512);
    disk.entry(0, 0, 0, 0x05, 100, 3000).entry(100, 0, 0, 0x83, 10, 100).entry(0, 1, 0, 0x27, 3500, 5000);
    let open = open(&disk.source(), Options { sector_size: Some(512), found: None }).unwrap();
    let seen: Vec<(u32, Role)> = open.volumes.iter().map(|one| (one.number, one.role)).collect();
    assert_eq!(seen, [(2, Role::Recovery), (5, Role::Main)]);
}

#[test]
fn a_filesystem_may_fill_the_image() {
    let xfs = open(&source_of(with(&[(0, b"XFSB")])), Options::default()).unwrap();
    assert_eq!((xfs.volumes.len(), xfs.volumes[0].number, xfs.volumes[0].role), (1, 1, Role::Main));
    assert!(xfs.complete && xfs.volumes[0].partition.is_none());
    // What stands at the end of a drive belongs to its last partition.
    let lost = source_of(with(&[(0, b"XFSB"), (MIB - 0x400, b"H+\0\x04")])).with_damage(&[Damage::unread(0..512)]);
    let lost = open(&lost, Options::default()).unwrap();
    assert!(lost.volumes.is_empty() && !lost.complete);
    let nothing = open(&source_of(with(&[])), Options::default()).unwrap();
    assert!(nothing.volumes.is_empty() && nothing.complete);
    // A boot loader's sector before an ext volume ends like an MBR, with text where its entries would be.
    let loader = [(446, &b"Loading operating system, please wait"[..]), SIGNATURE, EXT_MAGIC, EXT_INODES];
    let loader = open(&source_of(with(&loader)), Options::default()).unwrap();
    assert!(matches!(&loader.volumes[0].content, Content::Recognised(one) if one.kind == Kind::Ext2));
    assert!(loader.complete);
}

#[test]
fn a_filesystem_in_the_whole_image_makes_no_lost_table_complete() {
    let mut disk = ExampleDisk::new(2048, 512);
    disk.entry(0, 0, 0, 0x83, 500, 0);
    disk.bytes[0x400] = 16;
    disk.bytes[0x438..0x43a].copy_from_slice(&[0x53, 0xef]);
    let lost = open(&disk.source(), Options::default()).unwrap();
    assert_eq!((lost.volumes.len(), lost.complete), (1, false));
    // Where a GPT was, what lies there now is a leftover and no volume.
    disk.entry(0, 0, 0, 0xee, 1, 2047);
    let lost = open(&disk.source(), Options::default()).unwrap();
    assert_eq!((lost.volumes.len(), lost.complete), (0, false));
}

/// An NTFS volume as the roles see it.
struct Stub {
    source: Source,
    facts: VolumeFacts,
    findings: Findings,
}

impl Filesystem for Stub {
    fn source(&self) -> &Source {
        &self.source
    }

    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn findings(&self) -> &Findings {
        &self.findings
    }

    fn sweep(&self, _: SweepOptions, _: &dyn Progress) -> Result<Swept> {
        unreachable!("roles are known before the sweep")
    }

    fn extents(&self, _: &Catalog, _: ObjectId) -> Result<Extents> {
        unreachable!("roles are known before the sweep")
    }

    fn link_target(&self, _: &Catalog, _: ObjectId) -> Result<Option<String>> {
        Ok(None)
    }

    fn needs(&self, _: &Catalog, _: Chosen<'_>) -> Result<Needs> {
        Ok(Needs::default())
    }
}

#[test]
fn windows_start_volume_is_told_by_label_or_by_flag_and_size() {
    let volume = |number: u32, megabytes: u64, bootable: bool, label: Option<&str>| {
        let length = megabytes << 20;
        let facts = VolumeFacts { filesystem: "NTFS", label: label.map(str::to_string), ..VolumeFacts::default() };
        let source = source_of(vec![0; 512]);
        Volume {
            number,
            role: Role::Main,
            origin: Origin::Table,
            partition: Some(Partition {
                number,
                start: 0,
                length,
                code: TypeCode::Mbr(7),
                name: None,
                id: None,
                bootable,
                logical: false,
                entry_offset: 446,
            }),
            start: 0,
            length,
            content: Content::Readable(Box::new(Stub { source, facts, findings: Findings::default() })),
        }
    };
    let roles = |mut volumes: Vec<Volume>| {
        role::find_windows_start(&mut volumes);
        volumes.iter().map(|one| one.role).collect::<Vec<_>>()
    };
    let two = |first, second| roles(vec![first, second]);
    let main = || volume(2, 200_000, false, Some("Choir"));
    assert_eq!(two(volume(1, 100, true, Some("System Reserved")), main()), [Role::Start, Role::Main]);
    assert_eq!(two(volume(1, 100, false, Some("System Reserved")), main()), [Role::Start, Role::Main]);
    assert_eq!(two(volume(1, 100, true, Some("System-reserviert")), main()), [Role::Start, Role::Main]);
    assert_eq!(two(volume(1, 100, true, None), main()), [Role::Start, Role::Main]);
    assert_eq!(two(volume(1, 100, false, Some("Notes")), main()), [Role::Main, Role::Main]);
    assert_eq!(two(volume(1, 2000, true, Some("System Reserved")), main()), [Role::Main, Role::Main]);
    // The only volume of a small stick is the customer's, flagged or not.
    assert_eq!(roles(vec![volume(1, 500, true, None)]), [Role::Main]);
    // So is the larger one of two small ones.
    assert_eq!(two(volume(1, 10, false, None), volume(2, 20, true, None)), [Role::Main, Role::Main]);
}

#[test]
fn a_backup_boot_sector_speaks_for_the_whole_image_only_if_its_volume_fills_it() {
    // An NTFS volume has one sector less than its place; the last partition of a drive begins 1 MiB in or later.
    assert!(is_whole_image(false, 100 * (1 << 20) - 512, 100 << 20));
    assert!(!is_whole_image(false, 99 << 20, 100 << 20));
    assert!(is_whole_image(true, 50 << 20, 100 << 20));
}
