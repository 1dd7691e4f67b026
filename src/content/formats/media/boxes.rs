//! The boxes (QuickTime: atoms) that films and HEIF pictures are made of: a length, four letters, a body
//! (ISO/IEC 14496-12, 4.2; QuickTime File Format, "Atoms").

use crate::bytes::{array, be_u32, be_u64, to_u64, to_usize};
use crate::content::formats::{Step, Subject, broken, unchecked};

/// The most boxes beside each other: a film of many hours in pieces of half a second has fewer.
const MOST_PARTS: usize = 1 << 20;

/// The most boxes in one box that is in memory: no honest index has as many.
const MOST_ATOMS: usize = 1 << 16;

/// A box of the file itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct Part {
    pub(super) kind: [u8; 4],
    /// Where its length stands.
    pub(super) at: u64,
    /// Where its body begins.
    pub(super) body: u64,
    pub(super) end: u64,
}

/// A box inside another one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Atom<'a> {
    pub(super) kind: [u8; 4],
    /// Where its length stands in the file.
    pub(super) at: u64,
    /// Where its body begins in the file.
    pub(super) body_at: u64,
    pub(super) body: &'a [u8],
}

/// What a walk over the file's own boxes found.
#[derive(Debug, Default)]
pub(super) struct Parts {
    pub(super) list: Vec<Part>,
    /// The first box that would end after the file, and where it would end.
    pub(super) cut: Option<(Part, u64)>,
    /// Where bytes stand that are no box, after the last one.
    pub(super) strange: Option<u64>,
}

impl Parts {
    pub(super) fn first(&self, kind: &[u8; 4]) -> Option<&Part> {
        self.list.iter().find(|part| part.kind == *kind)
    }

    pub(super) fn of<'a>(&'a self, kind: &'a [u8; 4]) -> impl Iterator<Item = &'a Part> {
        self.list.iter().filter(move |part| part.kind == *kind)
    }

    /// Whether bytes lie in the body of a box that holds media.
    pub(super) fn in_media(&self, start: u64, length: u64) -> bool {
        self.around(start, length).is_some_and(|part| part.kind == *b"mdat")
    }

    /// Whether bytes lie in the body of one box.
    pub(super) fn in_one(&self, start: u64, length: u64) -> bool {
        self.around(start, length).is_some()
    }

    /// The box in whose body bytes lie.
    fn around(&self, start: u64, length: u64) -> Option<&Part> {
        let end = start.checked_add(length)?;
        // The list is in the order of the file.
        let after = self.list.partition_point(|part| part.at <= start);
        let part = self.list.get(after.checked_sub(1)?)?;
        (part.body <= start && end <= part.end).then_some(part)
    }
}

/// Whether four bytes may be the name of a box.
pub(super) fn is_name(kind: [u8; 4]) -> bool {
    kind.iter().all(|byte| matches!(byte, 0x20..=0x7e | 0xa9))
}

/// Walks over the file's own boxes from its start to its end.
pub(super) fn parts(subject: &Subject<'_>) -> Step<Parts> {
    let mut parts = Parts::default();
    let mut at = 0_u64;
    while at < subject.size() {
        let head = subject.up_to(at, 16)?;
        let Some((length, kind)) = be_u32(&head, 0).zip(array::<4>(&head, 4)) else {
            parts.strange = Some(at);
            break;
        };
        if !is_name(kind) {
            parts.strange = Some(at);
            break;
        }
        let (header, length) = match length {
            0 => (8, subject.size().saturating_sub(at)),
            1 => match be_u64(&head, 8) {
                Some(length) => (16, length),
                None => {
                    parts.strange = Some(at);
                    break;
                }
            },
            length => (8, u64::from(length)),
        };
        if length < header {
            parts.strange = Some(at);
            break;
        }
        let end = at.saturating_add(length);
        let part = Part { kind, at, body: at.saturating_add(header), end: end.min(subject.size()) };
        if parts.list.len() >= MOST_PARTS {
            return unchecked("it has more parts than can be looked at");
        }
        parts.list.push(part);
        if end > subject.size() {
            parts.cut = Some((part, end));
            break;
        }
        at = end;
    }
    Ok(parts)
}

/// The boxes in a body that is in memory. A list may end with four zeros or with nothing but zeros, as QuickTime's do.
pub(super) fn atoms(bytes: &[u8], base: u64) -> Step<Vec<Atom<'_>>> {
    let mut found = Vec::new();
    let mut at = 0_usize;
    while let Some(rest) = bytes.get(at..).filter(|rest| !rest.is_empty()) {
        let place = base.saturating_add(to_u64(at));
        if rest.iter().take(16).all(|byte| *byte == 0) && rest.iter().all(|byte| *byte == 0) {
            break;
        }
        let Some((length, kind)) = be_u32(rest, 0).zip(array::<4>(rest, 4)) else {
            return broken(place, "a part of the index ends too early");
        };
        let (header, length) = match length {
            0 => (8, Some(rest.len())),
            1 => (16, be_u64(rest, 8).and_then(to_usize)),
            length => (8, to_usize(u64::from(length))),
        };
        let Some(length) = length.filter(|length| *length >= header && *length <= rest.len()) else {
            return broken(place, format!("the length of a part of the index ({}) is impossible", shown(kind)));
        };
        if found.len() >= MOST_ATOMS {
            return unchecked("its index has more parts than can be looked at");
        }
        let body = rest.get(header..length).unwrap_or_default();
        found.push(Atom { kind, at: place, body_at: place.saturating_add(to_u64(header)), body });
        at = at.saturating_add(length);
    }
    Ok(found)
}

/// The first box of a kind.
pub(super) fn first<'a>(atoms: &[Atom<'a>], kind: &[u8; 4]) -> Option<Atom<'a>> {
    atoms.iter().find(|atom| atom.kind == *kind).copied()
}

/// The boxes in the first box of a kind; none if there is no such box.
pub(super) fn inside<'a>(atoms: &[Atom<'a>], kind: &[u8; 4]) -> Step<Vec<Atom<'a>>> {
    match first(atoms, kind) {
        Some(atom) => self::atoms(atom.body, atom.body_at),
        None => Ok(Vec::new()),
    }
}

/// A box's name for people.
pub(super) fn shown(kind: [u8; 4]) -> String {
    if is_name(kind) { kind.iter().map(|byte| char::from(*byte)).collect() } else { format!("{kind:02x?}") }
}
