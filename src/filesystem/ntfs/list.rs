//! Attribute lists: which further records a file has.

use super::attributes::{Body, walk};
use super::extents::read_stream;
use super::file::{ExtensionBudget, Stream, piece_of};
use super::record::Record;
use super::structures::{BootSector, ListEntry, attribute_type};
use crate::bytes::{at_most, to_u64};
use crate::error::Result;
use crate::source::Source;

/// The longest list that is read, in bytes; Windows lets none grow above 256 KiB.
const MAX_LIST: usize = 1 << 20;

/// A file's attribute list.
#[derive(Debug, Default)]
pub(super) struct AttributeList {
    pub(super) entries: Vec<ListEntry>,
    /// Whether a part of the list was not read or can't be an entry: what it named is lost.
    pub(super) partial: bool,
    pub(super) unknown: bool,
}

/// The list of a base record; `None` if it has none.
pub(super) fn of(
    volume: &Source,
    boot: &BootSector,
    base: &Record,
    budget: &mut ExtensionBudget,
) -> Result<Option<AttributeList>> {
    let Some(attribute) = walk(base).find(|one| one.header.kind == attribute_type::ATTRIBUTE_LIST) else {
        return Ok(None);
    };
    let mut list = AttributeList::default();
    match &attribute.body {
        Body::Resident(value) => list.fill(value),
        Body::NonResident(body, packed) => {
            // A list always fits into the runs of one piece: it can't be listed in itself.
            let stream = Stream { flags: attribute.header.flags, resident: None, pieces: vec![piece_of(body, packed)] };
            let limit = at_most(budget.list_bytes, MAX_LIST);
            let (bytes, holes, unknown) = read_stream(volume, boot, &stream, limit)?;
            budget.list_bytes = budget.list_bytes.saturating_sub(to_u64(bytes.len()));
            list.unknown = unknown;
            // Entries are of different lengths: after a hole nobody can say where the next one starts.
            let good = holes.first().map_or(to_u64(bytes.len()), |hole| hole.start);
            let good = at_most(good, bytes.len());
            list.fill(bytes.get(..good).unwrap_or_default());
            list.partial |= !holes.is_empty() || to_u64(bytes.len()) < body.size;
        }
    }
    Ok(Some(list))
}

impl AttributeList {
    fn fill(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        // Every entry has a least length, so the walk ends.
        while !rest.is_empty() {
            let Some(entry) = ListEntry::from_bytes(rest) else {
                self.partial = true;
                return;
            };
            rest = rest.get(entry.length..).unwrap_or_default();
            self.entries.push(entry);
        }
    }
}
