//! Long blank stretches in files, where no map tells a hole from the customer's zeros.
//!
//! What is found is a hint: it changes no state, and no byte becomes `unread` by it. Only bytes that no map speaks for are
//! looked at, and only those that a file has on the volume: ranges that its filesystem defines as zeros are no blanks.

mod blanks;
mod format;
pub mod list;
mod scan;

use std::ops::Range;

use serde::Serialize;

pub use scan::{Looked, Scan, scan};

use super::FileKind;

/// Shorter stretches are not told, in bytes. Drives lose whole sectors, most of them of 4096 bytes inside; and common formats
/// pad and align by up to a page, which would fill the list.
pub const SMALLEST: u64 = 4096;

/// Most stretches that are listed. An image that was not read at all has more, and the first thousand say so.
pub const MOST_STRETCHES: usize = 1_000_000;

/// What a blank stretch is filled with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fill {
    /// Zeros.
    Zeros,
    /// One sector over and over, as a marker of the imaging is.
    OneSector,
    /// Zeros for which the image's own file keeps nothing (a hole of a sparse file).
    FileHole,
}

impl Fill {
    /// All, in the order of the type.
    pub const ALL: [Self; 3] = [Self::Zeros, Self::OneSector, Self::FileHole];

    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Zeros => "zeros",
            Self::OneSector => "one-sector",
            Self::FileHole => "file-hole",
        }
    }
}

/// Where in its file a stretch lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Position {
    /// From the first byte on.
    Start,
    /// Between other content.
    Middle,
    /// Up to the last byte: the file ends in blanks.
    End,
    /// All of it.
    All,
}

impl Position {
    /// All, in the order of the type.
    pub const ALL: [Self; 4] = [Self::Start, Self::Middle, Self::End, Self::All];

    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Middle => "middle",
            Self::End => "end",
            Self::All => "all",
        }
    }
}

/// How much a stretch says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// Files of this format hold no long blanks there: almost surely a hole.
    Likely,
    /// Files of this format may hold blanks, or nothing is known of the format; or the file only ends in blanks, as those do
    /// that a program left unfinished.
    Possible,
}

impl Weight {
    /// All, in the order of the type.
    pub const ALL: [Self; 2] = [Self::Likely, Self::Possible];

    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Likely => "likely",
            Self::Possible => "possible",
        }
    }
}

/// A part of a stretch that lies in one piece in the image.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Piece {
    /// First byte of the file.
    pub file_start: u64,
    /// Bytes.
    pub length: u64,
    /// First byte of the image.
    pub image_start: u64,
    /// What it is filled with.
    pub fill: Fill,
}

/// A blank stretch of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Stretch {
    /// First byte of the file.
    pub start: u64,
    /// Bytes.
    pub length: u64,
    /// Where in the file.
    pub position: Position,
    /// How much it says.
    pub weight: Weight,
    /// Where its bytes lie, in the order of the file.
    pub pieces: Vec<Piece>,
}

impl Stretch {
    fn range(&self) -> Range<u64> {
        self.start..self.start.saturating_add(self.length)
    }
}

/// A file with blank stretches.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Suspect {
    /// The volume's number.
    pub volume: u32,
    /// The file's address on it.
    pub address: String,
    /// A path of it.
    pub path: String,
    /// The kind of file, by its name.
    pub kind: FileKind,
    /// Size in bytes.
    pub size: u64,
    /// In the order of the file, never empty.
    pub stretches: Vec<Stretch>,
}

impl Suspect {
    /// Whether a hole is almost sure.
    #[must_use]
    pub fn is_likely(&self) -> bool {
        self.stretches.iter().any(|stretch| stretch.weight == Weight::Likely)
    }

    /// Bytes in blank stretches.
    #[must_use]
    pub fn blank_bytes(&self) -> u64 {
        self.stretches.iter().map(|stretch| stretch.length).fold(0, u64::saturating_add)
    }
}

#[cfg(test)]
mod tests;
