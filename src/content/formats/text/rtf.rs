//! RTF (Microsoft, "Rich Text Format Specification", 1.9.1): braces that balance, control words, and stretches of raw
//! bytes that say their length.

use std::io::BufRead as _;

use crate::bytes::to_u64;
use crate::content::formats::{Format, Step, Strength, Subject, broken};

pub(super) const FORMATS: &[Format] = &[Format { name: "RTF", endings: &["rtf"], opens, check }];

/// Zeros in a row that no program writes between control words.
const RUN: u32 = 32;

/// The longest control word with its number (32 letters and 10 digits), and then some.
const LONGEST_WORD: usize = 64;

fn opens(head: &[u8]) -> bool {
    head.starts_with(b"{\\rtf")
}

#[derive(Debug, PartialEq, Eq)]
enum State {
    Text,
    /// Behind a backslash; the word so far.
    Word(Vec<u8>),
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut reader = subject.reader(0..subject.size());
    let mut state = State::Text;
    let (mut depth, mut zeros, mut skip) = (0_u64, 0_u32, 0_u64);
    loop {
        let at = reader.position();
        let piece = match reader.fill_buf() {
            Ok([]) => break,
            Ok(piece) => piece.to_vec(),
            Err(_) => return Err(reader.stop("")),
        };
        reader.consume(piece.len());
        for (index, byte) in piece.iter().enumerate() {
            let place = at.saturating_add(to_u64(index));
            if skip > 0 {
                skip = skip.saturating_sub(1);
                continue;
            }
            zeros = if *byte == 0 { zeros.saturating_add(1) } else { 0 };
            if zeros >= RUN {
                return broken(place.saturating_sub(u64::from(RUN).saturating_sub(1)), "zeros stand in the text");
            }
            if let State::Word(word) = &mut state {
                let more = byte.is_ascii_alphanumeric() || *byte == b'-';
                if word.is_empty() && !byte.is_ascii_alphabetic() {
                    // An escaped character.
                    state = State::Text;
                    continue;
                }
                if more && word.len() < LONGEST_WORD {
                    word.push(*byte);
                    continue;
                }
                skip = raw(word);
                state = State::Text;
                if skip > 0 && *byte == b' ' {
                    continue;
                }
            }
            match byte {
                b'\\' => state = State::Word(Vec::new()),
                b'{' => depth = depth.saturating_add(1),
                b'}' => {
                    depth = depth.saturating_sub(1);
                    if depth == 0 {
                        return Ok(Strength::Structure);
                    }
                }
                _ => {}
            }
        }
    }
    broken(subject.size(), format!("the file ends before its last {depth} braces are closed"))
}

/// How many raw bytes follow a control word: `\binN`.
fn raw(word: &[u8]) -> u64 {
    let number = word.strip_prefix(b"bin").and_then(|number| std::str::from_utf8(number).ok());
    number.and_then(|number| number.parse().ok()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use crate::content::formats::{Opens, examine};

    #[test]
    fn braces_balance_outside_raw_bytes() {
        let opens = |text: &[u8]| examine("a.rtf", &text.to_vec(), &()).unwrap().opens;
        assert_eq!(opens(br"{\rtf1 {\b Altus} \{ \'e4 }"), Opens::Sound);
        assert_eq!(opens(br"{\rtf1 {\bin3 }}}x}"), Opens::Broken);
        assert_eq!(opens(br"{\rtf1 {\bin3 }}}x}}"), Opens::Sound);
        assert_eq!(opens(br"{\rtf1 {\b Altus}"), Opens::Broken);
        assert_eq!(opens(&[br"{\rtf1 ".as_slice(), &[0; 40], b"}"].concat()), Opens::Broken);
    }
}
