//! Where content is not there: only bytes that matter, in bytes of the volume.

use std::ops::Range;

use crate::bytes::{round_down, round_up};
use crate::catalog::{Catalog, Encoding, Extents, Gap, GapKind, ObjectId, Place, Runs};
use crate::content::{claims_too_much, read};
use crate::error::{Error, Result};
use crate::filesystem::Filesystem;
use crate::source::{Hole, Missing, Source};

/// What a file's content lacks.
#[derive(Debug, Default)]
pub(super) struct Lacking {
    /// In bytes of the volume.
    pub(super) holes: Vec<Hole>,
    /// Bytes for which no map speaks.
    pub(super) unknown: u64,
    /// Bytes after the image's end.
    pub(super) past_end: u64,
}

/// A hole, and which bytes of the stored stream lie in it.
struct Found {
    hole: Hole,
    stored: Range<u64>,
}

/// What the content of a file or stream lacks; nothing if it can't be placed.
pub(super) fn of(filesystem: &dyn Filesystem, catalog: &Catalog, id: ObjectId) -> Result<Lacking> {
    if catalog.object(id).facts.unlocated.is_some() {
        return Ok(Lacking::default());
    }
    let volume = filesystem.source();
    let extents = match filesystem.extents(catalog, id) {
        Ok(extents) if claims_too_much(extents.size(), volume.length()) => return Ok(Lacking::default()),
        Ok(extents) => extents,
        Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => return Err(error),
        Err(_) => return Ok(Lacking::default()),
    };
    let mut lacking = Lacking::default();
    let mut found = Vec::new();
    let unit = match &extents {
        Extents::Resident(_) => return Ok(lacking),
        Extents::Runs(runs) => {
            let end = runs.size.min(runs.valid_size);
            match runs.encoding {
                // What lies past the valid size is zeros by definition.
                Encoding::Plain => {
                    look(volume, runs, end, &mut found, &mut lacking);
                    None
                }
                Encoding::Lznt1 { unit } => {
                    look(volume, runs, round_up(end, unit), &mut found, &mut lacking);
                    Some(Some(unit))
                }
            }
        }
        Extents::Packed(packed) => {
            if let Extents::Runs(runs) = packed.stored.as_ref() {
                look(volume, runs, runs.size.min(runs.valid_size), &mut found, &mut lacking);
            }
            Some(None)
        }
    };
    // Of encoded content only reading tells whether a hole spoils anything: it may lie behind all that is used.
    // One that claims to be larger than its volume is not read for that.
    let readable = extents.size() <= volume.length();
    if let (Some(unit), false, true) = (unit, found.is_empty(), readable) {
        let gaps = read(volume, &extents, &mut |_| Ok(()))?.gaps;
        found.retain(|one| spoils(&one.stored, unit, &gaps));
    }
    lacking.holes = found.into_iter().map(|one| one.hole).collect();
    Ok(lacking)
}

/// Whether a hole in stored bytes may be behind one of the gaps.
fn spoils(stored: &Range<u64>, unit: Option<u64>, gaps: &[Gap]) -> bool {
    let by_hole = |gap: &&Gap| matches!(gap.why, GapKind::Unread | GapKind::Unreached | GapKind::Undecodable);
    match unit {
        // Which chunk lies where, the stream's own table says: any hole may be behind any gap.
        None => gaps.iter().any(|gap| by_hole(&gap)),
        Some(unit) => {
            let units = round_down(stored.start, unit)..round_up(stored.end, unit);
            gaps.iter().filter(by_hole).any(|gap| gap.range.start < units.end && units.start < gap.range.end)
        }
    }
}

/// Looks at the runs up to byte `end` of the stored stream.
fn look(volume: &Source, runs: &Runs, end: u64, found: &mut Vec<Found>, lacking: &mut Lacking) {
    for run in runs.runs.iter().take_while(|run| run.start < end) {
        let Place::At(place) = run.place else { continue };
        let length = run.length.min(end - run.start);
        let reality = volume.reality(place, length);
        let mut there = length;
        for hole in reality.holes {
            let bytes = hole.range.end - hole.range.start;
            there = there.saturating_sub(bytes);
            if hole.why == Missing::PastEnd {
                lacking.past_end = lacking.past_end.saturating_add(bytes);
                continue;
            }
            let in_stream = |at: u64| run.start.saturating_add(at - place);
            found.push(Found { stored: in_stream(hole.range.start)..in_stream(hole.range.end), hole });
        }
        if reality.unknown {
            let (from, to) = (volume.image_offset(place), volume.image_offset(place.saturating_add(length)));
            let counted = volume.map().count(from..to, crate::sector_map::ByteState::Unknown);
            // Nobody vouches for a whole volume whose table is not vouched for.
            lacking.unknown = lacking.unknown.saturating_add(if counted == 0 { there } else { counted });
        }
    }
}
