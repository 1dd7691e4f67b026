//! Names on a screen: what a name holds can't move the cursor, turn the line's direction round or hide.
//!
//! Such characters are written `\u{202E}`, in hexadecimal and upper case with at least four digits, and the backslash
//! itself is written `\\`. So two different names never look the same because of what can't be seen, and what is
//! printed can be turned back ([`unescape`]).

use std::borrow::Cow;

pub(super) use crate::hidden::is_hidden;
use crate::hidden::{is_plain, push, push_value, visible};

/// `name` as it may be printed; itself if nothing in it has to be escaped.
#[must_use]
pub fn for_terminal(name: &str) -> Cow<'_, str> {
    visible(name)
}

/// A name stored as UTF-16 units as it may be printed. Half a surrogate pair is written by its value, `\u{D83D}`.
#[must_use]
pub fn for_terminal_units(units: &[u16]) -> String {
    let mut text = String::with_capacity(units.len());
    for decoded in char::decode_utf16(units.iter().copied()) {
        match decoded {
            Ok(c) => push(&mut text, c),
            Err(error) => push_value(&mut text, u32::from(error.unpaired_surrogate())),
        }
    }
    text
}

/// A line of text, such as a message, in which every character that could steer the terminal is escaped. The backslash
/// stays as it is, so that a path of Windows can be read, and what was escaped before stays the same; a name that
/// must be told from any other goes through [`for_terminal`] first.
#[must_use]
pub fn line(text: &str) -> Cow<'_, str> {
    if is_plain(text) || !text.chars().any(is_hidden) {
        return Cow::Borrowed(text);
    }
    let mut safe = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        if is_hidden(c) { push_value(&mut safe, u32::from(c)) } else { safe.push(c) }
    }
    Cow::Owned(safe)
}

/// The UTF-16 units of the name that was printed as `text`; `None` if a backslash in it begins no escape of ours.
#[must_use]
pub fn unescape(text: &str) -> Option<Vec<u16>> {
    let mut units = Vec::with_capacity(text.len());
    let mut buffer = [0; 2];
    let mut rest = text;
    while let Some(at) = rest.find('\\') {
        let (plain, escape) = rest.split_at(at);
        units.extend(plain.encode_utf16());
        if let Some(after) = escape.strip_prefix(r"\\") {
            units.push(u16::from(b'\\'));
            rest = after;
            continue;
        }
        let (digits, after) = escape.strip_prefix(r"\u{")?.split_once('}')?;
        // A sign would pass as part of a number.
        if !(1..=6).contains(&digits.len()) || !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
            return None;
        }
        let value = u32::from_str_radix(digits, 16).ok()?;
        match u16::try_from(value) {
            Ok(unit) => units.push(unit),
            Err(_) => units.extend_from_slice(char::from_u32(value)?.encode_utf16(&mut buffer)),
        }
        rest = after;
    }
    units.extend(rest.encode_utf16());
    Some(units)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Prints `name`, checks that it can be turned back, and that both ways of printing agree.
    fn shown(name: &str) -> String {
        let text = for_terminal(name).into_owned();
        let units: Vec<u16> = name.encode_utf16().collect();
        assert_eq!(unescape(&text), Some(units.clone()), "{name:?}");
        assert_eq!(for_terminal_units(&units), text);
        assert!(!text.chars().any(is_hidden));
        text
    }

    #[test]
    fn an_ordinary_name_is_borrowed() {
        for name in ["", "Résumé (2).docx", "写真.jpg", "\u{1F600}", "100% {u}", "\u{600}"] {
            assert!(matches!(for_terminal(name), Cow::Borrowed(text) if text == name));
            shown(name);
        }
    }

    #[test]
    fn escape_sequences_do_not_reach_the_terminal() {
        assert_eq!(shown("\x1B[2J\x1B]0;title\x07"), r"\u{001B}[2J\u{001B}]0;title\u{0007}");
        assert_eq!(shown("\u{9B}31m"), r"\u{009B}31m", "the one-character form");
    }

    #[test]
    fn lines_are_not_forged() {
        assert_eq!(shown("a\nwhole  b"), r"a\u{000A}whole  b");
        assert_eq!(shown("damaged\rwhole"), r"damaged\u{000D}whole");
        assert_eq!(shown("a\u{2028}b\u{2029}c\u{85}d\x0Be"), r"a\u{2028}b\u{2029}c\u{0085}d\u{000B}e");
    }

    #[test]
    fn text_is_not_rubbed_out() {
        assert_eq!(shown("bad\x08\x08\x08good\x7F\0\t"), r"bad\u{0008}\u{0008}\u{0008}good\u{007F}\u{0000}\u{0009}");
    }

    #[test]
    fn direction_is_not_turned_round() {
        assert_eq!(shown("photo\u{202E}gpj.exe"), r"photo\u{202E}gpj.exe");
        for c in
            "\u{200E}\u{200F}\u{202A}\u{202B}\u{202C}\u{202D}\u{202E}\u{2066}\u{2067}\u{2068}\u{2069}\u{61C}".chars()
        {
            assert_eq!(shown(&format!("a{c}b")), format!("a\\u{{{:04X}}}b", u32::from(c)));
        }
    }

    #[test]
    fn nothing_hides() {
        for c in "\u{200B}\u{200C}\u{200D}\u{2060}\u{FEFF}\u{AD}\u{34F}\u{3164}\u{FFA0}\u{FE0F}\u{180E}\u{FFF9}".chars()
        {
            assert_eq!(shown(&format!("a{c}b")), format!("a\\u{{{:04X}}}b", u32::from(c)));
        }
        assert_eq!(
            shown("\u{E0041}\u{E0100}\u{1D173}"),
            r"\u{E0041}\u{E0100}\u{1D173}",
            "tags carry whole hidden texts"
        );
    }

    #[test]
    fn a_name_can_not_pretend_to_be_escaped() {
        assert_eq!(shown(r"\u{202E}"), r"\\u{202E}");
        assert_eq!(shown("\\\u{202E}\\"), r"\\\u{202E}\\");
    }

    #[test]
    fn a_message_keeps_its_backslashes_and_loses_its_controls() {
        assert_eq!(line(r"cannot read `C:\images\disk.img`"), r"cannot read `C:\images\disk.img`");
        assert_eq!(line("no `a\n\x1B[2Jb`"), r"no `a\u{000A}\u{001B}[2Jb`");
        let name = for_terminal("a\u{202E}");
        assert_eq!(line(&name), name, "what was escaped before stays");
    }

    #[test]
    fn half_a_surrogate_pair_is_shown_by_value() {
        let units = [0x61, 0xD83D, 0x62, 0xDE00];
        let text = for_terminal_units(&units);
        assert_eq!(text, r"a\u{D83D}b\u{DE00}");
        assert_eq!(unescape(&text).as_deref(), Some(&units[..]));
    }

    #[test]
    fn what_we_never_print_is_not_turned_back() {
        for text in
            [r"\", r"a\n", r"\u", r"\u{", r"\u{}", r"\u{+41}", r"\u{110000}", r"\u{0000041}", r"\u{xyz}", r"\u{41"]
        {
            assert_eq!(unescape(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_units_can_be_turned_back(units in prop::collection::vec(any::<u16>(), 0..40)) {
            let text = for_terminal_units(&units);
            prop_assert!(!text.chars().any(is_hidden));
            prop_assert_eq!(unescape(&text), Some(units));
        }

        #[test]
        fn any_text_can_be_turned_back(name in "[\\\\{}uU+0-9A-F\u{202E}\u{200B}\n\u{1F600}\u{E0041}]{0,12}") {
            shown(&name);
        }

        #[test]
        fn any_printed_text_is_read_without_panic(text in any::<String>()) {
            let _ = unescape(&text);
        }
    }
}
