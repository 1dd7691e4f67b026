//! Names: short ones by code page, long ones from their pieces, and the checksum that ties them together.

use super::structures::ShortEntry;
use crate::filesystem::CodePage;

/// The checksum that each piece of a long name has of the eleven bytes of the entry's own name, as stored (FAT
/// specification, "Long name checksum").
pub(super) fn checksum(name: &[u8; 11]) -> u8 {
    name.iter().fold(0_u8, |sum, byte| sum.rotate_right(1).wrapping_add(*byte))
}

/// The first byte that gives a name this checksum: of the 256 there is exactly one, as the rest is fixed.
pub(super) fn first_byte(name: &[u8; 11], wanted: u8) -> u8 {
    let mut name = *name;
    for byte in 0..=u8::MAX {
        if let Some(first) = name.first_mut() {
            *first = byte;
        }
        if checksum(&name) == wanted {
            return byte;
        }
    }
    // Rotating and adding are one-to-one: some byte was right.
    0
}

/// The name of an entry without a long one. `first` is its first byte, which deletion overwrites; `None` if it is lost.
pub(super) fn short_name(entry: &ShortEntry, first: Option<u8>, codepage: CodePage) -> String {
    let mut stored = entry.name;
    if let Some(slot) = stored.first_mut() {
        *slot = match first {
            // The stored 05h stands for E5h, which would mean "deleted".
            Some(0x05) => 0xe5,
            Some(byte) => byte,
            None => b'?',
        };
    }
    let (base, extension) = stored.split_at_checked(8).unwrap_or((&stored, &[]));
    let part = |bytes: &[u8], lower: bool| {
        let end = bytes.iter().rposition(|byte| *byte != b' ').map_or(0, |last| last.saturating_add(1));
        let text = codepage.decode(bytes.get(..end).unwrap_or_default());
        if lower { text.to_lowercase() } else { text }
    };
    let mut name = part(base, entry.flags & ShortEntry::LOWER_BASE != 0);
    let extension = part(extension, entry.flags & ShortEntry::LOWER_EXTENSION != 0);
    if !extension.is_empty() {
        name.push('.');
        name.push_str(&extension);
    }
    name
}

/// A volume's label.
pub(super) fn label(stored: &[u8; 11], codepage: CodePage) -> Option<String> {
    let mut stored = *stored;
    if let Some(first) = stored.first_mut().filter(|first| **first == 0x05) {
        *first = 0xe5;
    }
    let end = stored.iter().rposition(|byte| !matches!(*byte, b' ' | 0)).map_or(0, |last| last.saturating_add(1));
    let text = codepage.decode(stored.get(..end).unwrap_or_default());
    // What formatting writes where no label was given.
    (!text.is_empty() && text != "NO NAME").then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(name: &[u8; 11], flags: u8) -> ShortEntry {
        let mut bytes = [0; 32];
        bytes[..11].copy_from_slice(name);
        bytes[12] = flags;
        ShortEntry::from_bytes(&bytes).unwrap()
    }

    /// Sums that mtools stored, and two by the specification's own function.
    #[test]
    fn checksums_as_mtools_stores_them() {
        for (name, sum) in [
            (b"THEQUI~1FOX", 0x07),
            (b"THIRTE~1   ", 0xd4),
            (b"FOO     BAR", 0x53),
            (b"README  TXT", 0x73),
            (b"\xe5LPHA   TXT", 0x9d),
            (b"\x05LPHA   TXT", 0x67),
        ] {
            assert_eq!(checksum(name), sum, "{name:?}");
            assert_eq!(first_byte(b"\0HEQUI~1FOX", 0x07), b'T');
        }
    }

    #[test]
    fn short_names_by_page_and_case() {
        let page = |number| CodePage::new(number).unwrap();
        let name = |stored, flags, number| {
            let entry = entry(stored, flags);
            short_name(&entry, Some(stored[0]), page(number))
        };
        assert_eq!(name(b"README  TXT", 0, 437), "README.TXT");
        assert_eq!(name(b"README  TXT", 0x08, 437), "readme.TXT");
        assert_eq!(name(b"README  TXT", 0x10, 437), "README.txt");
        assert_eq!(name(b"README     ", 0x18, 437), "readme");
        assert_eq!(name(b"\x05BC     TXT", 0, 437), "σBC.TXT");
        assert_eq!(name(b"\x05BC     TXT", 0, 850), "ÕBC.TXT");
        assert_eq!(name(b"CH\x99R    TXT", 0x18, 850), "chör.txt");
        assert_eq!(name(b"A B     T T", 0, 437), "A B.T T");
        assert_eq!(short_name(&entry(b"\xe5HOTO   JPG", 0), None, page(437)), "?HOTO.JPG");
    }

    #[test]
    fn labels_lose_their_padding() {
        let page = CodePage::default();
        assert_eq!(label(b"CHOIR      ", page).as_deref(), Some("CHOIR"));
        assert_eq!(label(b"NO NAME    ", page), None);
        assert_eq!(label(b"           ", page), None);
        assert_eq!(label(b"MY CARD\0\0\0\0", page).as_deref(), Some("MY CARD"));
    }
}
