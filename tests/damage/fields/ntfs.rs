//! The fields of NTFS.

use crate::common::harness::anatomy::ntfs::{attributes, fixed, unfixed};
use crate::common::harness::anatomy::{u16_at, u32_at};

use super::{Field, Fields, at};

/// Records and blocks are changed without their fixups, which are put back.
pub(crate) struct Ntfs;

impl Fields for Ntfs {
    fn open(&self, _kind: &str, raw: &[u8]) -> Vec<u8> {
        if has_fixups(raw) { unfixed(raw) } else { raw.to_vec() }
    }

    fn close(&self, _kind: &str, raw: &[u8], opened: &[u8]) -> Vec<u8> {
        if has_fixups(raw) {
            fixed(opened, usize::from(u16_at(raw, 4)), usize::from(u16_at(raw, 6)))
        } else {
            opened.to_vec()
        }
    }

    fn of(&self, kind: &str, opened: &[u8]) -> Vec<Field> {
        fields(kind, opened)
    }
}

fn has_fixups(raw: &[u8]) -> bool {
    raw.starts_with(b"FILE") || raw.starts_with(b"INDX")
}

/// Offsets as in `src/filesystem/ntfs/structures.rs`, sources there.
const BOOT: [Field; 11] = [
    (0x03, 8, "boot sector: name"),
    (0x0b, 2, "boot sector: sector size"),
    (0x0d, 1, "boot sector: sectors in a cluster"),
    (0x28, 8, "boot sector: total sectors"),
    (0x30, 8, "boot sector: $MFT"),
    (0x38, 8, "boot sector: $MFTMirr"),
    (0x40, 1, "boot sector: record size"),
    (0x44, 1, "boot sector: index block size"),
    (0x48, 8, "boot sector: serial number"),
    (0x50, 4, "boot sector: checksum"),
    (0x1fe, 2, "boot sector: signature"),
];
const RECORD: [Field; 13] = [
    (0x00, 4, "record: magic"),
    (0x04, 2, "record: fixup offset"),
    (0x06, 2, "record: fixup count"),
    (0x08, 8, "record: log number"),
    (0x10, 2, "record: sequence"),
    (0x12, 2, "record: links"),
    (0x14, 2, "record: first attribute"),
    (0x16, 2, "record: flags"),
    (0x18, 4, "record: used"),
    (0x1c, 4, "record: allocated"),
    (0x20, 8, "record: base"),
    (0x28, 2, "record: next attribute id"),
    (0x2c, 4, "record: own number"),
];
const ATTRIBUTE: [Field; 7] = [
    (0x00, 4, "attribute: type"),
    (0x04, 4, "attribute: length"),
    (0x08, 1, "attribute: non-resident"),
    (0x09, 1, "attribute: name length"),
    (0x0a, 2, "attribute: name offset"),
    (0x0c, 2, "attribute: flags"),
    (0x0e, 2, "attribute: id"),
];
const RESIDENT: [Field; 3] =
    [(0x10, 4, "resident: length"), (0x14, 2, "resident: offset"), (0x16, 1, "resident: indexed")];
const NON_RESIDENT: [Field; 7] = [
    (0x10, 8, "non-resident: first cluster"),
    (0x18, 8, "non-resident: last cluster"),
    (0x20, 2, "non-resident: runs offset"),
    (0x22, 1, "non-resident: compression unit"),
    (0x28, 8, "non-resident: allocated size"),
    (0x30, 8, "non-resident: size"),
    (0x38, 8, "non-resident: valid size"),
];
const INFORMATION: [Field; 5] = [
    (0x00, 8, "standard information: created"),
    (0x08, 8, "standard information: modified"),
    (0x10, 8, "standard information: record changed"),
    (0x18, 8, "standard information: read"),
    (0x20, 4, "standard information: attributes"),
];
const NAME: [Field; 10] = [
    (0x00, 8, "file name: folder"),
    (0x08, 8, "file name: created"),
    (0x10, 8, "file name: modified"),
    (0x28, 8, "file name: allocated size"),
    (0x30, 8, "file name: size"),
    (0x38, 4, "file name: attributes"),
    (0x3c, 4, "file name: reparse tag"),
    (0x40, 1, "file name: length"),
    (0x41, 1, "file name: namespace"),
    (0x42, 2, "file name: first unit"),
];
const ENTRY_OF_LIST: [Field; 7] = [
    (0x00, 4, "list entry: type"),
    (0x04, 2, "list entry: length"),
    (0x06, 1, "list entry: name length"),
    (0x07, 1, "list entry: name offset"),
    (0x08, 8, "list entry: first cluster"),
    (0x10, 8, "list entry: record"),
    (0x18, 2, "list entry: id"),
];
const ROOT: [Field; 4] = [
    (0x00, 4, "index root: type"),
    (0x04, 4, "index root: collation"),
    (0x08, 4, "index root: block size"),
    (0x0c, 1, "index root: clusters in a block"),
];
const BLOCK: [Field; 5] = [
    (0x00, 4, "index block: magic"),
    (0x04, 2, "index block: fixup offset"),
    (0x06, 2, "index block: fixup count"),
    (0x08, 8, "index block: log number"),
    (0x10, 8, "index block: own place"),
];
const NODE: [Field; 4] = [
    (0x00, 4, "index node: first entry"),
    (0x04, 4, "index node: used"),
    (0x08, 4, "index node: allocated"),
    (0x0c, 1, "index node: flags"),
];
const ENTRY: [Field; 4] = [
    (0x00, 8, "index entry: record"),
    (0x08, 2, "index entry: length"),
    (0x0a, 2, "index entry: key length"),
    (0x0c, 2, "index entry: flags"),
];
const REPARSE: [Field; 4] = [
    (0x00, 4, "reparse point: tag"),
    (0x04, 2, "reparse point: length"),
    (0x08, 4, "reparse point: first word"),
    (0x0c, 4, "reparse point: second word"),
];

fn node(bytes: &[u8], head: usize, end: usize, into: &mut Vec<Field>) {
    at(head, &NODE, end, into);
    let mut entry = head + usize::try_from(u32_at(bytes, head)).expect("small");
    while entry + 0x10 <= end {
        at(entry, &ENTRY, end, into);
        let length = usize::from(u16_at(bytes, entry + 8));
        if u16_at(bytes, entry + 0x0a) >= 0x44 {
            at(entry + 0x10, &NAME, end, into);
        }
        if u16_at(bytes, entry + 0x0c) & 1 != 0 {
            into.push((entry + length - 8, 8, "index entry: block below"));
        }
        if u16_at(bytes, entry + 0x0c) & 2 != 0 || length == 0 {
            break;
        }
        entry += length;
    }
}

fn list(bytes: &[u8], from: usize, end: usize, into: &mut Vec<Field>) {
    let mut entry = from;
    while entry + 0x1a <= end {
        at(entry, &ENTRY_OF_LIST, end, into);
        let length = usize::from(u16_at(bytes, entry + 4));
        if length == 0 {
            break;
        }
        entry += length;
    }
}

fn attribute(bytes: &[u8], start: usize, one: &[u8], into: &mut Vec<Field>) {
    let end = start + one.len();
    at(start, &ATTRIBUTE, end, into);
    if one[8] == 1 {
        at(start, &NON_RESIDENT, end, into);
        let mut run = usize::from(u16_at(one, 0x20));
        while run < one.len() && one[run] != 0 {
            let (lengths, places) = (usize::from(one[run] & 15), usize::from(one[run] >> 4));
            into.push((start + run, 1, "runs: head"));
            into.push((start + run + 1, lengths.min(8), "runs: length"));
            if places > 0 {
                into.push((start + run + 1 + lengths, places.min(8), "runs: place"));
            }
            run += 1 + lengths + places;
        }
        return;
    }
    at(start, &RESIDENT, end, into);
    let value = start + usize::from(u16_at(one, 0x14));
    let value_end = value + usize::try_from(u32_at(one, 0x10)).expect("small");
    match u32_at(one, 0) {
        0x10 => at(value, &INFORMATION, value_end, into),
        0x20 => list(bytes, value, value_end, into),
        0x30 => at(value, &NAME, value_end, into),
        0x90 => {
            at(value, &ROOT, value_end, into);
            // Only folders: other indexes have keys of other kinds.
            if u32_at(bytes, value) == 0x30 {
                node(bytes, value + 0x10, value_end, into);
            }
        }
        0xc0 => at(value, &REPARSE, value_end, into),
        _ => {}
    }
}

/// The fields of a structure whose fixups are undone.
fn fields(kind: &str, bytes: &[u8]) -> Vec<Field> {
    let mut all = Vec::new();
    match kind {
        "boot sector" | "backup boot sector" => at(0, &BOOT, bytes.len(), &mut all),
        "index block" => {
            at(0, &BLOCK, bytes.len(), &mut all);
            node(bytes, 0x18, bytes.len(), &mut all);
        }
        "attribute list" | "$MFT's attribute list" => list(bytes, 0, bytes.len(), &mut all),
        _ => {
            at(0, &RECORD, bytes.len(), &mut all);
            for (start, one) in attributes(bytes) {
                attribute(bytes, start, one, &mut all);
            }
        }
    }
    all
}
