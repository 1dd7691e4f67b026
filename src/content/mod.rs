//! The bytes of one object: assembled, decompressed, checked.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

pub mod lznt1;

use crate::catalog::{Extents, Gap};
use crate::error::Result;
use crate::source::Source;

/// What reading content showed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Bytes delivered: always the content's size.
    pub length: u64,
    /// Ranges that are not there; they were delivered as zeros.
    pub gaps: Vec<Gap>,
    /// Whether nobody vouches for some of the bytes.
    pub unknown: bool,
}

/// Reads all of an object's content in order, in pieces of at most 1 MiB, and hands each to `sink`. What is not there
/// is delivered as zeros and named in the outcome. An error of `sink` ends the reading and is returned.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read, or what `sink` returned.
pub fn read(_volume: &Source, _extents: &Extents, _sink: &mut dyn FnMut(&[u8]) -> Result<()>) -> Result<Outcome> {
    todo!()
}
