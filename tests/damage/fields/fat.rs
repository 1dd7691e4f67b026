//! The fields of FAT. Nothing in it has a check word but the sum in long names, which is a field like the others.

use super::{Field, Fields};

pub(crate) struct Fat;

impl Fields for Fat {
    fn open(&self, _kind: &str, raw: &[u8]) -> Vec<u8> {
        raw.to_vec()
    }

    fn close(&self, _kind: &str, _raw: &[u8], opened: &[u8]) -> Vec<u8> {
        opened.to_vec()
    }

    fn of(&self, kind: &str, opened: &[u8]) -> Vec<Field> {
        let mut fields = Vec::new();
        let (of_kind, more): (&[Field], &[Field]) = match kind {
            "boot sector" => (&BOOT, &BOOT_32),
            "boot sector without a copy" => (&BOOT, &BOOT_16),
            "free space hint" => (&HINT, &[]),
            "folder entry" => (&ENTRY, &[]),
            "long name entry" => (&LONG, &[]),
            "table entry" if opened.len() == 4 => (&LINK_32, &[]),
            "table entry" => (&LINK_16, &[]),
            other => panic!("no fields of {other}"),
        };
        super::at(0, of_kind, opened.len(), &mut fields);
        super::at(0, more, opened.len(), &mut fields);
        fields
    }
}

/// Offsets as in `src/filesystem/fat/structures.rs`, sources there.
const BOOT: [Field; 10] = [
    (0x00, 3, "boot sector: jump"),
    (0x0b, 2, "boot sector: bytes in a sector"),
    (0x0d, 1, "boot sector: sectors in a cluster"),
    (0x0e, 2, "boot sector: reserved sectors"),
    (0x10, 1, "boot sector: tables"),
    (0x11, 2, "boot sector: entries of the root folder"),
    (0x13, 2, "boot sector: total sectors, 16 bits"),
    (0x15, 1, "boot sector: media"),
    (0x16, 2, "boot sector: sectors of a table, 16 bits"),
    (0x1fe, 2, "boot sector: signature"),
];
const BOOT_16: [Field; 4] = [
    (0x20, 4, "boot sector: total sectors, 32 bits"),
    (0x25, 1, "boot sector: state"),
    (0x27, 4, "boot sector: serial number"),
    (0x2b, 8, "boot sector: label"),
];
const BOOT_32: [Field; 9] = [
    (0x20, 4, "boot sector: total sectors, 32 bits"),
    (0x24, 4, "boot sector: sectors of a table, 32 bits"),
    (0x28, 2, "boot sector: active table"),
    (0x2c, 4, "boot sector: root folder"),
    (0x30, 2, "boot sector: place of the hint"),
    (0x32, 2, "boot sector: place of the backup"),
    (0x41, 1, "boot sector: state"),
    (0x43, 4, "boot sector: serial number"),
    (0x47, 8, "boot sector: label"),
];
const HINT: [Field; 4] = [
    (0x000, 4, "free space hint: first signature"),
    (0x1e4, 4, "free space hint: second signature"),
    (0x1e8, 4, "free space hint: free clusters"),
    (0x1ec, 4, "free space hint: next free cluster"),
];
const ENTRY: [Field; 11] = [
    (0x00, 1, "folder entry: first byte of the name"),
    (0x01, 7, "folder entry: rest of the name"),
    (0x0b, 1, "folder entry: attributes"),
    (0x0c, 1, "folder entry: case flags"),
    (0x0d, 1, "folder entry: created, fine"),
    (0x0e, 4, "folder entry: created"),
    (0x12, 2, "folder entry: read"),
    (0x14, 2, "folder entry: first cluster, high"),
    (0x16, 4, "folder entry: modified"),
    (0x1a, 2, "folder entry: first cluster, low"),
    (0x1c, 4, "folder entry: size"),
];
const LONG: [Field; 8] = [
    (0x00, 1, "long name: order"),
    (0x01, 8, "long name: first units"),
    (0x0b, 1, "long name: attributes"),
    (0x0c, 1, "long name: type"),
    (0x0d, 1, "long name: checksum"),
    (0x0e, 8, "long name: next units"),
    (0x1a, 2, "long name: first cluster"),
    (0x1c, 4, "long name: last units"),
];
const LINK_16: [Field; 1] = [(0, 2, "table entry of one table")];
const LINK_32: [Field; 1] = [(0, 4, "table entry of one table")];
