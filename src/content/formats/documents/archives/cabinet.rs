//! Cabinets ([MS-CAB] 2.1 to 2.4): a header, folders, files, and blocks of data, most of them with a checksum.

use super::Format;
use crate::bytes::{le_u16, le_u32, slice, to_u64};
use crate::content::formats::{Step, Strength, Subject, broken, unchecked};

pub(super) const FORMAT: Format =
    Format { name: "cabinet", endings: &["cab"], opens: |head| head.starts_with(b"MSCF\0\0\0\0"), check };

/// How archives open that installers bring along under the same ending (common practice, no source).
pub(super) fn is_another(head: &[u8]) -> bool {
    head.starts_with(b"ISc(")
}

const HEADER: u64 = 36;
const FOLDER: u64 = 8;
const FILE: u64 = 16;
const BLOCK: u64 = 8;
const IN_SEVERAL: u16 = 3;
const RESERVED: u16 = 4;

/// The checksum of a block ([MS-CAB] 3.1).
fn checksum(bytes: &[u8], seed: u32) -> u32 {
    let words = bytes.chunks_exact(4);
    // What is left comes in the other order.
    let rest = words.remainder().iter().fold(0_u32, |value, byte| value.wrapping_shl(8) | u32::from(*byte));
    words.filter_map(|word| le_u32(word, 0)).fold(seed, |sum, word| sum ^ word) ^ rest
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 36] = subject.array(0)?;
    let short = |offset| le_u16(&head, offset).unwrap_or_default();
    let size = u64::from(le_u32(&head, 0x08).unwrap_or_default());
    if size > subject.size() {
        return broken(subject.size(), "the file ends before its last block");
    }
    let (folders, files, flags) = (short(0x1a), short(0x1c), short(0x1e));
    if flags & IN_SEVERAL != 0 {
        return unchecked("it is one part of a cabinet in several parts");
    }
    let (mut at, mut per_folder, mut per_block) = (HEADER, 0_u64, 0_u64);
    if flags & RESERVED != 0 {
        let sizes: [u8; 4] = subject.array(at)?;
        at = at.saturating_add(4).saturating_add(le_u16(&sizes, 0).unwrap_or_default().into());
        (per_folder, per_block) = (sizes[2].into(), sizes[3].into());
    }
    let mut all_summed = true;
    let mut last = 0;
    for _ in 0..folders {
        let folder: [u8; 8] = subject.array(at)?;
        let start = u64::from(le_u32(&folder, 0).unwrap_or_default());
        if start < last || start > size {
            return broken(at, "a folder of it is not where it should be");
        }
        (last, all_summed) = blocks(subject, start, le_u16(&folder, 4).unwrap_or_default(), per_block, all_summed)?;
        at = at.saturating_add(FOLDER).saturating_add(per_folder);
    }
    let mut at = u64::from(le_u32(&head, 0x10).unwrap_or_default());
    for _ in 0..files {
        let file: [u8; 16] = subject.array(at)?;
        let folder = le_u16(&file, 0x08).unwrap_or_default();
        let name = subject.up_to(at.saturating_add(FILE), 257)?;
        let Some(length) = name.iter().position(|byte| *byte == 0).filter(|_| folder < folders) else {
            return broken(at, "the list of its files is broken");
        };
        at = at.saturating_add(FILE).saturating_add(to_u64(length)).saturating_add(1);
    }
    Ok(if all_summed { Strength::Checksum } else { Strength::Structure })
}

/// The blocks of a folder; where they end, and whether all that there were so far have a checksum.
fn blocks(subject: &Subject<'_>, start: u64, count: u16, reserved: u64, all_summed: bool) -> Step<(u64, bool)> {
    let (mut at, mut all_summed) = (start, all_summed);
    for _ in 0..count {
        let block: [u8; 8] = subject.array(at)?;
        let sum = le_u32(&block, 0).unwrap_or_default();
        let length = le_u16(&block, 4).unwrap_or_default();
        let data = subject.bytes(at.saturating_add(BLOCK).saturating_add(reserved), length.into())?;
        let counts = slice(&block, 4, 4).unwrap_or_default();
        if sum == 0 {
            all_summed = false;
        } else if sum != checksum(counts, checksum(&data, 0)) {
            return broken(at, "a block of it contradicts its checksum");
        }
        at = at.saturating_add(BLOCK).saturating_add(reserved).saturating_add(length.into());
    }
    Ok((at, all_summed))
}
