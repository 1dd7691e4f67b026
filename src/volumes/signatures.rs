//! The signatures of what a volume can hold, in the order in which they count.
//!
//! Order matters, for one format may look like another or lie over the rest of one:
//! 1. Encryption first: BitLocker To Go has the boot sector of a FAT volume.
//! 2. RAID before filesystems: the start of a striped member is the start of the filesystem that lies on the whole set,
//!    and old superblocks survive under a new one. A *mirror* whose superblock stands at its end holds the filesystem
//!    plainly, so there the filesystem counts, and the superblock only if there is none.
//! 3. LVM likewise.
//! 4. Boot sectors before superblocks further in: making a FAT volume leaves an old ext superblock at byte 1,024 alone,
//!    while `mke2fs` clears the first 1,024 bytes.
//! 5. What stands at a volume's start before what stands at 64 KiB: making an ext volume leaves an old Btrfs superblock
//!    there, while `mkfs.btrfs` clears the start.
//! 6. Disc formats, whose first 32 KiB may hold anything, last.
//!
//! Copies count only when nothing else is found: [`COPIES`] and [`ENDINGS`] are asked after the readers, and what stands
//! at the end of a whole drive says nothing of the drive: it belongs to the last partition.

use super::kind::Kind;
use super::probe::Probe;
use crate::partition::boot_sector::{self, BootSector, FatKind};

/// A place and what stands there.
pub(super) struct Signature {
    /// From the volume's length in bytes to a byte offset in it.
    pub(super) place: fn(u64) -> Option<u64>,
    pub(super) magic: &'static [u8],
    /// Looks closer: which kind it is, if it is one. Gets the signature's offset.
    pub(super) kind: fn(&Probe<'_>, u64) -> Option<Kind>,
}

macro_rules! at {
    ($offset:expr, $magic:expr, $kind:expr) => {
        Signature { place: |_| Some($offset), magic: $magic, kind: $kind }
    };
}

/// The GUID of BitLocker's metadata as it stands on disk.
pub(super) const BITLOCKER_GUID: &[u8] =
    &[0x3b, 0xd6, 0x67, 0x49, 0x29, 0x2e, 0xd8, 0x4a, 0x83, 0x99, 0xf6, 0xa3, 0x39, 0xe3, 0xd0, 0x01];
/// `MD_SB_MAGIC` as it stands on disk.
const MD_MAGIC: &[u8] = &[0xfc, 0x4e, 0x2b, 0xa9];
/// The RAID level of a mirror.
const MIRROR: u32 = 1;

/// What stands where a volume begins, or decides how its beginning is to be read.
pub(super) const OPENINGS: &[Signature] = &[
    // BitLocker: libblkid `superblocks/bitlocker.c`; the GUID from memory.
    at!(0x03, b"-FVE-FS-", |_, _| Some(Kind::BitLocker)),
    at!(0x1a8, BITLOCKER_GUID, |probe, _| probe.has(0x03, b"MSWIN4.1").then_some(Kind::BitLockerToGo)),
    // LUKS: cryptsetup's LUKS1 and LUKS2 on-disk formats; rules of file(1).
    at!(0, b"LUKS\xba\xbe", |probe, _| match probe.be_u16(6) {
        Some(1) => Some(Kind::Luks1),
        Some(2) => Some(Kind::Luks2),
        _ => None,
    }),
    // Linux RAID: `linux/raid/md_p.h`; places: libblkid `superblocks/linux_raid.c`.
    at!(0, MD_MAGIC, |probe, at| md_1(probe, at, Kind::Raid11)),
    at!(0x1000, MD_MAGIC, |probe, at| md_1(probe, at, Kind::Raid12)),
    Signature {
        place: md_1_0_place,
        magic: MD_MAGIC,
        kind: |probe, at| md_1(probe, at, Kind::Raid10).filter(|_| level(probe, at, MD_1_LEVEL) != Some(MIRROR)),
    },
    Signature {
        place: md_0_90_place,
        magic: MD_MAGIC,
        kind: |probe, at| md_0_90(probe, at).filter(|_| level(probe, at, MD_0_90_LEVEL) != Some(MIRROR)),
    },
    // LVM: libblkid `superblocks/lvm.c`: a label in one of the first four sectors.
    at!(0x000, b"LABELONE", lvm),
    at!(0x200, b"LABELONE", lvm),
    at!(0x400, b"LABELONE", lvm),
    at!(0x600, b"LABELONE", lvm),
    // Dynamic disk, the whole drive: Linux `block/partitions/ldm.h` (OFF_PRIV1, sector 6).
    at!(0xc00, b"PRIVHEAD", |_, _| Some(Kind::DynamicDisk)),
    // Storage Spaces: from memory; the partition type says it too.
    at!(0, b"SPACEDB ", |_, _| Some(Kind::StorageSpaces)),
    // Boot sectors: see `partition::boot_sector`.
    at!(0x1fe, &[0x55, 0xaa], |probe, _| boot_sector_kind(probe, 0)),
    at!(0x03, b"ReFS\0\0\0\0", |_, _| Some(Kind::Refs)),
    at!(0x03, b"EXFAT   ", |_, _| Some(Kind::ExFat)),
    at!(0x03, b"NTFS    ", |_, _| Some(Kind::Ntfs)),
    // XFS: Linux `fs/xfs/libxfs/xfs_format.h`, XFS_SB_MAGIC.
    at!(0, b"XFSB", |_, _| Some(Kind::Xfs)),
    // APFS: Apple File System Reference, `nx_superblock_t`: 32 bytes of object header, then the magic.
    at!(0x20, b"NXSB", |_, _| Some(Kind::Apfs)),
    // Core Storage: from memory: signature at 88, version 1 at 8.
    at!(0x58, b"CS", |probe, _| (probe.le_u16(8) == Some(1)).then_some(Kind::CoreStorage)),
    // HFS+: Apple TN1150; Linux `fs/hfsplus/hfsplus_raw.h`; big-endian; version 4 or 5.
    at!(0x400, b"H+\0\x04", |_, _| Some(Kind::HfsPlus)),
    at!(0x400, b"HX\0\x05", |_, _| Some(Kind::Hfsx)),
    // HFS, and HFS+ wrapped in it: Linux `fs/hfsplus/wrapper.c`.
    at!(0x400, b"BD", |probe, _| match (probe.has(0x47c, b"H+"), probe.has(0x47c, b"HX")) {
        (true, _) => Some(Kind::HfsPlus),
        (_, true) => Some(Kind::Hfsx),
        _ => probe.be_u16(0x40e).filter(|bitmap_block| *bitmap_block == 3).map(|_| Kind::Hfs),
    }),
    // ext: Linux `Documentation/filesystems/ext4/super.rst`.
    at!(0x438, &[0x53, 0xef], ext),
    // Swap: Linux `include/linux/swap.h`: the last ten bytes of the first page, whose size is the machine's; a
    // sleeping system writes another word there (libblkid `superblocks/swap.c`).
    at!(0xff6, b"SWAPSPACE2", |_, _| Some(Kind::Swap)),
    at!(0xff6, b"SWAP-SPACE", |_, _| Some(Kind::Swap)),
    at!(0x1ff6, b"SWAPSPACE2", |_, _| Some(Kind::Swap)),
    at!(0x3ff6, b"SWAPSPACE2", |_, _| Some(Kind::Swap)),
    at!(0xfff6, b"SWAPSPACE2", |_, _| Some(Kind::Swap)),
    at!(0xff6, b"S1SUSPEND", |_, _| Some(Kind::HibernatedSwap)),
    at!(0xff6, b"S2SUSPEND", |_, _| Some(Kind::HibernatedSwap)),
    at!(0xff6, b"ULSUSPEND", |_, _| Some(Kind::HibernatedSwap)),
    at!(0xff6, b"LINHIB0001", |_, _| Some(Kind::HibernatedSwap)),
    // Btrfs: Linux `fs/btrfs/disk-io.h` (BTRFS_SUPER_INFO_OFFSET), magic 64 bytes in.
    at!(0x1_0040, b"_BHRfS_M", |_, _| Some(Kind::Btrfs)),
    // UDF and ISO 9660: ECMA-167 part 2; ECMA-119. Both may stand side by side.
    at!(0x8001, b"BEA01", |probe, _| udf(probe)),
    at!(0x8001, b"CD001", |probe, _| udf(probe).or(Some(Kind::Iso9660))),
];

/// Second copies near a volume's start. They may be left over from what was there before.
pub(super) const COPIES: &[Signature] = &[
    // FAT32 keeps a copy in sector 6 (FAT specification, BPB_BkBootSec), exFAT in sector 12 (exFAT specification 2.1).
    at!(0x0c00 + 0x1fe, &[0x55, 0xaa], |probe, _| backup_boot(probe, 0x0c00, Kind::Fat32)),
    at!(0x6000 + 0x1fe, &[0x55, 0xaa], |probe, _| backup_boot(probe, 0x6000, Kind::Fat32)),
    at!(0x1800 + 0x1fe, &[0x55, 0xaa], |probe, _| backup_boot(probe, 0x1800, Kind::ExFat)),
    at!(0xc000 + 0x1fe, &[0x55, 0xaa], |probe, _| backup_boot(probe, 0xc000, Kind::ExFat)),
    // LUKS2: a second header where the first one ends, 16 KiB at the least (LUKS2 on-disk format, section 2.1).
    at!(0x4000, b"SKUL\xba\xbe", |_, _| Some(Kind::Luks2)),
    at!(0x8000, b"SKUL\xba\xbe", |_, _| Some(Kind::Luks2)),
    at!(0x1_0000, b"SKUL\xba\xbe", |_, _| Some(Kind::Luks2)),
];

/// What stands at a volume's end.
pub(super) const ENDINGS: &[Signature] = &[
    // HFS+: the alternate header, 1,024 bytes before the end (Apple TN1150).
    Signature { place: hfs_alternate, magic: b"H+\0\x04", kind: |_, _| Some(Kind::HfsPlus) },
    Signature { place: hfs_alternate, magic: b"HX\0\x05", kind: |_, _| Some(Kind::Hfsx) },
    // Mirrors without a filesystem that we know at their start.
    Signature { place: md_1_0_place, magic: MD_MAGIC, kind: |probe, at| md_1(probe, at, Kind::Raid10) },
    Signature { place: md_0_90_place, magic: MD_MAGIC, kind: md_0_90 },
];

/// Offsets of the level in the superblocks (`mdp_superblock_1`, `mdp_super_t`).
const MD_1_LEVEL: u64 = 0x48;
const MD_0_90_LEVEL: u64 = 0x1c;

fn level(probe: &Probe<'_>, at: u64, field: u64) -> Option<u32> {
    probe.le_u32(at.checked_add(field)?)
}

fn md_1(probe: &Probe<'_>, at: u64, kind: Kind) -> Option<Kind> {
    // `major_version` and the reserved word after `feature_map`.
    (probe.le_u32(at.checked_add(4)?)? == 1).then_some(kind)
}

fn md_0_90(probe: &Probe<'_>, at: u64) -> Option<Kind> {
    let (major, minor) = (probe.le_u32(at.checked_add(4)?)?, probe.le_u32(at.checked_add(8)?)?);
    (major == 0 && minor >= 90).then_some(Kind::Raid090)
}

/// At least 8 KiB and less than 12 KiB before the end, on a border of 4 KiB.
fn md_1_0_place(length: u64) -> Option<u64> {
    Some(crate::bytes::round_down(length.checked_sub(0x2000)?, 0x1000))
}

/// The last whole 64 KiB.
fn md_0_90_place(length: u64) -> Option<u64> {
    crate::bytes::round_down(length, 0x1_0000).checked_sub(0x1_0000)
}

fn hfs_alternate(length: u64) -> Option<u64> {
    length.checked_sub(0x400)
}

fn lvm(probe: &Probe<'_>, at: u64) -> Option<Kind> {
    probe.has(at.checked_add(0x18)?, b"LVM2 001").then_some(Kind::Lvm)
}

fn ext(probe: &Probe<'_>, _: u64) -> Option<Kind> {
    let log_block_size = probe.le_u32(0x418)?;
    let (compatible, incompatible, read_only) = (probe.le_u32(0x45c)?, probe.le_u32(0x460)?, probe.le_u32(0x464)?);
    if probe.le_u32(0x400)? == 0 || log_block_size > 6 {
        return None;
    }
    Some(ext_kind(compatible, incompatible, read_only))
}

/// Which ext it is, by its three words of features.
pub(super) fn ext_kind(compatible: u32, incompatible: u32, read_only: u32) -> Kind {
    // extents, 64bit, flex_bg, inline_data, …; huge_file, gdt_csum, dir_nlink, extra_isize, …: unknown to ext3.
    let ext4 = incompatible & !0x1f != 0 || read_only & !0x07 != 0;
    // has_journal
    let journal = compatible & 0x04 != 0;
    if ext4 {
        Kind::Ext4
    } else if journal {
        Kind::Ext3
    } else {
        Kind::Ext2
    }
}

fn udf(probe: &Probe<'_>) -> Option<Kind> {
    (0..8_u64)
        .filter_map(|index| 0x8001_u64.checked_add(index.checked_mul(0x800)?))
        .any(|at| probe.has(at, b"NSR0"))
        .then_some(Kind::Udf)
}

fn boot_sector_kind(probe: &Probe<'_>, at: u64) -> Option<Kind> {
    Some(match boot_sector::recognise(&probe.bytes(at, 512)?)? {
        BootSector::Ntfs => Kind::Ntfs,
        BootSector::ExFat => Kind::ExFat,
        BootSector::Refs => Kind::Refs,
        BootSector::BitLocker => Kind::BitLocker,
        BootSector::Fat(FatKind::Fat12) => Kind::Fat12,
        BootSector::Fat(FatKind::Fat16) => Kind::Fat16,
        BootSector::Fat(FatKind::Fat32) => Kind::Fat32,
    })
}

fn backup_boot(probe: &Probe<'_>, at: u64, kind: Kind) -> Option<Kind> {
    boot_sector_kind(probe, at).filter(|found| *found == kind)
}
