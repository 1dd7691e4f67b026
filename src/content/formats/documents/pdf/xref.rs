//! Where the objects of a PDF are: tables, streams with tables, and the chain of both (ISO 32000-1, 7.5.4 to 7.5.8).

use std::collections::{BTreeMap, BTreeSet};

use super::lexer::{Input, Lexer, Value};
use super::{filter, object};
use crate::bytes::{to_u64, to_usize};
use crate::content::formats::{Step, Subject, broken, unchecked};

/// The largest number of an object (ISO 32000-1, annex C).
const MOST_OBJECTS: u64 = 8_388_607;

/// Tables are looked for so many bytes around where they should be: line ends are miscounted.
const AROUND: u64 = 16;

/// Where an object is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Free,
    /// At a byte, with a generation.
    At(u64, u32),
    /// In a stream of objects, as one of them.
    In(u32, u32),
}

/// All places, and what the newest trailer says.
pub(super) struct Objects {
    pub(super) places: BTreeMap<u32, Place>,
    pub(super) trailer: Value,
    /// What has to be added to places: bytes before the document.
    pub(super) base: u64,
    /// Some trailer says that texts and streams are encrypted.
    pub(super) encrypted: bool,
}

/// Follows the chain of tables from the last one.
pub(super) fn read(subject: &Subject<'_>, base: u64, last: u64) -> Step<Objects> {
    let mut objects = Objects { places: BTreeMap::new(), trailer: Value::Other, base, encrypted: false };
    let (mut seen, mut left) = (BTreeSet::new(), vec![last]);
    while let Some(at) = left.pop() {
        if !seen.insert(at) {
            return broken(at, "its tables lead in a circle");
        }
        let trailer = section(subject, &mut objects, at)?;
        // What a table leaves out may stand in a stream beside it, which comes before older tables.
        for key in [&b"Prev"[..], b"XRefStm"] {
            if let Some(next) = trailer.get(key).and_then(Value::number).filter(|next| *next != 0) {
                left.push(next);
            }
        }
        objects.encrypted |= trailer.get(b"Encrypt").is_some_and(|encrypt| *encrypt != Value::Other);
        if objects.trailer == Value::Other {
            objects.trailer = trailer;
        }
    }
    if objects.trailer.get(b"Root").is_none() {
        return broken(last, "its table does not say where its pages are");
    }
    Ok(objects)
}

/// One table with its trailer, which is returned.
fn section(subject: &Subject<'_>, objects: &mut Objects, said: u64) -> Step<Value> {
    let mut lexer = Lexer::new(Input::File(subject), 0);
    let trailer = find_section(subject, objects, &mut lexer, said)?;
    // Tables may lie in each other's comments.
    subject.spend(lexer.position().saturating_sub(said))?;
    Ok(trailer)
}

fn find_section(subject: &Subject<'_>, objects: &mut Objects, lexer: &mut Lexer<'_>, said: u64) -> Step<Value> {
    let places = [Some(said.saturating_add(objects.base)), (objects.base != 0).then_some(said)];
    for at in places.into_iter().flatten() {
        lexer.go(at);
        lexer.skip_blanks()?;
        if lexer.accept(b"xref")? {
            return table(subject, objects, lexer);
        }
        lexer.go(at);
        if let Some(found) = object::header(lexer)? {
            return stream(subject, objects, lexer, found);
        }
    }
    let from = said.saturating_add(objects.base).saturating_sub(AROUND);
    for at in from..from.saturating_add(AROUND.saturating_mul(2)) {
        lexer.go(at);
        if lexer.accept(b"xref")? {
            return table(subject, objects, lexer);
        }
    }
    broken(said.saturating_add(objects.base), "the table of its objects is not where it should be")
}

fn add(objects: &mut Objects, subject: &Subject<'_>, number: u64, place: Place) -> Step<()> {
    // Each object takes some bytes, of the file or of what is packed in it.
    let most = MOST_OBJECTS.min(subject.size());
    let (Ok(key), true) = (u32::try_from(number), number <= MOST_OBJECTS) else {
        return if place == Place::Free { Ok(()) } else { unchecked("it has objects with numbers above all limits") };
    };
    objects.places.entry(key).or_insert(place);
    if to_u64(objects.places.len()) > most.saturating_add(1) {
        return unchecked("its table names more objects than it can hold");
    }
    Ok(())
}

/// A table as text.
fn table(subject: &Subject<'_>, objects: &mut Objects, lexer: &mut Lexer<'_>) -> Step<Value> {
    loop {
        lexer.skip_blanks()?;
        let at = lexer.position();
        if lexer.accept(b"trailer")? {
            return lexer.value();
        }
        let (Some(mut first), Some(count)) = (lexer.number()?, lexer.number()?) else {
            return broken(at, "the table of its objects is broken");
        };
        for number in 0..count {
            let at = lexer.position();
            let (Some(offset), Some(generation)) = (lexer.number()?, lexer.number()?) else {
                return broken(at, "the table of its objects is broken");
            };
            lexer.skip_blanks()?;
            let place = match lexer.word()?.as_slice() {
                b"n" if offset == 0 => Place::Free,
                b"n" => Place::At(offset, u32::try_from(generation).unwrap_or(u32::MAX)),
                b"f" => Place::Free,
                _ => return broken(at, "the table of its objects is broken"),
            };
            // The head of the list of free objects has number 0, even where a table says 1.
            if number == 0 && first == 1 && place == Place::Free && generation == 65_535 {
                first = 0;
            }
            add(objects, subject, first.saturating_add(number), place)?;
        }
    }
}

/// A table in a stream.
fn stream(subject: &Subject<'_>, objects: &mut Objects, lexer: &mut Lexer<'_>, found: object::Header) -> Step<Value> {
    let at = found.at;
    let wrong = || broken(at, "the table of its objects is not where it should be");
    let dictionary = lexer.value()?;
    let is_table = matches!(dictionary.get(b"Type"), Some(Value::Name(name)) if name == b"XRef");
    let length = dictionary.get(b"Length").and_then(Value::number);
    let (Some(start), Some(length), true) = (object::stream_start(lexer)?, length, is_table) else { return wrong() };
    let end = object::stream_end(lexer, start, Some(length))?;
    let Some(bytes) = filter::unpacked(subject, &dictionary, start, end)? else {
        return unchecked("the table of its objects is packed in a way that isn't read");
    };
    let numbers = |key: &[u8]| -> Vec<u64> {
        dictionary.get(key).map(Value::list).unwrap_or_default().iter().filter_map(Value::number).collect()
    };
    let widths = numbers(b"W");
    let [one, two, three] = widths.as_slice() else { return wrong() };
    let (Some(one), Some(two), Some(three)) = (width(*one), width(*two), width(*three)) else { return wrong() };
    let row = one.saturating_add(two).saturating_add(three);
    let index = numbers(b"Index");
    let index = if index.is_empty() { vec![0, numbers(b"Size").first().copied().unwrap_or_default()] } else { index };
    if row == 0 {
        return wrong();
    }
    let mut rows = bytes.chunks_exact(row);
    for pair in index.chunks_exact(2) {
        let [first, count] = pair else { continue };
        for number in 0..*count {
            let Some(entry) = rows.next() else {
                // Some count what isn't there.
                break;
            };
            let (kind, rest) = entry.split_at_checked(one).unwrap_or_default();
            let (second, third) = rest.split_at_checked(two).unwrap_or_default();
            let kind = if one == 0 { 1 } else { big(kind) };
            let place = match kind {
                1 => Place::At(big(second), u32::try_from(big(third)).unwrap_or(u32::MAX)),
                2 => Place::In(
                    u32::try_from(big(second)).unwrap_or(u32::MAX),
                    u32::try_from(big(third)).unwrap_or(u32::MAX),
                ),
                _ => Place::Free,
            };
            add(objects, subject, first.saturating_add(number), place)?;
        }
    }
    Ok(dictionary)
}

/// No field of a table is longer than eight bytes.
fn width(width: u64) -> Option<usize> {
    to_usize(width).filter(|width| *width <= 8)
}

fn big(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0, |value, byte| value.wrapping_shl(8) | u64::from(*byte))
}
