//! Tables and indexes as trees of pages, each page taken once.

use super::cell::{Cell, Kind, row_fits};
use super::page::Page;
use super::pages::Pages;
use crate::bytes::{be_u32, to_u64, to_usize};
use crate::content::formats::{Step, broken};

/// No tree is deeper: a branch has at least two pages below it, and SQLite itself gives up there.
const DEEPEST: usize = 20;

/// Who leads to a page, as the map of pages says it ("Database File Format", section 1.8).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Use {
    Root,
    Free,
    FirstOfRow(u32),
    MoreOfRow(u32),
    Below(u32),
}

impl Use {
    fn as_stored(self) -> (u8, u32) {
        match self {
            Self::Root => (1, 0),
            Self::Free => (2, 0),
            Self::FirstOfRow(parent) => (3, parent),
            Self::MoreOfRow(parent) => (4, parent),
            Self::Below(parent) => (5, parent),
        }
    }
}

/// A walk through a database.
pub(super) struct Walk<'a> {
    pub(super) pages: &'a Pages<'a>,
    used: Vec<bool>,
}

/// What a walk is told of each row: its content in the page, all of its length, and the page with the rest.
pub(super) type Row<'r> = &'r mut dyn FnMut(&[u8], u64, Option<u32>) -> Step<()>;

/// A branch on the way down.
struct Branch {
    page: u32,
    /// Pages below, in order, with the largest row in each.
    below: std::vec::IntoIter<(u32, Option<i64>)>,
    /// The largest row in the one that is being walked.
    bound: Option<i64>,
}

impl<'a> Walk<'a> {
    pub(super) fn new(pages: &'a Pages<'a>) -> Step<Self> {
        Ok(Self { pages, used: vec![false; pages.room()?] })
    }

    /// Takes a page; broken if it is none, or has been taken.
    pub(super) fn take(&mut self, page: u32, from: u32, purpose: Option<Use>) -> Step<()> {
        let lock = self.pages.lock();
        match to_usize(page.into()).and_then(|page| self.used.get_mut(page)) {
            Some(used) if !*used && page != 0 && page != lock => *used = true,
            _ => return broken(self.pages.place(from), format!("page {page} is not there, or belongs to two")),
        }
        match purpose {
            Some(purpose) if self.pages.header.has_map => self.check_map(page, purpose),
            _ => Ok(()),
        }
    }

    fn check_map(&self, page: u32, purpose: Use) -> Step<()> {
        let Some((map, at)) = super::spare::in_map(self.pages, page) else { return Ok(()) };
        let entry = self.pages.part(map, at, 5)?;
        if (entry.first().copied().unwrap_or_default(), be_u32(&entry, 1).unwrap_or_default()) != purpose.as_stored() {
            let at = self.pages.place(map).saturating_add(to_u64(at));
            return broken(at, format!("the map of pages is wrong about page {page}"));
        }
        Ok(())
    }

    /// The first page that nothing uses.
    pub(super) fn unused(&self) -> Option<u32> {
        let lock = self.pages.lock();
        let numbers = (0_u32..).zip(&self.used).skip(1);
        numbers.filter(|(page, used)| !**used && *page != lock).map(|(page, _)| page).next()
    }

    /// Walks the tree below a root. `is_index` is known of indexes; tables may be stored as one.
    pub(super) fn tree(&mut self, root: u32, is_index: bool, title: &str) -> Step<()> {
        self.rows(root, is_index.then_some(true), title, &mut |_, _, _| Ok(()))
    }

    /// Walks the tree below a root, and hands on what is in its leaves.
    pub(super) fn rows(&mut self, root: u32, is_index: Option<bool>, title: &str, row: Row<'_>) -> Step<()> {
        // The first page is named by nothing, so no map has it.
        self.take(root, 1, (root != 1).then_some(Use::Root))?;
        let (mut branches, mut leaf_depth, mut last) = (Vec::<Branch>::new(), None, None);
        let mut is_index = is_index;
        let mut now = Some(root);
        loop {
            if let Some(number) = now.take() {
                let (page, bytes) = self.page(number, title)?;
                if *is_index.get_or_insert(page.kind.is_index()) != page.kind.is_index() {
                    return broken(self.pages.place(number), format!("a page of {title} is of another kind"));
                }
                self.check_cells(number, &page, &bytes, title, row)?;
                if page.kind.is_branch() {
                    let below: Vec<_> =
                        page.cells.iter().filter_map(|(_, cell)| Some((cell.child?, cell.row))).collect();
                    let right = page.right.map(|right| (right, None));
                    let below = below.into_iter().chain(right).collect::<Vec<_>>().into_iter();
                    branches.push(Branch { page: number, below, bound: None });
                } else {
                    if *leaf_depth.get_or_insert(branches.len()) != branches.len() {
                        return broken(self.pages.place(number), format!("the tree of {title} is not of one depth"));
                    }
                    for (_, cell) in &page.cells {
                        self.must_follow(&mut last, cell.row, number, title)?;
                    }
                }
            }
            let Some(branch) = branches.last_mut() else { return Ok(()) };
            // Rows below a cell are not larger than the cell's.
            if let (Some(bound), Some(last)) = (branch.bound, last)
                && last > bound
            {
                return broken(self.pages.place(branch.page), format!("rows of {title} are not in order"));
            }
            match branch.below.next() {
                Some((page, bound)) => {
                    branch.bound = bound;
                    let from = branch.page;
                    if branches.len() > DEEPEST {
                        return broken(self.pages.place(from), format!("the tree of {title} is too deep"));
                    }
                    self.take(page, from, Some(Use::Below(from)))?;
                    now = Some(page);
                }
                None => {
                    branches.pop();
                }
            }
        }
    }

    fn must_follow(&self, last: &mut Option<i64>, row: Option<i64>, page: u32, title: &str) -> Step<()> {
        if let (Some(last), Some(row)) = (*last, row)
            && row <= last
        {
            return broken(self.pages.place(page), format!("rows of {title} are not in order"));
        }
        *last = row.or(*last);
        Ok(())
    }

    fn page(&self, number: u32, title: &str) -> Step<(Page, Vec<u8>)> {
        let bytes = self.pages.page(number)?;
        let at = if number == 1 { super::header::LENGTH } else { 0 };
        match Page::from_bytes(&bytes, at, self.pages.header.usable) {
            Ok(page) => Ok((page, bytes)),
            Err(why) => broken(self.pages.place(number), format!("{why}, in {title}")),
        }
    }

    /// The content of a page's cells: whether rows are as long as they say, and the pages of long ones.
    fn check_cells(&mut self, number: u32, page: &Page, bytes: &[u8], title: &str, row: Row<'_>) -> Step<()> {
        if page.kind == Kind::TableBranch {
            return Ok(());
        }
        for (place, cell) in &page.cells {
            let (from, to) = cell.local;
            let local = bytes.get(place.saturating_add(from)..place.saturating_add(to)).unwrap_or_default();
            if !row_fits(local, cell.payload, cell.more.is_none()) {
                let at = self.pages.place(number).saturating_add(to_u64(*place));
                return broken(at, format!("a row of {title} is not as long as its columns"));
            }
            self.take_rest(number, cell, title)?;
            row(local, cell.payload, cell.more)?;
        }
        Ok(())
    }

    /// The pages with the rest of a long row.
    fn take_rest(&mut self, number: u32, cell: &Cell, title: &str) -> Step<()> {
        let Some(first) = cell.more else { return Ok(()) };
        let local = to_u64(cell.local.1.saturating_sub(cell.local.0));
        let room = to_u64(self.pages.header.usable.saturating_sub(4));
        let mut left = cell.payload.saturating_sub(local);
        let (mut page, mut purpose) = (first, Use::FirstOfRow(number));
        while left > 0 {
            self.take(page, number, Some(purpose))?;
            let next = be_u32(&self.pages.part(page, 0, 4)?, 0).unwrap_or_default();
            left = left.saturating_sub(room);
            if (next == 0) != (left == 0) {
                return broken(self.pages.place(page), format!("a long row of {title} is not as long as it says"));
            }
            (page, purpose) = (next, Use::MoreOfRow(page));
        }
        Ok(())
    }
}
