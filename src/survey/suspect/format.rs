//! Which files hold no long blanks, by the ending of the name and the opening bytes.
//!
//! Sources: ITU-T T.81 annex B (JPEG segments); PNG, GIF 89a, WebP (RFC 9649), PDF (ISO 32000-1, 7.5.2), gzip (RFC 1952)
//! signatures; ZIP (APPNOTE 4.3.7); FLAC (RFC 9639 section 8: metadata blocks, padding among them); ID3v2.4 structure,
//! section 3.1 (syncsafe size, padding inside it). That their packed content has no page of zeros is a matter of fact and
//! of no specification: packing exists to leave such things out.

use crate::bytes;

/// How many bytes of a file are looked at to know its format and where its header ends.
pub(super) const HEAD: usize = 1 << 20;

/// A file whose content is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Packed {
    /// Padding may stand before this byte.
    pub(super) header: u64,
    /// Zeros don't occur, but some other sector may stand repeated (blanks in the XML of a PDF).
    pub(super) only_zeros: bool,
}

type Opens = fn(&[u8]) -> bool;
type HeaderEnd = fn(&[u8]) -> u64;

/// Endings, how such a file opens, and where its header ends.
const PACKED: &[(&[&str], Opens, HeaderEnd)] = &[
    (&["jpe", "jpeg", "jpg", "mpo"], |head| head.starts_with(&[0xff, 0xd8, 0xff]), jpeg_header),
    (&["png"], |head| head.starts_with(b"\x89PNG\r\n\x1a\n"), none),
    (&["gif"], |head| head.starts_with(b"GIF87a") || head.starts_with(b"GIF89a"), none),
    (&["webp"], |head| head.starts_with(b"RIFF") && bytes::slice(head, 8, 4) == Some(b"WEBP"), none),
    (
        &["docm", "docx", "epub", "odp", "ods", "odt", "pptm", "pptx", "xlsm", "xlsx"],
        |head| head.starts_with(b"PK\x03\x04"),
        none,
    ),
    (&["pdf"], |head| head.starts_with(b"%PDF-"), none),
    (
        &["mp3"],
        |head| head.starts_with(b"ID3") || matches!(head, [0xff, second, ..] if second & 0xe0 == 0xe0),
        id3_header,
    ),
    (&["flac"], |head| head.starts_with(b"fLaC"), flac_header),
    (&["oga", "ogg", "opus"], |head| head.starts_with(b"OggS"), none),
    (&["gz", "tgz"], |head| head.starts_with(&[0x1f, 0x8b]), none),
    (&["bz2"], |head| head.starts_with(b"BZh"), none),
    (&["xz"], |head| head.starts_with(b"\xfd7zXZ\0"), none),
];

/// Whether a file with this name and opening holds no long blanks; `None` if it may, or if nobody can say. A file that
/// opens with a sector of zeros has lost its opening, and the name speaks alone.
pub(super) fn packed(name: &str, head: &[u8]) -> Option<Packed> {
    let (_, ending) = name.rsplit_once('.')?;
    let ending = ending.to_lowercase();
    let (endings, opens, header) = PACKED.iter().find(|(endings, _, _)| endings.contains(&&*ending))?;
    let lost = head.get(..512).is_some_and(|sector| sector.iter().all(|byte| *byte == 0));
    let only_zeros = endings.contains(&"pdf");
    if lost {
        Some(Packed { header: 0, only_zeros })
    } else {
        opens(head).then(|| Packed { header: header(head), only_zeros })
    }
}

fn none(_: &[u8]) -> u64 {
    0
}

/// Up to the last segment before the scan: a maker's segment may hold padding. 0 if a segment is not where the one before
/// ends: then something is gone.
fn jpeg_header(head: &[u8]) -> u64 {
    let mut at = 2;
    loop {
        match (bytes::u8_at(head, at), bytes::u8_at(head, at + 1)) {
            // SOS: the packed content begins.
            (Some(0xff), Some(0xda)) => return at as u64,
            (Some(0xff), Some(0xff)) => at += 1,
            (Some(0xff), Some(0xc0..=0xfe)) => match bytes::be_u16(head, at + 2) {
                // Each segment counts its own two bytes of length, so the loop goes on.
                Some(length) if length >= 2 => at += 2 + usize::from(length),
                _ => return 0,
            },
            _ => return 0,
        }
    }
}

fn id3_header(head: &[u8]) -> u64 {
    let Some(size) = bytes::slice(head, 6, 4).filter(|_| head.starts_with(b"ID3")) else { return 0 };
    // Its own ten bytes don't count.
    10 + size.iter().fold(0, |sum, byte| (sum << 7) | u64::from(byte & 0x7f))
}

fn flac_header(head: &[u8]) -> u64 {
    let mut at = 4;
    loop {
        let Some([kind, a, b, c]) = bytes::array::<4>(head, at) else { return at as u64 };
        at = at.saturating_add(4).saturating_add((usize::from(a) << 16) | (usize::from(b) << 8) | usize::from(c));
        if kind & 0x80 != 0 {
            return at as u64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn name_and_opening_must_agree() {
        let jpeg = [&[0xff, 0xd8, 0xff, 0xe0, 0, 16][..], &[0; 14], &[0xff, 0xda, 0, 8], &[7; 600]].concat();
        assert_eq!(packed("a.JPG", &jpeg), Some(Packed { header: 20, only_zeros: false }));
        assert_eq!(packed("a.png", &jpeg), None);
        assert_eq!(packed("a.bmp", &jpeg), None);
        assert_eq!(packed("jpg", &jpeg), None);
        assert_eq!(packed("a.jpg", b"GIF89a"), None);
        assert_eq!(packed("a.jpg", &[0; 600]), Some(Packed { header: 0, only_zeros: false }), "its opening is lost");
        assert_eq!(packed("a.bmp", &[0; 600]), None);
        assert_eq!(packed("a.jpg", &[0; 100]), None);
        assert!(packed("a.pdf", b"%PDF-1.4").unwrap().only_zeros);
    }

    #[test]
    fn headers_end_where_the_packed_content_begins() {
        let cut = [0xff, 0xd8, 0xff, 0xe1, 0xff, 0xff];
        assert_eq!(jpeg_header(&cut), 0);
        assert_eq!(jpeg_header(&[0xff, 0xd8, 0xff, 0xe1, 0, 0]), 0);
        assert_eq!(jpeg_header(&[0xff, 0xd8, 0xff, 0xe1, 0, 2, 0, 0]), 0, "a hole where a segment should be");
        // ID3v2.4 section 3.1: four bytes of seven bits; 257 bytes are 00 00 02 01.
        assert_eq!(id3_header(&[b'I', b'D', b'3', 4, 0, 0, 0, 0, 2, 1]), 10 + 257);
        assert_eq!(id3_header(&[0xff, 0xfb, 0x90, 0, 0, 0, 0, 0, 2, 1]), 0);
        // STREAMINFO of 34 bytes, then the last block: padding of 8192.
        let flac = [&b"fLaC"[..], &[0, 0, 0, 34], &[0; 34], &[0x81, 0, 0x20, 0]].concat();
        assert_eq!(flac_header(&flac), 4 + 38 + 4 + 8192);
        assert_eq!(flac_header(b"fLaC"), 4);
    }
}
