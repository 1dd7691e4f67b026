//! What to read again from the dying drive: the ranges that another imaging pass should try, so that chosen folders
//! become complete and their files whole.
//!
//! There are two rounds. **Round 1** is metadata: records, lists of names, links, boot sectors. Once it is read, more
//! names may be known, and where more content lies. **Round 2** is content. Both are lists of ranges in image order,
//! rounded to the drive's sectors, and each says of every range whether it was tried in vain (`unread`) or not tried yet
//! (`unreached`), and whether something chosen certainly lacks it.

mod content;
mod opening;
mod ranges;

use std::collections::{BTreeSet, HashSet};

use serde::Serialize;

pub use opening::to_open;
pub use ranges::WantedRange;

use crate::catalog::{
    Attribute, Catalog, Completeness, Distrust, GapKind, Incomplete, Lookup, ObjectId, ObjectKind, State,
};
use crate::error::Result;
use crate::filesystem::{Chosen, Filesystem, Need, NeededStructure};
use crate::progress::{Progress, Unit};
use crate::sector_map::{ByteState, SectorMap};
use crate::source::Source;
use ranges::Ranges;

/// What is chosen on one volume, all of it together: what one folder needs, another one may make needless.
pub struct Selection<'a> {
    /// The volume's reader.
    pub filesystem: &'a dyn Filesystem,
    /// What its sweep found.
    pub catalog: &'a Catalog,
    /// Files and folders; folders with all that is below them.
    pub objects: Vec<ObjectId>,
    /// Folders of which only the list is wanted: something that was asked for may have stood in it.
    pub lists: Vec<ObjectId>,
}

/// One round: what it asks for, and what it would bring at best.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Round {
    /// In image order, without overlap.
    pub ranges: Vec<WantedRange>,
    /// Bytes of them.
    pub bytes: u64,
    /// Bytes of them of which it is certain that something chosen lacks them.
    pub certain_bytes: u64,
    /// Round 1: files of the selection that are not known well enough now. Round 2: files whose content lacks
    /// something; with it they become whole, unless something else is wrong with them.
    pub files: u64,
    /// Folders whose list of names becomes complete.
    pub folders: u64,
    /// How many names may appear at the most, in these folders or in others.
    pub names: u64,
}

/// What is wanted.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Wanted {
    /// Metadata.
    pub metadata: Round,
    /// Content, as far as is known now where it lies.
    pub content: Round,
    /// Files and streams of the selection.
    pub files: u64,
    /// Those of them that are lost, damaged or doubtful.
    pub files_not_whole: u64,
    /// Folders of the selection whose list is not all there.
    pub folders_incomplete: u64,
    /// Bytes of content for which no map speaks: they are not asked for.
    pub unknown_bytes: u64,
    /// Bytes that are needed and lie after the image's end: they are not asked for.
    pub past_end_bytes: u64,
    /// Bytes of all holes of the image.
    pub holes_bytes: u64,
    /// Bytes in one of the drive's sectors, to which ranges are rounded.
    pub sector_size: u64,
}

impl Wanted {
    /// Which round is next: 1 as long as metadata is missing that the selection depends on, then 2; `None` if nothing
    /// is wanted.
    #[must_use]
    pub fn round(&self) -> Option<u8> {
        if !self.metadata.ranges.is_empty() {
            Some(1)
        } else if !self.content.ranges.is_empty() {
            Some(2)
        } else {
            None
        }
    }

    /// Whether something of the selection is lost, in doubt or may be missing.
    #[must_use]
    pub fn has_faults(&self) -> bool {
        self.files_not_whole > 0 || self.folders_incomplete > 0
    }

    /// Notes how much the image lacks.
    fn measure(&mut self, source: &Source, sector_size: u64) {
        let map = source.map();
        self.holes_bytes = map.total(ByteState::Unread).saturating_add(map.total(ByteState::Unreached));
        self.sector_size = sector_size;
    }
}

/// Works out what to read again. `source` is the drive's image, `sector_size` its sectors' in bytes.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn wanted(
    source: &Source,
    sector_size: u64,
    selections: &[Selection<'_>],
    progress: &dyn Progress,
) -> Result<Wanted> {
    let mut wanted = Wanted::default();
    wanted.measure(source, sector_size);
    let (mut metadata, mut content) = (Ranges::default(), Ranges::default());
    for selection in selections {
        one_volume(selection, &mut wanted, &mut metadata, &mut content, progress)?;
    }
    let length = source.length();
    wanted.metadata.set(metadata.rounded(sector_size, length, &[]));
    wanted.content.set(content.rounded(sector_size, length, &wanted.metadata.ranges));
    Ok(wanted)
}

impl Round {
    fn set(&mut self, ranges: Vec<WantedRange>) {
        self.bytes = ranges.iter().map(|range| range.length).fold(0, u64::saturating_add);
        let certain = ranges.iter().filter(|range| range.certain);
        self.certain_bytes = certain.map(|range| range.length).fold(0, u64::saturating_add);
        self.ranges = ranges;
    }

    /// The ranges as a map that says nothing of all other bytes of an image of `length` bytes.
    #[must_use]
    pub fn map(&self, length: u64) -> SectorMap {
        ranges::map(&self.ranges, length)
    }
}

fn one_volume(
    selection: &Selection<'_>,
    wanted: &mut Wanted,
    metadata: &mut Ranges,
    content: &mut Ranges,
    progress: &dyn Progress,
) -> Result<()> {
    let Selection { filesystem, catalog, .. } = selection;
    let volume = filesystem.source();
    let objects = below(catalog, &selection.objects);
    let all: HashSet<ObjectId> = objects.iter().copied().collect();
    let lists: Vec<ObjectId> = selection.lists.iter().copied().filter(|id| !all.contains(id)).collect();
    let above = above(catalog, &objects);
    let needs = filesystem.needs(catalog, Chosen { objects: &objects, lists: &lists, above: &above })?;
    wanted.metadata.names = wanted.metadata.names.saturating_add(needs.names);
    wanted.past_end_bytes = wanted.past_end_bytes.saturating_add(needs.past_end);
    // A name that is looked for stands in one of these sectors at the most.
    let is_sought = |need: &Need| need.object.is_some_and(|id| lists.contains(&id));
    let sought: BTreeSet<u64> = needs
        .list
        .iter()
        .filter(|need| is_sought(need))
        .flat_map(|need| [need.range.start, need.range.end.saturating_sub(1)].map(|at| at / wanted.sector_size.max(1)))
        .collect();
    for need in needs.list {
        let certain = need.certain && (sought.len() <= 1 || !is_sought(&need));
        metadata.add(volume, need.range, need.why, need.structure, certain);
    }
    // A boot sector would prove the layout. Other things that are asked for may do so, too.
    if objects.iter().chain(&lists).any(|id| hangs_on_layout(catalog, *id)) {
        opening::boot_sectors(volume, wanted.sector_size, false, metadata);
    }
    let mut folders: BTreeSet<ObjectId> = selection.lists.iter().copied().collect();
    progress.begin("looking where content lies", objects.len() as u64, Unit::Files);
    for id in objects {
        progress.advance(1);
        let object = catalog.object(id);
        match object.kind {
            ObjectKind::Folder => {
                if object.completeness() == Completeness::Incomplete {
                    folders.insert(id);
                }
                continue;
            }
            ObjectKind::File | ObjectKind::Stream => {}
            ObjectKind::Link | ObjectKind::Other => {
                count_state(object.facts.state(), wanted);
                continue;
            }
        }
        count_state(object.facts.state(), wanted);
        let unknown_place = object.facts.unlocated.is_some() || object.facts.gaps.contains(GapKind::Unplaced);
        if unknown_place || !object.facts.distrust.is_empty() {
            wanted.metadata.files += 1;
        }
        let found = content::of(*filesystem, catalog, id)?;
        wanted.past_end_bytes = wanted.past_end_bytes.saturating_add(found.past_end);
        wanted.unknown_bytes = wanted.unknown_bytes.saturating_add(found.unknown);
        if !found.holes.is_empty() {
            wanted.content.files += 1;
        }
        for hole in found.holes {
            content.add(volume, hole.range, hole.why, NeededStructure::Content, true);
        }
    }
    progress.end();
    wanted.folders_incomplete += folders.len() as u64;
    wanted.metadata.folders = wanted.folders_incomplete;
    Ok(())
}

/// Whether it is doubted because the volume's boot sectors are lost and its layout is not proven.
fn hangs_on_layout(catalog: &Catalog, id: ObjectId) -> bool {
    let object = catalog.object(id);
    object.facts.distrust.contains(Distrust::GeometryDoubtful) || object.incomplete.contains(Incomplete::TableDoubtful)
}

fn count_state(state: State, wanted: &mut Wanted) {
    wanted.files += 1;
    wanted.files_not_whole += u64::from(state.is_loss());
}

/// The objects with all that is below them, each once.
fn below(catalog: &Catalog, selected: &[ObjectId]) -> Vec<ObjectId> {
    let mut stack = selected.to_vec();
    let mut seen = HashSet::new();
    let mut all = Vec::new();
    while let Some(id) = stack.pop() {
        if !seen.insert(id) {
            continue;
        }
        all.push(id);
        stack.extend(catalog.streams(id).map(|name| catalog.named_object(name)));
        if catalog.object(id).kind == ObjectKind::Folder {
            stack.extend(catalog.children(id).map(|name| catalog.named_object(name)));
        }
    }
    // Nobody put the stand-ins for lost folders on the drive.
    all.retain(|id| !catalog.object(*id).attributes.contains(Attribute::Virtual));
    all.sort_unstable();
    all
}

/// The last folder on the way to `path` that is there, if what comes next may have stood in it: its list is not all
/// there.
#[must_use]
pub fn where_it_may_have_stood(catalog: &Catalog, path: &str) -> Option<ObjectId> {
    let mut folder = catalog.root();
    for part in path.split('/').filter(|part| !part.is_empty()) {
        match catalog.find_in(folder, part) {
            Lookup::Found(next, _) => folder = next,
            Lookup::Missing { .. } => break,
            Lookup::Ambiguous(_) => return None,
        }
    }
    (catalog.object(folder).completeness() == Completeness::Incomplete).then_some(folder)
}

/// The folders above objects.
fn above(catalog: &Catalog, objects: &[ObjectId]) -> Vec<ObjectId> {
    let own: HashSet<ObjectId> = objects.iter().copied().collect();
    let mut seen: HashSet<ObjectId> = HashSet::new();
    let mut stack: Vec<ObjectId> = objects.to_vec();
    while let Some(id) = stack.pop() {
        for name in catalog.names_of(id) {
            let folder = catalog.parent(name);
            if !own.contains(&folder) && seen.insert(folder) {
                stack.push(folder);
            }
        }
    }
    let mut all: Vec<ObjectId> = seen.into_iter().collect();
    all.sort_unstable();
    all
}
