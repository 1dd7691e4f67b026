//! For tests: an image whose file fails.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::SystemTime;

use super::{Image, MemoryImage};
use crate::error::{Error, Result};

/// An image whose file fails at one read, as on a network share that goes away and comes back.
#[derive(Debug)]
pub(crate) struct FailingImage {
    below: MemoryImage,
    fails_at: u64,
    reads: AtomicU64,
}

impl FailingImage {
    /// Read number `fails_at`, counted from 0, fails.
    pub(crate) fn new(bytes: Vec<u8>, fails_at: u64) -> Self {
        Self { below: MemoryImage::new(bytes), fails_at, reads: AtomicU64::new(0) }
    }

    /// How often it was asked.
    pub(crate) fn reads(&self) -> u64 {
        self.reads.load(Ordering::Relaxed)
    }
}

impl Image for FailingImage {
    fn length(&self) -> u64 {
        self.below.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        if self.reads.fetch_add(1, Ordering::Relaxed) == self.fails_at {
            let source = std::io::ErrorKind::TimedOut.into();
            return Err(Error::ImageIo { path: "choir.img".into(), offset: Some(offset), source });
        }
        self.below.read_at(offset, buffer)
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
