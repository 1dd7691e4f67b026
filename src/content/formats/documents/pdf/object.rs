//! Objects at their places (ISO 32000-1, 7.3.8 and 7.3.10).

use super::lexer::{Lexer, Value, is_blank};
use crate::content::formats::{Step, broken};

/// So many bytes may stand between a stream's end by its length and the word for it: line ends are miscounted.
const SLACK: u64 = 16;

/// `N G obj`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Header {
    pub(super) at: u64,
    pub(super) number: u64,
    pub(super) generation: u64,
}

/// The head of the object that stands next, if one does.
pub(super) fn header(lexer: &mut Lexer<'_>) -> Step<Option<Header>> {
    lexer.skip_blanks()?;
    let at = lexer.position();
    let (Some(number), Some(generation)) = (lexer.number()?, lexer.number()?) else { return Ok(None) };
    lexer.skip_blanks()?;
    Ok(lexer.accept(b"obj")?.then_some(Header { at, number, generation }))
}

/// Where a stream's bytes begin, if the dictionary before was a stream's.
pub(super) fn stream_start(lexer: &mut Lexer<'_>) -> Step<Option<u64>> {
    lexer.skip_blanks()?;
    if !lexer.accept(b"stream")? {
        return Ok(None);
    }
    // Blanks before the line's end are no part of the stream.
    let at = lexer.position();
    while lexer.accept(b" ")? {}
    if lexer.accept(b"\r\n")? || lexer.accept(b"\n")? || lexer.accept(b"\r")? {
        return Ok(Some(lexer.position()));
    }
    Ok(Some(at))
}

/// Where a stream's bytes end: at its length, or as far from there as line ends are miscounted. The length may stand where
/// it isn't looked for, in a stream of objects: then the word for the end has to do.
pub(super) fn stream_end(lexer: &mut Lexer<'_>, start: u64, length: Option<u64>) -> Step<u64> {
    let Some(end) = length.and_then(|length| start.checked_add(length)) else {
        lexer.go(start);
        loop {
            let at = lexer.position();
            if lexer.accept(b"endstream")? {
                return Ok(at);
            }
            if lexer.next()?.is_none() {
                return broken(start, "a stream does not end");
            }
        }
    };
    lexer.go(end);
    while let Some(byte) = lexer.next()? {
        if !is_blank(byte) {
            lexer.go(lexer.position().saturating_sub(1));
            break;
        }
    }
    if lexer.accept(b"endstream")? {
        return Ok(end);
    }
    let from = end.saturating_sub(SLACK).max(start);
    for at in from..end.saturating_add(SLACK) {
        lexer.go(at);
        if lexer.accept(b"endstream")? {
            return Ok(at);
        }
    }
    broken(end, "a stream is not as long as it says")
}

/// A stream's length, which may stand in an object of its own.
pub(super) fn length(dictionary: &Value, find: impl Fn(u32) -> Step<Option<u64>>) -> Step<Option<u64>> {
    match dictionary.get(b"Length") {
        Some(Value::Reference(number, _)) => find(*number),
        Some(value) => Ok(value.number()),
        None => Ok(None),
    }
}
