//! One layout held against the volume: tables against one another, folders against the clusters that they name, chains
//! against sizes.

use std::collections::{HashSet, VecDeque};

use super::super::block::Block;
use super::super::chain::{End, Steps, follow};
use super::super::listing::{self, Named, Reading};
use super::super::structures::{BootSector, ENTRY, Width};
use super::super::table::Tables;
use super::super::units::{Cluster, FIRST, Layout};
use super::geometry::{Evidence, Geometry, UNIT};
use super::traces::{Dots, Opening};
use crate::bytes::{at_most, round_down, to_u64};
use crate::catalog::Findings;
use crate::error::Result;
use crate::filesystem::CodePage;
use crate::source::{Missing, Source};

/// Folders whose lists are read, how many bytes of each, and files whose chains are followed: enough for a proof, and a
/// volume with millions takes no longer.
const MOST_FOLDERS: u64 = 256;
const MOST_OF_LIST: u64 = 64 << 10;
const MOST_FILES: u64 = 4096;

/// How much of two tables is compared at once, in bytes.
const PIECE: u64 = 64 << 10;

/// Bytes from the volume's start in which another layout's tables could stand: as many as may be reserved
/// (BPB_RsvdSecCnt has 16 bits) in sectors of 512 bytes.
pub(super) const HEAD: u64 = 65_536 * 512;

/// Gathers what speaks for a layout, and narrows down how many clusters there can be. `window` begins where the geometry's
/// places count from; `folders` are all that were seen in it.
pub(super) fn examine(window: &Source, folders: &[Dots], geometry: &mut Geometry) -> Result<()> {
    geometry.evidence = Evidence::default();
    let Some((boot, layout)) = geometry.boot() else { return Ok(()) };
    let tables = Tables::read(window, &boot, &layout, &mut Findings::default())?;
    // What the window has no room for is none, unless the table has it in use: the image may be cut short.
    let room = window.length().saturating_sub(layout.data).checked_div(layout.cluster).unwrap_or(0);
    let used = u64::from(tables.last_in_use().unwrap_or(FIRST)).saturating_sub(u64::from(FIRST)).saturating_add(1);
    geometry.clusters = geometry.clusters.min(room.max(used)).max(1);
    let Some((boot, layout)) = geometry.boot() else { return Ok(()) };
    let mut proof = Proof { window, boot: &boot, layout: &layout, tables: &tables, evidence: Evidence::default() };
    proof.openings(geometry)?;
    proof.copies(geometry)?;
    proof.placed(geometry, folders);
    proof.walk(geometry)?;
    proof.evidence.may_hide = may_hide(window, geometry);
    geometry.evidence = proof.evidence;
    // Nothing leads into a chain's first cluster.
    geometry.contested |= boot.width == Width::Fat32 && tables.leads_to(Cluster(geometry.root_cluster));
    Ok(())
}

struct Proof<'a> {
    window: &'a Source,
    boot: &'a BootSector,
    layout: &'a Layout,
    tables: &'a Tables,
    evidence: Evidence,
}

fn up(count: &mut u64) {
    *count = count.saturating_add(1);
}

impl Proof<'_> {
    fn openings(&mut self, geometry: &Geometry) -> Result<()> {
        for number in 0..geometry.tables {
            let offset = geometry.tables_start.saturating_add(number.saturating_mul(geometry.table_length));
            let Some((bytes, _)) = self.window.read_real(offset, BootSector::LENGTH)? else { continue };
            let opens = Opening::from_sector(offset, &bytes);
            if opens.is_some_and(|opening| opening.has(geometry.bits) && opening.media == geometry.media) {
                up(&mut self.evidence.openings);
            }
        }
        Ok(())
    }

    /// Compares the two tables sector by sector.
    fn copies(&mut self, geometry: &Geometry) -> Result<()> {
        /// The first entries are no clusters'; FAT32's third is the root folder's, which formatting enters.
        const NO_FILES: usize = 12;
        let single = geometry.tables < 2;
        let half = round_down(geometry.table_length / 2, UNIT);
        let (first, length) = (geometry.tables_start, if single { half } else { geometry.table_length });
        let there = length.min(self.window.length_in_image().saturating_sub(first.saturating_add(length)));
        let mut at = 0;
        while at < there {
            let size = at_most(there.saturating_sub(at).min(PIECE), usize::MAX);
            let (mut one, mut other) = (vec![0; size], vec![0; size]);
            let start = first.saturating_add(at);
            let mine = self.window.read_at(start, &mut one)?;
            let theirs = self.window.read_at(start.saturating_add(length), &mut other)?;
            let holes = mine.holes.iter().map(|hole| (hole.range.start, hole.range.end));
            let holes = holes.chain(
                theirs
                    .holes
                    .iter()
                    .map(|hole| (hole.range.start.saturating_sub(length), hole.range.end.saturating_sub(length))),
            );
            let holes: Vec<(u64, u64)> = holes.collect();
            let sectors = one.chunks(512).zip(other.chunks(512));
            for (offset, (one, other)) in (start..).step_by(512).zip(sectors) {
                let end = offset.saturating_add(UNIT);
                if holes.iter().any(|(from, to)| *from < end && offset < *to) {
                    continue;
                }
                let skip = if offset == first { NO_FILES } else { 0 };
                let (one, other) = (one.get(skip..).unwrap_or_default(), other.get(skip..).unwrap_or_default());
                if one != other {
                    // The halves of one table need not be the same.
                    if !single {
                        up(&mut self.evidence.other_sectors);
                    }
                } else if one.iter().any(|byte| *byte != 0) {
                    up(&mut self.evidence.same_sectors);
                }
            }
            at = at.saturating_add(to_u64(size));
        }
        Ok(())
    }

    fn placed(&mut self, geometry: &Geometry, folders: &[Dots]) {
        for dots in folders {
            let cluster = Cluster(dots.own(geometry.bits));
            let fits = self.layout.has(cluster) && self.layout.offset(cluster) == dots.offset;
            up(if fits { &mut self.evidence.placed } else { &mut self.evidence.strays });
        }
    }

    /// Walks from the root down.
    fn walk(&mut self, geometry: &Geometry) -> Result<()> {
        let mut steps = Steps::for_volume(self.layout);
        let mut visited = HashSet::new();
        let mut queue = VecDeque::new();
        let (mut lists, mut files) = (0_u64, 0_u64);
        let root = if self.boot.width == Width::Fat32 { geometry.root_cluster } else { 0 };
        queue.push_back(Cluster(root));
        while let Some(first) = queue.pop_front() {
            if lists >= MOST_FOLDERS || !visited.insert(first) {
                continue;
            }
            up(&mut lists);
            for named in self.list(first, &mut steps)? {
                if !named.entry.is_folder() {
                    up(&mut files);
                    if files <= MOST_FILES {
                        self.file(&named, &mut steps);
                    }
                } else if let Some(cluster) = self.folder(geometry, &named, first == Cluster(root))? {
                    queue.push_back(cluster);
                }
            }
        }
        Ok(())
    }

    /// The sound entries of the first part of a folder's list.
    fn list(&self, first: Cluster, steps: &mut Steps) -> Result<Vec<Named>> {
        let runs = if first == Cluster(0) {
            vec![self.layout.root]
        } else if self.layout.has(first) {
            let chain = follow(self.tables, first, self.layout.clusters_for(MOST_OF_LIST), steps);
            // Where the table was not read, the first cluster is the folder's all the same.
            let runs = if chain.runs.is_empty() { vec![(first, 1)] } else { chain.runs };
            Block::pieces(self.layout, &runs).collect()
        } else {
            Vec::new()
        };
        let mut left = MOST_OF_LIST;
        let mut pieces = Vec::new();
        for (offset, length) in runs {
            let length = length.min(left);
            left = left.saturating_sub(length);
            pieces.push((offset, length));
        }
        let block = Block::read(self.window, pieces)?;
        let reading = Reading { codepage: CodePage::default(), deleted: false };
        let mut listing = listing::read(self.window, &block, reading, &mut Findings::default());
        listing.live.retain(|named| named.distrust.is_empty());
        Ok(listing.live)
    }

    /// Whether a folder lies where its entry says; its cluster, if so.
    fn folder(&mut self, geometry: &Geometry, named: &Named, in_root: bool) -> Result<Option<Cluster>> {
        let cluster = Cluster(named.entry.first_cluster(self.boot.width));
        if !self.layout.has(cluster) {
            up(&mut self.evidence.other_folders);
            return Ok(None);
        }
        let offset = self.layout.offset(cluster);
        let Some((bytes, _)) = self.window.read_real(offset, ENTRY.saturating_mul(2))? else { return Ok(None) };
        match Dots::from_sector(offset, &bytes) {
            Some(dots) if dots.own(geometry.bits) == cluster.0 => {
                up(&mut self.evidence.folders);
                // Some systems write the root's own cluster where 0 belongs.
                let above = dots.above(geometry.bits);
                if in_root && (above == 0 || above == geometry.root_cluster) {
                    up(&mut self.evidence.top_folders);
                }
                Ok(Some(cluster))
            }
            _ => {
                up(&mut self.evidence.other_folders);
                Ok(None)
            }
        }
    }

    /// Whether a file's chain is as long as its size asks. One cluster proves nothing.
    fn file(&mut self, named: &Named, steps: &mut Steps) {
        let first = Cluster(named.entry.first_cluster(self.boot.width));
        let size = u64::from(named.entry.size);
        if size == 0 || !self.layout.has(first) {
            return;
        }
        let needed = self.layout.clusters_for(size);
        let chain = follow(self.tables, first, needed.saturating_add(1), steps);
        match chain.end {
            End::Missing | End::TooMany => {}
            End::Marked if chain.clusters == needed && needed > 1 => up(&mut self.evidence.chains),
            End::Marked if chain.clusters == needed => {}
            _ => up(&mut self.evidence.other_chains),
        }
    }
}

/// Whether a hole in the first part of the volume, outside the tables and after the boot sector, is as long as half a table or longer: the tables
/// of another layout, with larger clusters, may stand there, and this one be what an earlier format left.
fn may_hide(window: &Source, geometry: &Geometry) -> bool {
    let tables = geometry.tables_start..geometry.root_start();
    let most = geometry.table_length / 2;
    let (mut longest, mut run) = (0_u64, 0..0_u64);
    let head = HEAD.min(window.length_in_image()).saturating_sub(UNIT);
    for hole in window.reality(UNIT, head).holes.iter().filter(|hole| hole.why != Missing::PastEnd) {
        for piece in
            [hole.range.start..hole.range.end.min(tables.start), hole.range.start.max(tables.end)..hole.range.end]
        {
            if piece.is_empty() {
                continue;
            }
            run = if run.end == piece.start { run.start..piece.end } else { piece };
            longest = longest.max(run.end.saturating_sub(run.start));
        }
    }
    longest >= most.max(UNIT.saturating_mul(2))
}
