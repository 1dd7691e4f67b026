use crate::content::formats::Opens;
use crate::content::formats::documents::testing::{assert_broken, broken_everywhere, opens, sample, verdict};

const SECTOR: usize = 512;

fn number(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap())
}

fn put(bytes: &mut [u8], at: usize, value: u32) {
    bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
}

/// Where the first sector of the table begins.
fn table(bytes: &[u8]) -> usize {
    (number(bytes, 0x4c) as usize + 1) * SECTOR
}

/// Where the entry of a stream stands in the list.
fn entry(bytes: &[u8], name: &str) -> usize {
    let units: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
    bytes.windows(units.len()).position(|window| window == units).expect("the stream is there")
}

#[test]
fn samples_are_what_they_are() {
    for (name, format) in [
        ("rehearsal.doc", "Word 97 document"),
        ("voices.xls", "Excel 97 table"),
        ("embedded-simple-2007.ppt", "PowerPoint 97 slides"),
    ] {
        let bytes = sample(name);
        let found = verdict(name, &bytes);
        assert_eq!((found.opens, found.format), (Opens::Sound, Some(format)), "{found:?}");
        assert_eq!(verdict("unknown", &bytes).opens, Opens::Sound);
        let strange = verdict("a.msg", &bytes);
        assert_eq!((strange.opens, strange.format), (Opens::Mislabelled, Some(format)));
    }
    assert_broken("a.doc", &sample("voices.xls")[..600], "");
}

#[test]
fn broken_anywhere_nothing_panics() {
    let bytes = sample("voices.xls");
    let (cuts, changes) = broken_everywhere("voices.xls", &bytes, 31);
    // What is missed of the cuts is at the very end, behind the last stream.
    assert!(cuts < 10, "{cuts}");
    assert!(changes < bytes.len() / 31 * 3, "{changes}");
    broken_everywhere("rehearsal.doc", &sample("rehearsal.doc"), 101);
    broken_everywhere("slides.ppt", &sample("embedded-simple-2007.ppt")[..], 977);
}

#[test]
fn every_entry_of_the_table_that_leads_astray_ends() {
    let bytes = sample("voices.xls");
    let start = table(&bytes);
    for at in (start..start + SECTOR).step_by(4) {
        let number = ((at - start) / 4) as u32;
        // To itself, to the first sector, to the one before, out of the file, to what is free, to a table.
        for value in [number, 0, number.wrapping_sub(1), 0x00FF_FFFF, 0xFFFF_FFFF, 0xFFFF_FFFD] {
            let mut changed = bytes.clone();
            put(&mut changed, at, value);
            verdict("voices.xls", &changed);
        }
    }
}

#[test]
fn a_chain_in_a_circle_is_noticed() {
    let bytes = sample("voices.xls");
    let at = entry(&bytes, "Workbook");
    let first = number(&bytes, at + 0x74);
    let mut circle = bytes.clone();
    put(&mut circle, table(&bytes) + first as usize * 4, first);
    assert_broken(
        "voices.xls",
        &circle,
        "the chain of the stream Workbook leads out of the file or into another chain",
    );
    let mut free = bytes.clone();
    put(&mut free, table(&bytes) + first as usize * 4, 0xFFFF_FFFF);
    assert_broken("voices.xls", &free, "leads into nothing");
    let mut short = bytes.clone();
    put(&mut short, table(&bytes) + first as usize * 4, 0xFFFF_FFFE);
    assert_broken("voices.xls", &short, "shorter than it says");
    let mut directory = bytes.clone();
    let own = (at - (number(&bytes, 0x30) as usize + 1) * SECTOR) / 128;
    put(&mut directory, at + 0x44, own as u32);
    assert_broken("voices.xls", &directory, "leads in a circle");
}

#[test]
fn records_are_followed() {
    let bytes = sample("voices.xls");
    let start = (number(&bytes, entry(&bytes, "Workbook") + 0x74) as usize + 1) * SECTOR;
    let mut length = bytes.clone();
    length[start + 3] = 0xFF;
    assert_broken("voices.xls", &length, "a record of it is longer than can be");
    // The globals' second record becomes the one that a password leaves.
    let second = start + 4 + usize::from(bytes[start + 2]);
    let mut locked = bytes.clone();
    locked[second..second + 2].copy_from_slice(&[0x2F, 0]);
    assert_eq!(opens("voices.xls", &locked).0, Opens::Protected);
    // A table of before there were compound files.
    let old = [0x09, 0, 4, 0, 2, 0, 0x10, 0, 0x0A, 0, 0, 0];
    assert_eq!(opens("old.xls", &old).0, Opens::Sound);
    assert_eq!(opens("old.xls", &old[..10]).0, Opens::Broken);
}

#[test]
fn words_text_lies_in_its_stream() {
    let bytes = sample("rehearsal.doc");
    let start = (number(&bytes, entry(&bytes, "WordDocument") + 0x74) as usize + 1) * SECTOR;
    let mut magic = bytes.clone();
    magic[start] = 0;
    assert_broken("a.doc", &magic, "does not begin as Word's does");
    let mut locked = bytes.clone();
    locked[start + 0x0b] |= 1;
    assert_eq!(opens("a.doc", &locked).0, Opens::Protected);
    let mut pieces = bytes.clone();
    put(&mut pieces, start + 0x1a2, 0);
    assert_broken("a.doc", &pieces, "");
}
