//! What a search found, in a form that is kept: JSON that names the image and the map it speaks of.

use std::fmt;
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::Found;
use crate::source::Source;

/// The version of the form.
const VERSION: u32 = 1;

/// What a search found, and in what.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Saved {
    /// The version of the form; no other file has the field.
    handback_found: u32,
    /// The image's length in bytes.
    image_length: u64,
    /// When the image was last modified, in nanoseconds since 1970; `None` where that is not known.
    image_modified: Option<u64>,
    /// SHA-256 over the map's ranges and their states.
    map: String,
    /// What was found.
    pub found: Found,
}

/// Why saved findings say nothing of an image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Misfit {
    /// They are of another version of the form.
    Version,
    /// The image is another one, or was changed since.
    Image,
    /// Another map lies under the image now.
    Map,
}

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Version => "another version of handback wrote them",
            Self::Image => "the image has another length or date than when it was searched",
            Self::Map => "another sector map lies under the image than when it was searched",
        })
    }
}

impl Saved {
    /// What was found in `source`, the whole image under its map.
    #[must_use]
    pub fn new(source: &Source, found: Found) -> Self {
        Self {
            handback_found: VERSION,
            image_length: source.length(),
            image_modified: modified(source),
            map: map_digest(source),
            found,
        }
    }

    /// Whether the findings are of this image under this map.
    ///
    /// # Errors
    /// Why not.
    pub fn fits(&self, source: &Source) -> Result<(), Misfit> {
        if self.handback_found != VERSION {
            Err(Misfit::Version)
        } else if self.image_length != source.length() || self.image_modified != modified(source) {
            Err(Misfit::Image)
        } else if self.map != map_digest(source) {
            Err(Misfit::Map)
        } else {
            Ok(())
        }
    }
}

fn modified(source: &Source) -> Option<u64> {
    let since = source.image().modified()?.duration_since(UNIX_EPOCH).ok()?;
    u64::try_from(since.as_nanos()).ok()
}

fn map_digest(source: &Source) -> String {
    let mut digest = Sha256::new();
    for segment in source.map().segments(0..source.length()) {
        digest.update(segment.range.start.to_le_bytes());
        digest.update(segment.state.word());
    }
    digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}
