//! Ogg (RFC 3533), in which Vorbis, Opus, FLAC, Speex and Theora are packed: every page has a CRC over all its bytes.

use std::collections::BTreeMap;

use super::checksums::Crc;
use crate::bytes::{le_u32, to_u64, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] =
    &[Format { name: "OGG", endings: &["ogg", "oga", "ogv", "ogx", "opus", "spx"], opens, check }];

/// The most streams: a film has a few, and a chain of songs one after the other a few hundred.
const MOST_STREAMS: usize = 1 << 16;

/// Bytes of a page before its table of segments.
const HEADER: usize = 27;

fn opens(head: &[u8]) -> bool {
    head.starts_with(b"OggS\0")
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    // The number of each stream's next page.
    let mut streams: BTreeMap<u32, u32> = BTreeMap::new();
    let mut at = 0_u64;
    while at < subject.size() {
        let page = subject.up_to(at, HEADER.saturating_add(255))?;
        if !opens(&page) {
            if is_tag(subject, at, &page)? {
                break;
            }
            return broken(at, "a page does not begin where the one before it ends");
        }
        let segments = usize::from(u8_at(&page, 26).unwrap_or_default());
        let header = HEADER.saturating_add(segments);
        let sizes = page.get(HEADER..header).unwrap_or_default();
        let length = sizes.iter().fold(header, |sum, size| sum.saturating_add(usize::from(*size)));
        // Never more than 27 + 255 + 255 × 255 bytes.
        let page = subject.up_to(at, length)?;
        if sizes.len() != segments || page.len() != length {
            return broken(subject.size(), "the file ends within a page");
        }
        let mut zeroed = page.clone();
        if let Some(field) = zeroed.get_mut(22..26) {
            field.fill(0);
        }
        if le_u32(&page, 22) != Some(Crc::thirty_two().of(&zeroed)) {
            return broken(at, "a page does not agree with its checksum");
        }
        let (Some(flags), Some(serial), Some(number)) = (u8_at(&page, 5), le_u32(&page, 14), le_u32(&page, 18)) else {
            return broken(at, "a page ends too early");
        };
        // A stream begins with flag 2; a chain may use a number again.
        let expected = streams.get(&serial).copied().filter(|_| flags & 2 == 0);
        match expected {
            Some(expected) if expected != number => {
                return broken(at, format!("page {expected} of the sound or film is missing"));
            }
            None if flags & 2 == 0 => return broken(at, "the beginning of the sound or film is missing"),
            _ => {}
        }
        if streams.len() >= MOST_STREAMS {
            return unchecked("it has more streams than can be looked at");
        }
        streams.insert(serial, number.wrapping_add(1));
        at = at.saturating_add(to_u64(length));
    }
    Ok(Strength::Checksum)
}

/// Zeros, or a tag that other programs hang onto any file of sound.
fn is_tag(subject: &Subject<'_>, at: u64, bytes: &[u8]) -> Step<bool> {
    let left = subject.size().saturating_sub(at);
    Ok(left == 128 && bytes.starts_with(b"TAG") || bytes.starts_with(b"APETAGEX"))
}
