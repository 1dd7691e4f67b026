//! NTFS without its head: both boot sectors are gone, and how the volume is laid out is deduced from what was found.
//!
//! A file record of version 3.1 says its own number, and the table's own record says in clusters where records are. So
//! a guess at start and cluster size can be held against where the records really lie: `proof` does that, and what it
//! can't prove is opened all the same, with nothing called whole. [`Traces`] gathers the records in one pass;
//! [`Geometry`] is what is kept of a volume, and is verified whenever it is used again.

mod geometry;
mod hypothesis;
mod look;
mod proof;
mod rebuild;
mod traces;

pub use geometry::{Evidence, Geometry, TablePiece, TablePlace};
pub use traces::Traces;

pub(super) use look::{open, open_at, pieces_from_start};
pub(super) use rebuild::table;
