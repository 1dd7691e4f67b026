use crate::content::formats::documents::testing::{assert_broken, broken_everywhere, opens, sample, verdict};
use crate::content::formats::{Opens, Strength};

#[test]
fn samples_are_sound_and_broken_anywhere_nothing_panics() {
    for (name, step, strength, most_cuts) in [
        ("small.7z", 1, Strength::Structure, 0),
        ("rar5-subdirs.rar", 1, Strength::Structure, 0),
        ("small.cab", 7, Strength::Checksum, 0),
        ("small.iso", 397, Strength::Structure, 0),
        // Behind the first block of zeros nothing is needed.
        ("sparse.tar", 11, Strength::Structure, 1024 / 11),
    ] {
        let bytes = sample(name);
        let found = verdict(name, &bytes);
        assert_eq!((found.opens, found.strength), (Opens::Sound, Some(strength)), "{name}: {found:?}");
        let (cuts, _) = broken_everywhere(name, &bytes, step);
        assert!(cuts <= most_cuts, "{name}: {cuts}");
    }
    assert_eq!(opens("a.rar", &sample("protected names 3.rar")).0, Opens::Protected);
}

#[test]
fn every_byte_of_a_cabinets_blocks_is_summed() {
    let bytes = sample("small.cab");
    let start = usize::from(u16::from_le_bytes([bytes[36], bytes[37]])) + 8;
    for at in (start..bytes.len()).step_by(17) {
        let mut changed = bytes.clone();
        changed[at] ^= 0x20;
        assert_broken("small.cab", &changed, "contradicts its checksum");
    }
    assert_eq!(opens("setup.cab", b"ISc(and more").0, Opens::Unchecked);
}

#[test]
fn lists_and_headers_contradict_their_checksums() {
    let mut seven = sample("small.7z");
    let last = seven.len() - 1;
    seven[last] ^= 1;
    assert_broken("a.7z", &seven, "the list at its end contradicts its checksum");
    seven[20] ^= 1;
    assert_broken("a.7z", &seven, "its header contradicts its checksum");
    let mut rar = sample("rar5-subdirs.rar");
    rar[15] ^= 1;
    assert_broken("a.rar", &rar, "a header of it contradicts its checksum");
    let mut tar = sample("sparse.tar");
    tar[5] ^= 1;
    assert_broken("a.tar", &tar, "does not open");
}

/// A header of a member of this kind and size.
fn header(kind: u8, size: u64) -> Vec<u8> {
    let mut block = vec![0; 512];
    block[..5].copy_from_slice(b"alto\0");
    block[124..136].copy_from_slice(format!("{size:011o}\0").as_bytes());
    block[148..156].fill(b' ');
    block[156] = kind;
    let sum: u32 = block.iter().map(|byte| u32::from(*byte)).sum();
    block[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    block
}

#[test]
fn a_tar_is_walked_to_its_end() {
    let end = vec![0; 1024];
    let sound = [header(b'0', 600), vec![7; 1024], header(b'5', 0), end.clone()].concat();
    assert_eq!(opens("a.tar", &sound), (Opens::Sound, String::new()));
    assert_broken("a.tar", &sound[..sound.len() - 1024], "its end is missing");
    assert_broken("a.tar", &sound[..700], "the file ends within a file in it");
    // A size that a list of properties says: 20 bytes of it, in one block.
    let list = [b"16 size=00000600\n".to_vec(), vec![0; 512 - 17]].concat();
    let long = [header(b'x', 17), list, header(b'0', 0), vec![7; 1024], end].concat();
    assert_eq!(opens("a.tar", &long), (Opens::Sound, String::new()));
}

#[test]
fn an_access_database_has_whole_pages() {
    let mut bytes = vec![1; 4096 * 3];
    bytes[..24].copy_from_slice(b"\0\x01\0\0Standard Jet DB\0\x01\0\0\0");
    assert_eq!(verdict("a.mdb", &bytes).strength, Some(Strength::Opening));
    assert_broken("a.mdb", &bytes[..9000], "ends within a page");
    bytes[8192] = 0xEE;
    assert_broken("a.mdb", &bytes, "page 2 is of no kind");
}
