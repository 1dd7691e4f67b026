//! Folder indexes: the names that a folder itself lists ($I30), read block by block.
//!
//! The sweep does not need them. They say what it missed: a name whose record is lost.

use std::collections::HashSet;
use std::ops::Range;

use super::file::{File, Parts};
use super::index_structures::{IndexBlock, IndexEntry, IndexNode, IndexRoot};
use super::record::undo_fixups;
use super::structures::FileName;
use super::units::{Reference, Vcn};
use crate::bytes::{at_most, slice, to_u64};
use crate::catalog::{Extents, Place, Runs};
use crate::error::Result;

/// What a folder's index lists.
#[derive(Debug, Default)]
pub(super) struct Index {
    pub(super) entries: Vec<(Reference, FileName)>,
    /// Whether every block of it was read and makes sense: no name is missing.
    pub(super) whole: bool,
    /// Where in the volume the blocks lie that did not come.
    pub(super) lost: Vec<Range<u64>>,
}

/// How many bytes of index blocks may still be read. On a sound volume each block belongs to one folder.
#[derive(Debug)]
pub(super) struct IndexBudget(pub(super) u64);

/// Reads the index of a folder.
pub(super) fn read(parts: Parts<'_>, file: &File, budget: &mut IndexBudget) -> Result<Index> {
    let mut index = Index { whole: true, ..Index::default() };
    let Some(value) = file.index_root.as_deref() else {
        return Ok(Index::default());
    };
    let Some(root) = IndexRoot::from_bytes(value) else {
        return Ok(Index::default());
    };
    let mut open = Vec::new();
    index.node(value, IndexRoot::NODE, &mut open);
    let blocks = match super::extents::place(parts.boot, &file.index_blocks, super::extents::Absent::Zeros) {
        Ok(placed) => match placed.extents {
            Extents::Runs(runs) => Some(runs),
            Extents::Resident(_) | Extents::Packed(_) => None,
        },
        Err(_) => None,
    };
    // Blocks are counted in clusters, or in strides where a cluster holds several of them.
    let unit = if parts.boot.cluster.0 <= to_u64(root.block_size) { parts.boot.cluster.0 } else { 512 };
    let mut visited = HashSet::new();
    while let Some(vcn) = open.pop() {
        let start = vcn.0.checked_mul(unit);
        let left = budget.0.checked_sub(to_u64(root.block_size));
        let (Some(blocks), Some(start), Some(left), true) = (&blocks, start, left, visited.insert(vcn)) else {
            index.whole = false;
            continue;
        };
        budget.0 = left;
        match read_block(parts, blocks, start, root.block_size)? {
            Some((bytes, block)) if block.vcn == vcn => index.node(&bytes, IndexBlock::NODE, &mut open),
            _ => {
                index.whole = false;
                index.lost.extend(places(blocks, start, root.block_size));
            }
        }
    }
    Ok(index)
}

/// Where a block lies in the volume.
fn places(blocks: &Runs, start: u64, size: usize) -> impl Iterator<Item = Range<u64>> + '_ {
    let end = start.saturating_add(to_u64(size));
    let first = blocks.runs.partition_point(|run| run.start.saturating_add(run.length) <= start);
    blocks.runs.iter().skip(first).take_while(move |run| run.start < end).filter_map(move |run| {
        let Place::At(place) = run.place else { return None };
        let inside = |at: u64| place.saturating_add(at.saturating_sub(run.start));
        Some(inside(run.start.max(start))..inside(run.start.saturating_add(run.length).min(end)))
    })
}

/// A block with its fixups undone; `None` if any of it was not read or does not pass.
fn read_block(parts: Parts<'_>, blocks: &Runs, start: u64, size: usize) -> Result<Option<(Vec<u8>, IndexBlock)>> {
    let end = start.saturating_add(to_u64(size));
    if end > blocks.size {
        return Ok(None);
    }
    let mut raw = vec![0; size];
    let first = blocks.runs.partition_point(|run| run.start.saturating_add(run.length) <= start);
    for run in blocks.runs.iter().skip(first).take_while(|run| run.start < end) {
        let from = run.start.max(start);
        let to = run.start.saturating_add(run.length).min(end);
        let Place::At(place) = run.place else { return Ok(None) };
        let slot = at_most(from.saturating_sub(start), size)..at_most(to.saturating_sub(start), size);
        let Some(slot) = raw.get_mut(slot) else { return Ok(None) };
        let reality = parts.volume.read_at(place.saturating_add(from.saturating_sub(run.start)), slot)?;
        if !reality.is_all_there() {
            return Ok(None);
        }
    }
    let Some(block) = IndexBlock::from_bytes(&raw) else { return Ok(None) };
    let bytes = undo_fixups(&raw, size, block.update_sequence_offset, block.update_sequence_count);
    Ok(bytes.filter(|bytes| bytes.len() == size).map(|bytes| (bytes, block)))
}

impl Index {
    /// Takes the entries of a node whose head stands at `head` in `bytes`, and what blocks are below it.
    fn node(&mut self, bytes: &[u8], head: usize, open: &mut Vec<Vcn>) {
        if self.entries_of(bytes, head, open).is_none() {
            self.whole = false;
        }
    }

    fn entries_of(&mut self, bytes: &[u8], head: usize, open: &mut Vec<Vcn>) -> Option<()> {
        let node = IndexNode::from_bytes(bytes.get(head..)?)?;
        let mut at = head.checked_add(node.first)?;
        let end = head.checked_add(node.used)?;
        // An entry has a least length, so the walk ends; only its last entry ends a node well.
        loop {
            let entry = IndexEntry::from_bytes(bytes.get(at..end)?)?;
            if let Some(vcn) = entry.below {
                open.push(vcn);
            }
            if entry.is_last {
                return Some(());
            }
            let key = slice(bytes, at.checked_add(IndexEntry::KEY)?, entry.key_length)?;
            self.entries.push((entry.reference, FileName::from_bytes(key)?));
            at = at.checked_add(entry.length)?;
        }
    }
}
