//! From a name as the image stores it to a name that a host can hold: the one place where this is decided.
//!
//! A name that Windows, Linux and macOS all accept, and that every checker of manifests reads alike, stays as it is.
//! In others only what is wrong is replaced, by something in parentheses that a reader recognises:
//!
//! | in the stored name | becomes |
//! |---|---|
//! | `< > : " / \ \| ? *`, control characters (0–1F, 7F–9F), line and paragraph separators (2028, 2029) | `(u+000A)`: the code point |
//! | half a surrogate pair | `(u+D83D)` |
//! | a byte that is not UTF-8 | `(x+FF)` |
//! | the `%` of `%0A`, `%0D`, `%25`, in any case | `(u+0025)`; any other `%` stays |
//! | a dot or space at the end (so `.` and `..` too) | `(u+002E)`, `(u+0020)`: the last one only, which suffices |
//! | a Windows device (`CON`, `nul.txt`, `COM¹`) | `(CON)`, `(nul).txt`, `(COM¹)` |
//! | nothing at all | `(empty)` |
//! | more than 255 bytes | `STEM(cut-1a2b3c4d).EXT`: eight digits of the stored name's SHA-256 |
//! | the same as a sibling's, by case or Unicode form | `STEM (2).EXT`, see [`assign`] |
//!
//! Nothing is replaced twice: a mapped name maps to itself. A stored name may by itself look like a mapped one; it
//! then stays, [`Mapped::changed`] tells them apart, and [`assign`] keeps them separate in one folder. The stored name
//! stands beside the new one in the manifest, so nothing has to be undone from the name alone.
//!
//! Bidirectional marks and zero-width characters are legal in names and stay: only a screen must not show them raw.

use std::collections::{HashMap, HashSet};

use sha2::{Digest, Sha256};
use unicode_normalization::UnicodeNormalization;

#[cfg(test)]
mod tests;

/// The longest name, in bytes of UTF-8 (Linux). In UTF-16 units (255 on Windows and macOS) a name is never longer than
/// in bytes.
const LONGEST_NAME: usize = 255;
/// The longest extension that is kept when a name is cut or numbered, in bytes, dot included: longer ones are text.
const LONGEST_EXTENSION: usize = 32;
/// Bytes that a collision number may need: ` (4294967295)`. A folder has fewer names, as names have 32-bit numbers.
const NUMBER_ROOM: usize = 13;
const EMPTY: &str = "(empty)";

/// A name for the host.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mapped {
    /// One path component, legal on Windows, Linux and macOS.
    pub name: String,
    /// Whether it differs from the stored name.
    pub changed: bool,
}

/// One element of a stored name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Element {
    Char(char),
    Surrogate(u16),
    Byte(u8),
}

/// Maps a name stored as UTF-16 units, sound or not, to a host's name.
#[must_use]
pub fn safe_component(units: &[u16]) -> Mapped {
    let elements: Vec<Element> = char::decode_utf16(units.iter().copied())
        .map(|decoded| decoded.map_or_else(|error| Element::Surrogate(error.unpaired_surrogate()), Element::Char))
        .collect();
    map(&elements, || units.iter().flat_map(|unit| unit.to_le_bytes()).collect())
}

/// Maps a name stored as bytes, which are UTF-8 or not, to a host's name.
#[must_use]
pub fn safe_component_bytes(bytes: &[u8]) -> Mapped {
    if let Some(unchanged) = unchanged(bytes) {
        return unchanged;
    }
    let mut elements = Vec::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        elements.extend(chunk.valid().chars().map(Element::Char));
        elements.extend(chunk.invalid().iter().copied().map(Element::Byte));
    }
    map(&elements, || bytes.to_vec())
}

/// The name of a text, stored as UTF-8 or UTF-16, that can stay as it is; `None` for all that takes a closer look.
pub(crate) fn unchanged(stored: &[u8]) -> Option<Mapped> {
    let name = std::str::from_utf8(stored).ok()?;
    let is_plain = !name.is_empty()
        && name.len() <= LONGEST_NAME
        && !name.ends_with(['.', ' '])
        && !name.chars().any(|c| c == '%' || is_forbidden(c))
        && device_length(name).is_none();
    is_plain.then(|| Mapped { name: name.to_string(), changed: false })
}

fn map(stored: &[Element], stored_bytes: impl FnOnce() -> Vec<u8>) -> Mapped {
    let mut name = String::with_capacity(stored.len());
    let mut changed = false;
    let mut rest = stored;
    while let [first, after @ ..] = rest {
        let escaped = match *first {
            Element::Char(c) if is_forbidden(c) || is_wrong_here(rest) => format!("(u+{:04X})", u32::from(c)),
            Element::Char(c) => {
                name.push(c);
                rest = after;
                continue;
            }
            Element::Surrogate(unit) => format!("(u+{unit:04X})"),
            Element::Byte(byte) => format!("(x+{byte:02X})"),
        };
        name.push_str(&escaped);
        changed = true;
        rest = after;
    }
    if name.is_empty() {
        return Mapped { name: EMPTY.to_string(), changed: true };
    }
    if let Some(device) = device_length(&name) {
        name.insert(device, ')');
        name.insert(0, '(');
        changed = true;
    }
    if name.len() > LONGEST_NAME {
        let digest = Sha256::digest(stored_bytes());
        let digits: String = digest.iter().take(4).map(|byte| format!("{byte:02x}")).collect();
        let tag = format!("(cut-{digits})");
        let (stem, extension) = split_extension(&name);
        let stem = cut(stem, LONGEST_NAME.saturating_sub(tag.len() + extension.len()));
        name = format!("{stem}{tag}{extension}");
        changed = true;
    }
    Mapped { name, changed }
}

/// Characters that some host forbids anywhere in a name, or that would break a line of a manifest.
fn is_forbidden(c: char) -> bool {
    matches!(
        c,
        '<' | '>' | ':' | '"' | '/' | '\\' | '|' | '?' | '*' | '\0'..='\x1F' | '\x7F'..='\u{9F}' | '\u{2028}' | '\u{2029}'
    )
}

/// Whether the first of `rest` is wrong only because of what follows it. Windows drops a dot or space at a name's end;
/// some checkers of manifests decode the three `%` sequences, and others don't (RFC 8493, 2.1.3).
fn is_wrong_here(rest: &[Element]) -> bool {
    use Element::Char;
    matches!(
        rest,
        [Char('.' | ' ')]
            | [Char('%'), Char('0'), Char('A' | 'a' | 'D' | 'd'), ..]
            | [Char('%'), Char('2'), Char('5'), ..]
    )
}

/// The length in bytes of a Windows device's name that `name` begins with and that Windows would open instead of the
/// file: it stands before the first dot, spaces between them don't count, nor does case.
fn device_length(name: &str) -> Option<usize> {
    let stem = name.split('.').next()?.trim_end_matches(' ');
    if !(3..=7).contains(&stem.len()) {
        return None;
    }
    let upper = stem.to_ascii_uppercase();
    let is_device = match upper.strip_prefix("COM").or_else(|| upper.strip_prefix("LPT")) {
        Some(number) => matches!(number, "1" | "2" | "3" | "4" | "5" | "6" | "7" | "8" | "9" | "¹" | "²" | "³"),
        None => matches!(upper.as_str(), "CON" | "PRN" | "AUX" | "NUL" | "CONIN$" | "CONOUT$"),
    };
    is_device.then_some(stem.len())
}

/// `name` as stem and extension (with its dot; empty for none). An extension is short, has no space, and something
/// stands before it.
fn split_extension(name: &str) -> (&str, &str) {
    match name.rfind('.').and_then(|dot| name.split_at_checked(dot)) {
        Some((stem, extension))
            if !stem.is_empty() && extension.len() <= LONGEST_EXTENSION && !extension.contains(' ') =>
        {
            (stem, extension)
        }
        _ => (name, ""),
    }
}

/// The longest beginning of `text` that has at most `room` bytes and ends neither in a character nor in one of our
/// escapes.
fn cut(text: &str, room: usize) -> &str {
    let (kept, lost) = text.split_at(text.floor_char_boundary(room));
    let Some(open) = kept.rfind('(') else { return kept };
    let (before, inside) = kept.split_at(open);
    let Some(close) = lost.find(')').filter(|_| !inside.contains(')')) else { return kept };
    let escape = [inside, &lost[..close]].concat();
    let is_ours = ["(u+", "(x+", "(cut-"].iter().any(|opening| {
        escape.strip_prefix(opening).is_some_and(|digits| digits.bytes().all(|digit| digit.is_ascii_hexdigit()))
    });
    if is_ours { before } else { kept }
}

/// Makes the names in one folder distinct for every host, in place; they must come from the functions above.
///
/// Names collide if some host would take them for the same: by case, by Unicode form, or but for characters that are
/// not seen (coarser than any one host, see `fold`). The first of them keeps its name, and each other takes the
/// first free number from 2 up before its extension: `photo.jpg`, `Photo (2).jpg`. A name that has no equal is never
/// renamed to make room for a number: beside a stored `photo (2).jpg` the second `photo.jpg` becomes `photo (3).jpg`.
/// A name that has no room for a number is cut. The result depends on nothing but the names and their order, and the
/// time grows with their number only, however many collide.
pub fn assign(siblings: &mut [Mapped]) {
    if are_distinct(siblings) {
        return;
    }
    let mut taken = HashSet::with_capacity(siblings.len());
    let mut late = Vec::new();
    for sibling in siblings {
        if !taken.insert(fold(&sibling.name)) {
            late.push(sibling);
        }
    }
    // The next number to try, by what stands around it: so no number is tried twice for the same surroundings, not even
    // for different names that become equal when they are cut.
    let mut next_numbers: HashMap<String, u64> = HashMap::new();
    for sibling in late {
        let (stem, extension) = split_extension(&sibling.name);
        let stem = cut(stem, LONGEST_NAME.saturating_sub(NUMBER_ROOM + extension.len()));
        // No name holds a slash.
        let number = next_numbers.entry(fold(&format!("{stem}/{extension}"))).or_insert(2);
        let name = loop {
            let candidate = format!("{stem} ({number}){extension}");
            *number += 1;
            if taken.insert(fold(&candidate)) {
                break candidate;
            }
        };
        *sibling = Mapped { name, changed: true };
    }
}

/// Whether no two names collide. Folding takes its time, and only names with the same digits can fold to the same: what
/// cameras, scanners and people number has not to be folded at all.
fn are_distinct(siblings: &[Mapped]) -> bool {
    let digits: Vec<u64> = siblings.iter().map(|sibling| digits(&sibling.name)).collect();
    let mut sorted = digits.clone();
    sorted.sort_unstable();
    let is_shared = |digits: &u64| {
        let first = sorted.partition_point(|other| other < digits);
        sorted.get(first.saturating_add(1)) == Some(digits)
    };
    let mut taken = HashSet::new();
    siblings.iter().zip(&digits).all(|(sibling, digits)| !is_shared(digits) || taken.insert(fold(&sibling.name)))
}

/// A number that is the same for names that have the same ASCII digits, in this order. No character folds to a digit or
/// takes one away: none has one in its canonical decomposition or other case.
fn digits(name: &str) -> u64 {
    // FNV-1a (IETF draft-eastlake-fnv); names that it takes for the same are folded, no more.
    name.bytes()
        .filter(u8::is_ascii_digit)
        .fold(0xcbf2_9ce4_8422_2325, |hash: u64, digit| (hash ^ u64::from(digit)).wrapping_mul(0x0100_0000_01b3))
}

/// What two names have in common if some host would take them for the same.
///
/// Hosts differ: some compare upper-case forms (`σ` and `ς` are both `Σ`), some lower-case or folded forms, some
/// canonical decompositions, and some ignore zero-width characters and bidirectional marks. This is coarser than each
/// of them: decomposed, without what may be ignored, to lower, to upper and to lower case again, composed. The price is
/// a number that wasn't needed, as for `straße` beside `strasse`.
fn fold(name: &str) -> String {
    if name.is_ascii() {
        return name.to_ascii_lowercase();
    }
    let ignored = |c: &char| matches!(c, '\u{200C}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{206A}'..='\u{206F}' | '\u{FEFF}');
    name.nfd()
        .filter(|c| !ignored(c))
        .flat_map(char::to_lowercase)
        .flat_map(char::to_uppercase)
        .flat_map(char::to_lowercase)
        .nfc()
        .collect()
}
