//! Words and values of a PDF (ISO 32000-1, 7.2 and 7.3).

use crate::bytes::{at_most, to_u64};
use crate::content::formats::{Step, Subject, broken, unchecked};

/// How much is read ahead, in bytes.
const AHEAD: usize = 1 << 12;

/// Arrays stand in dictionaries in arrays; more than this is no document.
const DEEPEST: usize = 100;

/// As many entries of an array or dictionary are kept; what a check asks for is never longer.
const MOST_KEPT: usize = 1 << 12;

/// As much of a name or a word is kept (ISO 32000-1, annex C: names have at most 127 bytes).
const LONGEST_WORD: usize = 128;

/// The longest value that is read, in bytes: what is long in a PDF is in streams.
const LONGEST_VALUE: u64 = 1 << 26;

/// Where bytes come from: the file, or a part of it that was unpacked.
pub(super) enum Input<'a> {
    File(&'a Subject<'a>),
    Unpacked(&'a [u8]),
}

/// Bytes as words.
pub(super) struct Lexer<'a> {
    input: Input<'a>,
    at: u64,
    piece: Vec<u8>,
    piece_at: u64,
    end: u64,
}

/// A value, as far as a check needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Value {
    Number(i64),
    Name(Vec<u8>),
    /// An object's number and generation.
    Reference(u32, u32),
    Array(Vec<Self>),
    Dictionary(Vec<(Vec<u8>, Self)>),
    /// Texts, true, false, null, numbers with a point.
    Other,
}

impl Value {
    pub(super) fn number(&self) -> Option<u64> {
        match self {
            Self::Number(number) => u64::try_from(*number).ok(),
            _ => None,
        }
    }

    /// An entry of a dictionary.
    pub(super) fn get(&self, key: &[u8]) -> Option<&Self> {
        match self {
            Self::Dictionary(entries) => entries.iter().find(|(name, _)| name == key).map(|(_, value)| value),
            _ => None,
        }
    }

    /// The values of an array, or the value itself.
    pub(super) fn list(&self) -> &[Self] {
        match self {
            Self::Array(values) => values,
            other => std::slice::from_ref(other),
        }
    }
}

pub(super) fn is_blank(byte: u8) -> bool {
    matches!(byte, 0 | b'\t' | b'\n' | 0x0C | b'\r' | b' ')
}

fn is_delimiter(byte: u8) -> bool {
    matches!(byte, b'(' | b')' | b'<' | b'>' | b'[' | b']' | b'{' | b'}' | b'/' | b'%')
}

impl<'a> Lexer<'a> {
    pub(super) fn new(input: Input<'a>, at: u64) -> Self {
        let end = match &input {
            Input::File(subject) => subject.size(),
            Input::Unpacked(bytes) => to_u64(bytes.len()),
        };
        Self { input, at, piece: Vec::new(), piece_at: 0, end }
    }

    pub(super) fn position(&self) -> u64 {
        self.at
    }

    pub(super) fn go(&mut self, at: u64) {
        self.at = at;
    }

    /// The byte at `at`; `None` at the end.
    fn byte(&mut self, at: u64) -> Step<Option<u8>> {
        if at >= self.end {
            return Ok(None);
        }
        if let Input::Unpacked(bytes) = self.input {
            return Ok(bytes.get(at_most(at, usize::MAX)).copied());
        }
        let inside = at.checked_sub(self.piece_at).filter(|inside| *inside < to_u64(self.piece.len()));
        let inside = match (inside, &self.input) {
            (Some(inside), _) => inside,
            (None, Input::File(subject)) => {
                self.piece = subject.up_to(at, AHEAD)?;
                self.piece_at = at;
                0
            }
            (None, Input::Unpacked(_)) => 0,
        };
        Ok(self.piece.get(at_most(inside, usize::MAX)).copied())
    }

    fn peek(&mut self) -> Step<Option<u8>> {
        self.byte(self.at)
    }

    pub(super) fn next(&mut self) -> Step<Option<u8>> {
        let byte = self.peek()?;
        self.at = self.at.saturating_add(u64::from(byte.is_some()));
        Ok(byte)
    }

    /// Goes past blanks and comments.
    pub(super) fn skip_blanks(&mut self) -> Step<()> {
        while let Some(byte) = self.peek()? {
            if byte == b'%' {
                while let Some(byte) = self.peek()?
                    && !matches!(byte, b'\n' | b'\r')
                {
                    self.next()?;
                }
            } else if is_blank(byte) {
                self.next()?;
            } else {
                break;
            }
        }
        Ok(())
    }

    /// Whether `word` stands next; goes past it if so.
    pub(super) fn accept(&mut self, word: &[u8]) -> Step<bool> {
        for (at, expected) in (self.at..).zip(word) {
            if self.byte(at)? != Some(*expected) {
                return Ok(false);
            }
        }
        self.at = self.at.saturating_add(to_u64(word.len()));
        Ok(true)
    }

    /// The next word of ordinary characters; of a long one the beginning.
    pub(super) fn word(&mut self) -> Step<Vec<u8>> {
        let mut word = Vec::new();
        while let Some(byte) = self.peek()?
            && !is_blank(byte)
            && !is_delimiter(byte)
        {
            if word.len() < LONGEST_WORD {
                word.push(byte);
            }
            self.next()?;
        }
        Ok(word)
    }

    /// A whole number, if one stands next; else nothing is passed but blanks.
    pub(super) fn number(&mut self) -> Step<Option<u64>> {
        self.skip_blanks()?;
        let start = self.at;
        let word = self.word()?;
        let number = whole(&word).and_then(|number| u64::try_from(number).ok());
        if number.is_none() {
            self.at = start;
        }
        Ok(number)
    }

    /// The value that stands next.
    pub(super) fn value(&mut self) -> Step<Value> {
        let start = self.at;
        self.value_in(start, 0)
    }

    fn value_in(&mut self, start: u64, depth: usize) -> Step<Value> {
        self.skip_blanks()?;
        if depth > DEEPEST {
            return broken(self.at, "values stand in values without end");
        }
        if self.at.saturating_sub(start) > LONGEST_VALUE {
            return unchecked("a value of it is too long to be looked at");
        }
        match self.peek()? {
            Some(b'/') => {
                self.next()?;
                Ok(Value::Name(self.word()?))
            }
            Some(b'(') => self.text(),
            Some(b'[') => {
                self.next()?;
                let mut values = Vec::new();
                while !self.closes(b"]")? {
                    let value = self.value_in(start, depth.saturating_add(1))?;
                    if values.len() < MOST_KEPT {
                        values.push(value);
                    }
                }
                Ok(Value::Array(values))
            }
            Some(b'<') if self.accept(b"<<")? => {
                let mut entries = Vec::new();
                while !self.closes(b">>")? {
                    let Value::Name(key) = self.value_in(start, depth.saturating_add(1))? else {
                        return broken(self.at, "a dictionary has something else than a name before a value");
                    };
                    // A key without a value ends some dictionaries.
                    self.skip_blanks()?;
                    if self.closes(b">>")? {
                        break;
                    }
                    let value = self.value_in(start, depth.saturating_add(1))?;
                    if entries.len() < MOST_KEPT {
                        entries.push((key, value));
                    }
                }
                Ok(Value::Dictionary(entries))
            }
            Some(b'<') => self.hex(),
            Some(_) => self.simple(),
            None => broken(self.at, "the file ends within a value"),
        }
    }

    fn closes(&mut self, mark: &[u8]) -> Step<bool> {
        self.skip_blanks()?;
        self.accept(mark)
    }

    /// A number, a reference, or a word.
    fn simple(&mut self) -> Step<Value> {
        let at = self.at;
        let word = self.word()?;
        if word.is_empty() {
            return broken(at, "something stands where a value should");
        }
        let Some(number) = whole(&word) else {
            let known = matches!(word.as_slice(), b"true" | b"false" | b"null");
            let real = word.iter().all(|byte| matches!(byte, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E'));
            return if known || real { Ok(Value::Other) } else { broken(at, "something stands where a value should") };
        };
        // It may be the first of the three words of a reference.
        let behind = self.at;
        if let (Ok(object), Some(generation)) = (u32::try_from(number), self.number()?) {
            self.skip_blanks()?;
            let is_reference = self.word()? == b"R";
            if let (true, Ok(generation)) = (is_reference, u32::try_from(generation)) {
                return Ok(Value::Reference(object, generation));
            }
        }
        self.at = behind;
        Ok(Value::Number(number))
    }

    /// A text in parentheses (ISO 32000-1, 7.3.4.2).
    fn text(&mut self) -> Step<Value> {
        let start = self.at;
        let mut open = 0_u64;
        while let Some(byte) = self.next()? {
            match byte {
                b'\\' => {
                    self.next()?;
                }
                b'(' => open = open.saturating_add(1),
                b')' => {
                    open = open.saturating_sub(1);
                    if open == 0 {
                        return Ok(Value::Other);
                    }
                }
                _ => {}
            }
            if self.at.saturating_sub(start) > LONGEST_VALUE {
                return unchecked("a value of it is too long to be looked at");
            }
        }
        broken(start, "a text does not end")
    }

    fn hex(&mut self) -> Step<Value> {
        let start = self.at;
        self.next()?;
        while let Some(byte) = self.next()? {
            if byte == b'>' {
                return Ok(Value::Other);
            }
            if !byte.is_ascii_hexdigit() && !is_blank(byte) {
                return broken(self.at.saturating_sub(1), "a text in hexadecimal has other characters");
            }
        }
        broken(start, "a text does not end")
    }
}

/// A word as a whole number.
fn whole(word: &[u8]) -> Option<i64> {
    std::str::from_utf8(word).ok()?.parse().ok()
}
