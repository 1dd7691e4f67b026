//! The picture of the damage: an image as one long strip, from its first byte to its last.
//!
//! A [`Picture`] is a description without any drawing in it: for each column of the strip how many bytes of each state
//! it has, where volumes lie, where chosen files lie, and which places are worth enlarging. From it come an SVG
//! ([`Picture::svg`], always), a PNG (feature `picture`) and lines of text ([`Picture::lines`]). The same
//! description always gives the same bytes.
//!
//! States are told by shade and by texture: nothing depends on colour.

mod enlarge;
mod labels;
mod layout;
mod legend;
mod lines;
mod place;
#[cfg(feature = "picture")]
mod raster;
mod scene;
mod svg;
mod words;

use std::ops::Range;

use serde::Serialize;

pub use place::marks;
pub use words::readable;

use crate::sector_map::{ByteState, SectorMap};
use scene::Scene;

/// How many columns the strip of a drawing has.
pub const COLUMNS: usize = 1120;

/// How many columns an enlarged place has.
const ENLARGED_COLUMNS: usize = 352;

/// A volume along the strip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VolumeMark {
    /// Its number.
    pub number: u32,
    /// First byte in the image.
    pub start: u64,
    /// Length in bytes; it may reach past the image's end.
    pub length: u64,
    /// Its filesystem, or what else it is.
    pub what: String,
    /// The name that its user gave it.
    pub label: Option<String>,
}

/// A piece of a chosen file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChosenPiece {
    /// Bytes of the image.
    pub range: Range<u64>,
    /// Whether the file has a gap or can't be shown to be itself.
    pub damaged: bool,
}

/// Files whose place is shown.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Chosen {
    /// What was chosen, in words: a path, or several.
    pub name: String,
    /// Where it lies.
    pub pieces: Vec<ChosenPiece>,
    /// Files.
    pub files: u64,
    /// Those of them that lost something or can't be shown to be themselves.
    pub damaged: u64,
    /// Whether a folder among them may have lost names.
    pub incomplete: bool,
}

/// What is drawn.
#[derive(Debug, Clone)]
pub struct Subject<'a> {
    /// What the image is called.
    pub name: &'a str,
    /// Its map.
    pub map: &'a SectorMap,
    /// Its volumes.
    pub volumes: Vec<VolumeMark>,
    /// Files whose place is shown.
    pub chosen: Option<Chosen>,
}

/// Bytes in each state.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct StateBytes {
    /// Came off the drive.
    pub read: u64,
    /// Would not come.
    pub unread: u64,
    /// Not tried.
    pub unreached: u64,
    /// Nobody says.
    pub unknown: u64,
}

impl StateBytes {
    fn of(map: &SectorMap, range: Range<u64>) -> Self {
        let count = |state| map.count(range.clone(), state);
        Self {
            read: count(ByteState::Read),
            unread: count(ByteState::Unread),
            unreached: count(ByteState::Unreached),
            unknown: count(ByteState::Unknown),
        }
    }

    /// The bytes in one state.
    #[must_use]
    pub fn get(&self, state: ByteState) -> u64 {
        match state {
            ByteState::Read => self.read,
            ByteState::Unread => self.unread,
            ByteState::Unreached => self.unreached,
            ByteState::Unknown => self.unknown,
        }
    }

    /// All of them.
    #[must_use]
    pub fn total(&self) -> u64 {
        ByteState::ALL.into_iter().map(|state| self.get(state)).fold(0, u64::saturating_add)
    }
}

/// What of the chosen files lies in a column.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Here {
    /// Nothing.
    #[default]
    Nothing,
    /// Pieces of files that lost nothing.
    Sound,
    /// A piece of a file that lost something.
    Damaged,
}

/// One column of a strip.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Column {
    /// The bytes that it stands for.
    pub bytes: StateBytes,
    /// What of the chosen files lies there.
    pub chosen: Here,
}

/// A stretch of the image, cut into columns of one size.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Strip {
    /// The bytes of the image that it shows.
    pub range: Range<u64>,
    /// Its columns; each has at least one byte.
    pub columns: Vec<Column>,
}

impl Strip {
    fn of(subject: &Subject<'_>, range: Range<u64>, columns: usize) -> Self {
        let length = range.end.saturating_sub(range.start);
        let count = length.min(columns as u64);
        let edge = |at: u64| range.start + (u128::from(length) * u128::from(at) / u128::from(count.max(1))) as u64;
        let mut all: Vec<Column> = (0..count)
            .map(|at| Column { bytes: StateBytes::of(subject.map, edge(at)..edge(at + 1)), chosen: Here::Nothing })
            .collect();
        for ChosenPiece { range: piece, damaged } in subject.chosen.iter().flat_map(|chosen| &chosen.pieces) {
            let inside = piece.start.max(range.start)..piece.end.min(range.end);
            if inside.start >= inside.end {
                continue;
            }
            let here = if *damaged { Here::Damaged } else { Here::Sound };
            let column = |byte: u64| {
                let at = u128::from(byte - range.start) * u128::from(count) / u128::from(length);
                (at as usize).min(all.len() - 1)
            };
            let (first, last) = (column(inside.start), column(inside.end - 1));
            for one in &mut all[first..=last] {
                one.chosen = one.chosen.max(here);
            }
        }
        Self { range, columns: all }
    }
}

/// A place of the strip, enlarged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Enlarged {
    /// First byte in the image.
    pub start: u64,
    /// Bytes shown.
    pub length: u64,
    /// Bytes in each state there.
    pub bytes: StateBytes,
    /// The volume that its damage lies in.
    pub volume: Option<u32>,
    /// Its columns.
    #[serde(skip)]
    pub strip: Strip,
}

/// A volume and what was read of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct VolumeBytes {
    /// Its number.
    pub number: u32,
    /// First byte in the image.
    pub start: u64,
    /// Length in bytes; it may reach past the image's end.
    pub length: u64,
    /// Its filesystem, or what else it is.
    pub what: String,
    /// The name that its user gave it.
    pub label: Option<String>,
    /// Bytes in each state; those past the image's end are in none.
    pub bytes: StateBytes,
}

/// The chosen files in numbers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChosenSummary {
    /// What was chosen.
    pub name: String,
    /// Files.
    pub files: u64,
    /// Those of them that lost something or can't be shown to be themselves.
    pub damaged: u64,
}

/// The picture of an image's damage, described.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Picture {
    /// What the image is called.
    pub name: String,
    /// Bytes of the image, or of its map, if that is longer.
    pub length: u64,
    /// Bytes in each state.
    pub bytes: StateBytes,
    /// In how many places something would not come.
    pub holes: u64,
    /// The volumes, by where they begin.
    pub volumes: Vec<VolumeBytes>,
    /// The chosen files; `None` if none were.
    pub chosen: Option<ChosenSummary>,
    /// The places that lost most, by where they lie; none if the strip itself shows all there is to see.
    pub enlarged: Vec<Enlarged>,
    /// The whole image.
    #[serde(skip)]
    pub strip: Strip,
}

impl Picture {
    /// Describes an image.
    #[must_use]
    pub fn of(subject: &Subject<'_>) -> Self {
        Self::with_columns(subject, COLUMNS)
    }

    /// The same with another number of columns in the strip; for [`Picture::lines`], one a character.
    #[must_use]
    pub fn with_columns(subject: &Subject<'_>, columns: usize) -> Self {
        let map = subject.map;
        let length = map.length();
        let mut subject = subject.clone();
        if let Some(chosen) = &mut subject.chosen {
            chosen.pieces = joined(std::mem::take(&mut chosen.pieces));
        }
        let subject = &subject;
        let mut volumes: Vec<VolumeBytes> = subject
            .volumes
            .iter()
            .map(|volume| VolumeBytes {
                number: volume.number,
                start: volume.start,
                length: volume.length,
                what: volume.what.clone(),
                label: volume.label.clone(),
                bytes: StateBytes::of(map, volume.start..volume.start.saturating_add(volume.length)),
            })
            .collect();
        volumes.sort_by_key(|volume| (volume.start, volume.number));
        let unread = |range: Range<u64>| map.segments(range).filter(|segment| segment.state == ByteState::Unread);
        let enlarged = enlarge::worst(map)
            .into_iter()
            .map(|range| {
                let hole = unread(range.clone()).next().map_or(range.start, |segment| segment.range.start);
                let around =
                    |volume: &&VolumeBytes| (volume.start..volume.start.saturating_add(volume.length)).contains(&hole);
                Enlarged {
                    start: range.start,
                    length: range.end - range.start,
                    bytes: StateBytes::of(map, range.clone()),
                    volume: volumes.iter().find(around).map(|volume| volume.number),
                    strip: Strip::of(subject, range, ENLARGED_COLUMNS),
                }
            })
            .collect();
        Self {
            name: subject.name.to_string(),
            length,
            bytes: StateBytes::of(map, 0..length),
            holes: unread(0..length).count() as u64,
            volumes,
            chosen: subject.chosen.as_ref().map(|chosen| ChosenSummary {
                name: chosen.name.clone(),
                files: chosen.files,
                damaged: chosen.damaged,
            }),
            enlarged,
            strip: Strip::of(subject, 0..length, columns.max(1)),
        }
    }

    /// As one SVG document: self-contained, without scripts, every text escaped. It can stand alone or be put into an HTML
    /// page.
    #[must_use]
    pub fn svg(&self) -> String {
        svg::write(&Scene::of(self))
    }

    /// As a PNG file, twice as large as the SVG's units.
    ///
    /// # Errors
    /// What the encoder says; it writes into memory.
    #[cfg(feature = "picture")]
    pub fn png(&self) -> Result<Vec<u8>, String> {
        raster::encode(&raster::Canvas::of(&Scene::of(self)))
    }

    /// As lines of text, for a screen; only characters that every terminal has, if names do.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        lines::draw(self)
    }
}

/// Pieces in order, those of one kind joined: a column is then touched once or twice for all of them.
fn joined(pieces: Vec<ChosenPiece>) -> Vec<ChosenPiece> {
    let (mut damaged, mut sound): (Vec<_>, Vec<_>) = pieces.into_iter().partition(|piece| piece.damaged);
    let mut all: Vec<ChosenPiece> = Vec::new();
    for list in [&mut sound, &mut damaged] {
        list.sort_by_key(|piece| piece.range.start);
        let first = all.len();
        for piece in list.drain(..) {
            match all[first..].last_mut() {
                Some(last) if piece.range.start <= last.range.end => {
                    last.range.end = last.range.end.max(piece.range.end)
                }
                _ => all.push(piece),
            }
        }
    }
    all
}

#[cfg(test)]
mod tests;
