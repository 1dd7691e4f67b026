//! PDF (ISO 32000-1): the chain of tables, every object that they name, every stream.
//!
//! Streams that are packed by Flate end with a checksum of what was packed. All else has none: a byte of a picture or of
//! an object may differ without any sign of it.

mod filter;
mod lexer;
mod object;
mod xref;

use std::collections::BTreeMap;

use super::Format;
use crate::bytes::{to_u64, to_usize};
use crate::content::formats::documents::text::{find, find_last, holds};
use crate::content::formats::{Step, Stop, Strength, Subject, broken};
use filter::Content;
use lexer::{Input, Lexer, Value, is_blank};
use xref::{Objects, Place};

/// The format.
pub(super) const FORMATS: &[Format] = &[Format { name: "PDF", endings: &["pdf"], opens, check }];

/// The opening may have so many bytes before it (common practice; ISO 32000-1 has none).
const BEFORE: usize = 1024;

/// The end mark may have so many bytes behind it (the same).
const BEHIND: u64 = 1024;

/// So far from its end the end mark is looked for, behind blanks.
const TAIL: usize = 1 << 16;

/// A header of another system's file may stand before it (MacBinary: 128 bytes).
const MAC: usize = 128;

/// Where a document begins: with the file, with a line, or behind another system's header. In the midst of a picture or of
/// a program it is none.
fn start(head: &[u8]) -> Option<usize> {
    let head = head.get(..BEFORE).unwrap_or(head);
    let at = find(head, b"%PDF-1.").or_else(|| find(head, b"%PDF-2."))?;
    let (before, _) = head.split_at_checked(at)?;
    let is_line = before.last().is_none_or(|last| matches!(last, b'\n' | b'\r' | 0xBF | b' '));
    (at == MAC || is_line && !before.contains(&0)).then_some(at)
}

fn opens(head: &[u8]) -> bool {
    start(head).is_some()
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let base = to_u64(start(&subject.up_to(0, BEFORE)?).unwrap_or_default());
    let last = last_table(subject)?;
    let objects = xref::read(subject, base, last)?;
    let mut walk = Walk { subject, objects: &objects, all_decoded: true, packed: BTreeMap::new() };
    walk.all()?;
    if objects.encrypted {
        let why = "it is encrypted; some such files open without a password".to_string();
        return Err(Stop::Protected { why });
    }
    Ok(if walk.all_decoded { Strength::Decoded } else { Strength::Structure })
}

/// What the last end of the file gives as the place of its last table.
fn last_table(subject: &Subject<'_>) -> Step<u64> {
    let tail = subject.up_to(subject.size().saturating_sub(to_u64(TAIL)), TAIL)?;
    let tail_at = subject.size().saturating_sub(to_u64(tail.len()));
    let Some(end) = find_last(&tail, b"%%EOF") else { return broken(subject.size(), "its end is missing") };
    let behind = tail.get(end.saturating_add(5)..).unwrap_or_default();
    let strange = behind.iter().rposition(|byte| !is_blank(*byte)).map_or(0, |last| to_u64(last).saturating_add(1));
    let end_at = tail_at.saturating_add(to_u64(end));
    if strange > BEHIND || holds(behind, b" obj") {
        return broken(end_at.saturating_add(5), "something follows its end, and has no end of its own");
    }
    let before = tail.get(..end).unwrap_or_default();
    let Some(word) = find_last(before, b"startxref") else {
        return broken(end_at, "its end does not say where its table is");
    };
    let mut lexer = Lexer::new(Input::File(subject), tail_at.saturating_add(to_u64(word)).saturating_add(9));
    match lexer.number()? {
        Some(at) if at != 0 => Ok(at),
        _ => broken(end_at, "its end does not say where its table is"),
    }
}

/// A walk through all objects.
struct Walk<'a> {
    subject: &'a Subject<'a>,
    objects: &'a Objects,
    all_decoded: bool,
    /// For each stream of objects, which of its objects a table names, and as which one.
    packed: BTreeMap<u32, Vec<(u32, u32)>>,
}

impl Walk<'_> {
    fn all(&mut self) -> Step<()> {
        for (number, place) in &self.objects.places {
            if let Place::In(stream, index) = place {
                self.packed.entry(*stream).or_default().push((*index, *number));
            }
        }
        for (number, place) in &self.objects.places {
            if let Place::At(at, generation) = *place {
                self.object(*number, at, generation)?;
            }
        }
        match self.packed.keys().find(|stream| !matches!(self.objects.places.get(stream), Some(Place::At(..)))) {
            Some(stream) => broken(0, format!("objects stand in the stream {stream}, which is not there")),
            None => Ok(()),
        }
    }

    /// Goes to where an object should be; `false` if it is not there.
    fn go(&self, lexer: &mut Lexer<'_>, number: u32, at: u64, generation: u32) -> Step<bool> {
        for base in [self.objects.base, 0] {
            lexer.go(at.saturating_add(base));
            if let Some(header) = object::header(lexer)?
                && header.number == u64::from(number)
                && header.generation == u64::from(generation)
            {
                return Ok(true);
            }
            if self.objects.base == 0 {
                break;
            }
        }
        Ok(false)
    }

    fn object(&mut self, number: u32, at: u64, generation: u32) -> Step<()> {
        let mut lexer = Lexer::new(Input::File(self.subject), at);
        if !self.go(&mut lexer, number, at, generation)? {
            return broken(
                at.saturating_add(self.objects.base),
                format!("the object {number} is not where it should be"),
            );
        }
        lexer.skip_blanks()?;
        // Objects may lie in each other's texts and remarks.
        self.subject.spend(lexer.position().saturating_sub(at))?;
        // An object may be empty: that is nothing.
        if lexer.accept(b"endobj")? {
            return Ok(());
        }
        let value = lexer.value()?;
        self.subject.spend(lexer.position().saturating_sub(at))?;
        let Some(start) = object::stream_start(&mut lexer)? else {
            return self.must_end(&mut lexer, number);
        };
        let length = object::length(&value, |object| self.number(object))?;
        let end = object::stream_end(&mut lexer, start, length)?;
        self.subject.spend(end.saturating_sub(start))?;
        self.stream(number, &value, start, end)
    }

    /// An object ends with a word, or where the next one begins.
    fn must_end(&self, lexer: &mut Lexer<'_>, number: u32) -> Step<()> {
        lexer.skip_blanks()?;
        let at = lexer.position();
        if lexer.accept(b"endobj")? || object::header(lexer)?.is_some() {
            return Ok(());
        }
        lexer.go(at);
        if lexer.accept(b"xref")? || lexer.accept(b"trailer")? || lexer.accept(b"startxref")? {
            return Ok(());
        }
        broken(at, format!("the object {number} does not end where it should"))
    }

    /// A number that is an object. It is no stream, so this leads no further.
    fn number(&self, number: u32) -> Step<Option<u64>> {
        match self.objects.places.get(&number) {
            Some(Place::At(at, generation)) => {
                let mut lexer = Lexer::new(Input::File(self.subject), *at);
                if !self.go(&mut lexer, number, *at, *generation)? {
                    return Ok(None);
                }
                let found = lexer.number();
                self.subject.spend(lexer.position().saturating_sub(*at))?;
                found
            }
            // A number in a stream of objects: not looked for; the stream's own end has to tell.
            _ => Ok(None),
        }
    }

    fn stream(&mut self, number: u32, dictionary: &Value, start: u64, end: u64) -> Step<()> {
        let is = |kind: &[u8]| matches!(dictionary.get(b"Type"), Some(Value::Name(name)) if name == kind);
        if is(b"XRef") {
            return Ok(());
        }
        if self.objects.encrypted {
            self.all_decoded = false;
            return Ok(());
        }
        if let (true, Some(named)) = (is(b"ObjStm"), self.packed.get(&number)) {
            return match filter::unpacked(self.subject, dictionary, start, end)? {
                Some(bytes) => self.objects_in(&bytes, dictionary, named, start),
                None => {
                    self.all_decoded = false;
                    Ok(())
                }
            };
        }
        if filter::check(self.subject, dictionary, start, end)? == Content::Skipped {
            self.all_decoded = false;
        }
        Ok(())
    }

    /// The objects of a stream (ISO 32000-1, 7.5.7): those that a table names are there, and are values.
    fn objects_in(&self, bytes: &[u8], dictionary: &Value, named: &[(u32, u32)], at: u64) -> Step<()> {
        let number = |key: &[u8]| dictionary.get(key).and_then(Value::number).unwrap_or_default();
        let (count, first) = (number(b"N"), number(b"First"));
        let mut lexer = Lexer::new(Input::Unpacked(bytes), 0);
        let mut list = Vec::new();
        // Each takes two digits and two blanks at least, so this is bounded by what was unpacked.
        for _ in 0..count {
            let (Some(object), Some(offset)) = (lexer.number()?, lexer.number()?) else { break };
            list.push((object, offset));
        }
        for (index, object) in named {
            let by_index = to_usize(u64::from(*index)).and_then(|index| list.get(index)).copied();
            let found = by_index.filter(|(number, _)| number == &u64::from(*object));
            let Some((_, offset)) = found else {
                return broken(at, format!("the object {object} is not in the stream where it should be"));
            };
            lexer.go(first.saturating_add(offset));
            let from = lexer.position();
            match lexer.value() {
                // Many could lead to the same long one.
                Ok(_) => self.subject.spend(lexer.position().saturating_sub(from))?,
                Err(Stop::Broken { .. }) => return broken(at, format!("the object {object} can't be read")),
                Err(other) => return Err(other),
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
