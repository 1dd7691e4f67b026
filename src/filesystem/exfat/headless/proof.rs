//! One layout held against the volume: chains against lengths, folders against the clusters that their entries name, the
//! bitmap against all of them.

use std::collections::{HashSet, VecDeque};
use std::ops::Range;

use super::super::chain::{Budget, Chain, follow};
use super::super::entry_set::{self, Item, Set, Worth};
use super::super::list::List;
use super::super::own;
use super::super::structures::{BootSector, FileEntry, StreamEntry, TableEntry};
use super::super::table::Table;
use super::super::units::{Cluster, Heap};
use super::geometry::{Evidence, FIRST_TABLE, Geometry};
use super::traces::{Root, Traces};
use crate::bytes::at_most;
use crate::error::Result;
use crate::filesystem::bitmap::Bitmap;
use crate::source::{Missing, Source};

/// Folders whose lists are read, how many bytes of each, and files that are looked at: enough for a proof, and a volume
/// with millions takes no longer.
const MOST_FOLDERS: u64 = 256;
const MOST_OF_LIST: u64 = 64 << 10;
const MOST_FILES: u64 = 4096;
/// How much of the bitmap is looked at, in bytes.
const MOST_OF_BITMAP: usize = 16 << 20;

/// Bytes from the volume's start in which the root folder of another layout could stand.
const HEAD: u64 = 32 << 20;
/// A hole of so many bytes has room for a root folder and an up-case table of the usual length (5,836 bytes).
const ROOM: u64 = 6144;
/// Where boot regions end at the latest: two of them, with sectors of 4,096 bytes.
const BOOT_END: u64 = 24 * 4096;

/// Gathers what speaks for a layout. `window` begins where the geometry's places count from; the up-case table was found
/// with its checksum right.
pub(super) fn examine(window: &Source, root: &Root, geometry: &mut Geometry) -> Result<()> {
    geometry.evidence = Evidence { upcase: true, ..Evidence::default() };
    let Some(boot) = geometry.boot() else { return Ok(()) };
    let heap = boot.heap;
    let mut proof = Proof {
        window,
        heap,
        table: geometry.table_start.map(|_| Table::new(window, &boot, None)),
        budget: Budget::of(heap),
        bitmap: Bitmap::default(),
        evidence: geometry.evidence,
    };
    proof.evidence.opening = opens(window, &boot, geometry)?;
    proof.own(root, &boot)?;
    proof.walk(boot.root)?;
    proof.evidence.may_hide = may_hide(window, geometry);
    geometry.evidence = proof.evidence;
    Ok(())
}

fn opens(window: &Source, boot: &BootSector, geometry: &Geometry) -> Result<bool> {
    const SECTOR: usize = 512;
    let Some(start) = geometry.table_start else { return Ok(false) };
    let mut traces = Traces::new();
    for number in 0..u64::from(geometry.tables) {
        let offset = start.saturating_add(number.saturating_mul(boot.fat_length));
        if let Some((bytes, _)) = window.read_real(offset, SECTOR)? {
            traces.look(offset, &bytes);
        }
    }
    Ok(traces.openings.len() == usize::from(geometry.tables))
}

struct Proof<'a> {
    window: &'a Source,
    heap: Heap,
    table: Option<Table<'a>>,
    budget: Budget,
    bitmap: Bitmap,
    evidence: Evidence,
}

fn up(count: &mut u64) {
    *count = count.saturating_add(1);
}

impl Proof<'_> {
    /// The volume's own streams: their chains must have the length that the root says.
    fn own(&mut self, root: &Root, boot: &BootSector) -> Result<()> {
        let bitmap = self.stream(&root.bitmap)?;
        let (bytes, holes) = own::read(self.window, self.heap, &bitmap, root.bitmap.length, MOST_OF_BITMAP)?;
        self.bitmap = Bitmap::new(bytes, holes);
        self.stream(&root.upcase)?;
        if let Some(chain) = self.chain(boot.root, 1)? {
            up(if chain.fault.is_none() { &mut self.evidence.own_chains } else { &mut self.evidence.other_own_chains });
        }
        for first in [root.bitmap.first, root.upcase.first, boot.root] {
            self.bit(first);
        }
        Ok(())
    }

    /// The clusters of a stream of the volume's own: by its chain, or one after another where that is lost.
    fn stream(&mut self, entry: &TableEntry) -> Result<Vec<Range<u64>>> {
        let need = self.heap.clusters(entry.length);
        let chain = self.chain(entry.first, need)?;
        if let Some(chain) = chain {
            let right = chain.fault.is_none() && chain.clusters() == need;
            up(if right { &mut self.evidence.own_chains } else { &mut self.evidence.other_own_chains });
            if right {
                return Ok(chain.runs);
            }
        }
        let start = self.heap.index(entry.first).unwrap_or(0);
        Ok(vec![start..start.saturating_add(need).min(u64::from(self.heap.count))])
    }

    /// A chain; `None` if the table, or a link that it hangs on, was not read.
    fn chain(&mut self, first: Cluster, need: u64) -> Result<Option<Chain>> {
        use super::super::chain::Fault;
        let Some(table) = &mut self.table else { return Ok(None) };
        let chain = follow(table, self.heap, first, need, &mut self.budget)?;
        Ok(Some(chain).filter(|chain| !matches!(chain.fault, Some(Fault::Unread | Fault::GivenUp))))
    }

    fn bit(&mut self, cluster: Cluster) {
        match self.heap.index(cluster).and_then(|index| self.bitmap.get(index)) {
            Some(true) => up(&mut self.evidence.bits),
            Some(false) => up(&mut self.evidence.other_bits),
            None => {}
        }
    }

    /// Walks from the root down.
    fn walk(&mut self, root: Cluster) -> Result<()> {
        let mut visited = HashSet::new();
        let mut queue = VecDeque::new();
        let (mut lists, mut files) = (0_u64, 0_u64);
        if let Some(index) = self.heap.index(root) {
            let runs = match self.chain(root, 1)? {
                Some(chain) if !chain.runs.is_empty() => chain.runs,
                _ => vec![index..index.saturating_add(1)],
            };
            queue.push_back(runs);
        }
        while let Some(runs) = queue.pop_front() {
            if lists >= MOST_FOLDERS {
                break;
            }
            up(&mut lists);
            for set in self.sets(&runs, &mut visited)? {
                let (Some(file), Some(stream)) = (set.file(), set.stream()) else { continue };
                if stream.length == 0 || stream.first.0 == 0 {
                    continue;
                }
                if file.attributes & FileEntry::FOLDER != 0 {
                    if self.opens_folder(&stream)? {
                        queue.push_back(self.runs(&stream)?);
                    }
                } else if files < MOST_FILES {
                    up(&mut files);
                    self.bit(stream.first);
                    self.file(&stream)?;
                }
            }
        }
        Ok(())
    }

    /// The sound sets of the first part of a list.
    fn sets(&self, runs: &[Range<u64>], visited: &mut HashSet<u64>) -> Result<Vec<Set>> {
        let mut list = List::new(self.window, self.heap, runs, MOST_OF_LIST, visited);
        let mut sets = Vec::new();
        while let Some(item) = entry_set::next(&mut list, false)? {
            if let Item::Set(set) = item
                && set.worth == Worth::Sound
            {
                sets.push(set);
            }
        }
        Ok(sets)
    }

    /// Whether a folder's list opens with a sound set. One without entries shows nothing.
    fn opens_folder(&mut self, stream: &StreamEntry) -> Result<bool> {
        let Some(index) = self.heap.index(stream.first) else {
            up(&mut self.evidence.other_folders);
            return Ok(false);
        };
        let run = index..index.saturating_add(1);
        let mut fresh = HashSet::new();
        let mut list = List::from_entry(self.window, self.heap, &[run], self.heap.offset(index), &mut fresh);
        let first = entry_set::next(&mut list, true)?;
        self.bit(stream.first);
        match first {
            Some(Item::Set(set)) if set.worth == Worth::Sound && set.offset == self.heap.offset(index) => {
                up(&mut self.evidence.folders);
                return Ok(true);
            }
            Some(Item::Set(set)) if set.worth == Worth::PartlyRead => {}
            None | Some(Item::Hole) => {}
            Some(_) => up(&mut self.evidence.other_folders),
        }
        Ok(false)
    }

    fn runs(&mut self, stream: &StreamEntry) -> Result<Vec<Range<u64>>> {
        let need = self.heap.clusters(stream.length.min(MOST_OF_LIST));
        let start = self.heap.index(stream.first).unwrap_or(0);
        let one = start..start.saturating_add(1);
        if stream.is_contiguous() {
            return Ok(vec![start..start.saturating_add(need).min(u64::from(self.heap.count))]);
        }
        Ok(self.chain(stream.first, 1)?.map_or(vec![one], |chain| chain.runs))
    }

    /// Whether a file's chain is as long as its size asks; longer ones were allocated ahead.
    fn file(&mut self, stream: &StreamEntry) -> Result<()> {
        if stream.is_contiguous() {
            return Ok(());
        }
        let need = self.heap.clusters(stream.length);
        if let Some(chain) = self.chain(stream.first, need)? {
            up(if chain.fault.is_none() { &mut self.evidence.chains } else { &mut self.evidence.other_chains });
        }
        Ok(())
    }
}

/// Whether a hole in the first part of the volume, outside boot regions and table, has room for another root folder and
/// its up-case table: this layout may be what an earlier format left.
fn may_hide(window: &Source, geometry: &Geometry) -> bool {
    let table = geometry.table_start.unwrap_or(geometry.heap_start);
    let tables = table..table.saturating_add(geometry.table_length.saturating_mul(u64::from(geometry.tables)));
    let start = table.clamp(FIRST_TABLE, BOOT_END);
    let length = HEAD.min(window.length_in_image()).saturating_sub(start);
    let holes = window.reality(start, length).holes;
    holes.iter().filter(|hole| hole.why != Missing::PastEnd).any(|hole| {
        let before = hole.range.start..hole.range.end.min(tables.start);
        let after = hole.range.start.max(tables.end)..hole.range.end;
        [before, after].iter().any(|piece| piece.end.saturating_sub(piece.start) >= ROOM)
    })
}

/// The up-case table that a root names, if it lies at `offset`: its checksum is right.
pub(super) fn is_upcase(source: &Source, root: &Root, offset: u64) -> Result<bool> {
    let length = at_most(root.upcase.length, super::super::upcase::MOST_BYTES);
    let read = source.read_real(offset, length)?;
    Ok(read.is_some_and(|(bytes, _)| super::super::checksum::table_checksum(&bytes) == root.upcase.checksum))
}
