//! The sweep: every folder's list, each cluster of it once.

use std::collections::{HashSet, VecDeque};

use enumset::EnumSet;

use super::chain::{Budget, Chain, Fault, follow};
use super::deleted::{self, DeletedRun};
use super::entry_set::{self, Item, Set, Worth};
use super::list::{List, MOST_BYTES};
use super::names::Names;
use super::object::{Made, Parts, make};
use super::table::Table;
use super::tree::{Parent, Slot, Tree};
use super::units::Heap;
use super::upcase::{self, UpCase};
use super::{ExFat, headless, lost, own};
use crate::catalog::{Distrust, Facts, FindingKind, Findings, Incomplete, Object, ObjectKind};
use crate::error::Result;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::{Claims, Owner, Settled, Span};
use crate::filesystem::{ByteRange, SweepOptions, Swept};
use crate::progress::{Progress, Unit};
use crate::source::Source;

/// On whose word a folder's list is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trust {
    /// A live entry's.
    Live,
    /// Nobody's: its own entry is lost, or can't be trusted.
    Lost,
    /// A deleted entry's.
    Deleted,
}

/// A folder whose list is still to be read.
pub(super) struct Todo {
    pub(super) slot: Slot,
    /// The object's own number: the byte of the volume at which its entry lies.
    pub(super) locator: u64,
    pub(super) chain: Chain,
    /// Bytes of the list.
    pub(super) length: u64,
    pub(super) trust: Trust,
}

pub(super) struct Sweep<'a> {
    pub(super) source: &'a Source,
    pub(super) heap: Heap,
    pub(super) options: SweepOptions,
    pub(super) table: Table<'a>,
    pub(super) budget: Budget,
    pub(super) tree: Tree,
    pub(super) findings: Findings,
    pub(super) claims: Claims,
    /// Whether the bitmap is as long as it should be, and a map vouches for all of it that was read.
    pub(super) bitmap_vouched: bool,
    /// Clusters of lists that were read.
    pub(super) visited: HashSet<u64>,
    pub(super) queue: VecDeque<Todo>,
    /// Folders whose entries can't be trusted: read when all others were.
    late: VecDeque<Todo>,
    pub(super) deleted_folders: VecDeque<Todo>,
    pub(super) deleted_runs: Vec<DeletedRun>,
    names: Names,
    /// Whether a list is not all there.
    something_lost: bool,
}

pub(super) fn sweep(exfat: &ExFat, options: SweepOptions, progress: &dyn Progress) -> Result<Swept> {
    let source = &exfat.source;
    let heap = exfat.boot.sector.heap;
    let mut root = Object::new(ObjectKind::Folder, 0);
    root.facts = Facts::SOUND;
    let mut sweep = Sweep {
        source,
        heap,
        options,
        table: Table::new(source, &exfat.boot.sector, exfat.boot.flags),
        budget: Budget::of(heap),
        tree: Tree::new(root),
        findings: Findings::default(),
        claims: Claims::default(),
        bitmap_vouched: true,
        visited: HashSet::new(),
        queue: VecDeque::new(),
        late: VecDeque::new(),
        deleted_folders: VecDeque::new(),
        deleted_runs: Vec::new(),
        names: Names::default(),
        something_lost: false,
    };
    progress.begin("reading folders", 0, Unit::Files);
    let bitmap = sweep.own_tables(exfat)?;
    sweep.root(exfat)?;
    sweep.walk(progress)?;
    sweep.queue = std::mem::take(&mut sweep.late);
    sweep.walk(progress)?;
    progress.end();
    if sweep.something_lost {
        lost::search(&mut sweep, bitmap.as_ref(), progress)?;
    }
    sweep.finish(exfat, bitmap.as_ref(), progress)
}

impl Sweep<'_> {
    /// The bitmap in use, the up-case table, and what clusters these have.
    fn own_tables(&mut self, exfat: &ExFat) -> Result<Option<Bitmap>> {
        let second_in_use = exfat.second_in_use();
        let mut bitmap = None;
        for (index, entry) in exfat.own.bitmaps.iter().enumerate() {
            let Some(entry) = entry else { continue };
            let chain = own::place(&mut self.table, self.heap, entry, &mut self.budget)?;
            self.claim(&chain, Owner::Other);
            if (index == 1) != second_in_use {
                continue;
            }
            let needed = u64::from(self.heap.count).div_ceil(8);
            if entry.length != needed {
                self.findings.add(FindingKind::BitmapBad, None, None, || {
                    format!("it has {} bytes instead of {needed}", entry.length)
                });
            }
            let (bytes, holes) = own::read(self.source, self.heap, &chain.runs, entry.length.min(needed), usize::MAX)?;
            self.bitmap_vouched = own::is_vouched(self.source, self.heap, &chain) && entry.length == needed;
            if chain.fault.is_some() || !own::is_whole(&bytes, &holes, needed) {
                self.findings.add(FindingKind::BitmapPartlyRead, None, None, || chain.fault.map_or("", Fault::words));
            }
            bitmap = (!bytes.is_empty()).then(|| Bitmap::new(bytes, holes));
        }
        if bitmap.is_none() {
            self.findings.add(FindingKind::BitmapPartlyRead, None, None, || "nothing of it was read");
        }
        let mut table = None;
        if let Some(entry) = &exfat.own.upcase {
            let chain = own::place(&mut self.table, self.heap, entry, &mut self.budget)?;
            self.claim(&chain, Owner::Other);
            let (bytes, holes) = own::read(self.source, self.heap, &chain.runs, entry.length, upcase::MOST_BYTES)?;
            if own::is_whole(&bytes, &holes, entry.length) {
                table = UpCase::from_stored(entry, &bytes);
            }
        }
        if table.is_none() {
            self.findings.add(FindingKind::UpcaseUnusable, None, None, || "");
        }
        self.names = Names::new(table);
        Ok(bitmap)
    }

    pub(super) fn claim(&mut self, chain: &Chain, owner: Owner) {
        for run in &chain.runs {
            self.claims.add(run.start, run.end.saturating_sub(run.start), owner);
        }
    }

    fn root(&mut self, exfat: &ExFat) -> Result<()> {
        let first = exfat.boot.sector.root;
        let chain = follow(&mut self.table, self.heap, first, 1, &mut self.budget)?;
        self.claim(&chain, Owner::Object(0));
        if let Some(object) = self.tree.object_mut(0) {
            object.allocated = self.heap.bytes(chain.clusters());
            object.facts.unknown |= chain.unknown;
            if chain.from_other {
                object.facts.distrust.insert(Distrust::OtherTable);
            }
            object.facts.distrust.extend(chain.fault.and_then(Fault::distrust));
        }
        // Nothing says how long the root's list is, but its clusters and its end mark.
        let length = self.heap.bytes(chain.clusters());
        self.queue.push_back(Todo { slot: 0, locator: 0, chain, length, trust: Trust::Live });
        Ok(())
    }

    /// Reads the lists of all folders in the queue, and of those that are found in them.
    pub(super) fn walk(&mut self, progress: &dyn Progress) -> Result<()> {
        while let Some(todo) = self.queue.pop_front() {
            self.folder(&todo, progress)?;
        }
        Ok(())
    }

    /// Reads a folder's list.
    pub(super) fn folder(&mut self, todo: &Todo, progress: &dyn Progress) -> Result<()> {
        let parent = Parent::Folder(todo.slot);
        let seen = self.entries(&todo.chain, todo.length, parent, todo.trust, progress)?;
        let mut incomplete = seen.incomplete;
        let cut = !seen.marked && (todo.chain.fault.is_some() || seen.revisited || todo.length > MOST_BYTES);
        if cut {
            incomplete.insert(Incomplete::ListPartlyRead);
            // A fault of its chain was told of with its entry; the root has none.
            let kind = match todo.chain.fault {
                Some(fault) => Some(fault.finding()).filter(|_| todo.slot == 0),
                None if seen.revisited => Some(FindingKind::ChainsCross),
                None => Some(FindingKind::FolderListLong),
            };
            if let Some(kind) = kind {
                self.findings.add(kind, None, Some(todo.locator), || "of a folder");
            }
        }
        if todo.trust == Trust::Live || todo.trust == Trust::Lost {
            self.something_lost |= !incomplete.is_empty();
        }
        if let Some(object) = self.tree.object_mut(todo.slot) {
            object.incomplete.insert_all(incomplete);
            if seen.marked {
                // What lies behind the end mark is of no matter.
                object.facts.distrust.remove(Distrust::ChainPartlyRead);
            }
            object.facts.unknown |= seen.unknown;
        }
        Ok(())
    }

    /// Reads the entries in some clusters.
    pub(super) fn entries(
        &mut self,
        chain: &Chain,
        length: u64,
        parent: Parent,
        trust: Trust,
        progress: &dyn Progress,
    ) -> Result<Seen> {
        let mut visited = std::mem::take(&mut self.visited);
        let mut list = List::new(self.source, self.heap, &chain.runs, length, &mut visited);
        let mut seen = Seen::default();
        let mut own = own::Once::default();
        self.names.begin();
        while let Some(item) = entry_set::next(&mut list, self.options.deleted)? {
            match item {
                Item::Set(set) => {
                    let deleted = set.deleted || trust == Trust::Deleted;
                    if !deleted && set.worth != Worth::Sound {
                        // What was not read is told of once, with the hole.
                        if set.worth != Worth::PartlyRead && list.first_hole.is_none() {
                            seen.incomplete.insert(Incomplete::EntriesUnsound);
                        }
                        self.findings.add(
                            FindingKind::EntrySetBad,
                            Some(self.source.image_offset(set.offset)),
                            Some(set.offset),
                            || set.worth.words(),
                        );
                    }
                    self.set(set, parent, trust, list.first_hole.is_some())?;
                    progress.advance(1);
                }
                // In the root, they were looked at when the volume was opened. Each stands there once; a second bitmap
                // is for a second table.
                Item::Own { entry, .. } if parent == Parent::Folder(0) && own.take(&entry) => {}
                Item::Own { offset, .. } | Item::Stray { offset, .. } => {
                    if trust != Trust::Deleted && list.first_hole.is_none() {
                        seen.incomplete.insert(Incomplete::EntriesUnsound);
                        self.findings.add(
                            FindingKind::FolderEntryBad,
                            Some(self.source.image_offset(offset)),
                            Some(offset),
                            || "",
                        );
                    }
                }
                Item::Benign | Item::Hole => {}
            }
        }
        if list.beyond_mark && trust != Trust::Deleted {
            seen.incomplete.insert(Incomplete::EntriesUnsound);
            self.findings.add(FindingKind::FolderListLong, None, None, || "entries in use stand behind its end mark");
        }
        if let Some(hole) = list.first_hole {
            seen.incomplete.insert(Incomplete::ListPartlyRead);
            self.findings.add(FindingKind::FolderPartlyRead, Some(self.source.image_offset(hole)), Some(hole), || {
                format!("{} bytes of the folder's list", list.hole_bytes)
            });
        }
        (seen.marked, seen.revisited, seen.unknown) = (list.marked, list.revisited, list.unknown);
        self.visited = visited;
        Ok(seen)
    }

    /// Enters a file or folder.
    fn set(&mut self, mut set: Set, parent: Parent, trust: Trust, after_hole: bool) -> Result<()> {
        let headless = set.file().is_none();
        if headless && after_hole {
            // Its first entry most likely lies in the hole.
            set.worth = Worth::PartlyRead;
        }
        set.deleted |= trust == Trust::Deleted;
        let mut parts =
            Parts { source: self.source, heap: self.heap, table: &mut self.table, budget: &mut self.budget };
        let Made { mut object, chain, length, vendor } = make(&mut parts, &set)?;
        if headless && lost::is_list(self.source, self.heap, &chain)? {
            object.kind = ObjectKind::Folder;
            object.size = 0;
            object.incomplete.insert(Incomplete::RecordLost);
            object.facts = Facts { unknown: object.facts.unknown, distrust: object.facts.distrust, ..Facts::SOUND };
        }
        if trust == Trust::Lost {
            object.facts.distrust.insert(Distrust::FolderDoubtful);
        }
        let (name, name_lost) = set.name();
        let offset = self.source.image_offset(set.offset);
        if name_lost {
            self.findings.add(FindingKind::NameLost, Some(offset), Some(set.offset), || "");
        } else if !set.deleted {
            let hash = set.stream().map(|stream| stream.name_hash);
            self.names.check(&name, hash, set.offset, offset, &mut self.findings);
        }
        if let Some(fault) = chain.fault.filter(|_| !set.deleted && length > 0) {
            let kind = if chain.runs.is_empty() { FindingKind::FirstClusterBad } else { fault.finding() };
            self.findings.add(kind, Some(offset), Some(set.offset), || fault.words());
        }
        let is_folder = object.kind == ObjectKind::Folder;
        let slot = self.tree.add(object, parent, &name);
        if set.deleted {
            self.deleted_runs.extend(deleted::runs(self.heap, slot, &chain));
        } else {
            let owner = if trust == Trust::Live { Owner::Object(slot) } else { Owner::Found(slot) };
            self.claim(&chain, owner);
            for run in vendor {
                self.claims.add(run.start, run.end.saturating_sub(run.start), owner);
            }
        }
        if is_folder {
            let locator = set.offset;
            if set.deleted {
                let trust = Trust::Deleted;
                self.deleted_folders.push_back(Todo { slot, locator, chain, length, trust });
            } else if matches!(set.worth, Worth::Sound | Worth::PartlyRead) {
                self.queue.push_back(Todo { slot, locator, chain, length, trust });
            } else {
                self.late.push_back(Todo { slot, locator, chain, length, trust: Trust::Lost });
            }
        }
        Ok(())
    }

    /// What can be said once every list was read.
    fn finish(mut self, exfat: &ExFat, bitmap: Option<&Bitmap>, progress: &dyn Progress) -> Result<Swept> {
        let ground = self.ground(exfat);
        let settled = std::mem::take(&mut self.claims).settle(bitmap, u64::from(self.heap.count));
        let holes = self.holes(ground, bitmap, exfat.boot.doubted || settled.contradicted).on_layout(exfat.doubted);
        for (owners, distrust) in [(&settled.twice, Distrust::ClaimedTwice), (&settled.free, Distrust::ClustersFree)] {
            for owner in owners {
                if let Some(object) = self.tree.object_mut(*owner) {
                    object.facts.distrust.insert(distrust);
                }
            }
        }
        self.deleted_lists(&settled, progress)?;
        if exfat.boot.doubted {
            self.tree.objects_mut().for_each(|object| _ = object.facts.distrust.insert(Distrust::BootChecksum));
        }
        if exfat.doubted {
            headless::doubt_all(self.tree.objects_mut());
        }
        let mut facts = exfat.facts.clone();
        if bitmap.is_some() {
            let bytes = |clusters| self.heap.bytes(clusters);
            let range = |span: Span| ByteRange { at_least: bytes(span.at_least), at_most: bytes(span.at_most) };
            facts.used_bytes = Some(range(settled.used));
            facts.unexplained_bytes = Some(range(settled.unexplained));
        }
        let (mut catalog, places) = self.tree.build()?;
        let claimed = deleted::claimed(self.heap, &self.deleted_runs, &settled, bitmap, &places, &catalog);
        catalog.findings.extend(self.findings);
        Ok(Swept { catalog, facts, claimed, holes })
    }

    /// Reads the lists of deleted folders, where no live object has their clusters.
    fn deleted_lists(&mut self, settled: &Settled, progress: &dyn Progress) -> Result<()> {
        let mut looks = u64::from(self.heap.count).saturating_mul(4);
        while let Some(mut todo) = self.deleted_folders.pop_front() {
            let mut runs = Vec::new();
            for run in todo.chain.runs {
                let Some(rest) = looks.checked_sub(run.end.saturating_sub(run.start)) else { break };
                looks = rest;
                let mut at = run.start;
                for taken in settled.claimed(run.clone(), None) {
                    runs.push(at..taken.start);
                    at = taken.end;
                }
                runs.push(at..run.end);
            }
            todo.chain = Chain { runs, ..Chain::default() };
            self.folder(&todo, progress)?;
        }
        Ok(())
    }
}

/// What was seen of a folder's list.
#[derive(Debug, Default)]
pub(super) struct Seen {
    pub(super) incomplete: EnumSet<Incomplete>,
    pub(super) marked: bool,
    revisited: bool,
    unknown: bool,
}
