//! RTF (Microsoft, Rich Text Format Specification 1.9, "RTF Syntax"): groups in braces, the last one closed at the end.

use std::io::BufRead;

use super::Format;
use crate::content::formats::{Step, Strength, Subject, broken};

/// The format.
pub(super) const FORMATS: &[Format] =
    &[Format { name: "RTF document", endings: &["rtf"], opens: |head| head.starts_with(b"{\\rtf"), check }];

/// The longest word behind a backslash that matters: `bin` with a number.
const LONGEST_WORD: usize = 32;

/// What is being read.
enum State {
    Text,
    /// Behind a backslash.
    Mark,
    /// A word behind a backslash.
    Word(Vec<u8>),
    /// So many bytes that are no text.
    Binary(u64),
}

impl State {
    /// What follows a word that has ended.
    fn behind(word: &[u8]) -> Self {
        let count = word.strip_prefix(b"bin").and_then(|digits| std::str::from_utf8(digits).ok()?.parse().ok());
        match count {
            Some(count) if count > 0 => Self::Binary(count),
            _ => Self::Text,
        }
    }
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut reader = subject.reader(0..subject.size());
    let (mut state, mut depth, mut at) = (State::Text, 0_u64, 0_u64);
    let mut end = None;
    loop {
        let Ok(piece) = reader.fill_buf() else { return Err(reader.stop("it can't be read")) };
        if piece.is_empty() {
            break;
        }
        let count = piece.len();
        for byte in piece {
            if end.is_some() {
                // Programs write a line's end or zeros behind.
                if !matches!(byte, 0 | b'\r' | b'\n' | b' ' | b'\t' | 0x1A) {
                    return broken(at, "something follows its last group");
                }
            } else {
                state = next(state, *byte, &mut depth);
                if depth == 0 && matches!(state, State::Text) {
                    end = Some(at);
                }
            }
            at = at.saturating_add(1);
        }
        reader.consume(count);
    }
    match end {
        Some(_) => Ok(Strength::Structure),
        None => broken(at, format!("the file ends, and {depth} of its groups are still open")),
    }
}

fn next(state: State, byte: u8, depth: &mut u64) -> State {
    match state {
        State::Binary(left) if left > 1 => State::Binary(left.saturating_sub(1)),
        State::Binary(_) => State::Text,
        State::Mark if byte.is_ascii_alphabetic() => State::Word(vec![byte]),
        State::Mark => State::Text,
        State::Word(mut word) if byte.is_ascii_alphanumeric() || byte == b'-' => {
            if word.len() < LONGEST_WORD {
                word.push(byte);
            }
            State::Word(word)
        }
        State::Word(word) => match State::behind(&word) {
            // A blank belongs to the word.
            after if byte == b' ' => after,
            State::Binary(count) if count > 1 => State::Binary(count.saturating_sub(1)),
            State::Binary(_) => State::Text,
            _ => text(byte, depth),
        },
        State::Text => text(byte, depth),
    }
}

fn text(byte: u8, depth: &mut u64) -> State {
    match byte {
        b'\\' => return State::Mark,
        b'{' => *depth = depth.saturating_add(1),
        b'}' => *depth = depth.saturating_sub(1),
        _ => {}
    }
    State::Text
}

#[cfg(test)]
mod tests {
    use crate::content::formats::Opens;
    use crate::content::formats::documents::testing::{assert_broken, broken_everywhere, opens, sample, verdict};

    #[test]
    fn groups_close_at_the_end() {
        let sound = br"{\rtf1 {\b alto} \{ \'7b {\bin3 }{{} bass}";
        assert_eq!(opens("a.rtf", sound), (Opens::Sound, String::new()));
        assert_eq!(opens("a.rtf", &[sound, &b"\r\n\0"[..]].concat()).0, Opens::Sound);
        assert_broken("a.rtf", &[sound, &b"x"[..]].concat(), "something follows");
        assert_broken("a.rtf", &sound[..20], "are still open");
        for length in 1..sound.len() {
            assert_eq!(opens("a.rtf", &sound[..length]).0, Opens::Broken, "{length}");
        }
        assert_eq!(verdict("a.doc", sound).opens, Opens::Mislabelled);
    }

    #[test]
    fn broken_anywhere_nothing_panics() {
        // Behind the last brace is a line's end.
        assert!(broken_everywhere("rehearsal.rtf", &sample("rehearsal.rtf"), 3).0 <= 1);
    }
}
