//! Where an object's bytes lie. Each reader says where; one piece of code reads.

use std::ops::Range;

use super::GapKind;

/// A range of a file that is not there, and why.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Gap {
    /// Bytes of the file.
    pub range: Range<u64>,
    /// Why.
    pub why: GapKind,
}

/// Where a run's bytes are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// At this byte of the volume.
    At(u64),
    /// Nowhere: the filesystem defines them as zeros.
    Zeros,
    /// Nobody can say: what placed them is lost or wrong.
    Lost,
    /// Not on this drive: a cloud program keeps them.
    NeverHere,
}

/// One stretch of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// First byte of the file.
    pub start: u64,
    /// Length in bytes.
    pub length: u64,
    /// Where it is.
    pub place: Place,
}

/// How stored bytes become the file's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// As they are.
    Plain,
    /// In units of `unit` bytes of the file, each stored plain, as zeros, or LZNT1-compressed at the unit's start with
    /// the rest of the unit not allocated.
    Lznt1 {
        /// Bytes of the file in a unit.
        unit: u64,
    },
}

/// Runs on the volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Runs {
    /// In file order, without overlap or gap, from byte 0 at least up to `size` rounded to the cluster.
    pub runs: Vec<Run>,
    /// The file's size in bytes.
    pub size: u64,
    /// Bytes from here to `size` are zeros by definition, whatever lies on the volume.
    pub valid_size: u64,
    /// How stored bytes become the file's.
    pub encoding: Encoding,
}

/// By which method chunks are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Packing {
    /// XPRESS with Huffman codes.
    Xpress,
    /// LZX, as in WIM archives.
    Lzx,
}

/// Content in chunks that an operating system packed into a stream of its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packed {
    /// The table and the chunks.
    pub stored: Box<Extents>,
    /// How they are packed.
    pub packing: Packing,
    /// Bytes of the content in a chunk.
    pub chunk: u64,
    /// The content's size in bytes.
    pub size: u64,
}

/// Where an object's bytes lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Extents {
    /// In its own record: these bytes, all of them read.
    Resident(Vec<u8>),
    /// On the volume.
    Runs(Runs),
    /// Packed, in a stream of its own.
    Packed(Packed),
}

impl Extents {
    /// The size of the content in bytes.
    #[must_use]
    pub fn size(&self) -> u64 {
        match self {
            Self::Resident(bytes) => crate::bytes::to_u64(bytes.len()),
            Self::Runs(runs) => runs.size,
            Self::Packed(packed) => packed.size,
        }
    }

    /// The lowest byte of the volume that content comes from: the order in which files are best read.
    #[must_use]
    pub fn first_place(&self) -> u64 {
        match self {
            Self::Resident(_) => 0,
            Self::Packed(packed) => packed.stored.first_place(),
            Self::Runs(runs) => runs
                .runs
                .iter()
                .find_map(|run| match run.place {
                    Place::At(offset) => Some(offset),
                    _ => None,
                })
                .unwrap_or(0),
        }
    }
}
