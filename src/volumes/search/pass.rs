//! The one pass through the image: every sector is looked at for a few bytes, and what may be the head of a volume is
//! noted. Nothing is decided here.

use std::collections::BTreeMap;
use std::sync::mpsc;

use super::headless;
use crate::bytes::{at_most, to_u64};
use crate::error::Result;
use crate::filesystem::anchor::{self, Format};
use crate::filesystem::ntfs::headless::Traces;
use crate::progress::{Progress, Unit};
use crate::source::{Hole, Source};

/// Bytes of one read: few calls, and they stay in a processor's cache until they are looked at.
const PIECE: usize = 1 << 20;
/// So many pieces are read ahead.
const AHEAD: usize = 4;
/// Volumes begin on a border of this many bytes, on drives with sectors of 4,096 bytes too.
const SECTOR: usize = 512;
/// So many heads of a sort are kept. A drive has a few; a collection of disk images has hundreds; what goes past this is
/// garbage or made on purpose, and is counted.
const MOST_HEADS: usize = 4096;

/// What the first look at a sector takes it for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Sort {
    Boot,
    BitLocker,
    Refs,
    Luks,
    Raid,
    Lvm,
    DynamicDisk,
    StorageSpaces,
    Xfs,
    Hfs,
    Apfs,
    CoreStorage,
    Ext,
    Swap,
    Btrfs,
    Iso,
    Udf,
}

/// A sector that may be the head of a volume, or a copy of one.
#[derive(Debug, Clone)]
pub(super) struct Head {
    pub(super) sort: Sort,
    /// Byte offset in the image.
    pub(super) offset: u64,
    pub(super) sector: Vec<u8>,
}

/// What a pass brought.
#[derive(Debug, Default)]
pub(super) struct Pass {
    /// In the order of the image.
    pub(super) heads: Vec<Head>,
    /// How many more there were of sorts of which [`MOST_HEADS`] are kept.
    pub(super) left_out: u64,
    pub(super) bytes_read: u64,
    pub(super) bytes_not_read: u64,
    /// What shows NTFS volumes without any boot sector.
    pub(super) traces: Traces,
    /// The same of FAT and exFAT.
    pub(super) others: headless::Traces,
    /// Sectors that open an allocation table: what is left of FAT volumes without a boot sector.
    pub(super) tables: Vec<(u64, Format, Vec<u8>)>,
    kept: BTreeMap<Sort, usize>,
}

/// A stretch of the image as it was read.
struct Piece {
    offset: u64,
    length: u64,
    /// Bytes of it that are not there.
    missing: u64,
    /// The bytes, with zeros where they are missing; nothing where all are.
    bytes: Vec<u8>,
}

/// Reads the next piece into a buffer that was used before.
fn read(source: &Source, offset: u64, mut bytes: Vec<u8>) -> Result<Piece> {
    let count = at_most(source.length_in_image().saturating_sub(offset), PIECE);
    let length = to_u64(count);
    // A stretch of holes alone is not read.
    let missing: u64 = source.reality(offset, length).holes.iter().map(length_of).fold(0, u64::saturating_add);
    if missing < length {
        bytes.resize(count, 0);
        source.read_at(offset, &mut bytes)?;
    } else {
        bytes.clear();
    }
    Ok(Piece { offset, length, missing, bytes })
}

/// Walks the whole image. One thread reads ahead while the other one looks.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub(super) fn walk(source: &Source, progress: &dyn Progress) -> Result<Pass> {
    let mut pass = Pass::default();
    let length = source.length_in_image();
    progress.begin("searching for volumes", length, Unit::Bytes);
    std::thread::scope(|scope| {
        let (full, pieces) = mpsc::sync_channel(AHEAD);
        let (used, free) = mpsc::channel::<Vec<u8>>();
        let reader = std::thread::Builder::new().spawn_scoped(scope, move || {
            let mut offset = 0;
            while offset < length {
                let piece = read(source, offset, free.try_recv().unwrap_or_default());
                offset = piece.as_ref().map_or(length, |piece| offset.saturating_add(piece.length));
                // Nobody waits for more after a failure.
                if full.send(piece).is_err() {
                    return;
                }
            }
        });
        for piece in pieces {
            let piece: Piece = piece?;
            pass.take(&piece, progress);
            // The reader may have ended.
            let _ = used.send(piece.bytes);
        }
        let mut offset = 0;
        // No thread could be had.
        while reader.is_err() && offset < length {
            let piece = read(source, offset, Vec::new())?;
            pass.take(&piece, progress);
            offset = offset.saturating_add(piece.length);
        }
        Ok(())
    })?;
    progress.end();
    Ok(pass)
}

fn length_of(hole: &Hole) -> u64 {
    hole.range.end.saturating_sub(hole.range.start)
}

impl Pass {
    fn take(&mut self, piece: &Piece, progress: &dyn Progress) {
        // What was not read is zeros, which are no head.
        self.look(piece.offset, &piece.bytes);
        self.bytes_read = self.bytes_read.saturating_add(piece.length.saturating_sub(piece.missing));
        self.bytes_not_read = self.bytes_not_read.saturating_add(piece.missing);
        progress.advance(piece.length);
    }

    fn look(&mut self, offset: u64, piece: &[u8]) {
        let (sectors, _) = piece.as_chunks::<SECTOR>();
        for (sector, at) in sectors.iter().zip((offset..).step_by(SECTOR)) {
            self.others.look(at, sector);
            match sort_of(sector) {
                None => {}
                Some(Look::Trace) => self.traces.look(at, sector),
                Some(Look::Table) => self.table(at, sector),
                Some(Look::Head(sort)) => self.keep(sort, at, sector),
            }
        }
    }

    fn table(&mut self, offset: u64, sector: &[u8; SECTOR]) {
        let Some(format) = anchor::opens_fat(sector) else { return };
        if self.tables.len() < MOST_HEADS {
            self.tables.push((offset, format, sector.to_vec()));
        } else {
            self.left_out = self.left_out.saturating_add(1);
        }
    }

    fn keep(&mut self, sort: Sort, offset: u64, sector: &[u8; SECTOR]) {
        if sort == Sort::Boot && anchor::anchor(sector).is_none() {
            return;
        }
        let kept = self.kept.entry(sort).or_default();
        if *kept >= MOST_HEADS {
            self.left_out = self.left_out.saturating_add(1);
            return;
        }
        *kept = kept.saturating_add(1);
        self.heads.push(Head { sort, offset, sector: sector.to_vec() });
    }
}

/// The first bytes of the magic numbers, each as the little-endian number that four bytes make.
mod magic {
    const fn word(bytes: &[u8; 4]) -> u32 {
        u32::from_le_bytes(*bytes)
    }
    pub(super) const FILE_RECORD: u32 = word(b"FILE");
    pub(super) const INDEX_BLOCK: u32 = word(b"INDX");
    pub(super) const LUKS: u32 = word(b"LUKS");
    pub(super) const LUKS_BACKUP: u32 = word(b"SKUL");
    pub(super) const RAID: u32 = word(&[0xfc, 0x4e, 0x2b, 0xa9]);
    pub(super) const LVM: u32 = word(b"LABE");
    pub(super) const DYNAMIC_DISK: u32 = word(b"PRIV");
    pub(super) const STORAGE_SPACES: u32 = word(b"SPAC");
    pub(super) const XFS: u32 = word(b"XFSB");
    pub(super) const HFS_PLUS: u32 = word(b"H+\0\x04");
    pub(super) const HFSX: u32 = word(b"HX\0\x05");
    pub(super) const BITLOCKER: u32 = word(b"-FVE");
    pub(super) const REFS: u32 = word(b"ReFS");
    pub(super) const BITLOCKER_TO_GO: u32 = word(b"MSWI");
    pub(super) const APFS: u32 = word(b"NXSB");
    pub(super) const BTRFS: u32 = word(b"_BHR");
    pub(super) const SWAP: [u32; 4] = [word(b"SWAP"), word(b"S1SU"), word(b"S2SU"), word(b"ULSU")];
    pub(super) const HIBERNATED: u32 = word(b"LINH");
    pub(super) const ISO: u32 = word(b"CD00");
    pub(super) const UDF: u32 = word(b"BEA0");
}

/// What becomes of a sector.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Look {
    Head(Sort),
    /// A file record or a block of a folder's list.
    Trace,
    /// Perhaps the opening of an allocation table.
    Table,
}

/// A few comparisons for each sector of the drive: this is what the pass spends its time on. All of a magic number, and
/// what else must hold, is looked at later.
fn sort_of(sector: &[u8; SECTOR]) -> Option<Look> {
    let word = |at: [u8; 4]| u32::from_le_bytes(at);
    let at_0 = word([sector[0], sector[1], sector[2], sector[3]]);
    match at_0 {
        magic::FILE_RECORD | magic::INDEX_BLOCK => return Some(Look::Trace),
        magic::LUKS | magic::LUKS_BACKUP => return Some(Look::Head(Sort::Luks)),
        magic::RAID => return Some(Look::Head(Sort::Raid)),
        magic::LVM => return Some(Look::Head(Sort::Lvm)),
        magic::DYNAMIC_DISK => return Some(Look::Head(Sort::DynamicDisk)),
        magic::STORAGE_SPACES => return Some(Look::Head(Sort::StorageSpaces)),
        magic::XFS => return Some(Look::Head(Sort::Xfs)),
        magic::HFS_PLUS | magic::HFSX => return Some(Look::Head(Sort::Hfs)),
        // The medium's byte, and the second entry's end mark.
        _ if sector[0] >= 0xf0 && sector[1] == 0xff && sector[2] == 0xff => return Some(Look::Table),
        _ => {}
    }
    match word([sector[3], sector[4], sector[5], sector[6]]) {
        magic::BITLOCKER => return Some(Look::Head(Sort::BitLocker)),
        magic::REFS => return Some(Look::Head(Sort::Refs)),
        magic::BITLOCKER_TO_GO if sector[0x1a8] == 0x3b && sector[0x1a9] == 0xd6 => {
            return Some(Look::Head(Sort::BitLocker));
        }
        _ => {}
    }
    if sector[0x1fe] == 0x55 && sector[0x1ff] == 0xaa {
        return Some(Look::Head(Sort::Boot));
    }
    match word([sector[1], sector[2], sector[3], sector[4]]) {
        magic::ISO => return Some(Look::Head(Sort::Iso)),
        magic::UDF => return Some(Look::Head(Sort::Udf)),
        _ => {}
    }
    if sector[0x38] == 0x53 && sector[0x39] == 0xef {
        return Some(Look::Head(Sort::Ext));
    }
    if word([sector[0x20], sector[0x21], sector[0x22], sector[0x23]]) == magic::APFS {
        return Some(Look::Head(Sort::Apfs));
    }
    if word([sector[0x40], sector[0x41], sector[0x42], sector[0x43]]) == magic::BTRFS {
        return Some(Look::Head(Sort::Btrfs));
    }
    if sector[0x58] == b'C' && sector[0x59] == b'S' && sector[8] == 1 && sector[9] == 0 {
        return Some(Look::Head(Sort::CoreStorage));
    }
    let last = word([sector[0x1f6], sector[0x1f7], sector[0x1f8], sector[0x1f9]]);
    (magic::SWAP.contains(&last) || last == magic::HIBERNATED).then_some(Look::Head(Sort::Swap))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::partition::example_disk::source_of;
    use crate::progress::Silent;
    use crate::source::Damage;

    fn with(length: usize, pieces: &[(usize, &[u8])]) -> Source {
        let mut bytes = vec![0; length];
        for (offset, piece) in pieces {
            bytes[*offset..offset + piece.len()].copy_from_slice(piece);
        }
        source_of(bytes)
    }

    #[test]
    fn heads_are_seen_on_every_sector_and_nowhere_between() {
        let source =
            with(3 << 20, &[(0x200, b"XFSB"), (0x10_0000 - 0x200, b"LUKS"), (0x2f_fe00, b"XFSB"), (0x1004, b"XFSB")]);
        let pass = walk(&source, &Silent).unwrap();
        let seen: Vec<(Sort, u64)> = pass.heads.iter().map(|head| (head.sort, head.offset)).collect();
        assert_eq!(seen, [(Sort::Xfs, 0x200), (Sort::Luks, 0xf_fe00), (Sort::Xfs, 0x2f_fe00)]);
        assert_eq!((pass.bytes_read, pass.bytes_not_read, pass.left_out), (3 << 20, 0, 0));
    }

    #[test]
    fn holes_are_passed_over_and_counted() {
        let source = with(3 << 20, &[(0x200, b"XFSB"), (0x400, b"XFSB"), (0x18_0000, b"XFSB")]);
        let holes = [Damage::unread(0x200..0x400), Damage::unread(1 << 20..2 << 20)];
        let pass = walk(&source.with_damage(&holes), &Silent).unwrap();
        assert_eq!(pass.heads.iter().map(|head| head.offset).collect::<Vec<_>>(), [0x400]);
        assert_eq!((pass.bytes_read, pass.bytes_not_read), ((2 << 20) - 512, (1 << 20) + 512));
    }

    #[test]
    fn a_flood_of_lookalikes_is_bounded_and_starves_nothing_else() {
        let mut bytes = b"XFSB".iter().copied().chain([0; 508]).collect::<Vec<u8>>().repeat(MOST_HEADS + 5);
        bytes.extend(b"LUKS\0\0\0\0");
        bytes.resize(bytes.len() + 600, 0);
        let pass = walk(&source_of(bytes), &Silent).unwrap();
        assert_eq!((pass.heads.len(), pass.left_out), (MOST_HEADS + 1, 5));
    }
}
