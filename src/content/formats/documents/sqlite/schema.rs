//! The table of tables and indexes ("Database File Format", section 2.6).

use super::cell::{columns, width};
use super::tree::Walk;
use crate::bytes::{be_u32, slice, to_usize};
use crate::content::formats::documents::text::label;
use crate::content::formats::{Step, broken};

/// The page that its tree begins with.
const ROOT: u32 = 1;

/// As much of an entry is read as holds its names and the page; the statement behind them is not needed.
const ENOUGH: usize = 1 << 16;

/// A table or an index.
pub(super) struct Root {
    pub(super) page: u32,
    pub(super) is_index: bool,
    /// How a sentence names it.
    pub(super) title: String,
}

/// All tables and indexes that have pages.
pub(super) fn roots(walk: &mut Walk<'_>) -> Step<Vec<Root>> {
    let pages = walk.pages;
    let mut roots = Vec::new();
    walk.rows(ROOT, Some(false), "the table of tables", &mut |local, payload, more| {
        let mut entry = local.to_vec();
        let mut next = more.unwrap_or_default();
        // Its pages have been taken, so they are no circle.
        while next != 0 && entry.len() < ENOUGH {
            let page = pages.page(next)?;
            next = be_u32(&page, 0).unwrap_or_default();
            entry.extend_from_slice(page.get(4..pages.header.usable).unwrap_or_default());
        }
        entry.truncate(to_usize(payload).unwrap_or(usize::MAX));
        match root(&entry) {
            Some(Some(root)) => roots.push(root),
            Some(None) => {}
            None => return broken(pages.place(ROOT), "the table of tables has an entry that can't be read"),
        }
        Ok(())
    })?;
    Ok(roots)
}

/// The table or index of an entry, if it has pages; `None` if the entry can't be read.
fn root(entry: &[u8]) -> Option<Option<Root>> {
    let (types, header) = columns(entry)?;
    let mut at = usize::try_from(header).ok()?;
    let mut values = Vec::new();
    for kind in types.iter().take(4) {
        let length = usize::try_from(width(*kind)?).ok()?;
        values.push(slice(entry, at, length)?);
        at = at.checked_add(length)?;
    }
    let [kind, name, _, page] = values.as_slice() else { return None };
    let page = match types.get(3)? {
        0 | 8 => 0,
        9 => 1,
        1..=6 => page.iter().fold(0_u64, |value, byte| value.wrapping_shl(8) | u64::from(*byte)),
        _ => return None,
    };
    // Words may be in UTF-16.
    let letters: Vec<u8> = kind.iter().copied().filter(|byte| *byte != 0).collect();
    let name: Vec<u8> = name.iter().copied().filter(|byte| *byte != 0).collect();
    let is_index = letters == b"index";
    let title = format!("the {} {}", if is_index { "index" } else { "table" }, label(&name));
    Some((page != 0).then_some(Root { page: u32::try_from(page).ok()?, is_index, title }))
}
