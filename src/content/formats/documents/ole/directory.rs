//! The streams and folders of a compound file ([MS-CFB] 2.6).

use super::stream::Stream;
use crate::bytes::{le_u16, le_u32, le_u64, to_usize};
use crate::content::formats::documents::text::label;
use crate::content::formats::{Step, Subject, broken};

const LENGTH: u64 = 128;
const NONE: u32 = 0xFFFF_FFFF;

/// What an entry is ([MS-CFB] 2.6.1, Object Type).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Unused,
    Folder,
    Stream,
    Root,
}

/// One entry.
pub(super) struct Entry {
    pub(super) name: String,
    pub(super) kind: Kind,
    pub(super) start: u32,
    pub(super) length: u64,
    /// Byte of the file at which it stands.
    at: u64,
    left: u32,
    right: u32,
    child: u32,
    /// A folder leads to it.
    pub(super) reached: bool,
    /// The root does so.
    pub(super) in_root: bool,
}

impl Entry {
    fn from_bytes(bytes: &[u8], at: u64, version: u16) -> Option<Self> {
        let units = usize::from(le_u16(bytes, 0x40)?).checked_div(2)?.saturating_sub(1).min(31);
        let name: Vec<u16> = (0..units).filter_map(|n| le_u16(bytes, n.saturating_mul(2))).collect();
        let kind = match bytes.get(0x42)? {
            0 => Kind::Unused,
            1 => Kind::Folder,
            2 => Kind::Stream,
            5 => Kind::Root,
            _ => return None,
        };
        // In version 3 the upper half may hold anything.
        let length = if version == 3 { u64::from(le_u32(bytes, 0x78)?) } else { le_u64(bytes, 0x78)? };
        Some(Self {
            name: String::from_utf16_lossy(&name),
            kind,
            start: le_u32(bytes, 0x74)?,
            length,
            at,
            left: le_u32(bytes, 0x44)?,
            right: le_u32(bytes, 0x48)?,
            child: le_u32(bytes, 0x4c)?,
            reached: false,
            in_root: false,
        })
    }

    /// How a sentence names it.
    pub(super) fn title(&self) -> String {
        format!("the stream {}", label(self.name.as_bytes()))
    }
}

/// The entries of the list of streams.
pub(super) fn entries(list: &Stream, subject: &Subject<'_>, version: u16) -> Step<Vec<Entry>> {
    let mut entries = Vec::new();
    let mut at = 0_u64;
    while at.saturating_add(LENGTH) <= list.length() {
        let bytes: [u8; 128] = list.array(subject, at)?;
        let place = list.place(at);
        match Entry::from_bytes(&bytes, place, version) {
            Some(entry) => entries.push(entry),
            None => return broken(place, "the list of its streams has something else in it"),
        }
        at = at.saturating_add(LENGTH);
    }
    if entries.first().is_none_or(|entry| entry.kind != Kind::Root) {
        return broken(list.place(0), "the list of its streams does not begin with the root");
    }
    Ok(entries)
}

/// Marks what the folders lead to; broken if a way leads nowhere, or twice to the same.
pub(super) fn reachable(entries: &mut [Entry], place: u64) -> Step<()> {
    let root = entries.first().map_or(NONE, |root| root.child);
    let mut left = vec![(root, true)];
    while let Some((number, in_root)) = left.pop() {
        if number == NONE {
            continue;
        }
        let Some(entry) = to_usize(number.into()).and_then(|number| entries.get_mut(number)) else {
            return broken(place, "the list of its streams names one that is not there");
        };
        if entry.reached || !matches!(entry.kind, Kind::Folder | Kind::Stream) {
            return broken(entry.at, "the list of its streams leads in a circle or to nothing");
        }
        entry.reached = true;
        entry.in_root = in_root;
        left.push((entry.left, in_root));
        left.push((entry.right, in_root));
        if entry.kind == Kind::Folder {
            left.push((entry.child, false));
        }
    }
    Ok(())
}
