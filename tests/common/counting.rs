//! An image in memory that counts how often it is read.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::SystemTime;

use handback::image::{Image, MemoryImage};

pub(crate) struct CountingImage {
    below: MemoryImage,
    reads: AtomicU64,
}

impl CountingImage {
    pub(crate) fn new(bytes: Vec<u8>) -> Arc<Self> {
        Arc::new(Self { below: MemoryImage::new(bytes), reads: AtomicU64::new(0) })
    }

    pub(crate) fn reads(&self) -> u64 {
        self.reads.load(Ordering::Relaxed)
    }
}

impl Image for CountingImage {
    fn length(&self) -> u64 {
        self.below.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> handback::Result<()> {
        self.reads.fetch_add(1, Ordering::Relaxed);
        self.below.read_at(offset, buffer)
    }

    fn parts(&self) -> &[PathBuf] {
        &[]
    }

    fn modified(&self) -> Option<SystemTime> {
        None
    }

    fn check_unchanged(&self) -> handback::Result<()> {
        Ok(())
    }
}
