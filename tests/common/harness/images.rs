//! Images that do what no drive should.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;

use handback::error::{Error, Result};
use handback::image::{Image, MemoryImage};

/// An image in which one stretch of bytes is another one.
pub(crate) struct Patched {
    pub(crate) below: Arc<MemoryImage>,
    pub(crate) offset: u64,
    pub(crate) bytes: Vec<u8>,
}

impl Image for Patched {
    fn length(&self) -> u64 {
        self.below.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        self.below.read_at(offset, buffer)?;
        for (at, byte) in (self.offset..).zip(&self.bytes) {
            if let Some(slot) = at.checked_sub(offset).and_then(|at| buffer.get_mut(usize::try_from(at).ok()?)) {
                *slot = *byte;
            }
        }
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

/// An image whose file fails at a read, as on a network share that goes away.
pub(crate) struct Failing {
    pub(crate) below: Arc<MemoryImage>,
    pub(crate) reads: AtomicU64,
    /// The read that fails, counted from 0.
    pub(crate) fails_at: u64,
    /// Whether all later ones fail, too.
    pub(crate) for_good: bool,
}

impl Image for Failing {
    fn length(&self) -> u64 {
        self.below.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        let number = self.reads.fetch_add(1, Ordering::Relaxed);
        if number == self.fails_at || (self.for_good && number > self.fails_at) {
            return Err(Error::ImageIo {
                path: PathBuf::from("choir.img"),
                offset: Some(offset),
                source: std::io::ErrorKind::TimedOut.into(),
            });
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

/// An image that keeps which sectors were asked for, until it is told to end.
pub(crate) struct Recording {
    below: MemoryImage,
    asked: Mutex<Option<BTreeSet<u64>>>,
}

impl Recording {
    pub(crate) fn new(below: MemoryImage) -> Self {
        Self { below, asked: Mutex::new(Some(BTreeSet::new())) }
    }

    /// What was asked for so far; later reads are not kept.
    pub(crate) fn end(&self) -> BTreeSet<u64> {
        self.asked.lock().expect("no panic inside").take().unwrap_or_default()
    }
}

impl Image for Recording {
    fn length(&self) -> u64 {
        self.below.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        if let Some(asked) = self.asked.lock().expect("no panic inside").as_mut() {
            let end = offset + u64::try_from(buffer.len()).expect("a length");
            asked.extend(offset / 512..end.div_ceil(512));
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
