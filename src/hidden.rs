//! Characters that may not be shown as they are, and names without them.

use std::borrow::Cow;
use std::fmt::Write;

/// `name` as it may be shown: what is hidden is written `\u{202E}`, in upper case with at least four digits, and the
/// backslash itself `\\`, so that two names never look the same because of what can't be seen.
pub(crate) fn visible(name: &str) -> Cow<'_, str> {
    if is_plain(name) && !name.as_bytes().contains(&b'\\') || !name.chars().any(|c| c == '\\' || is_hidden(c)) {
        return Cow::Borrowed(name);
    }
    let mut text = String::with_capacity(name.len() + 8);
    name.chars().for_each(|c| push(&mut text, c));
    Cow::Owned(text)
}

/// Whether single bytes tell that nothing in it is hidden, as they do of most texts of which there are millions: none
/// is a control or begins characters in UTF-8 some of which are hidden.
pub(crate) fn is_plain(text: &str) -> bool {
    let is_plain = |byte| {
        matches!(
            byte,
            b' '..=b'~' | 0x80..=0xC1 | 0xC3..=0xCC | 0xCE..=0xD7 | 0xD9..=0xE0 | 0xE4..=0xEE
        )
    };
    // It goes on to the end whatever it finds, so that many bytes can be looked at in one step.
    text.bytes().fold(true, |plain, byte| plain & is_plain(byte))
}

/// Adds a character of a name as it may be shown.
pub(crate) fn push(text: &mut String, c: char) {
    match c {
        '\\' => text.push_str(r"\\"),
        c if is_hidden(c) => push_value(text, u32::from(c)),
        c => text.push(c),
    }
}

/// Adds a character by its number.
pub(crate) fn push_value(text: &mut String, value: u32) {
    // Writing to a String can't fail.
    let _ = write!(text, "\\u{{{value:04X}}}");
}

/// Characters that steer the terminal or the text's direction, or that are not seen: controls, line separators,
/// bidirectional controls and everything that Unicode lets a font leave out (`Default_Ignorable_Code_Point`), with
/// the invisible format characters beside it, and the two that no XML may hold. Visible format characters, such as the
/// Arabic number signs, are text.
pub(crate) fn is_hidden(c: char) -> bool {
    if matches!(c, ' '..='~') {
        return false;
    }
    matches!(
        c,
        // C0, delete, C1.
        '\0'..='\x1F' | '\x7F'..='\u{9F}'
        // Soft hyphen, grapheme joiner, Arabic letter mark, Hangul fillers, Khmer inherent vowels.
        | '\u{AD}' | '\u{34F}' | '\u{61C}' | '\u{115F}'..='\u{1160}' | '\u{17B4}'..='\u{17B5}'
        // Mongolian variation selectors and vowel separator.
        | '\u{180B}'..='\u{180F}'
        // Zero-width space and joiners, direction marks; separators, embeddings, overrides; word joiner to isolates.
        | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}'
        // Hangul filler, variation selectors, byte-order mark, half-width filler, interlinear marks.
        | '\u{3164}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFA0}' | '\u{FFF0}'..='\u{FFFB}'
        | '\u{FFFE}'..='\u{FFFF}'
        // Controls of hieroglyphs, shorthand and musical notation; tags and further variation selectors.
        | '\u{13430}'..='\u{1343F}' | '\u{1BCA0}'..='\u{1BCA3}' | '\u{1D173}'..='\u{1D17A}' | '\u{E0000}'..='\u{E0FFF}'
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_hidden_character_is_plain() {
        let is_plain = |c: char| is_plain(c.encode_utf8(&mut [0; 4]));
        assert_eq!(('\0'..=char::MAX).find(|c| is_plain(*c) && is_hidden(*c)), None);
        assert!("aÄéλж字한".chars().all(is_plain));
    }
}
