//! Where things stand in the three kinds of files.

use crate::bytes::{le_u16, le_u32, le_u64, slice, u8_at};

/// Types of pages (2.2.2.7.1): the tree of blocks, the tree of nodes, the map of used bytes.
pub(super) const BLOCKS: u8 = 0x80;
pub(super) const NODES: u8 = 0x81;
pub(super) const MAP: u8 = 0x84;

/// The CRC of [MS-PST] 5.3: that of Ethernet from 0 and without the inversion at its end.
pub(super) fn crc(bytes: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new_with_initial(u32::MAX);
    hasher.update(bytes);
    !hasher.finalize()
}

/// A field of 4 or 8 bytes.
pub(super) fn number(bytes: &[u8], at: usize, width: usize) -> Option<u64> {
    if width == 8 { le_u64(bytes, at) } else { le_u32(bytes, at).map(u64::from) }
}

/// What differs between the kinds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Layout {
    /// Whether numbers and places have eight bytes (Unicode files).
    pub(super) wide: bool,
    /// Bytes of a page.
    pub(super) page: usize,
    /// Bytes of a page before its trailer.
    pub(super) body: usize,
    /// Where a tree's page says how many entries it has.
    pub(super) counts: usize,
    /// Bytes of a block's trailer, and of which number a block's length is a multiple.
    pub(super) block_trailer: usize,
    pub(super) block_unit: u64,
    /// Where the root stands in the header.
    pub(super) root: usize,
    pub(super) first_map: u64,
    /// A map has a bit for each unit.
    pub(super) map_distance: u64,
}

/// What a page's trailer says.
#[derive(Debug, Clone, Copy)]
pub(super) struct Trailer {
    /// The type, if it stands there twice.
    pub(super) kind: Option<u8>,
    pub(super) id: u64,
    /// Whether the CRC is right.
    pub(super) right: bool,
}

impl Layout {
    /// By `wVer` (2.2.2.6): 14 and 15 are ANSI, 23 is Unicode; 36 has large pages.
    pub(super) fn of(version: u16) -> Option<Self> {
        let unicode = Self {
            wide: true,
            page: 512,
            body: 496,
            counts: 488,
            block_trailer: 16,
            block_unit: 64,
            root: 180,
            first_map: 0x4400,
            map_distance: 496 * 8 * 64,
        };
        match version {
            14 | 15 => Some(Self { wide: false, body: 500, counts: 496, block_trailer: 12, root: 164, ..unicode }),
            // Versions between have been seen, and are laid out as 23 is.
            20..=35 => Some(unicode),
            36 | 37 => Some(Self {
                page: 4096,
                body: 4072,
                counts: 4056,
                block_trailer: 24,
                block_unit: 512,
                first_map: 0x2_2000,
                map_distance: 4072 * 8 * 512,
                ..unicode
            }),
            _ => None,
        }
    }

    pub(super) fn large(&self) -> bool {
        self.page > 512
    }

    /// Bytes of a number or a place.
    pub(super) fn width(&self) -> usize {
        if self.wide { 8 } else { 4 }
    }

    /// PAGETRAILER (2.2.2.7.1): ptype, ptypeRepeat, wSig; then dwCRC and bid, in ANSI files the other way round.
    pub(super) fn page_trailer(&self, page: &[u8]) -> Trailer {
        let trailer = page.get(self.body..).unwrap_or_default();
        let (id, sum) = if self.wide { (8, 4) } else { (4, 8) };
        let kind = u8_at(trailer, 0).filter(|kind| u8_at(trailer, 1) == Some(*kind));
        let right = le_u32(trailer, sum) == slice(page, 0, self.body).map(crc);
        Trailer { kind, id: number(trailer, id, self.width()).unwrap_or_default(), right }
    }

    /// How many entries a tree's page has, how long each is, and its level (2.2.2.7.7.1).
    pub(super) fn counts(&self, page: &[u8]) -> Option<(usize, usize, u8)> {
        if self.large() {
            let at = self.counts;
            let count = usize::from(le_u16(page, at)?);
            let length = usize::from(u8_at(page, at.checked_add(4)?)?);
            return Some((count, length, u8_at(page, at.checked_add(5)?)?));
        }
        let [count, _, length, level] = crate::bytes::array::<4>(page, self.counts)?;
        Some((usize::from(count), usize::from(length), level))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The header sample of [MS-PST] 3.2 has only its beginning; the CRC is held against real files in `tests/content`.
    #[test]
    fn the_crc_starts_at_zero_and_is_not_inverted() {
        assert_eq!(crc(b""), 0);
        assert_eq!(crc(&[0; 9]), 0);
        // CRC-32/JAMCRC differs only in its start: the published check value of CRC-32 is CBF43926h.
        let mut hasher = crc32fast::Hasher::new();
        hasher.update(b"123456789");
        assert_eq!(hasher.finalize(), 0xcbf4_3926);
        assert_eq!(crc(b"123456789"), 0x2dfd_2d88);
    }
}
