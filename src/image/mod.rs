//! The bytes: a read-only image of a drive, in whatever container.
//!
//! [`open`] is the only way to an image on disk and it opens for reading alone. A raw image may be split into parts
//! (`name.001`, `name.002`, …). What is not raw is recognised at open and answered with what to do about it.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

mod container;
pub mod digest;
#[cfg(test)]
pub(crate) mod failing_tests;
#[cfg(target_os = "linux")]
mod file_holes;
mod kept_digest;
mod memory;
mod raw;
mod split;

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use crate::error::{Error, Result};

pub use memory::MemoryImage;

/// Positioned reads of an image, shareable between threads. There is no seek state and no way to write.
pub trait Image: Send + Sync {
    /// Length in bytes.
    fn length(&self) -> u64;

    /// Fills `buffer` from `offset`. A range that does not lie wholly inside the image is an error: callers ask
    /// [`Image::length`] first.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file itself can't be read. That is never a sector the drive did not give.
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()>;

    /// The files the image is made of, in order; empty for an image in memory.
    fn parts(&self) -> &[PathBuf];

    /// The first range at or after `from` for which the image's file keeps nothing (a hole of a sparse file, read as zeros);
    /// an empty range at the image's end if there is none. `None` if that can't be told.
    ///
    /// Such a hole says nothing for sure: whoever copies an image sparsely leaves out the drive's own zeros, too.
    fn next_file_hole(&self, from: u64) -> Option<Range<u64>> {
        let _ = from;
        None
    }

    /// When the newest part was last modified, where that is known.
    fn modified(&self) -> Option<SystemTime>;

    /// Checks that no part's length or modification time differs from what it was at open.
    ///
    /// # Errors
    /// [`Error::ImageChanged`] if one does: imaging still runs, and nothing read may be called whole.
    /// [`Error::ImageIo`] if a part can't be examined any more.
    fn check_unchanged(&self) -> Result<()>;
}

/// Opens an image: one raw file, the first part of a split raw image, or several paths as parts in order.
///
/// # Errors
/// [`Error::Usage`] for a folder, an empty list or a gap among the parts; [`Error::ImageIo`] if a file can't be opened;
/// [`Error::Unsupported`] for an empty, compressed or container file, with what to do.
pub fn open<P: AsRef<Path>>(paths: &[P]) -> Result<Arc<dyn Image>> {
    let parts = match paths {
        [] => return Err(Error::Usage("no image was named".to_string())),
        [one] => split::find_parts(one.as_ref())?,
        several => several.iter().map(|path| path.as_ref().to_path_buf()).collect(),
    };
    let image = raw::RawImage::open(parts)?;
    if let Some(found) = container::recognise(&image)? {
        return Err(Error::Unsupported { what: found.what.to_string(), next: found.next.to_string() });
    }
    Ok(Arc::new(image))
}
