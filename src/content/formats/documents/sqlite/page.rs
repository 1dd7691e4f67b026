//! One page of a table or an index: its header, its cells, its free blocks ("Database File Format", section 1.6).

use super::cell::{Cell, Kind};
use crate::bytes::{be_u16, be_u32, u8_at};

/// A page whose cells and free blocks lie in it without overlap.
pub(super) struct Page {
    pub(super) kind: Kind,
    /// Each with its place in the page.
    pub(super) cells: Vec<(usize, Cell)>,
    /// The page to the right of the last cell, in branches.
    pub(super) right: Option<u32>,
}

impl Page {
    /// A page whose header begins at `at`; why it is none.
    pub(super) fn from_bytes(bytes: &[u8], at: usize, usable: usize) -> Result<Self, &'static str> {
        let kind = u8_at(bytes, at).and_then(Kind::of).ok_or("a page is no part of a table or an index")?;
        Self::parse(bytes, at, usable, kind).ok_or("a page has cells that reach out of it, or overlap")
    }

    fn parse(bytes: &[u8], at: usize, usable: usize, kind: Kind) -> Option<Self> {
        let header = bytes.get(at..)?;
        let (first_free, count, start) = (be_u16(header, 1)?, be_u16(header, 3)?, be_u16(header, 5)?);
        let fragments = usize::from(u8_at(header, 7)?);
        let start = if start == 0 { 65_536 } else { usize::from(start) };
        let right = if kind.is_branch() { Some(be_u32(header, 8)?) } else { None };
        let list = at.checked_add(if kind.is_branch() { 12 } else { 8 })?;
        let list_end = list.checked_add(usize::from(count).checked_mul(2)?)?;
        if list_end > start || start > usable {
            return None;
        }
        let mut taken = Vec::new();
        let mut cells = Vec::new();
        for number in 0..usize::from(count) {
            let place = usize::from(be_u16(bytes, list.checked_add(number.checked_mul(2)?)?)?);
            let cell = Cell::from_bytes(bytes.get(place..usable)?, kind, usable)?;
            // A cell takes at least as much as a free block would.
            taken.push((place, place.checked_add(cell.length.max(4))?));
            cells.push((place, cell));
        }
        let mut free = usize::from(first_free);
        while free != 0 {
            let block = bytes.get(free..usable)?;
            let (next, length) = (usize::from(be_u16(block, 0)?), usize::from(be_u16(block, 2)?));
            // They stand in ascending order, so this ends.
            if length < 4 || (next != 0 && next < free.checked_add(length)?) {
                return None;
            }
            taken.push((free, free.checked_add(length)?));
            free = next;
        }
        taken.sort_unstable();
        let (mut end, mut gaps) = (start, 0_usize);
        for (from, to) in taken {
            gaps = gaps.checked_add(from.checked_sub(end)?)?;
            end = to;
        }
        gaps = gaps.checked_add(usable.checked_sub(end)?)?;
        (gaps == fragments).then_some(Self { kind, cells, right })
    }
}
