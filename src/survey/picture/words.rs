//! Names as they stand in a picture.

use std::fmt::Write;

use crate::hidden::is_hidden;

/// A name of which nothing hides, steers or turns the direction of writing, cut to `longest` characters. What can't
/// be shown is written by its number, `\u{202E}`.
#[must_use]
pub fn readable(name: &str, longest: usize) -> String {
    let mut text = String::new();
    let mut count = 0;
    for c in name.chars() {
        let mut shown = String::new();
        // The last two may not stand in XML.
        if is_hidden(c) || matches!(c, '\u{FFFE}' | '\u{FFFF}') {
            // Writing to a String can't fail.
            let _ = write!(shown, "\\u{{{:04X}}}", u32::from(c));
        } else {
            shown.push(c);
        }
        let width = shown.chars().count();
        if count + width > longest {
            while count + 3 > longest && text.pop().is_some() {
                count -= 1;
            }
            text.push_str("...");
            break;
        }
        text.push_str(&shown);
        count += width;
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_harmless_and_short() {
        assert_eq!(readable("Chor", 10), "Chor");
        assert_eq!(readable("a\u{202E}b\n", 40), "a\\u{202E}b\\u{000A}");
        assert_eq!(readable(&"x".repeat(255), 12), "xxxxxxxxx...");
        assert_eq!(readable("twelve chars", 12), "twelve chars");
        assert_eq!(readable("abc\u{0}", 5), "ab...");
        assert_eq!(readable("", 3), "");
    }
}
