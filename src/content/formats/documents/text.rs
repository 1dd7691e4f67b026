//! Names and numbers out of a file, for a sentence about it.

use crate::hidden::is_hidden;

/// The longest name that a sentence bears, in characters.
const LONGEST: usize = 60;

/// A name that stands in a file, fit to be shown: what is hidden or no text becomes `?`, and what is long is cut.
pub(super) fn label(name: &[u8]) -> String {
    let name = String::from_utf8_lossy(name);
    let mut label: String = name.chars().take(LONGEST).map(|c| if is_hidden(c) { '?' } else { c }).collect();
    if name.chars().nth(LONGEST).is_some() {
        label.push('…');
    }
    label
}

/// Where `needle` first stands in `bytes`.
pub(super) fn find(bytes: &[u8], needle: &[u8]) -> Option<usize> {
    bytes.windows(needle.len().max(1)).position(|window| window == needle)
}

/// Where `needle` last stands in `bytes`.
pub(super) fn find_last(bytes: &[u8], needle: &[u8]) -> Option<usize> {
    bytes.windows(needle.len().max(1)).rposition(|window| window == needle)
}

/// Whether `needle` stands in `bytes`.
pub(super) fn holds(bytes: &[u8], needle: &[u8]) -> bool {
    find(bytes, needle).is_some()
}

/// Whether bytes are text, in an encoding of one byte a character or more. A file that lost its beginning has zeros there.
pub(super) fn is_text(bytes: &[u8]) -> bool {
    let wide = bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]);
    wide || bytes.iter().all(|byte| *byte >= b' ' || matches!(byte, b'\t' | b'\n' | 0x0C | b'\r'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_label_can_be_shown() {
        assert_eq!(label(b"choir/alto.txt"), "choir/alto.txt");
        assert_eq!(label("a\u{202E}b\n".as_bytes()), "a?b?");
        assert_eq!(label(&[b'x', 0xFF]), "x\u{FFFD}");
        assert_eq!(label(&[b'x'; 61]).chars().count(), 61);
        assert!(label(&[b'x'; 61]).ends_with('…') && !label(&[b'x'; 60]).ends_with('…'));
    }

    #[test]
    fn text_has_no_zeros() {
        assert!(is_text("Alt\r\nSopran \u{e4}".as_bytes()) && is_text(b"\xFF\xFEa\0") && !is_text(b"a\0"));
    }

    #[test]
    fn places_are_found() {
        assert_eq!((find(b"abcab", b"ab"), find_last(b"abcab", b"ab"), find(b"a", b"ab")), (Some(0), Some(3), None));
        assert!(holds(b"abc", b"bc") && !holds(b"abc", b"cb"));
    }
}
