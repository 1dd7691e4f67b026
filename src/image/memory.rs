//! An image held in memory, for tests and for callers that already have the bytes.

use std::path::PathBuf;
use std::time::SystemTime;

use super::Image;
use crate::bytes::{slice, to_u64, to_usize};
use crate::error::{Error, Result};

/// An image that is a buffer. It never changes and belongs to no file.
#[derive(Debug, Clone)]
pub struct MemoryImage(Vec<u8>);

impl MemoryImage {
    /// An image of exactly these bytes.
    #[must_use]
    pub fn new(bytes: Vec<u8>) -> Self {
        Self(bytes)
    }
}

impl Image for MemoryImage {
    fn length(&self) -> u64 {
        to_u64(self.0.len())
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        let bytes =
            to_usize(offset).and_then(|offset| slice(&self.0, offset, buffer.len())).ok_or_else(|| Error::ImageIo {
                path: PathBuf::from("(memory)"),
                offset: Some(offset),
                source: std::io::ErrorKind::UnexpectedEof.into(),
            })?;
        buffer.copy_from_slice(bytes);
        Ok(())
    }

    fn parts(&self) -> &[PathBuf] {
        &[]
    }

    fn modified(&self) -> Option<SystemTime> {
        None
    }

    fn check_unchanged(&self) -> Result<()> {
        Ok(())
    }
}
