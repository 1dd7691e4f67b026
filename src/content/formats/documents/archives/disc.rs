//! Images of discs (ECMA-119, sections 8.4 and 9.1): the volume's description, its folders, and that their files lie in it.

use std::collections::BTreeSet;

use super::Format;
use crate::bytes::{be_u32, le_u16, le_u32, slice, to_usize, u8_at};
use crate::content::formats::{Step, Strength, Subject, broken, unchecked};

pub(super) const FORMAT: Format = Format { name: "disc image", endings: &["iso"], opens, check };

/// Where descriptions begin.
const FIRST: u64 = 32_768;
const SECTOR: u64 = 2048;

/// Folders of one disc: as many as no disc has.
const MOST_FOLDERS: usize = 1_000_000;

fn opens(head: &[u8]) -> bool {
    let mark = to_usize(FIRST).and_then(|first| slice(head, first.saturating_add(1), 5)).unwrap_or_default();
    mark == b"CD001" || mark == b"BEA01"
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 190] = subject.array(FIRST)?;
    if slice(&head, 1, 5) == Some(b"BEA01") {
        return unchecked("it is a disc in a form that isn't read (UDF)");
    }
    if u8_at(&head, 0) != Some(1) {
        return broken(FIRST, "its volume is not described where it should be");
    }
    let block = u64::from(le_u16(&head, 128).unwrap_or_default());
    let blocks = le_u32(&head, 80).unwrap_or_default();
    if be_u32(&head, 84) != Some(blocks) || !matches!(block, 512 | 1024 | 2048) {
        return broken(FIRST.saturating_add(80), "its volume's length is broken");
    }
    let end = u64::from(blocks).saturating_mul(block);
    if end > subject.size() {
        return broken(subject.size(), format!("the file ends before byte {end}, where its volume does"));
    }
    let root = slice(&head, 156, 34).unwrap_or_default();
    let mut folders = vec![(le_u32(root, 2).unwrap_or_default(), le_u32(root, 10).unwrap_or_default())];
    let mut seen = BTreeSet::new();
    while let Some((place, length)) = folders.pop() {
        if !seen.insert(place) {
            continue;
        }
        if seen.len() > MOST_FOLDERS {
            return unchecked("it has more folders than a disc can hold");
        }
        let at = u64::from(place).saturating_mul(block);
        subject.spend(length.into())?;
        let list = subject.bytes(at, to_usize(length.into()).unwrap_or(usize::MAX))?;
        entries(&list, at, block, end, &mut folders)?;
    }
    Ok(Strength::Structure)
}

/// The entries of a folder; folders among them are kept.
fn entries(list: &[u8], at: u64, block: u64, end: u64, folders: &mut Vec<(u32, u32)>) -> Step<()> {
    let sector = to_usize(SECTOR).unwrap_or(usize::MAX);
    for (number, bytes) in (0_u64..).zip(list.chunks(sector)) {
        let mut rest = bytes;
        let place = at.saturating_add(number.saturating_mul(SECTOR));
        // An entry does not go over a sector's end; zeros fill it up.
        while let Some(length) = rest.first().copied().filter(|length| *length != 0) {
            let Some(entry) = slice(rest, 0, length.into()).filter(|entry| entry.len() >= 34) else {
                return broken(place, "a folder of it is broken");
            };
            let (start, size) = (le_u32(entry, 2).unwrap_or_default(), le_u32(entry, 10).unwrap_or_default());
            if be_u32(entry, 6) != Some(start) || be_u32(entry, 14) != Some(size) {
                return broken(place, "a folder of it is broken");
            }
            if size > 0 && u64::from(start).saturating_mul(block).saturating_add(size.into()) > end {
                return broken(place, "a file in it lies behind its end");
            }
            // The first two entries are the folder itself and the one that it is in.
            let is_self = matches!((u8_at(entry, 32), u8_at(entry, 33)), (Some(1), Some(0 | 1)));
            if u8_at(entry, 25).is_some_and(|flags| flags & 2 != 0) && !is_self {
                folders.push((start, size));
            }
            rest = rest.get(usize::from(length)..).unwrap_or_default();
        }
    }
    Ok(())
}
