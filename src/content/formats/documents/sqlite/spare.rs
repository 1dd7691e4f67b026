//! Pages that hold no rows: the list of free ones ("Database File Format", section 1.5) and the map that says who leads to
//! each page (section 1.8).

use super::pages::Pages;
use super::tree::{Use, Walk};
use crate::bytes::{be_u32, to_u64};
use crate::content::formats::{Step, broken};

/// Bytes of an entry in the map.
const ENTRY: usize = 5;

/// How many pages one page of the map speaks for, and itself.
fn group(pages: &Pages<'_>) -> u64 {
    to_u64(pages.header.usable.checked_div(ENTRY).unwrap_or_default()).saturating_add(1)
}

/// The page of the map that speaks for a group, by its first page.
fn map_page(pages: &Pages<'_>, first: u64) -> Option<u32> {
    let page = u32::try_from(first).ok()?;
    if page == pages.lock() { page.checked_add(1) } else { Some(page) }
}

/// Where the map speaks of a page: a page, and a place in it.
pub(super) fn in_map(pages: &Pages<'_>, page: u32) -> Option<(u32, usize)> {
    let group = group(pages);
    let number = u64::from(page).checked_sub(2)?.checked_div(group)?;
    let map = map_page(pages, number.checked_mul(group)?.checked_add(2)?)?;
    let entry = usize::try_from(page.checked_sub(map)?.checked_sub(1)?).ok()?;
    Some((map, entry.checked_mul(ENTRY)?))
}

/// Takes the pages of the map, if there is one.
pub(super) fn take_maps(walk: &mut Walk<'_>) -> Step<()> {
    if !walk.pages.header.has_map {
        return Ok(());
    }
    let step = group(walk.pages);
    let mut first = 2_u64;
    while first <= walk.pages.count.into() {
        match map_page(walk.pages, first) {
            Some(map) if map <= walk.pages.count => walk.take(map, 1, None)?,
            _ => break,
        }
        first = first.saturating_add(step);
    }
    Ok(())
}

/// Takes the free pages; as many as the header says.
pub(super) fn check_free(walk: &mut Walk<'_>) -> Step<()> {
    let (mut trunk, mut from, mut count) = (walk.pages.header.first_free, 1, 0_u64);
    let room = walk.pages.header.usable.checked_div(4).unwrap_or_default().saturating_sub(2);
    while trunk != 0 {
        walk.take(trunk, from, Some(Use::Free))?;
        let page = walk.pages.page(trunk)?;
        let leaves = be_u32(&page, 4).and_then(|leaves| usize::try_from(leaves).ok()).unwrap_or(usize::MAX);
        if leaves > room {
            return broken(walk.pages.place(trunk), "the list of free pages is broken");
        }
        let list = page.get(8..).unwrap_or_default();
        for leaf in list.chunks_exact(4).take(leaves).filter_map(|four| be_u32(four, 0)) {
            walk.take(leaf, trunk, Some(Use::Free))?;
        }
        count = count.saturating_add(to_u64(leaves)).saturating_add(1);
        (from, trunk) = (trunk, be_u32(&page, 0).unwrap_or_default());
    }
    if count != u64::from(walk.pages.header.free) {
        return broken(0x24, format!("{count} pages are free, and its header says {}", walk.pages.header.free));
    }
    Ok(())
}
