//! $MFT: where file records are.

use std::collections::HashSet;
use std::ops::Range;

use super::attributes::{Body, attributes};
use super::file::ExtensionBudget;
use super::record::{NoRecord, Record};
use super::runs::unpack;
use super::structures::{BootSector, attribute_type, record_number};
use super::units::Vcn;
use super::{headless, list, mirror};
use crate::bytes::{at_most, to_u64};
use crate::catalog::{FindingKind, Findings};
use crate::error::Result;
use crate::filesystem::bitmap::Bitmap;
use crate::source::Source;

/// Consecutive bytes of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Piece {
    /// Bytes of the table.
    pub(super) range: Range<u64>,
    /// The byte of the volume where they are; `None` if that is lost.
    pub(super) place: Option<u64>,
}

/// The table's own description, as far as it could be had.
#[derive(Debug, Clone, Default)]
pub(super) struct Table {
    pub(super) record_size: usize,
    /// In order and without gap, from byte 0 to the table's size.
    pub(super) pieces: Vec<Piece>,
    /// The table's bitmap of records in use, and which bytes of it were read.
    pub(super) bitmap: Bitmap,
    /// Whether nobody vouches for some of what describes the table.
    pub(super) unknown: bool,
    /// Whether it was put together without its own record, so that its end is not known.
    pub(super) own_record_is_lost: bool,
    pub(super) doubt: Doubt,
}

/// What is not proven of where the table's records lie.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum Doubt {
    /// Nothing.
    #[default]
    Nothing,
    /// That the records are in force: the table was put together from those that were found.
    Records,
    /// How the volume is laid out.
    Layout,
}

/// The longest attribute list of the table itself, in bytes.
const MAX_OWN_LIST: u64 = 1 << 20;

/// How often parts that were found are searched for more. A sound table has a few extension records.
const MOST_SEARCHES: usize = 64;

/// Most bytes of the table's bitmap that are kept: enough for the 2^32 records that NTFS can have.
const MAX_BITMAP: usize = 512 << 20;

impl Table {
    /// Finds the table through its own first record, or the mirror of it; if both are lost, by the records that say their
    /// own numbers.
    pub(super) fn find(volume: &Source, boot: &BootSector, findings: &mut Findings) -> Result<Self> {
        if let Some(table) = Self::described(volume, boot, findings)? {
            return Ok(table);
        }
        let pieces = headless::pieces_from_start(volume, boot)?;
        if let Some(table) = headless::table(&pieces, to_u64(boot.record_size)) {
            findings.add(
                FindingKind::TableRebuilt,
                None,
                Some(0),
                || "neither its own record nor the mirror of that can be used",
            );
            return Ok(table);
        }
        findings.add(
            FindingKind::TablePartLost,
            None,
            Some(0),
            || "neither the file table's own record nor its mirror can be used: no file can be listed",
        );
        Ok(Self { record_size: boot.record_size, ..Self::default() })
    }

    /// Finds the table through its own first record, or the mirror of it.
    pub(super) fn described(volume: &Source, boot: &BootSector, findings: &mut Findings) -> Result<Option<Self>> {
        let Some(first) = mirror::first_record(volume, boot, findings)? else { return Ok(None) };
        let mut table = Self { record_size: boot.record_size, unknown: first.unknown, ..Self::default() };
        table.describe(volume, boot, &first, findings)?;
        table.read_bitmap(volume, boot, &first, findings)?;
        Ok(Some(table))
    }

    /// Bytes of the table.
    pub(super) fn size(&self) -> u64 {
        self.pieces.last().map_or(0, |piece| piece.range.end)
    }

    /// Records that the table has room for.
    pub(super) fn record_count(&self) -> u64 {
        self.size().checked_div(to_u64(self.record_size)).unwrap_or(0)
    }

    /// Where a stretch of the table is: the piece of the volume for each part, in order.
    pub(super) fn places(&self, range: Range<u64>) -> impl Iterator<Item = Piece> + '_ {
        let first = self.pieces.partition_point(|piece| piece.range.end <= range.start);
        self.pieces.get(first..).unwrap_or_default().iter().take_while(move |piece| piece.range.start < range.end).map(
            move |piece| {
                let start = piece.range.start.max(range.start);
                let skipped = start.saturating_sub(piece.range.start);
                Piece {
                    range: start..piece.range.end.min(range.end),
                    place: piece.place.map(|place| place.saturating_add(skipped)),
                }
            },
        )
    }

    /// Reads one record. With clusters smaller than a record, its parts may lie apart.
    pub(super) fn read(&self, volume: &Source, number: u64) -> Result<Result<Record, NoRecord>> {
        let size = to_u64(self.record_size);
        let Some(start) = number.checked_mul(size).filter(|start| start.saturating_add(size) <= self.size()) else {
            return Ok(Err(NoRecord::Unread));
        };
        let mut raw = vec![0; self.record_size];
        let reality = self.read_bytes(volume, start, &mut raw)?;
        Ok(Record::parse(number, &raw, start, &reality))
    }

    /// Fills `buffer` from byte `start` of the table. What is not there is zeros and named, in bytes of the table.
    pub(super) fn read_bytes(&self, volume: &Source, start: u64, buffer: &mut [u8]) -> Result<crate::source::Reality> {
        let end = start.saturating_add(to_u64(buffer.len()));
        let mut all = crate::source::Reality::default();
        let mut rest = buffer;
        for piece in self.places(start..end) {
            let length = at_most(piece.range.end.saturating_sub(piece.range.start), rest.len());
            let (now, later) = rest.split_at_mut_checked(length).unwrap_or_default();
            rest = later;
            match piece.place {
                None => {
                    now.fill(0);
                    all.holes.push(crate::source::Hole { range: piece.range, why: crate::source::Missing::Unread });
                }
                Some(place) => {
                    let reality = volume.read_at(place, now)?;
                    all.unknown |= reality.unknown;
                    all.holes.extend(reality.holes.into_iter().map(|hole| {
                        let in_table = |at: u64| piece.range.start.saturating_add(at.saturating_sub(place));
                        crate::source::Hole {
                            range: in_table(hole.range.start)..in_table(hole.range.end),
                            why: hole.why,
                        }
                    }));
                }
            }
        }
        Ok(all)
    }

    /// The absolute image offset of a record, for findings.
    pub(super) fn image_offset(&self, volume: &Source, number: u64) -> Option<u64> {
        let start = number.checked_mul(to_u64(self.record_size))?;
        let piece = self.places(start..start.saturating_add(1)).next()?;
        piece.place.map(|place| volume.image_offset(place))
    }

    /// Puts the table's pieces together from its first record and, where it is fragmented, from its extension records,
    /// each of which lies in a part that is known by then.
    fn describe(&mut self, volume: &Source, boot: &BootSector, first: &Record, findings: &mut Findings) -> Result<()> {
        let mut size = 0;
        let mut known: Vec<(Vcn, Vec<Piece>)> = Vec::new();
        for attribute in attributes(first) {
            if attribute.header.kind == attribute_type::DATA
                && attribute.name.is_empty()
                && let Body::NonResident(body, _) = attribute.body
                && body.first == Vcn(0)
            {
                size = body.size;
            }
        }
        known.extend(self.pieces_of(boot, first, findings));
        self.join(&known, size, boot);
        // Further pieces stand in extension records, listed in order of their first cluster.
        let mut budget = ExtensionBudget { records: 0, list_bytes: MAX_OWN_LIST, taken: HashSet::new() };
        let Some(list) = list::of(volume, boot, first, &mut budget)? else { return Ok(()) };
        self.unknown |= list.unknown;
        let mut wanted: Vec<u64> = list
            .entries
            .iter()
            .filter(|entry| entry.kind == attribute_type::DATA && entry.name.is_empty())
            .map(|entry| entry.record.record)
            .filter(|record| *record != record_number::MFT)
            .collect();
        wanted.dedup();
        for number in wanted {
            let extension = match self.read(volume, number)? {
                Ok(record) if record.in_use() && record.header.base.record == record_number::MFT => record,
                _ => {
                    findings.add(
                        FindingKind::ExtensionMissing,
                        None,
                        Some(number),
                        || "a part of the file table's own description is lost",
                    );
                    continue;
                }
            };
            self.unknown |= extension.unknown;
            known.extend(self.pieces_of(boot, &extension, findings));
            self.join(&known, size, boot);
        }
        if self.pieces.iter().any(|piece| piece.place.is_none()) {
            self.search(volume, boot, first, &mut known, size, findings)?;
        }
        let lost: u64 = self
            .pieces
            .iter()
            .filter(|piece| piece.place.is_none())
            .map(|piece| piece.range.end.saturating_sub(piece.range.start))
            .fold(0, u64::saturating_add);
        if lost > 0 {
            findings.add(FindingKind::TablePartLost, None, None, || {
                format!("{lost} bytes of the file table have no place")
            });
        }
        Ok(())
    }

    /// Looks for what the table's own list no longer says: its extension records name it as their base, and those of
    /// them that lie in known parts can be found by that. Each record is looked at once.
    fn search(
        &mut self,
        volume: &Source,
        boot: &BootSector,
        first: &Record,
        known: &mut Vec<(Vcn, Vec<Piece>)>,
        size: u64,
        findings: &mut Findings,
    ) -> Result<()> {
        let record_size = to_u64(self.record_size);
        let mut searched: HashSet<u64> = HashSet::new();
        // A part that is found may hold the record that tells of the next one.
        for _ in 0..MOST_SEARCHES {
            let placed = self.pieces.iter().filter(|piece| piece.place.is_some());
            let open: Vec<Piece> = placed.filter(|piece| searched.insert(piece.range.start)).cloned().collect();
            let before = known.len();
            for piece in open {
                let in_image = volume.length_in_image().saturating_sub(piece.place.unwrap_or(u64::MAX));
                let end = piece.range.end.min(piece.range.start.saturating_add(in_image));
                let start = piece.range.start.checked_div(record_size).unwrap_or(0);
                for number in start..end.div_ceil(record_size.max(1)) {
                    self.find_piece(volume, boot, first, number, known, findings)?;
                }
            }
            if known.len() == before {
                return Ok(());
            }
            self.join(known, size, boot);
        }
        Ok(())
    }

    /// Takes in what a record says of the table, if it is one of the table's own and says something new.
    fn find_piece(
        &mut self,
        volume: &Source,
        boot: &BootSector,
        first: &Record,
        number: u64,
        known: &mut Vec<(Vcn, Vec<Piece>)>,
        findings: &mut Findings,
    ) -> Result<()> {
        let Ok(record) = self.read(volume, number)? else { return Ok(()) };
        let base = record.header.base;
        let names_it = base.record == record_number::MFT && base.sequence != 0 && base.means(first.header.sequence);
        if !record.in_use() || record.other_number || !names_it {
            return Ok(());
        }
        let mut new = self.pieces_of(boot, &record, findings);
        new.retain(|(vcn, _)| known.iter().all(|(other, _)| other != vcn));
        if !new.is_empty() {
            self.unknown |= record.unknown;
            known.extend(new);
            findings.add(FindingKind::TablePartFound, self.image_offset(volume, number), Some(number), || "");
        }
        Ok(())
    }

    /// The pieces of the table that a record of it describes.
    fn pieces_of(&self, boot: &BootSector, record: &Record, findings: &mut Findings) -> Vec<(Vcn, Vec<Piece>)> {
        let mut found = Vec::new();
        for attribute in attributes(record) {
            if attribute.header.kind == attribute_type::DATA
                && attribute.name.is_empty()
                && let Body::NonResident(body, packed) = attribute.body
            {
                found.push((body.first, self.unpack_pieces(boot, body.first, body.last, packed, findings)));
            }
        }
        found
    }

    fn unpack_pieces(
        &self,
        boot: &BootSector,
        first: Vcn,
        last: Vcn,
        packed: &[u8],
        findings: &mut Findings,
    ) -> Vec<Piece> {
        let (runs, fault) = unpack(packed, first, last);
        if fault.is_some() {
            findings.add(FindingKind::RunsBad, None, Some(record_number::MFT), || "of the file table itself");
        }
        runs.into_iter()
            .filter_map(|run| {
                let start = boot.cluster.stream_offset(run.first)?;
                let length = boot.cluster.bytes(run.length)?;
                let inside = |lcn: super::units::Lcn| {
                    lcn.0.checked_add(run.length).is_some_and(|end| end <= boot.total_clusters())
                };
                let place = run.place.filter(|lcn| inside(*lcn)).and_then(|lcn| boot.cluster.volume_offset(lcn));
                Some(Piece { range: start..start.checked_add(length)?, place })
            })
            .collect()
    }

    /// Lays the known pieces in order, with lost ones between, up to the table's size.
    fn join(&mut self, known: &[(Vcn, Vec<Piece>)], size: u64, boot: &BootSector) {
        // The table lies inside its volume; more bytes than that have no place.
        let size = size.min(boot.total_bytes());
        let mut sorted: Vec<&(Vcn, Vec<Piece>)> = known.iter().collect();
        sorted.sort_by_key(|(first, _)| *first);
        let mut pieces: Vec<Piece> = Vec::new();
        let mut at = 0;
        for piece in sorted.into_iter().flat_map(|(_, pieces)| pieces) {
            let end = piece.range.end.min(size);
            if piece.range.start < at || piece.range.start >= end {
                continue;
            }
            if piece.range.start > at {
                pieces.push(Piece { range: at..piece.range.start, place: None });
            }
            pieces.push(Piece { range: piece.range.start..end, place: piece.place });
            at = end;
        }
        if at < size {
            pieces.push(Piece { range: at..size, place: None });
        }
        self.pieces = pieces;
    }

    fn read_bitmap(
        &mut self,
        volume: &Source,
        boot: &BootSector,
        first: &Record,
        findings: &mut Findings,
    ) -> Result<()> {
        let wanted = at_most(self.record_count().div_ceil(8), MAX_BITMAP);
        let Some(stream) = super::own_stream::stream_of_record(volume, boot, self, first, attribute_type::BITMAP)?
        else {
            findings.add(
                FindingKind::AttributeBad,
                None,
                Some(record_number::MFT),
                || "the bitmap of records in use is lost",
            );
            return Ok(());
        };
        let (bytes, holes, unknown) = super::extents::read_stream(volume, boot, &stream, wanted)?;
        self.unknown |= unknown;
        self.bitmap = Bitmap::new(bytes, holes);
        Ok(())
    }
}
