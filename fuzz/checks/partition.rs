//! Partition tables on whole disks, as `sparse.rs` packs them.

use handback::partition;

use super::Taker;
use super::sparse::{MEND, Sparse};

const SIGNATURE: &[u8] = b"EFI PART";
const MOST_ENTRIES: u64 = 1024;

pub(super) fn check(data: &[u8]) {
    let disk = disk(data);
    let source = disk.source();
    let Ok(table) = partition::read(&source, disk.sector_size) else { return };
    for partition in &table.partitions {
        assert!(partition.end() >= partition.start);
        let _ = table.is_vouched_for(partition, &source);
        assert!(!partition.code.to_string().is_empty());
    }
}

/// The disk, with its checksums set right if the input says so: no mutation would ever hit them.
pub(super) fn disk(data: &[u8]) -> Sparse {
    let mut disk = Sparse::parse(data);
    if disk.has(MEND) {
        let sector = disk.sector_size.unwrap_or(512);
        for at in [sector, disk.length.saturating_sub(sector)] {
            mend(&mut disk, at, sector);
        }
    }
    disk
}

/// UEFI 2.10, 5.3.2: CRC32 of the entries at 0x58, of the header at 0x10 while that is zero.
fn mend(disk: &mut Sparse, at: u64, sector: u64) {
    let mut header = disk.bytes(at, 512);
    if !header.starts_with(SIGNATURE) {
        return;
    }
    let number = |offset: usize, width: usize| Taker(&header[offset..]).number(width);
    let entries = number(0x48, 8).saturating_mul(sector);
    let length = number(0x50, 4).min(MOST_ENTRIES) * number(0x54, 4).min(512);
    let size = usize::try_from(number(0x0c, 4)).unwrap_or(usize::MAX).clamp(0x5c, 512);
    if entries < disk.length {
        let entries = disk.bytes(entries, usize::try_from(length).expect("at most 512 KiB"));
        header[0x58..0x5c].copy_from_slice(&crc32fast::hash(&entries).to_le_bytes());
    }
    header[0x10..0x14].fill(0);
    let sum = crc32fast::hash(&header[..size]);
    header[0x10..0x14].copy_from_slice(&sum.to_le_bytes());
    disk.stretches.push((at, header));
}
