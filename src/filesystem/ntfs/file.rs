//! One file: its base record and its extension records put together.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use enumset::EnumSet;

use super::attributes::{Attribute, Body, walk};
use super::list::{self, AttributeList};
use super::record::Record;
use super::runs::{DataRun, RunFault, unpack};
use super::structures::{
    BootSector, FileName, ListEntry, NonResidentBody, StandardInformation, attribute_type, file_attribute,
};
use super::table::Table;
use super::units::Reference;
use crate::catalog::{Distrust, FindingKind, Findings};
use crate::error::Result;
use crate::source::Source;

/// A piece of a stream that is not resident.
#[derive(Debug, Clone)]
pub(super) struct StreamPiece {
    pub(super) body: NonResidentBody,
    pub(super) runs: Vec<DataRun>,
    pub(super) fault: Option<RunFault>,
}

/// A stream, as its attributes describe it.
#[derive(Debug, Clone, Default)]
pub(super) struct Stream {
    pub(super) flags: u16,
    pub(super) resident: Option<Vec<u8>>,
    /// In the order they were found.
    pub(super) pieces: Vec<StreamPiece>,
}

impl Stream {
    /// Its size in bytes, where that is known.
    pub(super) fn size(&self) -> Option<u64> {
        let resident = self.resident.as_ref().map(|value| crate::bytes::to_u64(value.len()));
        let first = self.pieces.iter().find(|piece| piece.body.first.0 == 0);
        resident.or(first.map(|piece| piece.body.size))
    }
}

/// A file's data streams by name. Nearly all files have only the one without a name, which stands by itself.
#[derive(Debug, Default)]
pub(super) struct Streams {
    pub(super) unnamed: Option<Stream>,
    pub(super) named: BTreeMap<Vec<u16>, Stream>,
}

impl Streams {
    /// The stream of that name, made if it is not there.
    fn of(&mut self, name: &[u16], new: impl FnOnce() -> Stream) -> &mut Stream {
        match name {
            [] => self.unnamed.get_or_insert_with(new),
            name => self.named.entry(name.to_vec()).or_insert_with(new),
        }
    }

    pub(super) fn get(&self, name: &[u16]) -> Option<&Stream> {
        match name {
            [] => self.unnamed.as_ref(),
            name => self.named.get(name),
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.unnamed.is_none() && self.named.is_empty()
    }

    /// All of them by name, the unnamed one first.
    pub(super) fn iter(&self) -> impl Iterator<Item = (&[u16], &Stream)> {
        let unnamed = self.unnamed.iter().map(|stream| (&[][..], stream));
        unnamed.chain(self.named.iter().map(|(name, stream)| (name.as_slice(), stream)))
    }
}

/// What the records of a file say.
#[derive(Debug)]
pub(super) struct File {
    pub(super) information: Option<StandardInformation>,
    pub(super) names: Vec<FileName>,
    /// The value of the reparse attribute; empty if there is one whose value is not at hand.
    pub(super) reparse: Option<Vec<u8>>,
    /// Its data streams.
    pub(super) streams: Streams,
    /// A folder's tree of names: the value of its root, and its blocks.
    pub(super) index_root: Option<Vec<u8>>,
    pub(super) index_blocks: Stream,
    /// Runs of clusters of everything that is no data stream.
    pub(super) other_runs: Vec<DataRun>,
    /// Names of data streams that a list names and whose description is lost; empty for the unnamed one.
    pub(super) lost_streams: BTreeSet<Vec<u16>>,
    /// Failed conditions that concern all of the file.
    pub(super) distrust: EnumSet<Distrust>,
    /// Whether an attribute that may have been a stream or name is lost.
    pub(super) incomplete: bool,
    pub(super) unknown: bool,
}

/// What may still be read on behalf of attribute lists. A sound volume has each extension record in one file only, and
/// lists that are together no longer than the table they describe.
#[derive(Debug, Default)]
pub(super) struct ExtensionBudget {
    /// Extension records.
    pub(super) records: u64,
    /// Bytes of lists.
    pub(super) list_bytes: u64,
    /// The extension records that were found to be a file's.
    pub(super) taken: HashSet<u64>,
}

impl ExtensionBudget {
    /// Enough for every sound volume with such a table.
    pub(super) fn for_table(table: &Table) -> Self {
        const ONE_LIST: u64 = 1 << 20;
        Self {
            records: table.record_count().saturating_mul(2),
            list_bytes: table.size().saturating_add(ONE_LIST),
            taken: HashSet::new(),
        }
    }
}

/// Whether an index is the one of a folder's names.
fn is_names(name: &[u16]) -> bool {
    name.iter().copied().eq("$I30".encode_utf16())
}

/// What a file is put together from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Parts<'a> {
    pub(super) volume: &'a Source,
    pub(super) boot: &'a BootSector,
    pub(super) table: &'a Table,
}

impl Parts<'_> {
    pub(super) fn image_offset(self, record: u64) -> Option<u64> {
        self.table.image_offset(self.volume, record)
    }
}

/// Where an attribute stands, as a list names it: record, type, name, first cluster.
#[derive(Debug, PartialEq, Eq, Hash)]
struct Place(u64, u32, Vec<u16>, u64);

impl Place {
    fn of(record: &Record, attribute: &Attribute<'_>) -> Self {
        let first = match attribute.body {
            Body::Resident(_) => 0,
            Body::NonResident(body, _) => body.first.0,
        };
        Self(record.number, attribute.header.kind, attribute.name.clone(), first)
    }

    fn listed(entry: &ListEntry) -> Self {
        Self(entry.record.record, entry.kind, entry.name.clone(), entry.first.0)
    }
}

/// The piece that a non-resident attribute describes.
pub(super) fn piece_of(body: &NonResidentBody, packed: &[u8]) -> StreamPiece {
    let (runs, fault) = unpack(packed, body.first, body.last);
    StreamPiece { body: *body, runs, fault }
}

impl File {
    /// Puts a file together.
    pub(super) fn load(
        parts: Parts<'_>,
        base: &Record,
        budget: &mut ExtensionBudget,
        findings: &mut Findings,
    ) -> Result<Self> {
        let mut file = Self::empty(base);
        if base.other_number {
            file.distrust.insert(Distrust::OtherNumber);
        }
        let list = list::of(parts.volume, parts.boot, base, budget)?;
        let mut seen = list.is_some().then(HashSet::new);
        file.take(parts, base, seen.as_mut(), findings);
        if let (Some(list), Some(seen)) = (list, &mut seen) {
            file.extend(parts, base, &list, seen, budget, findings)?;
        }
        // The file says that it has a reparse point, and none was read.
        let says_so = file.information.is_some_and(|one| one.attributes & file_attribute::REPARSE_POINT != 0);
        if says_so {
            file.reparse.get_or_insert_default();
        }
        // A folder has a list of names and nothing else has one.
        if !file.incomplete && base.is_folder() != file.index_root.is_some() {
            findings.add(FindingKind::AttributeBad, parts.image_offset(base.number), Some(base.number), || {
                if base.is_folder() { "a folder without a list of names" } else { "a list of names, and no folder" }
            });
            file.distrust.insert(Distrust::RecordInconsistent);
        }
        Ok(file)
    }

    /// Puts together what the one record of a deleted file still says. Its extension records may be another's by now.
    pub(super) fn load_deleted(parts: Parts<'_>, base: &Record, findings: &mut Findings) -> Self {
        let mut file = Self::empty(base);
        file.take(parts, base, None, findings);
        file.distrust.insert(Distrust::Deleted);
        file
    }

    fn empty(base: &Record) -> Self {
        Self {
            information: None,
            names: Vec::new(),
            reparse: None,
            streams: Streams::default(),
            index_root: None,
            index_blocks: Stream::default(),
            other_runs: Vec::new(),
            lost_streams: BTreeSet::new(),
            distrust: EnumSet::empty(),
            incomplete: false,
            unknown: base.unknown,
        }
    }

    /// Takes in the attributes of one record.
    fn take(
        &mut self,
        parts: Parts<'_>,
        record: &Record,
        mut seen: Option<&mut HashSet<Place>>,
        findings: &mut Findings,
    ) {
        let mut attributes = walk(record);
        let mut broken_value = false;
        for attribute in &mut attributes {
            if let Some(seen) = &mut seen {
                seen.insert(Place::of(record, &attribute));
            }
            broken_value |= self.attribute(&attribute).is_none();
        }
        let broken = attributes.broken;
        if broken || broken_value || record.inconsistent {
            findings.add(
                FindingKind::AttributeBad,
                parts.image_offset(record.number),
                Some(record.number),
                || "what follows in this record can't be used",
            );
            self.distrust.insert(Distrust::RecordInconsistent);
        }
        if record.partial {
            self.distrust.insert(Distrust::RecordPartlyRead);
        }
        self.incomplete |= broken || broken_value || record.partial;
    }

    /// Takes in one attribute; `None` if its value can't be what its type says.
    fn attribute(&mut self, attribute: &Attribute<'_>) -> Option<()> {
        match attribute.header.kind {
            attribute_type::STANDARD_INFORMATION => {
                self.information = Some(StandardInformation::from_bytes(attribute.value()?)?);
            }
            attribute_type::FILE_NAME => self.names.push(FileName::from_bytes(attribute.value()?)?),
            // A reparse buffer of more than a record's room stands on the volume; what it says is then not known,
            // only that there is one.
            attribute_type::REPARSE_POINT => {
                self.reparse = Some(attribute.value().map(<[u8]>::to_vec).unwrap_or_default());
            }
            attribute_type::DATA => self.stream(attribute),
            attribute_type::INDEX_ROOT if is_names(&attribute.name) => {
                self.index_root = Some(attribute.value()?.to_vec());
            }
            attribute_type::INDEX_ALLOCATION if is_names(&attribute.name) => {
                if let Body::NonResident(body, packed) = &attribute.body {
                    self.index_blocks.pieces.push(piece_of(body, packed));
                }
            }
            _ => {}
        }
        if let (Body::NonResident(body, packed), false) =
            (&attribute.body, attribute.header.kind == attribute_type::DATA)
        {
            self.other_runs.extend(piece_of(body, packed).runs);
        }
        Some(())
    }

    fn stream(&mut self, attribute: &Attribute<'_>) {
        let new = || Stream { flags: attribute.header.flags, ..Stream::default() };
        let stream = self.streams.of(&attribute.name, new);
        match &attribute.body {
            Body::Resident(value) => {
                // Two values, or a value beside pieces, can't both be the content.
                if stream.resident.is_some() || !stream.pieces.is_empty() {
                    self.distrust.insert(Distrust::RecordInconsistent);
                } else {
                    stream.resident = Some(value.to_vec());
                }
            }
            Body::NonResident(body, packed) => {
                if stream.resident.is_some() {
                    self.distrust.insert(Distrust::RecordInconsistent);
                }
                // The first piece tells how the stream is stored.
                if body.first.0 == 0 {
                    stream.flags = attribute.header.flags;
                }
                stream.pieces.push(piece_of(body, packed));
            }
        }
    }

    /// Takes in the extension records that the list names.
    fn extend(
        &mut self,
        parts: Parts<'_>,
        base: &Record,
        list: &AttributeList,
        seen: &mut HashSet<Place>,
        budget: &mut ExtensionBudget,
        findings: &mut Findings,
    ) -> Result<()> {
        self.unknown |= list.unknown;
        if list.partial {
            self.incomplete = true;
            self.distrust.insert(Distrust::RecordPartlyRead);
            findings.add(
                FindingKind::ExtensionMissing,
                parts.image_offset(base.number),
                Some(base.number),
                || "the list of its extension records is damaged",
            );
        }
        let wanted: BTreeSet<Reference> =
            list.entries.iter().map(|entry| entry.record).filter(|one| one.record != base.number).collect();
        for reference in wanted {
            let Err(stale) = self.extension(parts, base, reference, seen, budget, findings)? else { continue };
            if stale {
                self.distrust.insert(Distrust::ExtensionStale);
            }
            findings.add(
                FindingKind::ExtensionMissing,
                parts.image_offset(reference.record),
                Some(base.number),
                || format!("{reference}"),
            );
        }
        // What the list names and no record has is lost.
        for entry in list.entries.iter().filter(|entry| !seen.contains(&Place::listed(entry))) {
            match entry.kind {
                // A stream is there if any piece of it is; that pieces are missing shows when they are joined.
                attribute_type::DATA => {
                    self.lost_streams.insert(entry.name.clone());
                }
                attribute_type::REPARSE_POINT => {
                    self.reparse.get_or_insert_default();
                }
                attribute_type::FILE_NAME => self.incomplete = true,
                attribute_type::STANDARD_INFORMATION => {
                    self.distrust.insert(Distrust::RecordPartlyRead);
                }
                _ => {}
            }
        }
        let streams = &self.streams;
        self.lost_streams.retain(|name| streams.get(name).is_none());
        Ok(())
    }

    /// Takes in one extension record; the error says whether a record stands there that is another's.
    fn extension(
        &mut self,
        parts: Parts<'_>,
        base: &Record,
        reference: Reference,
        seen: &mut HashSet<Place>,
        budget: &mut ExtensionBudget,
        findings: &mut Findings,
    ) -> Result<Result<(), bool>> {
        let Some(left) = budget.records.checked_sub(1) else { return Ok(Err(false)) };
        budget.records = left;
        let Ok(record) = parts.table.read(parts.volume, reference.record)? else { return Ok(Err(false)) };
        let points_back = record.header.base.record == base.number && record.header.base.means(base.header.sequence);
        if !record.in_use() || !points_back || !reference.means(record.header.sequence) {
            return Ok(Err(true));
        }
        budget.taken.insert(record.number);
        if record.other_number {
            self.distrust.insert(Distrust::OtherNumber);
        }
        if parts.table.bitmap.get(reference.record) == Some(false) {
            self.distrust.insert(Distrust::RecordFree);
        }
        self.unknown |= record.unknown;
        self.take(parts, &record, Some(seen), findings);
        Ok(Ok(()))
    }
}
