//! Helpers of the unit tests: the only other place that may write files.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::SystemTime;

use crate::error::{Error, Result};
use crate::image::{Image, MemoryImage};

/// Writes a file of a test's own folder.
#[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
pub(crate) fn write_file(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).expect("a temporary folder takes files");
}

/// Sets a file's modification time.
#[expect(clippy::disallowed_types, reason = "a test's own temporary file")]
pub(crate) fn set_modified(path: &Path, time: SystemTime) {
    let file = std::fs::OpenOptions::new().write(true).open(path).expect("the file was just written");
    file.set_modified(time).expect("the time of an own file can be set");
}

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
