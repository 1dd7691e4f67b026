//! The trees of nodes and blocks (2.2.2.7.7), and the blocks (2.2.2.8).

use std::collections::BTreeSet;

use super::Reference;
use super::layout::{BLOCKS, Layout, crc, number};
use crate::bytes::{at_most, le_u16, le_u32, slice, to_u64};
use crate::content::formats::{Step, Subject, broken, unchecked};

/// Levels of a tree: eight of them would lead to more pages than a file of any size has.
const DEEPEST: u8 = 8;

pub(super) struct Walk<'a> {
    subject: &'a Subject<'a>,
    layout: &'a Layout,
    /// Pages that were read: each belongs to one place of one tree.
    seen: BTreeSet<u64>,
    /// Bytes of blocks that may still be read; more than there are in the file would be the same ones again.
    left: u64,
}

impl<'a> Walk<'a> {
    pub(super) fn new(subject: &'a Subject<'a>, layout: &'a Layout) -> Self {
        Self { subject, layout, seen: BTreeSet::new(), left: subject.size().saturating_mul(2) }
    }

    /// Reads a tree from its root.
    pub(super) fn tree(&mut self, root: Reference, kind: u8) -> Step<()> {
        self.page(root, kind, None)
    }

    fn page(&mut self, reference: Reference, kind: u8, level: Option<u8>) -> Step<()> {
        let at = reference.at;
        if !self.seen.insert(at) {
            return broken(at, "a page of an index of the mail is in it twice");
        }
        let page = self.subject.bytes(at, self.layout.page)?;
        let trailer = self.layout.page_trailer(&page);
        if trailer.kind != Some(kind) {
            return broken(at, "a page of an index of the mail does not stand where it has to");
        }
        if !trailer.right {
            return broken(at, "a page of an index of the mail does not agree with its checksum");
        }
        if trailer.id | 1 != reference.id | 1 {
            return broken(at, "a page of an index of the mail belongs elsewhere");
        }
        let Some((count, length, found)) = self.layout.counts(&page) else {
            return broken(at, "a page of an index of the mail is damaged");
        };
        if level.is_some_and(|level| level != found) || found > DEEPEST || length == 0 {
            return broken(at, "a page of an index of the mail is damaged");
        }
        let entries = page.get(..self.layout.counts).unwrap_or_default();
        if count.saturating_mul(length) > entries.len() {
            return broken(at, "a page of an index of the mail is damaged");
        }
        let width = self.layout.width();
        for entry in entries.chunks_exact(length).take(count) {
            let place = |index: usize| number(entry, width.saturating_mul(index), width).unwrap_or_default();
            match found.checked_sub(1) {
                Some(below) => self.page(Reference { id: place(1), at: place(2) }, kind, Some(below))?,
                None if kind == BLOCKS => {
                    let length = le_u16(entry, width.saturating_mul(2)).unwrap_or_default();
                    self.block(Reference { id: place(0), at: place(1) }, length)?;
                }
                None => {}
            }
        }
        Ok(())
    }

    /// A block: its data, padding, and its trailer, which ends at a full unit.
    fn block(&mut self, reference: Reference, length: u16) -> Step<()> {
        let layout = self.layout;
        let length = usize::from(length);
        let whole = crate::bytes::round_up(to_u64(length.saturating_add(layout.block_trailer)), layout.block_unit);
        match self.left.checked_sub(whole) {
            Some(left) => self.left = left,
            None => return unchecked("its index names the same bytes again and again"),
        }
        let at = reference.at;
        let block = self.subject.bytes(at, at_most(whole, usize::MAX))?;
        let trailer = block.get(block.len().saturating_sub(layout.block_trailer)..).unwrap_or_default();
        // BLOCKTRAILER (2.2.2.8.1): cb, wSig; then dwCRC and bid, in ANSI files the other way round.
        let (id, sum) = if layout.wide { (8, 4) } else { (4, 8) };
        let id = number(trailer, id, layout.width()).unwrap_or_default();
        if le_u16(trailer, 0).map(usize::from) != Some(length) || id | 1 != reference.id | 1 {
            return broken(at, "a block of mail does not stand where it has to");
        }
        if le_u32(trailer, sum) != slice(&block, 0, length).map(crc) {
            return broken(at, "a block of mail does not agree with its checksum");
        }
        Ok(())
    }
}
