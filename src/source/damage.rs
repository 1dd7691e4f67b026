//! Simulated damage: what a test does to a source instead of to a copy of the image.

use std::ops::Range;

use crate::bytes::{to_u64, to_usize};
use crate::sector_map::ByteState;

/// Damage over a range of the image.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// Absolute byte offsets in the image.
    pub range: Range<u64>,
    /// The state these bytes take; `None` leaves the map's, as when a drive gives wrong bytes without a word.
    pub state: Option<ByteState>,
    /// Whether each byte is replaced by another one.
    pub scrambled: bool,
}

impl Damage {
    /// The range would not come, and the image holds something else there.
    #[must_use]
    pub fn unread(range: Range<u64>) -> Self {
        Self { range, state: Some(ByteState::Unread), scrambled: true }
    }

    /// The range holds other bytes than the drive did, and nobody knows.
    #[must_use]
    pub fn unmarked(range: Range<u64>) -> Self {
        Self { range, state: None, scrambled: true }
    }

    /// Changes the bytes of `buffer`, which lies at `absolute` in the image, that the damages cover; each byte once,
    /// or two damages would undo one another.
    pub(super) fn scramble_all(damages: &[Self], absolute: u64, buffer: &mut [u8]) {
        for (index, damage) in damages.iter().enumerate().filter(|(_, damage)| damage.scrambled) {
            let end = absolute.saturating_add(to_u64(buffer.len())).min(damage.range.end);
            let start = absolute.max(damage.range.start);
            let inside = to_usize(start.saturating_sub(absolute))
                .zip(to_usize(end.saturating_sub(absolute)))
                .and_then(|(from, to)| buffer.get_mut(from..to));
            let earlier = damages.get(..index).unwrap_or_default();
            for (offset, byte) in (start..end).zip(inside.unwrap_or_default()) {
                if !earlier.iter().any(|other| other.scrambled && other.range.contains(&offset)) {
                    *byte ^= mask(offset);
                }
            }
        }
    }
}

/// A mask that is never 0, so that every scrambled byte is another one, and the same at every read.
fn mask(offset: u64) -> u8 {
    let mixed = offset.wrapping_add(0x9e37_79b9_7f4a_7c15).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    u8::try_from(mixed >> 56).unwrap_or(0) | 1
}
