//! Superblocks and other heads of formats that are recognised and not read: where the volume lies by them, and whether
//! something else of the format stands where they say.
//!
//! `signatures` has where each head stands in a volume, and its source; `docs/sources.md` has the further fields.

use super::checksums::{crc32c, fletcher64, lvm_crc, md_sum};
use super::pass::{Head, Sort};
use crate::bytes::{at_most, be_u16, be_u32, be_u64, le_u16, le_u32, le_u64, slice, u8_at};
use crate::error::Result;
use crate::filesystem::{Evidence, Structure, Verdict};
use crate::source::Source;
use crate::volumes::Kind;

/// What a head says of its volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Claim {
    pub(super) kind: Kind,
    pub(super) start: u64,
    pub(super) length: Option<u64>,
    /// [`Structure::FirstCopy`] or [`Structure::BackupCopy`].
    pub(super) copy: Structure,
    pub(super) evidence: Vec<Evidence>,
}

impl Claim {
    fn new(kind: Kind, start: Option<u64>, length: Option<u64>, copy: Structure) -> Option<Self> {
        Some(Self { kind, start: start?, length: length.filter(|length| *length > 0), copy, evidence: Vec::new() })
    }

    fn note(mut self, structure: Structure, offset: u64, verdict: Option<bool>) -> Self {
        let verdict = match verdict {
            Some(true) => Verdict::Stands,
            Some(false) => Verdict::Absent,
            None => Verdict::Unread,
        };
        self.evidence.push(Evidence { structure, offset, verdict });
        self
    }
}

/// One head, with the image around it.
struct Look<'a> {
    source: &'a Source,
    at: u64,
    /// The sector.
    head: &'a [u8],
}

impl Look<'_> {
    /// Bytes of the image, `None` if they are not all there.
    fn read(&self, offset: u64, length: usize) -> Result<Option<Vec<u8>>> {
        Ok(self.source.read_real(offset, length)?.map(|(bytes, _)| bytes))
    }

    /// Whether `check` holds of the bytes at `offset`; `None` if they were not read.
    fn holds(&self, offset: Option<u64>, length: usize, check: impl FnOnce(&[u8]) -> bool) -> Result<Option<bool>> {
        let Some(offset) = offset else { return Ok(Some(false)) };
        Ok(self.read(offset, length)?.map(|bytes| check(&bytes)))
    }

    fn back(&self, bytes: u64) -> Option<u64> {
        self.at.checked_sub(bytes)
    }
}

/// What a head claims; nothing if a second look shows that it is none.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub(super) fn claim(source: &Source, head: &Head) -> Result<Option<Claim>> {
    let look = Look { source, at: head.offset, head: &head.sector };
    match head.sort {
        Sort::Boot => Ok(None),
        Sort::BitLocker => bitlocker(&look),
        Sort::Refs => Ok(refs(&look)),
        Sort::Luks => luks(&look),
        Sort::Raid => raid(&look),
        Sort::Lvm => Ok(lvm(&look)),
        Sort::DynamicDisk => Ok(slice(look.head, 0, 8)
            .filter(|name| *name == b"PRIVHEAD")
            .and_then(|_| Claim::new(Kind::DynamicDisk, look.back(0xc00), None, Structure::FirstCopy))),
        Sort::StorageSpaces => Ok(slice(look.head, 0, 8)
            .filter(|name| *name == b"SPACEDB ")
            .and_then(|_| Claim::new(Kind::StorageSpaces, Some(look.at), None, Structure::FirstCopy))),
        Sort::Xfs => xfs(&look),
        Sort::Hfs => hfs_plus(&look),
        Sort::Apfs => apfs(&look),
        Sort::CoreStorage => Ok(Claim::new(Kind::CoreStorage, Some(look.at), None, Structure::FirstCopy)),
        Sort::Ext => ext(&look),
        Sort::Swap => swap(&look),
        Sort::Btrfs => btrfs(&look),
        Sort::Iso => iso(&look),
        Sort::Udf => udf(&look),
    }
}

fn bitlocker(look: &Look<'_>) -> Result<Option<Claim>> {
    // Information offsets: B0h, of BitLocker To Go 1B8h; the volume's size in the metadata's own head, 10h (from memory).
    let (kind, offsets) = match slice(look.head, 3, 8) {
        Some(b"-FVE-FS-") => (Kind::BitLocker, 0xb0),
        _ if slice(look.head, 0x1a8, 16) == Some(crate::volumes::signatures::BITLOCKER_GUID) => {
            (Kind::BitLockerToGo, 0x1b8)
        }
        _ => return Ok(None),
    };
    let place = le_u64(look.head, offsets).and_then(|offset| look.at.checked_add(offset));
    let metadata = match place {
        Some(place) => look.read(place, 0x18)?,
        None => None,
    };
    let stands = metadata.as_ref().map(|bytes| bytes.starts_with(b"-FVE-FS-"));
    let length = metadata.as_deref().filter(|_| stands == Some(true)).and_then(|bytes| le_u64(bytes, 0x10));
    let claim = Claim::new(kind, Some(look.at), length, Structure::FirstCopy);
    Ok(claim.map(|claim| claim.note(Structure::Neighbour, place.unwrap_or(look.at), stands)))
}

fn refs(look: &Look<'_>) -> Option<Claim> {
    let sectors = le_u64(look.head, 0x18)?;
    let sector = u64::from(le_u32(look.head, 0x20)?);
    if slice(look.head, 3, 8)? != b"ReFS\0\0\0\0" || !matches!(sector, 512 | 4096) {
        return None;
    }
    Claim::new(Kind::Refs, Some(look.at), sectors.checked_mul(sector), Structure::FirstCopy)
}

fn luks(look: &Look<'_>) -> Result<Option<Claim>> {
    let first = match slice(look.head, 0, 6) {
        Some(b"LUKS\xba\xbe") => true,
        Some(b"SKUL\xba\xbe") => false,
        _ => return Ok(None),
    };
    Ok(match (be_u16(look.head, 6), first) {
        (Some(1), true) => {
            // The first key slot (D0h) says whether it is used.
            let slot = be_u32(look.head, 0xd0).is_some_and(|state| matches!(state, 0x00ac_71f3 | 0x0000_dead));
            Claim::new(Kind::Luks1, Some(look.at), None, Structure::FirstCopy)
                .map(|claim| claim.note(Structure::Neighbour, look.at.saturating_add(0xd0), Some(slot)))
        }
        (Some(2), _) => {
            let own = be_u64(look.head, 0x100); // hdr_offset
            let copy = if first { Structure::FirstCopy } else { Structure::BackupCopy };
            let start = own.filter(|own| *own < 1 << 30 && (*own == 0) == first).and_then(|own| look.back(own));
            let area = look.at.saturating_add(0x1000);
            // The area of JSON text follows the binary head of 4,096 bytes.
            let text = look.holds(Some(area), 1, |bytes| bytes == b"{")?;
            Claim::new(Kind::Luks2, start, None, copy).map(|claim| claim.note(Structure::Neighbour, area, text))
        }
        _ => None,
    })
}

fn raid(look: &Look<'_>) -> Result<Option<Claim>> {
    if le_u32(look.head, 4) == Some(0) && le_u32(look.head, 8) >= Some(90) {
        // It stands in the last whole 64 KiB, and says nothing of where its device begins.
        return Ok(Claim::new(Kind::Raid090, Some(look.at), Some(0x1_0000), Structure::BackupCopy));
    }
    if le_u32(look.head, 4) != Some(1) {
        return Ok(None);
    }
    let sectors = |at: usize| le_u64(look.head, at).and_then(|sectors| sectors.checked_mul(512));
    // `mdp_superblock_1`: data_offset 80h, data_size 88h, super_offset 90h, max_dev DCh, sb_csum D8h.
    let (Some(data), Some(size), Some(own)) = (sectors(0x80), sectors(0x88), sectors(0x90)) else { return Ok(None) };
    let (kind, copy) = match own {
        0 => (Kind::Raid11, Structure::FirstCopy),
        0x1000 => (Kind::Raid12, Structure::FirstCopy),
        _ => (Kind::Raid10, Structure::BackupCopy),
    };
    let length = data.checked_add(size).map(|length| length.max(own.saturating_add(0x1000)));
    let devices = le_u32(look.head, 0xdc).unwrap_or(0).min(1920);
    let covered = at_most(u64::from(devices).saturating_mul(2).saturating_add(256), 4096);
    let sum = look.holds(Some(look.at), covered, |bytes| le_u32(bytes, 0xd8) == md_sum(bytes))?;
    let claim = Claim::new(kind, look.back(own), length, copy);
    Ok(claim.map(|claim| claim.note(Structure::Checksum, look.at, sum)))
}

fn lvm(look: &Look<'_>) -> Option<Claim> {
    if slice(look.head, 0, 8)? != b"LABELONE" || slice(look.head, 0x18, 8)? != b"LVM2 001" {
        return None;
    }
    // `label_header`: sector_xl 08h, crc_xl 10h, offset_xl 14h; `pv_header`: device_size_xl 20h.
    let own = le_u64(look.head, 0x08)?.checked_mul(512)?;
    let header = usize::try_from(le_u32(look.head, 0x14)?).ok()?;
    let length = le_u64(look.head, header.checked_add(0x20)?)?;
    let sum = le_u32(look.head, 0x10)? == lvm_crc(look.head.get(0x14..)?);
    Claim::new(Kind::Lvm, look.back(own), Some(length), Structure::FirstCopy)
        .map(|claim| claim.note(Structure::Checksum, look.at, Some(sum)))
}

fn xfs(look: &Look<'_>) -> Result<Option<Claim>> {
    // `xfs_dsb`: sb_blocksize 04h, sb_dblocks 08h, sb_agblocks 54h, sb_sectsize 66h; big-endian.
    let field = |at| be_u32(look.head, at).map(u64::from);
    let (Some(block), Some(blocks), Some(group)) = (field(4), be_u64(look.head, 8), field(0x54)) else {
        return Ok(None);
    };
    let sector = u64::from(be_u16(look.head, 0x66).unwrap_or(0));
    if !block.is_power_of_two() || !(512..=65_536).contains(&block) || !(512..=32_768).contains(&sector) || group == 0 {
        return Ok(None);
    }
    // The sector after it is the group's AGF: magic, version 1, the group's number (08h).
    let agf = look.at.checked_add(sector);
    let bytes = match agf {
        Some(agf) => look.read(agf, 12)?,
        None => None,
    };
    let stands = bytes.as_ref().map(|bytes| bytes.starts_with(b"XAGF\0\0\0\x01"));
    let number = bytes.as_deref().filter(|_| stands == Some(true)).and_then(|bytes| be_u32(bytes, 8)).unwrap_or(0);
    let before = group.checked_mul(block).and_then(|group| group.checked_mul(number.into()));
    let copy = if number == 0 { Structure::FirstCopy } else { Structure::BackupCopy };
    let claim = Claim::new(Kind::Xfs, before.and_then(|before| look.back(before)), blocks.checked_mul(block), copy);
    Ok(claim.map(|claim| claim.note(Structure::Neighbour, agf.unwrap_or(look.at), stands)))
}

fn hfs_plus(look: &Look<'_>) -> Result<Option<Claim>> {
    let kind = if look.head.starts_with(b"H+") { Kind::HfsPlus } else { Kind::Hfsx };
    // `HFSPlusVolumeHeader`: blockSize 28h, totalBlocks 2Ch, first extent of the catalog file 120h; big-endian.
    let field = |at| be_u32(look.head, at).map(u64::from);
    let (Some(block), Some(blocks), Some(catalog)) = (field(0x28), field(0x2c), field(0x120)) else { return Ok(None) };
    if !block.is_power_of_two() || !(512..=1 << 20).contains(&block) || blocks == 0 {
        return Ok(None);
    }
    let length = blocks.checked_mul(block);
    // The alternate header stands 1,024 bytes before the end. The catalog opens with a header node: kind 1 at 08h.
    let starts = [
        (look.back(0x400), Structure::FirstCopy),
        (length.and_then(|length| look.at.checked_add(0x400)?.checked_sub(length)), Structure::BackupCopy),
    ];
    let mut unread = None;
    for (start, copy) in starts {
        let place = catalog.checked_mul(block).zip(start).and_then(|(catalog, start)| start.checked_add(catalog));
        let stands = look.holds(place, 14, |node| u8_at(node, 8) == Some(1) && u8_at(node, 9) == Some(0))?;
        let claim = Claim::new(kind, start, length, copy)
            .map(|claim| claim.note(Structure::Neighbour, place.unwrap_or(look.at), stands));
        match stands {
            Some(true) => return Ok(claim),
            Some(false) => {}
            None => unread = unread.or(claim),
        }
    }
    Ok(unread)
}

fn apfs(look: &Look<'_>) -> Result<Option<Claim>> {
    // `nx_superblock_t`: o_oid 08h, nx_block_size 24h, nx_block_count 28h.
    let (Some(block), Some(blocks)) = (le_u32(look.head, 0x24).map(u64::from), le_u64(look.head, 0x28)) else {
        return Ok(None);
    };
    if !block.is_power_of_two() || !(4096..=65_536).contains(&block) || le_u64(look.head, 8) != Some(1) {
        return Ok(None);
    }
    let sum = look.holds(Some(look.at), at_most(block, 65_536), |bytes| le_u64(bytes, 0) == fletcher64(bytes))?;
    let claim = Claim::new(Kind::Apfs, Some(look.at), blocks.checked_mul(block), Structure::FirstCopy);
    Ok(claim.map(|claim| claim.note(Structure::Checksum, look.at, sum)))
}

fn ext(look: &Look<'_>) -> Result<Option<Claim>> {
    // `ext4_super_block`: s_inodes_count 00h, s_blocks_count_lo 04h, s_first_data_block 14h, s_log_block_size 18h,
    // s_blocks_per_group 20h, s_rev_level 4Ch, s_block_group_nr 5Ah, features 5Ch, s_desc_size FEh, s_blocks_count_hi 150h.
    let field = |at| le_u32(look.head, at);
    let known = (field(0), field(4), field(0x14), field(0x18), field(0x20), field(0x4c));
    let (Some(inodes), Some(blocks), Some(first), Some(log), Some(group), Some(revision)) = known else {
        return Ok(None);
    };
    let possible = inodes > 0 && blocks > 0 && first <= 1 && log <= 6 && group > 0 && revision <= 1;
    let Some(block) = 1024_u64.checked_shl(log).filter(|_| possible) else { return Ok(None) };
    let features = (field(0x5c).unwrap_or(0), field(0x60).unwrap_or(0), field(0x64).unwrap_or(0));
    let kind = crate::volumes::signatures::ext_kind(features.0, features.1, features.2);
    let high = if features.1 & 0x80 != 0 { field(0x150).unwrap_or(0) } else { 0 };
    let length = (u64::from(high) << 32 | u64::from(blocks)).checked_mul(block);
    let number = u64::from(le_u16(look.head, 0x5a).unwrap_or(0));
    let group_start = number
        .checked_mul(group.into())
        .and_then(|blocks| blocks.checked_add(first.into())?.checked_mul(block))
        .unwrap_or(u64::MAX);
    let (before, copy) = if number == 0 { (0x400, Structure::FirstCopy) } else { (group_start, Structure::BackupCopy) };
    let Some(claim) = Claim::new(kind, look.back(before), length, copy) else { return Ok(None) };
    // The block after it opens the group descriptors: the first names the bitmaps of group 0, inside the volume.
    let descriptors = if number == 0 {
        claim.start.checked_add(u64::from(first).saturating_add(1).saturating_mul(block))
    } else {
        look.at.checked_add(block)
    };
    let names = |bytes: &[u8]| {
        let inside = |at| le_u32(bytes, at).is_some_and(|number| number > first && (high > 0 || number < blocks));
        inside(0) && inside(4) && inside(8)
    };
    let stands = look.holds(descriptors, 12, names)?;
    Ok(Some(claim.note(Structure::Neighbour, descriptors.unwrap_or(look.at), stands)))
}

fn swap(look: &Look<'_>) -> Result<Option<Claim>> {
    let Some(name) = slice(look.head, 0x1f6, 10) else { return Ok(None) };
    let kind = match name {
        b"SWAPSPACE2" | b"SWAP-SPACE" => Kind::Swap,
        b"LINHIB0001" => Kind::HibernatedSwap,
        name if matches!(name.get(..9), Some(b"S1SUSPEND" | b"S2SUSPEND" | b"ULSUSPEND")) => Kind::HibernatedSwap,
        _ => return Ok(None),
    };
    for page in [0x1000_u64, 0x2000, 0x4000, 0x1_0000] {
        let Some(start) = look.at.checked_add(512).and_then(|end| end.checked_sub(page)) else { continue };
        // `swap_header.info`, 1,024 bytes in: version 1, number of the last page.
        let Some(info) = start.checked_add(0x400) else { continue };
        let Some(bytes) = look.read(info, 8)? else { continue };
        let last = le_u32(&bytes, 4).unwrap_or(0);
        if le_u32(&bytes, 0) == Some(1) && last > 0 {
            let length = u64::from(last).saturating_add(1).checked_mul(page);
            let claim = Claim::new(kind, Some(start), length, Structure::FirstCopy);
            return Ok(claim.map(|claim| claim.note(Structure::Neighbour, info, Some(true))));
        }
    }
    Ok(None)
}

fn btrfs(look: &Look<'_>) -> Result<Option<Claim>> {
    // `btrfs_super_block`: csum 00h, bytenr 30h, csum_type C4h, dev_item.total_bytes D1h.
    let (Some(own), Some(length)) = (le_u64(look.head, 0x30), le_u64(look.head, 0xd1)) else { return Ok(None) };
    let copy = match own {
        0x1_0000 => Structure::FirstCopy,
        0x400_0000 | 0x40_0000_0000 => Structure::BackupCopy,
        _ => return Ok(None),
    };
    let Some(claim) = Claim::new(Kind::Btrfs, look.back(own), Some(length), copy) else { return Ok(None) };
    if le_u16(look.head, 0xc4) != Some(0) {
        // Another checksum than CRC-32C.
        return Ok(Some(claim));
    }
    let holds = |bytes: &[u8]| le_u32(bytes, 0) == bytes.get(0x20..).map(crc32c);
    let sum = look.holds(Some(look.at), 0x1000, holds)?;
    Ok(Some(claim.note(Structure::Checksum, look.at, sum)))
}

fn iso(look: &Look<'_>) -> Result<Option<Claim>> {
    // Primary volume descriptor, ECMA-119 8.4: type 0, space size 50h, block size 80h, root folder's record 9Ch (its
    // place at +2, its own length at +0); numbers stand in both byte orders.
    if u8_at(look.head, 0) != Some(1) || slice(look.head, 1, 5) != Some(b"CD001") {
        return Ok(None);
    }
    let both =
        |at: usize| le_u32(look.head, at).filter(|value| be_u32(look.head, at.saturating_add(4)) == Some(*value));
    let (Some(blocks), Some(root)) = (both(0x50), both(0x9e)) else { return Ok(None) };
    let block = u64::from(le_u16(look.head, 0x80).unwrap_or(0));
    if !matches!(block, 512 | 1024 | 2048) {
        return Ok(None);
    }
    let length = u64::from(blocks).checked_mul(block);
    let Some(claim) = Claim::new(Kind::Iso9660, look.back(0x8000), length, Structure::FirstCopy) else {
        return Ok(None);
    };
    let place = u64::from(root).checked_mul(block).and_then(|root| claim.start.checked_add(root));
    // A folder's first record is its own, with the name of one zero byte.
    let stands = look.holds(place, 34, |record| slice(record, 32, 2) == Some(&[1, 0]))?;
    Ok(Some(claim.note(Structure::RootFolder, place.unwrap_or(look.at), stands)))
}

fn udf(look: &Look<'_>) -> Result<Option<Claim>> {
    if slice(look.head, 1, 5) != Some(b"BEA01") {
        return Ok(None);
    }
    let Some(claim) = Claim::new(Kind::Udf, look.back(0x8000), None, Structure::FirstCopy) else { return Ok(None) };
    // ECMA-167 3/8.4.2.1: an anchor (tag 2) in sector 256.
    let anchor = claim.start.checked_add(256 * 2048);
    let stands = look.holds(anchor, 2, |tag| tag == [2, 0])?;
    Ok(Some(claim.note(Structure::Neighbour, anchor.unwrap_or(look.at), stands)))
}
