//! Image and sector map as one thing: bytes together with their state.
//!
//! [`Source::read_at`] is the one way to bytes for everything above, readers of metadata included. It answers which of
//! the bytes are real; the others are zeros in the buffer, and a field among them does not exist.
//!
//! A [`Source::window`] is a volume. [`Source::with_damage`] lays simulated damage over a source, so that a test can
//! break every sector in turn without copying an image. [`fence`] keeps outside readers in.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

mod damage;
pub mod fence;

use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use serde::Serialize;

pub use damage::Damage;

use crate::bytes::{to_u64, to_usize};
use crate::error::Result;
use crate::image::Image;
use crate::sector_map::{ByteState, SectorMap};

/// Unread ranges are counted in sectors of this many bytes until the sector size is known.
pub const SMALLEST_SECTOR: u64 = 512;

/// Why bytes of a source are not there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Missing {
    /// The drive was asked and did not give them.
    Unread,
    /// The imaging ended before it came here.
    Unreached,
    /// They lie after the image's end.
    PastEnd,
}

/// A range of bytes that are not there, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hole {
    /// Relative to the source's start, in bytes.
    pub range: Range<u64>,
    /// Why.
    pub why: Missing,
}

/// Which of the bytes asked for are real.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reality {
    /// What is not there, in order, neighbours of one kind joined; empty if every byte is real.
    pub holes: Vec<Hole>,
    /// Whether nobody vouches for some of the bytes that are there.
    pub unknown: bool,
}

impl Reality {
    /// Whether every byte is there.
    #[must_use]
    pub fn is_all_there(&self) -> bool {
        self.holes.is_empty()
    }

    fn add(&mut self, range: Range<u64>, state: Result<ByteState, Missing>) {
        let why = match state {
            Ok(ByteState::Read) => return,
            Ok(ByteState::Unknown) => {
                self.unknown = true;
                return;
            }
            Ok(ByteState::Unread) => Missing::Unread,
            Ok(ByteState::Unreached) => Missing::Unreached,
            Err(missing) => missing,
        };
        match self.holes.last_mut() {
            Some(last) if last.why == why && last.range.end == range.start => last.range.end = range.end,
            _ => self.holes.push(Hole { range, why }),
        }
    }
}

struct Shared {
    image: Arc<dyn Image>,
    /// Already fitted to the image and rounded to sectors.
    map: SectorMap,
    damage: Vec<Damage>,
}

/// A range of an image with the states of its bytes. Cloning is cheap.
#[derive(Clone)]
pub struct Source {
    shared: Arc<Shared>,
    base: u64,
    length: u64,
    /// The first absolute offset that belongs to no outer window: nothing from here on is this source's.
    limit: u64,
    /// `false` if nobody vouches for what says where this source lies.
    vouched: bool,
}

impl fmt::Debug for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Source").field("base", &self.base).field("length", &self.length).finish_non_exhaustive()
    }
}

impl Source {
    /// The whole image under a map. The map is fitted to the image's length, and its unread ranges grow to whole
    /// sectors of `sector_size` bytes.
    #[must_use]
    pub fn new(image: Arc<dyn Image>, map: &SectorMap, sector_size: u64) -> Self {
        let length = image.length();
        let map = map.fitted(length).rounded(sector_size.max(1));
        Self {
            shared: Arc::new(Shared { image, map, damage: Vec::new() }),
            base: 0,
            length,
            limit: u64::MAX,
            vouched: true,
        }
    }

    /// An image that no map speaks for.
    #[must_use]
    pub fn without_map(image: Arc<dyn Image>) -> Self {
        let map = SectorMap::none(image.length());
        Self::new(image, &map, SMALLEST_SECTOR)
    }

    /// The `length` bytes from `start` (relative to this source) as a source of their own. It may reach past the
    /// image's end, or past the window it is made from: such bytes are [`Missing::PastEnd`], and never another
    /// volume's.
    #[must_use]
    pub fn window(&self, start: u64, length: u64) -> Self {
        let base = self.base.saturating_add(start);
        Self {
            shared: Arc::clone(&self.shared),
            base,
            // Absolute positions must stay below 2^64.
            length: length.min(u64::MAX.saturating_sub(base)),
            limit: self.inner_limit(),
            vouched: self.vouched,
        }
    }

    /// The same source, for whose place nobody vouches: a table or boot sector on the way to it is `unknown`, so
    /// whatever is read from it is, too.
    #[must_use]
    pub fn unvouched(&self) -> Self {
        Self { vouched: false, ..self.clone() }
    }

    /// Where windows inside this one must end. The whole image sets none: a volume may reach past its end.
    fn inner_limit(&self) -> u64 {
        let whole_image = self.base == 0 && self.limit == u64::MAX && self.length == self.shared.image.length();
        if whole_image { u64::MAX } else { self.limit.min(self.base.saturating_add(self.length)) }
    }

    /// The same source with simulated damage; `damage` is in absolute image offsets. Earlier damage stays below.
    #[must_use]
    pub fn with_damage(&self, damage: &[Damage]) -> Self {
        let shared = Shared {
            image: Arc::clone(&self.shared.image),
            map: self.shared.map.clone(),
            damage: self.shared.damage.iter().chain(damage).cloned().collect(),
        };
        Self { shared: Arc::new(shared), ..self.clone() }
    }

    /// The same source with unread ranges grown to sectors of `sector_size` bytes.
    #[must_use]
    pub fn with_sector_size(&self, sector_size: u64) -> Self {
        let shared = Shared {
            image: Arc::clone(&self.shared.image),
            map: self.shared.map.rounded(sector_size.max(1)),
            damage: self.shared.damage.clone(),
        };
        Self { shared: Arc::new(shared), ..self.clone() }
    }

    /// Length in bytes. What lies past the image's end is counted.
    #[must_use]
    pub fn length(&self) -> u64 {
        self.length
    }

    /// How many of the bytes lie inside the image.
    #[must_use]
    pub fn length_in_image(&self) -> u64 {
        self.shared.image.length().min(self.limit).saturating_sub(self.base).min(self.length)
    }

    /// The absolute image offset of a byte of this source.
    #[must_use]
    pub fn image_offset(&self, offset: u64) -> u64 {
        self.base.saturating_add(offset)
    }

    /// The image below.
    #[must_use]
    pub fn image(&self) -> &Arc<dyn Image> {
        &self.shared.image
    }

    /// The map, fitted to the image and rounded to sectors; simulated damage is not in it.
    #[must_use]
    pub fn map(&self) -> &SectorMap {
        &self.shared.map
    }

    /// Which of `length` bytes from `offset` are real, without reading them.
    #[must_use]
    pub fn reality(&self, offset: u64, length: u64) -> Reality {
        let mut reality = Reality { unknown: !self.vouched && length > 0, ..Reality::default() };
        self.walk(offset, length, |range, state| reality.add(range, state));
        reality
    }

    /// Fills `buffer` from `offset` and says which of its bytes are real; the others are zeros.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file itself can't be read.
    pub fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<Reality> {
        let mut reality = Reality { unknown: !self.vouched && !buffer.is_empty(), ..Reality::default() };
        if offset.checked_add(to_u64(buffer.len())).is_none() {
            // Bytes past 2^64 have no offset to be named by.
            buffer.fill(0);
        }
        let mut failure = None;
        // Neighbouring stretches that have bytes are read in one go.
        let mut pending: Option<Range<u64>> = None;
        let mut read = |range: Range<u64>, buffer: &mut [u8]| {
            let slot = to_usize(range.start.saturating_sub(offset))
                .zip(to_usize(range.end.saturating_sub(offset)))
                .and_then(|(start, end)| buffer.get_mut(start..end));
            if let (Some(slot), None) = (slot, &failure)
                && let Err(error) = self.read_image(range.start, slot)
            {
                failure = Some(error);
            }
        };
        self.walk(offset, to_u64(buffer.len()), |range, state| {
            if state.is_ok_and(ByteState::has_bytes) {
                match &mut pending {
                    Some(pending) if pending.end == range.start => pending.end = range.end,
                    _ => {
                        if let Some(earlier) = pending.replace(range.clone()) {
                            read(earlier, buffer);
                        }
                    }
                }
            } else if let (Some(start), Some(end)) =
                (to_usize(range.start.saturating_sub(offset)), to_usize(range.end.saturating_sub(offset)))
                && let Some(slot) = buffer.get_mut(start..end)
            {
                slot.fill(0);
            }
            reality.add(range, state);
        });
        if let Some(last) = pending {
            read(last, buffer);
        }
        failure.map_or(Ok(reality), Err)
    }

    /// Reads `length` bytes, or `None` if any of them is not there. The flag says whether nobody vouches for some.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file itself can't be read.
    pub fn read_real(&self, offset: u64, length: usize) -> Result<Option<(Vec<u8>, bool)>> {
        let mut bytes = vec![0; length];
        let reality = self.read_at(offset, &mut bytes)?;
        Ok(reality.is_all_there().then_some((bytes, reality.unknown)))
    }

    fn read_image(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        let absolute = self.image_offset(offset);
        self.shared.image.read_at(absolute, buffer)?;
        Damage::scramble_all(&self.shared.damage, absolute, buffer);
        Ok(())
    }

    /// Calls `visit` for stretches of one state, in order; ranges are relative to this source.
    fn walk(&self, offset: u64, length: u64, mut visit: impl FnMut(Range<u64>, Result<ByteState, Missing>)) {
        // Inside the window nothing can overflow; whatever of the range is outside it is past the end.
        let own = self.length.min(self.limit.saturating_sub(self.base));
        let count = length.min(own.saturating_sub(offset));
        let start = self.image_offset(offset);
        let inside = start.saturating_add(count);
        let mapped = self.shared.map.length().clamp(start, inside);
        let image_end = self.shared.image.length();
        let relative = |range: Range<u64>| range.start.saturating_sub(self.base)..range.end.saturating_sub(self.base);
        for segment in self.shared.map.segments(start..mapped) {
            self.over_damage(segment.range, segment.state, |range, state| {
                // A map longer than its image makes no bytes.
                let cut = image_end.clamp(range.start, range.end);
                if range.start < cut {
                    visit(relative(range.start..cut), Ok(state));
                }
                if cut < range.end {
                    let why = if state.has_bytes() { Err(Missing::PastEnd) } else { Ok(state) };
                    visit(relative(cut..range.end), why);
                }
            });
        }
        if mapped < inside || count < length {
            let first = if count == 0 { offset } else { mapped.saturating_sub(self.base) };
            visit(first..offset.saturating_add(length), Err(Missing::PastEnd));
        }
    }

    /// Splits a stretch of the map where simulated damage changes its state.
    fn over_damage(&self, range: Range<u64>, state: ByteState, mut visit: impl FnMut(Range<u64>, ByteState)) {
        if self.shared.damage.is_empty() {
            return visit(range, state);
        }
        let mut at = range.start;
        while at < range.end {
            let (mut end, mut now) = (range.end, state);
            for damage in &self.shared.damage {
                if damage.range.contains(&at) {
                    end = end.min(damage.range.end);
                    now = damage.state.unwrap_or(now);
                } else if damage.range.start > at {
                    end = end.min(damage.range.start);
                }
            }
            visit(at..end, now);
            at = end;
        }
    }
}

#[cfg(test)]
mod tests;
