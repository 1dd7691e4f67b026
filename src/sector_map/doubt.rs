//! Whether a map may belong to another image.

use std::collections::HashMap;
use std::time::{Duration, SystemTime};

use serde::Serialize;

use super::{ByteState, SectorMap};
use crate::bytes::{at_most, to_u64};
use crate::error::Result;
use crate::image::Image;

/// A map that is this much older than its image was not written by the same imaging.
const MAX_AGE: Duration = Duration::from_secs(600);

/// With fewer unread ranges than this, what they hold says nothing.
const MIN_RANGES: usize = 8;

/// How many unread ranges are looked at.
const MAX_SAMPLES: usize = 1000;

/// How much of each is looked at, in bytes.
const SAMPLE: usize = 512;

/// Longest text that an imaging program is expected to repeat as its fill, in bytes (common practice, no source).
const MAX_PERIOD: usize = 64;

/// One sign that a map may not be this image's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum DoubtReason {
    /// The lengths differ, in bytes.
    Length {
        /// The map's.
        map: u64,
        /// The image's.
        image: u64,
    },
    /// The map is older than the image, in seconds.
    Older {
        /// By how much.
        seconds: u64,
    },
    /// Ranges that would not come hold varied data in the image.
    DataInHoles {
        /// How many of those looked at.
        varied: usize,
        /// How many were looked at.
        sampled: usize,
    },
}

impl std::fmt::Display for DoubtReason {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Length { map, image } => write!(f, "it speaks of {map} bytes and the image has {image}"),
            Self::Older { seconds } => write!(f, "it is {} minutes older than the image", seconds / 60),
            Self::DataInHoles { varied, sampled } => {
                write!(f, "{varied} of {sampled} ranges that it calls unread hold varied data")
            }
        }
    }
}

/// Why a map is doubted, and whether the user accepted it all the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Doubt {
    /// Every sign found, never empty.
    pub reasons: Vec<DoubtReason>,
    /// `true` if the map's good word counts by the user's decision.
    pub accepted: bool,
}

/// Looks for signs that `map` (as read, not yet fitted) belongs to another image.
///
/// # Errors
/// [`crate::Error::ImageIo`] if the image can't be read.
pub fn examine(
    image: &dyn Image,
    map: &SectorMap,
    map_modified: Option<SystemTime>,
    shifted: bool,
) -> Result<Vec<DoubtReason>> {
    let mut reasons = Vec::new();
    // A drive's map laid onto one volume was cut to the volume; only a map that ends too early is a sign then.
    let differs = if shifted { map.length() < image.length() } else { map.length() != image.length() };
    if differs {
        reasons.push(DoubtReason::Length { map: map.length(), image: image.length() });
    }
    if let (Some(map_time), Some(image_time)) = (map_modified, image.modified())
        && let Ok(age) = image_time.duration_since(map_time)
        && age > MAX_AGE
    {
        reasons.push(DoubtReason::Older { seconds: age.as_secs() });
    }
    if let Some(reason) = data_in_holes(image, map)? {
        reasons.push(reason);
    }
    Ok(reasons)
}

fn data_in_holes(image: &dyn Image, map: &SectorMap) -> Result<Option<DoubtReason>> {
    let holes: Vec<_> = map
        .segments(0..map.length().min(image.length()))
        .filter(|segment| segment.state == ByteState::Unread)
        .map(|segment| segment.range)
        .collect();
    if holes.len() < MIN_RANGES {
        return Ok(None);
    }
    let step = holes.len().div_ceil(MAX_SAMPLES);
    let mut samples = Vec::new();
    for hole in holes.into_iter().step_by(step.max(1)) {
        let mut sample = vec![0; at_most(hole.end.saturating_sub(hole.start), SAMPLE)];
        image.read_at(hole.start, &mut sample)?;
        samples.push(sample);
    }
    // A fill is short and repeated inside the sector, or is the same from hole to hole.
    let mut seen: HashMap<Vec<u8>, usize> = HashMap::new();
    for sample in &samples {
        let count = seen.entry(sample.clone()).or_default();
        *count = count.saturating_add(1);
    }
    let is_fill = |sample: &Vec<u8>| repeats(sample) || seen.get(sample).is_some_and(|count| *count > 1);
    let varied = samples.iter().filter(|sample| !is_fill(sample)).count();
    let over_half = to_u64(varied).saturating_mul(2) > to_u64(samples.len());
    Ok(over_half.then_some(DoubtReason::DataInHoles { varied, sampled: samples.len() }))
}

/// Whether the bytes are one short piece over and over.
fn repeats(sample: &[u8]) -> bool {
    (1..=MAX_PERIOD).any(|period| {
        sample.get(period..).is_some_and(|later| later.iter().zip(sample).all(|(later, earlier)| later == earlier))
    })
}
