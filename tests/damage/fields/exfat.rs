//! The fields of exFAT, with the checksums over them put right: but for a checksum itself, no reader can see that they
//! were changed, unless they contradict something else.

use super::{Field, Fields, at};
use crate::common::harness::anatomy::exfat::{boot_checksum, set_checksum};

pub(crate) struct ExFat;

impl Fields for ExFat {
    fn open(&self, _kind: &str, raw: &[u8]) -> Vec<u8> {
        raw.to_vec()
    }

    fn close(&self, kind: &str, _raw: &[u8], opened: &[u8]) -> Vec<u8> {
        let mut bytes = opened.to_vec();
        match kind {
            "boot region" | "backup boot region" => {
                let over = bytes.len() / 12 * 11;
                let sums = boot_checksum(&bytes).to_le_bytes().repeat((bytes.len() - over) / 4);
                bytes[over..].copy_from_slice(&sums);
            }
            "entries of a file" | "entries of a folder" => {
                let sum = set_checksum(&bytes).to_le_bytes();
                bytes[2..4].copy_from_slice(&sum);
            }
            _ => {}
        }
        bytes
    }

    fn of(&self, kind: &str, opened: &[u8]) -> Vec<Field> {
        let mut all = Vec::new();
        match kind {
            "boot region" | "backup boot region" => at(0, &BOOT, opened.len(), &mut all),
            "entry of the bitmap" | "entry of the up-case table" => at(0, &TABLE, opened.len(), &mut all),
            "label" => at(0, &LABEL, opened.len(), &mut all),
            "link of the table" => at(0, &LINK, opened.len(), &mut all),
            _ => {
                at(0, &FILE, 32, &mut all);
                at(32, &STREAM, 64, &mut all);
                for entry in (64..opened.len()).step_by(32) {
                    at(entry, &NAME, entry + 32, &mut all);
                }
            }
        }
        all
    }
}

/// Offsets as in `src/filesystem/exfat/structures.rs`, sources there.
const BOOT: [Field; 15] = [
    (0x03, 8, "boot sector: name"),
    (0x0b, 8, "boot sector: what must be zero"),
    (0x48, 8, "boot sector: volume length"),
    (0x50, 4, "boot sector: place of the table"),
    (0x54, 4, "boot sector: length of the table"),
    (0x58, 4, "boot sector: place of the heap"),
    (0x5c, 4, "boot sector: clusters"),
    (0x60, 4, "boot sector: root folder"),
    (0x64, 4, "boot sector: serial number"),
    (0x68, 2, "boot sector: revision"),
    (0x6a, 2, "boot sector: flags"),
    (0x6c, 1, "boot sector: sector size"),
    (0x6d, 1, "boot sector: sectors in a cluster"),
    (0x6e, 1, "boot sector: tables"),
    (0x1fe, 2, "boot sector: signature"),
];
const FILE: [Field; 6] = [
    (0x00, 1, "file entry: type"),
    (0x01, 1, "file entry: entries after it"),
    (0x04, 2, "file entry: attributes"),
    (0x08, 4, "file entry: created"),
    (0x0c, 4, "file entry: modified"),
    (0x14, 4, "file entry: fine times and zones"),
];
const STREAM: [Field; 7] = [
    (0x00, 1, "stream entry: type"),
    (0x01, 1, "stream entry: flags"),
    (0x03, 1, "stream entry: length of the name"),
    (0x04, 2, "stream entry: hash of the name"),
    (0x08, 8, "stream entry: valid length"),
    (0x14, 4, "stream entry: first cluster"),
    (0x18, 8, "stream entry: length"),
];
const NAME: [Field; 3] =
    [(0x00, 1, "name entry: type"), (0x01, 1, "name entry: flags"), (0x02, 2, "name entry: first unit")];
const TABLE: [Field; 5] = [
    (0x00, 1, "entry of the volume's own: type"),
    (0x01, 1, "entry of the volume's own: flags"),
    (0x04, 4, "entry of the volume's own: checksum"),
    (0x14, 4, "entry of the volume's own: first cluster"),
    (0x18, 8, "entry of the volume's own: length"),
];
const LABEL: [Field; 2] = [(0x00, 1, "label: type"), (0x01, 1, "label: length")];
const LINK: [Field; 1] = [(0x00, 4, "link of the table")];
