//! No content makes a check panic or run on: every small sample, cut at every length and changed at every byte.

use std::path::PathBuf;

use crate::content::formats::{Opens, Strength, Verdict, examine};

fn verdict(name: &str, bytes: &[u8]) -> Verdict {
    examine(name, &bytes.to_vec(), &()).unwrap()
}

/// The samples that are pictures, smaller than `most` bytes.
fn samples(most: usize) -> Vec<(String, Vec<u8>)> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("test-images/content/samples");
    let kinds = ["jpeg-", "png-", "gif-", "bmp-", "tiff-", "webp-", "psd-", "raw-"];
    let mut all: Vec<(String, Vec<u8>)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.file_name().into_string().unwrap(), std::fs::read(entry.path()).unwrap()))
        .filter(|(name, bytes)| kinds.iter().any(|kind| name.starts_with(kind)) && bytes.len() < most)
        .collect();
    all.sort();
    all
}

#[test]
fn no_cut_and_no_changed_byte_makes_a_check_panic() {
    let samples = samples(3 * 1024);
    assert!(samples.len() >= 8, "{}", samples.len());
    for (name, bytes) in &samples {
        assert_eq!(verdict(name, bytes).opens, Opens::Sound, "{name}");
        for length in 0..bytes.len() {
            assert_ne!(verdict(name, &bytes[..length]).opens, Opens::Sound, "{name} cut at {length}");
        }
        for at in 0..bytes.len() {
            let mut changed = bytes.clone();
            for value in [0, 0xff, bytes[at] ^ 1] {
                changed[at] = value;
                verdict(name, &changed);
            }
        }
    }
}

#[test]
fn the_larger_ones_are_changed_at_their_beginning() {
    for (name, bytes) in samples(20 * 1024).iter().filter(|(_, bytes)| bytes.len() >= 3 * 1024) {
        for at in (0..700).step_by(5) {
            let mut changed = bytes.clone();
            for value in [0, 0xff] {
                changed[at] = value;
                verdict(name, &changed);
            }
        }
    }
}

/// What an independent decoder says in its strict mode.
fn outside_opinion(bytes: &[u8]) -> bool {
    use zune_jpeg::zune_core::{bytestream::ZCursor, options::DecoderOptions};
    let options = DecoderOptions::new_safe().set_strict_mode(true);
    zune_jpeg::JpegDecoder::new_with_options(ZCursor::new(bytes), options).decode().is_ok()
}

#[test]
fn a_strict_decoder_finds_nothing_that_is_not_found_here() {
    let mut broken = 0;
    for (name, bytes) in samples(16 * 1024).iter().filter(|(name, _)| name.ends_with(".jpg")) {
        assert!(outside_opinion(bytes), "{name}");
        for at in (0..bytes.len()).step_by(149) {
            let mut changed = bytes.clone();
            changed[at] ^= 0x10;
            let opens = verdict(name, &changed).opens;
            broken += u32::from(opens == Opens::Broken);
            assert!(opens != Opens::Sound || outside_opinion(&changed), "{name} at {at}");
        }
    }
    assert!(broken > 10, "{broken}");
}

#[test]
fn checksums_notice_every_changed_byte() {
    for (name, bytes) in samples(3 * 1024).iter().filter(|(name, _)| name.ends_with(".png")) {
        assert_eq!(verdict(name, bytes).strength, Some(Strength::Checksum), "{name}");
        for at in 0..bytes.len() {
            let mut changed = bytes.clone();
            changed[at] ^= 1;
            assert_eq!(verdict(name, &changed).opens, Opens::Broken, "{name} at {at}");
        }
    }
}
