//! The opening of a volume whose boot sectors are lost, sector by sector: what else shows how it is laid out.

use std::ops::Range;

use super::anchor;
use crate::bytes::{at_most, slice, to_u64};
use crate::error::Result;
use crate::source::Source;

/// Bytes of a sector that is looked at; larger ones begin on such a border, too.
const SECTOR: usize = 512;

/// How much is read at once, in bytes.
const PIECE: usize = 1 << 20;

/// How much of a volume is looked at, in bytes, where no search of the whole image was made: less than a second's work.
/// FAT's tables stand there on volumes up to 256 GiB, and so do exFAT's root folder and up-case table: the bitmap before
/// them has 8 MiB for 2 TiB in clusters of 32 KiB.
const MOST: u64 = 64 << 20;

/// Volumes further back that are noted; more than that stand in collections of disk images.
const MOST_LATER: usize = 64;

/// Shows every sector of a range that was read, in order: the byte of `source` at which it stands, and its bytes.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read; what `look` ends with.
pub(super) fn sectors(
    source: &Source,
    range: Range<u64>,
    look: &mut dyn FnMut(u64, &[u8]) -> Result<()>,
) -> Result<()> {
    let mut buffer = vec![0; PIECE];
    let mut at = range.start;
    while at < range.end {
        let piece = buffer.get_mut(..at_most(range.end.saturating_sub(at), PIECE)).unwrap_or_default();
        let holes = source.read_at(at, piece)?.holes;
        for (offset, sector) in (at..).step_by(SECTOR).zip(piece.chunks_exact(SECTOR)) {
            let first = holes.partition_point(|hole| hole.range.end <= offset);
            let end = offset.saturating_add(to_u64(SECTOR));
            if holes.get(first).is_none_or(|hole| hole.range.start >= end) {
                look(offset, sector)?;
            }
        }
        at = at.saturating_add(to_u64(piece.len()));
    }
    Ok(())
}

/// Shows the sectors of a volume's opening, and answers where volumes lie that begin further back by a boot sector of
/// their own: what stands there is theirs.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub(super) fn opening(window: &Source, look: &mut dyn FnMut(u64, &[u8])) -> Result<Vec<Range<u64>>> {
    let mut later = Vec::new();
    sectors(window, 0..MOST.min(window.length_in_image()), &mut |offset, sector| {
        look(offset, sector);
        if slice(sector, 0x1fe, 2) == Some(&[0x55, 0xaa]) && later.len() < MOST_LATER {
            later.extend(anchor::later_volumes(window, offset, sector)?);
        }
        Ok(())
    })?;
    Ok(later)
}

/// Whether a volume of this length is looked at as a whole.
pub(super) fn is_all(length: u64) -> bool {
    length <= MOST
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::partition::example_disk::source_of;
    use crate::source::Damage;

    #[test]
    fn every_sector_that_was_read_is_shown_once() {
        let length = to_u64(2 * PIECE + 3 * SECTOR);
        let source = source_of(vec![7; 2 * PIECE + 3 * SECTOR]);
        let holes = [Damage::unread(512..1024), Damage::unread(length - 1024..length - 700)];
        let mut seen = Vec::new();
        sectors(&source.with_damage(&holes), 0..length, &mut |offset, sector| {
            assert!(sector.len() == SECTOR && sector.iter().all(|byte| *byte == 7), "{offset}");
            seen.push(offset);
            Ok(())
        })
        .unwrap();
        let expected: Vec<u64> =
            (0..length).step_by(SECTOR).filter(|offset| ![512, length - 1024].contains(offset)).collect();
        assert_eq!(seen, expected);
    }
}
