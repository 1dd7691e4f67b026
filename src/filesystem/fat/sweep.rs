//! The sweep: every folder from the root on, each of its clusters once, and then what no folder names.

use std::collections::{BTreeMap, BTreeSet, HashSet, VecDeque};

use super::Fat;
use super::block::{Block, LONGEST};
use super::chain::{End, Steps, follow};
use super::listing::{self, Listing, Named, Reading};
use super::object::{Parts, describe, place};
use super::structures::Width;
use super::units::Cluster;
use crate::catalog::{
    AddressKind, CatalogBuilder, Distrust, Facts, FindingKind, Incomplete, Object, ObjectId, ObjectKind, Unlocated,
};
use crate::error::Result;
use crate::filesystem::claims::{Claims, Owner, Settled, Span};
use crate::filesystem::{ByteRange, SweepOptions, Swept};
use crate::progress::{Progress, Unit};

/// The root has no entry; nothing else has this offset.
pub(super) const ROOT_LOCATOR: u64 = 0;

pub(super) fn sweep(fat: &Fat, options: SweepOptions, progress: &dyn Progress) -> Result<Swept> {
    progress.begin("reading folders", 0, Unit::Records);
    let mut builder = CatalogBuilder::new(AddressKind::Entry);
    let mut root = Object::new(ObjectKind::Folder, ROOT_LOCATOR);
    root.facts = Facts::SOUND;
    let root = builder.object(root)?;
    let mut sweep = Sweep {
        fat,
        options,
        builder,
        known: vec![Known { id: Some(root), home: None, doubtful: false, unknown: false }],
        claims: Claims::default(),
        steps: Steps::for_volume(&fat.layout),
        visited: HashSet::new(),
        queue: VecDeque::new(),
        deleted: Vec::new(),
    };
    sweep.root()?;
    sweep.all_folders(progress)?;
    let (bitmap, bad) = fat.tables.allocation();
    for (start, length) in &bad {
        sweep.claims.add(*start, *length, Owner::SetAside);
    }
    if let Some((first, _)) = bad.first() {
        sweep.builder.findings.add(FindingKind::BadClusters, None, Some(*first), || {
            format!("{} clusters", bad.iter().map(|(_, length)| length).sum::<u64>())
        });
    }
    let end = u64::from(fat.layout.end);
    let mut settled = sweep.claims.clone().settle(Some(&bitmap), end);
    let mut twice = settled.twice.clone();
    let unclaimed = settled.unclaimed(&bitmap, end);
    if !unclaimed.is_empty() {
        let live = index(sweep.known.len());
        sweep.lost_folders(&unclaimed, progress)?;
        settled = sweep.claims.clone().settle(Some(&bitmap), end);
        // What was found without a folder spoils nothing that has one.
        twice.extend(settled.twice.iter().filter(|owner| **owner >= live));
    }
    sweep.cross_links(&twice);
    let claimed = if options.deleted { sweep.all_deleted(&settled, &bitmap)? } else { BTreeMap::new() };
    sweep.inherit();
    if fat.doubted {
        sweep.doubt_all();
    }
    progress.end();
    let holes = sweep.holes(&bitmap, settled.contradicted).on_layout(fat.doubted);
    let mut facts = fat.facts.clone();
    let range =
        |span: Span| ByteRange { at_least: fat.layout.bytes(span.at_least), at_most: fat.layout.bytes(span.at_most) };
    facts.used_bytes = Some(range(settled.used));
    facts.unexplained_bytes = Some(range(settled.unexplained));
    facts.label = fat.label(options.codepage)?;
    let catalog = sweep.builder.finish(root)?;
    Ok(Swept { catalog, facts, claimed, holes })
}

pub(super) fn index(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

/// A file or folder that the sweep has seen, in the order in which it was: what holds it comes before it.
pub(super) struct Known {
    /// `None` for a folder that only its own list shows.
    pub(super) id: Option<ObjectId>,
    /// The folder that names it.
    pub(super) home: Option<u32>,
    /// Whether a reason for distrust concerns it; for folders without an object.
    pub(super) doubtful: bool,
    /// Whether nobody vouches for its list; for folders without an object.
    pub(super) unknown: bool,
}

/// A folder to be read.
pub(super) struct Job {
    /// Its place among the known.
    pub(super) owner: u32,
    pub(super) first: Cluster,
    /// What `..` must say; `None` if that isn't known.
    pub(super) above: Option<u32>,
}

/// How the names of a folder are entered.
#[derive(Debug, Clone, Copy)]
pub(super) enum Home {
    /// In this folder.
    Folder(ObjectId),
    /// Under `/(no folder)/entry N`.
    Lost(u64),
}

pub(super) struct Sweep<'a> {
    pub(super) fat: &'a Fat,
    pub(super) options: SweepOptions,
    pub(super) builder: CatalogBuilder,
    pub(super) known: Vec<Known>,
    pub(super) claims: Claims,
    pub(super) steps: Steps,
    /// Clusters of folders that were read.
    pub(super) visited: HashSet<Cluster>,
    pub(super) queue: VecDeque<Job>,
    /// Deleted entries and the folder that each stands in.
    pub(super) deleted: Vec<(u32, Named)>,
}

impl<'a> Sweep<'a> {
    pub(super) fn parts(&self) -> Parts<'a> {
        let fat = self.fat;
        Parts { source: &fat.source, boot: &fat.boot, layout: &fat.layout, tables: &fat.tables }
    }

    pub(super) fn reading(&self) -> Reading {
        Reading { codepage: self.options.codepage, deleted: self.options.deleted }
    }

    /// The root folder: a place of its own on FAT12 and FAT16, a chain on FAT32.
    fn root(&mut self) -> Result<()> {
        let fat = self.fat;
        if fat.boot.width == Width::Fat32 {
            self.queue.push_back(Job { owner: 0, first: Cluster(fat.boot.root_cluster), above: None });
            return Ok(());
        }
        let block = Block::read(&fat.source, [fat.layout.root])?;
        let listing = listing::read(&fat.source, &block, self.reading(), &mut self.builder.findings);
        self.enter(0, Cluster(0), &block, listing)
    }

    pub(super) fn all_folders(&mut self, progress: &dyn Progress) -> Result<()> {
        while let Some(job) = self.queue.pop_front() {
            progress.advance(1);
            self.folder(&job)?;
        }
        Ok(())
    }

    fn folder(&mut self, job: &Job) -> Result<()> {
        let fat = self.fat;
        let lost = |object: &mut Object| {
            object.incomplete.insert(Incomplete::RecordLost);
        };
        if !fat.layout.has(job.first) {
            self.note(job, FindingKind::FirstClusterBad, format!("cluster {}", job.first.0));
            self.with(job.owner, lost);
            // The root is not named by an entry that could contradict itself.
            if job.owner != 0 {
                self.distrust(job.owner, Distrust::RecordInconsistent);
            }
            return Ok(());
        }
        if self.visited.contains(&job.first) {
            // The root is where the boot sector says; whatever else claims to be there is wrong.
            if job.first.0 != fat.boot.root_cluster {
                self.claims.add(job.first.number(), 1, Owner::Object(job.owner));
            }
            self.note(job, FindingKind::ChainsCross, format!("cluster {} is another folder's", job.first.0));
            self.distrust(job.owner, Distrust::ClaimedTwice);
            self.with(job.owner, lost);
            return Ok(());
        }
        let most = fat.layout.clusters_for(LONGEST);
        let mut chain = follow(&fat.tables, job.first, most.saturating_add(1), &mut self.steps);
        let too_long = chain.end == End::Enough;
        if too_long {
            chain.drop_last();
        }
        for (start, length) in &chain.runs {
            self.claims.add(start.number(), *length, Owner::Object(job.owner));
        }
        let finding = chain.finding();
        let crosses = self.keep_unvisited(&mut chain.runs);
        let block = Block::read(&fat.source, Block::pieces(&fat.layout, &chain.runs))?;
        let mut listing = listing::read(&fat.source, &block, self.reading(), &mut self.builder.findings);
        if let Some(kind) = finding {
            self.note(job, kind, format!("after {} clusters of a folder", chain.clusters));
            listing.partly_read |= !listing.ended;
        }
        if crosses {
            self.note(job, FindingKind::ChainsCross, "two folders".to_string());
            self.distrust(job.owner, Distrust::ClaimedTwice);
            listing.partly_read |= !listing.ended;
        }
        if too_long && !listing.ended {
            self.note(job, FindingKind::FolderListLong, format!("more than {LONGEST} bytes"));
            listing.partly_read = true;
        }
        for distrust in chain.distrust {
            // A link that was not read tells nothing of what stands before it.
            if distrust != Distrust::ChainPartlyRead {
                self.distrust(job.owner, distrust);
            }
        }
        let unknown = chain.unknown;
        self.with(job.owner, |object| object.facts.unknown |= unknown);
        self.check_dots(job, &listing);
        self.enter(job.owner, job.first, &block, listing)
    }

    /// Keeps the clusters before the first one that was read as another folder's, and notes them as read.
    fn keep_unvisited(&mut self, runs: &mut Vec<(Cluster, u64)>) -> bool {
        for at in 0..runs.len() {
            let Some((start, length)) = runs.get(at).copied() else { break };
            for step in 0..length {
                let number = u32::try_from(step).ok().and_then(|step| start.0.checked_add(step));
                let fresh = number.is_some_and(|number| self.visited.insert(Cluster(number)));
                if !fresh {
                    runs.truncate(at.saturating_add(usize::from(step > 0)));
                    if let Some(last) = runs.get_mut(at) {
                        last.1 = step;
                    }
                    return true;
                }
            }
        }
        false
    }

    /// A folder's first two entries name itself and the one above. One that names another cluster as itself is not this
    /// folder's list.
    fn check_dots(&mut self, job: &Job, listing: &Listing) {
        let fat = self.fat;
        if job.owner == 0 || listing.partly_read && listing.dots.iter().any(Option::is_none) {
            return;
        }
        let [own, above] = listing.dots.map(|dots| dots.map(|entry| entry.first_cluster(fat.boot.width)));
        if own != Some(job.first.0) {
            let says = own.map_or("nothing".to_string(), |own| format!("cluster {own}"));
            self.note(job, FindingKind::FolderDotsBad, format!("`.` says {says}, it is cluster {}", job.first.0));
            self.distrust(job.owner, Distrust::OtherNumber);
        }
        // Some systems write the root's own cluster where 0 belongs.
        let is_root = |cluster: u32| cluster == 0 || cluster == fat.boot.root_cluster;
        if let Some(wanted) = job.above
            && above != Some(wanted)
            && !(is_root(wanted) && above.is_some_and(is_root))
        {
            let says = above.map_or("nothing".to_string(), |above| format!("cluster {above}"));
            self.note(job, FindingKind::FolderDotsBad, format!("`..` says {says}, it stands in cluster {wanted}"));
        }
    }

    /// Enters what a folder's list says. `first` is the folder's first cluster, 0 for the root.
    pub(super) fn enter(&mut self, owner: u32, first: Cluster, block: &Block, listing: Listing) -> Result<()> {
        let unknown = block.unknown;
        self.with(owner, |object| {
            object.facts.unknown |= unknown;
            if listing.partly_read {
                object.incomplete.insert(Incomplete::ListPartlyRead);
            }
            if listing.unsound {
                object.incomplete.insert(Incomplete::EntriesUnsound);
            }
        });
        let home = match self.known(owner).and_then(|known| known.id) {
            Some(id) => Home::Folder(id),
            None => Home::Lost(self.fat.layout.offset(first)),
        };
        let above = if owner == 0 { 0 } else { first.0 };
        self.duplicates(&listing);
        for named in listing.live {
            self.named(owner, home, above, &named)?;
        }
        for (offset, name) in listing.only_named {
            let mut object = Object::new(ObjectKind::File, offset);
            object.facts = Facts { unlocated: Some(Unlocated::RecordLost), ..Facts::SOUND };
            let id = self.builder.object(object)?;
            self.name(home, id, &name)?;
        }
        self.deleted.extend(listing.deleted.into_iter().map(|named| (owner, named)));
        Ok(())
    }

    fn named(&mut self, owner: u32, home: Home, above: u32, named: &Named) -> Result<()> {
        let mut object = describe(named);
        let own = index(self.known.len());
        let is_folder = object.kind == ObjectKind::Folder;
        if !is_folder {
            let parts = self.parts();
            let chain = place(parts, named, &mut object, &mut self.steps, &mut self.builder.findings);
            for (start, length) in chain.into_iter().flat_map(|chain| chain.runs) {
                self.claims.add(start.number(), length, Owner::Object(own));
            }
        }
        let id = self.builder.object(object)?;
        self.known.push(Known { id: Some(id), home: Some(owner), doubtful: false, unknown: false });
        self.name(home, id, &named.name)?;
        if is_folder {
            let first = Cluster(named.entry.first_cluster(self.fat.boot.width));
            self.queue.push_back(Job { owner: own, first, above: Some(above) });
        }
        Ok(())
    }

    pub(super) fn name(&mut self, home: Home, id: ObjectId, name: &[u16]) -> Result<()> {
        match home {
            Home::Folder(folder) => self.builder.name(folder, id, name.iter().copied()),
            Home::Lost(number) => self.builder.homeless_name(number, id, name.iter().copied()),
        }
    }

    fn duplicates(&mut self, listing: &Listing) {
        let mut seen = HashSet::new();
        let mut short = HashSet::new();
        for named in &listing.live {
            let is_new = seen.insert(String::from_utf16_lossy(&named.name).to_lowercase());
            if !short.insert(named.entry.name) || !is_new {
                let offset = Some(self.fat.source.image_offset(named.offset));
                let what = if is_new { "its short name" } else { "" };
                self.builder.findings.add(FindingKind::DuplicateName, offset, None, || what);
            }
        }
    }

    fn known(&self, owner: u32) -> Option<&Known> {
        usize::try_from(owner).ok().and_then(|index| self.known.get(index))
    }

    /// Changes the object of a known folder or file, if it has one.
    pub(super) fn with(&mut self, owner: u32, change: impl FnOnce(&mut Object)) {
        if let Some(object) = self.known(owner).and_then(|known| known.id).and_then(|id| self.builder.object_mut(id)) {
            change(object);
        }
    }

    pub(super) fn distrust(&mut self, owner: u32, why: Distrust) {
        self.with(owner, |object| {
            object.facts.distrust.insert(why);
        });
        if let Some(known) = usize::try_from(owner).ok().and_then(|index| self.known.get_mut(index)) {
            known.doubtful = true;
        }
    }

    fn note(&mut self, job: &Job, kind: FindingKind, detail: String) {
        let offset = self.fat.layout.has(job.first).then(|| self.fat.layout.offset(job.first));
        let offset = offset.map(|offset| self.fat.source.image_offset(offset));
        self.builder.findings.add(kind, offset, None, || detail);
    }

    fn cross_links(&mut self, twice: &BTreeSet<u32>) {
        for owner in twice {
            self.distrust(*owner, Distrust::ClaimedTwice);
            let offset = self.known(*owner).and_then(|known| known.id).and_then(|id| self.builder.object_mut(id));
            let offset = offset.map(|object| self.fat.source.image_offset(object.locator));
            self.builder.findings.add(FindingKind::ChainsCross, offset, None, || "");
        }
    }

    /// What stands in a folder is worth no more than the folder: it may be another one's list.
    fn inherit(&mut self) {
        for at in 0..self.known.len() {
            let home = self.known.get(at).and_then(|known| known.home).and_then(|home| self.known(home));
            let (mut doubtful, mut unknown) = home.map_or((false, false), |home| (home.doubtful, home.unknown));
            let Some(known) = self.known.get_mut(at) else { continue };
            if let Some(object) = known.id.and_then(|id| self.builder.object_mut(id)) {
                if doubtful {
                    object.facts.distrust.insert(Distrust::FolderDoubtful);
                }
                object.facts.unknown |= unknown;
                doubtful |= !object.facts.distrust.is_empty();
                unknown |= object.facts.unknown;
            }
            known.doubtful |= doubtful;
            known.unknown |= unknown;
        }
    }
}

/// What the sweep's claims came to.
pub(super) type Claimed = Settled;
