//! Cells of a page, and the rows in them ("Database File Format", sections 1.6 and 2.1).

use crate::bytes::be_u32;

/// What a page holds ("Database File Format", section 1.6).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    IndexBranch,
    TableBranch,
    IndexLeaf,
    TableLeaf,
}

impl Kind {
    pub(super) fn of(byte: u8) -> Option<Self> {
        match byte {
            2 => Some(Self::IndexBranch),
            5 => Some(Self::TableBranch),
            10 => Some(Self::IndexLeaf),
            13 => Some(Self::TableLeaf),
            _ => None,
        }
    }

    pub(super) fn is_branch(self) -> bool {
        matches!(self, Self::IndexBranch | Self::TableBranch)
    }

    pub(super) fn is_index(self) -> bool {
        matches!(self, Self::IndexBranch | Self::IndexLeaf)
    }
}

/// A number of one to nine bytes: seven bits in each, eight in the last; and how many bytes it has.
pub(super) fn number(bytes: &[u8]) -> Option<(u64, usize)> {
    let mut value = 0_u64;
    for at in 0..8_usize {
        let byte = *bytes.get(at)?;
        value = value.wrapping_shl(7) | u64::from(byte & 0x7F);
        if byte & 0x80 == 0 {
            return Some((value, at.saturating_add(1)));
        }
    }
    let last = *bytes.get(8)?;
    Some((value.wrapping_shl(8) | u64::from(last), 9))
}

/// One cell.
#[derive(Debug, Default)]
pub(super) struct Cell {
    /// Bytes that it takes in its page.
    pub(super) length: usize,
    /// The page below it.
    pub(super) child: Option<u32>,
    /// The row's number, in tables.
    pub(super) row: Option<i64>,
    /// Bytes of its content, and where in the cell those begin and end that lie in the page.
    pub(super) payload: u64,
    pub(super) local: (usize, usize),
    /// The page with the rest.
    pub(super) more: Option<u32>,
}

impl Cell {
    /// The cell at the beginning of `bytes`, in a page of which `usable` bytes are used.
    pub(super) fn from_bytes(bytes: &[u8], kind: Kind, usable: usize) -> Option<Self> {
        let mut cell = Self::default();
        let mut at = 0;
        if kind.is_branch() {
            cell.child = Some(be_u32(bytes, 0)?);
            at = 4;
        }
        if kind != Kind::TableBranch {
            let (payload, length) = number(bytes.get(at..)?)?;
            cell.payload = payload;
            at = at.checked_add(length)?;
        }
        if !kind.is_index() {
            let (row, length) = number(bytes.get(at..)?)?;
            cell.row = Some(row.cast_signed());
            at = at.checked_add(length)?;
        }
        if kind == Kind::TableBranch {
            cell.length = at;
            return Some(cell);
        }
        let (local, is_all) = local_length(cell.payload, kind, usable)?;
        let end = at.checked_add(local)?;
        cell.local = (at, end);
        cell.length = end;
        if !is_all {
            cell.more = Some(be_u32(bytes, end)?);
            cell.length = end.checked_add(4)?;
        }
        bytes.get(..cell.length)?;
        Some(cell)
    }
}

/// How much of a content lies in its page, and whether that is all ("Database File Format", section 1.6, end).
fn local_length(payload: u64, kind: Kind, usable: usize) -> Option<(usize, bool)> {
    let usable = u64::try_from(usable).ok()?;
    let share = |part: u64| usable.checked_sub(12)?.checked_mul(part)?.checked_div(255)?.checked_sub(23);
    let most = if kind == Kind::TableLeaf { usable.checked_sub(35)? } else { share(64)? };
    if payload <= most {
        return Some((usize::try_from(payload).ok()?, true));
    }
    let least = share(32)?;
    let rest = payload.checked_sub(least)?.checked_rem(usable.checked_sub(4)?)?;
    let local = least.checked_add(rest).filter(|local| *local <= most).unwrap_or(least);
    Some((usize::try_from(local).ok()?, false))
}

/// The types of a row's columns, as far as they lie in `local`, and bytes of its header; `None` if they don't all.
pub(super) fn columns(local: &[u8]) -> Option<(Vec<u64>, u64)> {
    let (header, mut at) = number(local)?;
    let end = usize::try_from(header).ok()?;
    let list = local.get(..end)?;
    let mut types = Vec::new();
    while at < end {
        let (kind, length) = number(list.get(at..)?)?;
        types.push(kind);
        at = at.checked_add(length)?;
    }
    Some((types, header))
}

/// Bytes that a column of a type takes; `None` for a type that no row has ("Database File Format", section 2.1).
pub(super) fn width(kind: u64) -> Option<u64> {
    Some(match kind {
        0 | 8 | 9 => 0,
        1..=4 => kind,
        5 => 6,
        6 | 7 => 8,
        10 | 11 => return None,
        // An even one is a blob and an odd one a text.
        _ => kind.checked_sub(12)?.checked_div(2)?,
    })
}

/// Whether a row is as long as its columns say; a header that does not lie wholly in the page is not looked at.
pub(super) fn row_fits(local: &[u8], payload: u64, is_all: bool) -> bool {
    let Some((types, header)) = columns(local) else { return !is_all };
    let content = types.into_iter().try_fold(0_u64, |sum, kind| sum.checked_add(width(kind)?));
    content.and_then(|content| content.checked_add(header)) == Some(payload)
}
