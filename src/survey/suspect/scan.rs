//! Reads what files have on a volume, and notes where it is blank.

use std::collections::HashSet;
use std::ops::Range;

use serde::Serialize;

use super::blanks::{Blanks, Found};
use super::format::{self, HEAD, Packed};
use super::{Fill, MOST_STRETCHES, Piece, Position, Stretch, Suspect, Weight};
use crate::catalog::{Catalog, Encoding, Extents, ObjectId, ObjectKind, Place, Runs};
use crate::error::{Error, Result};
use crate::filesystem::Filesystem;
use crate::image::Image;
use crate::progress::{Progress, Unit};
use crate::sector_map::ByteState;
use crate::source::Source;
use crate::survey::{FileKind, known};

/// Bytes read at once.
const PIECE: u64 = 1 << 20;
/// Files of a sound volume have no more bytes than it has. Damaged ones may claim the same clusters over and over; what goes
/// past so many times the volume is left out and counted.
const MOST_READ: u64 = 2;

/// How much of a volume was looked at.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Looked {
    /// The volume's number.
    pub volume: u32,
    /// Files and streams that have bytes of their own on the volume.
    pub files: u64,
    /// Bytes that were looked at.
    pub bytes: u64,
    /// Bytes of files that a map speaks for: they need no hint.
    pub mapped_bytes: u64,
    /// Files that are stored compressed: a hole in one shows when it is decoded.
    pub compressed_files: u64,
    /// Files that are encrypted: nobody could tell.
    pub encrypted_files: u64,
    /// Files that can't be placed.
    pub unplaced_files: u64,
    /// Files left out, as files of this volume claim far more bytes than it has.
    pub left_out: u64,
}

/// What was found on a volume.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Scan {
    /// How much was looked at.
    pub looked: Looked,
    /// Files with blank stretches, by path.
    pub suspects: Vec<Suspect>,
}

/// Looks at what is selected on a volume, with all that is below it.
///
/// # Errors
/// [`Error::ImageIo`] when the image file can't be read; [`Error::Limit`] past [`MOST_STRETCHES`].
pub fn scan(
    volume: u32,
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    selected: &[ObjectId],
    progress: &dyn Progress,
) -> Result<Scan> {
    let objects = objects_below(catalog, selected);
    let total = objects.iter().map(|id| catalog.object(*id).allocated).fold(0, u64::saturating_add);
    progress.begin("looking for blank stretches", total, Unit::Bytes);
    let mut scan = Scan { looked: Looked { volume, ..Looked::default() }, suspects: Vec::new() };
    let mut budget = filesystem.source().length_in_image().saturating_mul(MOST_READ);
    let mut listed = 0;
    for id in objects {
        let object = catalog.object(id);
        progress.advance(object.allocated);
        if object.facts.encrypted {
            scan.looked.encrypted_files += 1;
            continue;
        }
        let runs = match filesystem.extents(catalog, id) {
            Ok(Extents::Resident(_)) => continue,
            Ok(Extents::Runs(runs)) if runs.encoding == Encoding::Plain => runs,
            Ok(Extents::Runs(_) | Extents::Packed(_)) => {
                scan.looked.compressed_files += 1;
                continue;
            }
            Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => return Err(error),
            Err(_) => {
                scan.looked.unplaced_files += 1;
                continue;
            }
        };
        let placed = placed_bytes(&runs);
        if placed > budget {
            scan.looked.left_out += 1;
            continue;
        }
        budget -= placed;
        let found = look(filesystem.source(), &runs, MOST_STRETCHES.saturating_sub(listed), &mut scan.looked)?;
        listed += found.len();
        if !found.is_empty() {
            scan.suspects.push(suspect(volume, filesystem.source(), catalog, id, &runs, found)?);
        }
    }
    progress.end();
    scan.suspects.sort_by(|one, two| (&one.path, &one.address).cmp(&(&two.path, &two.address)));
    Ok(scan)
}

/// Files and streams, each once, in the order in which they are best read.
fn objects_below(catalog: &Catalog, selected: &[ObjectId]) -> Vec<ObjectId> {
    let mut stack = selected.to_vec();
    let mut seen = HashSet::new();
    let mut objects = Vec::new();
    while let Some(id) = stack.pop() {
        if !seen.insert(id) {
            continue;
        }
        stack.extend(catalog.streams(id).map(|name| catalog.named_object(name)));
        match catalog.object(id).kind {
            ObjectKind::Folder => stack.extend(catalog.children(id).map(|name| catalog.named_object(name))),
            ObjectKind::File | ObjectKind::Stream => objects.push(id),
            ObjectKind::Link | ObjectKind::Other => {}
        }
    }
    objects.sort_unstable_by_key(|id| (catalog.object(*id).place, *id));
    objects
}

/// The runs of a file that lie on the volume, cut to what counts of it: byte of the file, byte of the volume, bytes.
fn placed(runs: &Runs) -> impl Iterator<Item = (u64, Option<u64>, u64)> + '_ {
    let end = content_end(runs);
    runs.runs.iter().take_while(move |run| run.start < end).map(move |run| {
        let at = match run.place {
            Place::At(offset) => Some(offset),
            Place::Zeros | Place::Lost | Place::NeverHere => None,
        };
        (run.start, at, run.length.min(end - run.start))
    })
}

/// Behind it are zeros by definition.
fn content_end(runs: &Runs) -> u64 {
    runs.size.min(runs.valid_size)
}

fn placed_bytes(runs: &Runs) -> u64 {
    placed(runs).filter(|(_, at, _)| at.is_some()).map(|(_, _, length)| length).fold(0, u64::saturating_add)
}

/// Reads one file, where no map speaks for it.
fn look(volume: &Source, runs: &Runs, most: usize, looked: &mut Looked) -> Result<Vec<Found>> {
    let mut blanks = Blanks::new();
    let end = content_end(runs);
    let mut buffer = Vec::new();
    looked.files += 1;
    for (file, at, length) in placed(runs) {
        let Some(offset) = at else {
            blanks.cut();
            continue;
        };
        // What lies behind the image's end is a gap already.
        let inside = length.min(volume.length_in_image().saturating_sub(offset));
        let image = volume.image_offset(offset);
        for segment in volume.map().segments(image..image.saturating_add(inside)) {
            if segment.state != ByteState::Unknown {
                looked.mapped_bytes += segment.range.end - segment.range.start;
                blanks.cut();
                continue;
            }
            let mut start = segment.range.start;
            while start < segment.range.end {
                let count = (segment.range.end - start).min(PIECE);
                buffer.resize(count as usize, 0);
                volume.read_at(offset + (start - image), &mut buffer)?;
                let at = file + (start - image);
                blanks.feed(at, start, &buffer, at + count == end);
                looked.bytes += count;
                start += count;
            }
            if blanks.count() > most {
                return Err(Error::Limit {
                    what: "blank stretches in files".to_string(),
                    limit: MOST_STRETCHES as u64,
                    next: "name the files or folders that matter",
                });
            }
        }
        if inside < length {
            blanks.cut();
        }
    }
    Ok(blanks.finish())
}

/// Makes the entry of a file.
fn suspect(
    volume: u32,
    source: &Source,
    catalog: &Catalog,
    id: ObjectId,
    runs: &Runs,
    found: Vec<Found>,
) -> Result<Suspect> {
    let path = catalog.first_path(id);
    let name = catalog.names_of(id).next().map(|name| catalog.name(name).text().into_owned()).unwrap_or_default();
    let packed = format::packed(&name, &head(source, runs)?);
    let end = content_end(runs);
    let stretches = found
        .into_iter()
        .map(|Found { start, length, pieces }| {
            let position = match (start == 0, start + length >= end) {
                (true, true) => Position::All,
                (true, false) => Position::Start,
                (false, true) => Position::End,
                (false, false) => Position::Middle,
            };
            let pieces = pieces.into_iter().flat_map(|piece| over_file_holes(source.image().as_ref(), piece)).collect();
            let mut stretch = Stretch { start, length, position, weight: Weight::Possible, pieces };
            stretch.weight = weight(&stretch, packed);
            stretch
        })
        .collect();
    let kind = if is_system(&path) { FileKind::System } else { FileKind::of_name(&name) };
    let address = catalog.address(id).unwrap_or_default();
    Ok(Suspect { volume, address, path, kind, size: catalog.object(id).size, stretches })
}

/// Whether the file is the operating system's, by the first part of its path.
fn is_system(path: &str) -> bool {
    let first = path.trim_start_matches('/').split('/').next().unwrap_or_default().to_lowercase();
    known::SYSTEM_ROOT_FOLDERS.contains(&&*first) || known::SYSTEM_ROOT_FILES.contains(&&*first)
}

fn weight(stretch: &Stretch, packed: Option<Packed>) -> Weight {
    let Some(packed) = packed.filter(|_| matches!(stretch.position, Position::Start | Position::Middle)) else {
        return Weight::Possible;
    };
    let padding = stretch.range().end <= packed.header;
    let other_fill = packed.only_zeros && stretch.pieces.iter().any(|piece| piece.fill == Fill::OneSector);
    if padding || other_fill { Weight::Possible } else { Weight::Likely }
}

/// The first bytes of a file, as far as they lie on the volume one after the other.
fn head(volume: &Source, runs: &Runs) -> Result<Vec<u8>> {
    let mut head = Vec::new();
    for (_, at, length) in placed(runs) {
        let room = (HEAD - head.len()) as u64;
        let Some(offset) = at.filter(|_| room > 0) else { break };
        let start = head.len();
        head.resize(start + length.min(room) as usize, 0);
        volume.read_at(offset, &mut head[start..])?;
    }
    Ok(head)
}

/// A piece of zeros, cut where the image's own file keeps nothing.
fn over_file_holes(image: &dyn Image, piece: Piece) -> Vec<Piece> {
    let whole = piece.image_start..piece.image_start + piece.length;
    let part = |range: Range<u64>, fill| Piece {
        file_start: piece.file_start + (range.start - whole.start),
        length: range.end - range.start,
        image_start: range.start,
        fill,
    };
    let mut pieces = Vec::new();
    let mut at = whole.start;
    while piece.fill == Fill::Zeros && at < whole.end {
        let Some(hole) = image.next_file_hole(at) else { break };
        let hole = hole.start.clamp(at, whole.end)..hole.end.clamp(at, whole.end);
        if hole.is_empty() {
            break;
        }
        if at < hole.start {
            pieces.push(part(at..hole.start, Fill::Zeros));
        }
        at = hole.end;
        pieces.push(part(hole, Fill::FileHole));
    }
    if at < whole.end {
        pieces.push(part(at..whole.end, piece.fill));
    }
    pieces
}
