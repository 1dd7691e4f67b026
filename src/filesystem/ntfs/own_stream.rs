//! Streams of the filesystem's own: a bitmap is needed before any file can be put together.

use std::collections::BTreeSet;

use super::attributes::{Body, attributes};
use super::file::{ExtensionBudget, Stream, piece_of};
use super::list;
use super::record::Record;
use super::structures::BootSector;
use super::table::Table;
use crate::error::Result;
use crate::source::Source;

/// One unnamed stream of a kind from a record and its extensions, as far as they can be had.
pub(super) fn stream_of_record(
    volume: &Source,
    boot: &BootSector,
    table: &Table,
    base: &Record,
    kind: u32,
) -> Result<Option<Stream>> {
    let mut stream = Stream::default();
    let mut take = |record: &Record| {
        for attribute in attributes(record) {
            if attribute.header.kind == kind && attribute.name.is_empty() {
                stream.flags = attribute.header.flags;
                match attribute.body {
                    Body::Resident(value) => stream.resident = Some(value.to_vec()),
                    Body::NonResident(body, packed) => stream.pieces.push(piece_of(&body, packed)),
                }
            }
        }
    };
    take(base);
    if let Some(list) = list::of(volume, boot, base, &mut ExtensionBudget::for_table(table))? {
        let wanted: BTreeSet<u64> = list
            .entries
            .iter()
            .filter(|entry| entry.kind == kind && entry.record.record != base.number)
            .map(|entry| entry.record.record)
            .collect();
        for number in wanted {
            if let Ok(record) = table.read(volume, number)?
                && record.in_use()
                && record.header.base.record == base.number
            {
                take(&record);
            }
        }
    }
    Ok((stream.resident.is_some() || !stream.pieces.is_empty()).then_some(stream))
}
