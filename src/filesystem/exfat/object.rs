//! From an entry set to an object of the catalog.

use std::ops::Range;

use enumset::EnumSet;

use super::chain::{Budget, Chain, Fault, contiguous, follow};
use super::entry_set::{Set, Worth, kind};
use super::structures::{Entry, FileEntry, StreamEntry, entry_type};
use super::table::Table;
use super::time::timestamp;
use super::units::Heap;
use crate::bytes::round_up;
use crate::catalog::{
    Attribute, Distrust, Encoding, Extents, Facts, Incomplete, Object, ObjectKind, Place, Run, Runs, Unlocated,
};
use crate::error::Result;
use crate::filesystem::damage;
use crate::source::Source;

/// What is needed to find a set's clusters.
pub(super) struct Parts<'a, 'b> {
    pub(super) source: &'a Source,
    pub(super) heap: Heap,
    pub(super) table: &'b mut Table<'a>,
    pub(super) budget: &'b mut Budget,
}

/// Where a set's content lies.
#[derive(Debug)]
pub(super) struct Placed {
    pub(super) chain: Chain,
    /// Bytes of the content.
    pub(super) length: u64,
    pub(super) extents: Extents,
    pub(super) distrust: EnumSet<Distrust>,
}

/// A file or folder.
#[derive(Debug)]
pub(super) struct Made {
    pub(super) object: Object,
    pub(super) chain: Chain,
    /// Bytes of the content, of a folder's list too.
    pub(super) length: u64,
    /// Clusters that a vendor's extension of the set has.
    pub(super) vendor: Vec<Range<u64>>,
}

/// Makes the object of a set.
pub(super) fn make(parts: &mut Parts<'_, '_>, set: &Set) -> Result<Made> {
    let file = set.file();
    let mut object = Object::new(
        match &file {
            Some(file) if file.attributes & FileEntry::FOLDER != 0 => ObjectKind::Folder,
            _ => ObjectKind::File,
        },
        set.offset,
    );
    if let Some(file) = &file {
        object.set_times(timestamp(file.created), timestamp(file.modified));
        for (bit, attribute) in [
            (FileEntry::READ_ONLY, Attribute::ReadOnly),
            (FileEntry::HIDDEN, Attribute::Hidden),
            (FileEntry::SYSTEM, Attribute::System),
        ] {
            if file.attributes & bit != 0 {
                object.attributes.insert(attribute);
            }
        }
    }
    let unknown = set.spans.iter().any(|span| {
        let length = span.end.saturating_sub(span.start);
        parts.source.reality(span.start, length).unknown
    });
    object.facts = Facts { unknown, ..Facts::SOUND };
    object.facts.distrust.insert_all(worth(set));
    if set.deleted {
        object.facts.distrust.insert(Distrust::Deleted);
    }
    let vendor = vendor_clusters(parts, set)?;
    if has_unknown_critical(set) {
        object.facts.unlocated = Some(Unlocated::UnknownStorage);
    }
    let Some(placed) = place(parts, set)? else {
        object.facts.unlocated = object.facts.unlocated.or(Some(Unlocated::DescriptionLost));
        object.incomplete.extend(Some(Incomplete::RecordLost).filter(|_| object.kind == ObjectKind::Folder));
        return Ok(Made { object, chain: Chain::default(), length: 0, vendor });
    };
    let Placed { chain, length, extents, distrust } = placed;
    object.facts.distrust.insert_all(distrust);
    object.facts.unknown |= chain.unknown;
    object.allocated = parts.heap.bytes(chain.clusters());
    object.place = extents.first_place();
    if object.kind == ObjectKind::File {
        object.size = length;
        if object.facts.unlocated.is_none() {
            damage(parts.source, &extents).enter(&mut object.facts);
        }
    }
    Ok(Made { object, chain, length, vendor })
}

fn worth(set: &Set) -> EnumSet<Distrust> {
    match set.worth {
        Worth::Sound => EnumSet::empty(),
        Worth::PartlyRead => EnumSet::only(Distrust::RecordPartlyRead),
        Worth::WrongChecksum => EnumSet::only(Distrust::ChecksumWrong),
        Worth::Broken => EnumSet::only(Distrust::RecordInconsistent),
    }
}

/// Where the content of a set lies; `None` if what says that was not read.
pub(super) fn place(parts: &mut Parts<'_, '_>, set: &Set) -> Result<Option<Placed>> {
    let Some(stream) = set.stream() else { return Ok(None) };
    let heap = parts.heap;
    let mut distrust = EnumSet::empty();
    if stream.flags & StreamEntry::ALLOCATION_POSSIBLE == 0 || stream.valid_length > stream.length {
        distrust.insert(Distrust::RecordInconsistent);
    }
    let (chain, guess) = clusters(parts, &stream, set.deleted)?;
    if chain.from_other {
        distrust.insert(Distrust::OtherTable);
    }
    // Without content, no cluster matters; and where the link after the last one was not read, nothing is lost.
    let is_all = chain.clusters() >= heap.clusters(stream.length);
    if stream.length > 0 && !(is_all && chain.fault == Some(Fault::Unread)) {
        distrust.extend(chain.fault.and_then(Fault::distrust));
    }
    if guess {
        distrust.insert(Distrust::ContiguousGuess);
    }
    let extents = Extents::Runs(Runs {
        runs: runs(heap, &chain, stream.length),
        size: stream.length,
        valid_size: stream.valid_length.min(stream.length),
        encoding: Encoding::Plain,
    });
    Ok(Some(Placed { chain, length: stream.length, extents, distrust }))
}

/// The clusters of a stream or of a vendor's allocation, and whether that they follow one another is a guess.
fn clusters(parts: &mut Parts<'_, '_>, stream: &StreamEntry, deleted: bool) -> Result<(Chain, bool)> {
    let heap = parts.heap;
    let need = heap.clusters(stream.length);
    if stream.is_contiguous() || (need == 0 && stream.first.0 == 0) {
        return Ok((contiguous(heap, stream.first, need), false));
    }
    let chain = follow(parts.table, heap, stream.first, need, parts.budget)?;
    if deleted && chain.fault.is_some() {
        // The links of a deleted file are free again; most files lay in one piece.
        return Ok((contiguous(heap, stream.first, need), need > 1));
    }
    Ok((chain, false))
}

/// The runs of a stream of `length` bytes, without what its chain has beyond it.
fn runs(heap: Heap, chain: &Chain, length: u64) -> Vec<Run> {
    let end = round_up(length, heap.cluster_size);
    let mut runs = Vec::new();
    let mut at = 0_u64;
    for run in &chain.runs {
        let place = heap.place(run);
        let length = place.end.saturating_sub(place.start).min(end.saturating_sub(at));
        if length == 0 {
            break;
        }
        runs.push(Run { start: at, length, place: Place::At(place.start) });
        at = at.saturating_add(length);
    }
    if at < end {
        runs.push(Run { start: at, length: end.saturating_sub(at), place: Place::Lost });
    }
    runs
}

fn has_unknown_critical(set: &Set) -> bool {
    let unknown = |entry: &Entry| kind(entry) & entry_type::BENIGN == 0 && kind(entry) != entry_type::NAME;
    set.others().flatten().any(unknown)
}

/// Clusters of vendor allocations: in use, and no content.
fn vendor_clusters(parts: &mut Parts<'_, '_>, set: &Set) -> Result<Vec<Range<u64>>> {
    let mut found = Vec::new();
    // A set that isn't proved explains nothing.
    if set.worth == Worth::Sound && !set.deleted {
        for entry in set.others().flatten().filter(|entry| kind(entry) == entry_type::VENDOR_ALLOCATION) {
            let Some(stream) = StreamEntry::from_bytes(entry) else { continue };
            if stream.flags & StreamEntry::ALLOCATION_POSSIBLE != 0 {
                found.extend(clusters(parts, &stream, false)?.0.runs);
            }
        }
    }
    Ok(found)
}
