//! exFAT without its head: both boot regions are gone, and how the volume is laid out is deduced from the rest.
//!
//! The root folder names the clusters of the bitmap and of the up-case table, and says a checksum of the latter. So where
//! an up-case table of that checksum lies, one cluster's place is known for sure, and each cluster size gives one layout.
//! `proof` holds each against the volume: the table must have chains of the right lengths, folders' lists must lie where
//! their entries say, and the bitmap must call all that in use. What is not proven, or proven twice, is shown all the same,
//! with nothing called whole.

mod geometry;
mod proof;
mod traces;

pub use geometry::{Evidence, Geometry};
pub use traces::Traces;

use super::structures::BootSector;
use super::units::{FIRST_CLUSTER, MAX_CLUSTERS};
use crate::bytes::{slice, to_u64};
use crate::catalog::{Distrust, Incomplete, Object, ObjectKind};
use crate::error::Result;
use crate::filesystem::first_look;
use crate::source::Source;
use geometry::{FIRST_TABLE, MOST_CLUSTER, UNIT};
use traces::Root;

/// Pairs of a root folder and an up-case table that are looked at. A volume has one.
const MOST_PAIRS: usize = 64;

/// How a volume is laid out that begins where `window` does and whose boot sectors are lost; `None` if nothing shows one,
/// or if a boot sector of something else stands there. At most 64 MiB are looked at, beside what is found there.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn find(window: &Source) -> Result<Option<Geometry>> {
    let first = window.read_real(0, BootSector::LENGTH)?;
    if first.is_some_and(|(bytes, _)| {
        slice(&bytes, 0x1fe, 2) == Some(&[0x55, 0xaa]) && slice(&bytes, 0x03, 8) != Some(BootSector::NAME)
    }) {
        return Ok(None);
    }
    let mut traces = Traces::new();
    let others = first_look::opening(window, &mut |offset, sector| traces.look(offset, sector))?;
    traces.forget(&others);
    let mut all = examined(window, &traces, |_| 0)?.into_iter();
    let Some(mut best) = all.next() else { return Ok(None) };
    best.contested |= traces.full || all.any(|other| is_rival(&other));
    Ok(Some(best))
}

/// A layout that is as good as proven, but for holes and for being one of two.
fn is_rival(other: &Geometry) -> bool {
    Evidence { may_hide: false, strays: 0, ..other.evidence }.is_proof()
}

/// All layouts that fit what was seen, the best one first. `begin` says where a volume begins whose places count from the
/// source's start.
fn examined(source: &Source, traces: &Traces, begin: impl Fn(&Geometry) -> u64) -> Result<Vec<Geometry>> {
    let mut all: Vec<Geometry> = Vec::new();
    let pairs = traces.roots.iter().flat_map(|root| traces.upcases.iter().map(move |upcase| (root, *upcase)));
    for (root, upcase) in pairs.take(MOST_PAIRS) {
        if !proof::is_upcase(source, root, upcase)? {
            continue;
        }
        for geometry in guesses(source, traces, root, upcase) {
            let start = begin(&geometry);
            let before = |place: u64| place.saturating_sub(start);
            let mut geometry = Geometry {
                start,
                table_start: geometry.table_start.map(before),
                heap_start: before(geometry.heap_start),
                ..geometry
            };
            let window = source.window(start, source.length().saturating_sub(start));
            let root_here = Root { offset: before(root.offset), ..*root };
            proof::examine(&window, &root_here, &mut geometry)?;
            let inside = |place: &u64| (start..start.saturating_add(geometry.total_bytes())).contains(place);
            let roots = traces.roots.iter().map(|other| other.offset).filter(|other| *other != root.offset);
            let upcases = traces.upcases.iter().copied().filter(|other| *other != upcase);
            geometry.evidence.strays = to_u64(roots.chain(upcases).filter(inside).count());
            if geometry.evidence.is_plausible() && !all.iter().any(|other| other.is_same_place(&geometry)) {
                all.push(geometry);
            }
        }
    }
    all.sort_by_key(|geometry| std::cmp::Reverse((geometry.is_proven(), geometry.evidence.weight())));
    Ok(all)
}

/// One layout for each cluster size that can be; places count from the source's start.
fn guesses(source: &Source, traces: &Traces, root: &Root, upcase: u64) -> Vec<Geometry> {
    let sizes = std::iter::successors(Some(UNIT), |size| size.checked_mul(2)).take_while(|size| *size <= MOST_CLUSTER);
    sizes.filter_map(|size| guess(source, traces, root, upcase, size)).collect()
}

fn guess(source: &Source, traces: &Traces, root: &Root, upcase: u64, size: u64) -> Option<Geometry> {
    let before = u64::from(root.upcase.first.0.checked_sub(FIRST_CLUSTER)?).checked_mul(size)?;
    let heap_start = upcase.checked_sub(before)?;
    let inside = root.offset.checked_sub(heap_start)?;
    let index = inside.checked_div(size).filter(|index| index.checked_mul(size) == Some(inside))?;
    let root_cluster = u32::try_from(index).ok()?.checked_add(FIRST_CLUSTER)?;
    // The last byte of the bitmap has at least one cluster, and no cluster lies after the volume's end.
    let most = root.bitmap.length.checked_mul(8)?;
    let least = most.saturating_sub(7);
    let room = source.length().checked_sub(heap_start)?.checked_div(size)?;
    let count = if room >= least { most.min(room) } else { most };
    let clusters = u32::try_from(count).ok().filter(|count| *count <= MAX_CLUSTERS)?;
    let need = geometry::table_length(clusters);
    let openings: Vec<u64> =
        traces.openings.iter().copied().filter(|table| table.saturating_add(need) <= heap_start).collect();
    // The one before the heap, and the one before that if there is room for two; there is no second one otherwise.
    let (table_start, table_length, tables) = match openings.as_slice() {
        [] => (None, 0, 1),
        [.., one, other]
            if other.saturating_sub(*one) >= need
                && other.saturating_sub(*one) <= heap_start.saturating_sub(*other) =>
        {
            (Some(*one), other.saturating_sub(*one), 2)
        }
        [.., one] => (Some(*one), need, 1),
    };
    let geometry = Geometry {
        start: 0,
        table_start,
        table_length,
        tables,
        heap_start,
        cluster_size: size,
        clusters,
        root: root_cluster,
        evidence: Evidence::default(),
        contested: false,
    };
    geometry.boot().map(|_| geometry)
}

impl Traces {
    /// The volumes that what was seen in `source` shows, in the order in which they stand. A place is given to the one
    /// for which most speaks; one for which as much speaks contests it.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    pub fn volumes(&self, source: &Source) -> Result<Vec<Geometry>> {
        // The boot regions before the table are all that is known to stand there.
        let begin =
            |geometry: &Geometry| geometry.table_start.unwrap_or(geometry.heap_start).saturating_sub(FIRST_TABLE);
        let mut found: Vec<Geometry> = Vec::new();
        for mut geometry in examined(source, self, begin)? {
            geometry.contested |= self.full;
            let range = |one: &Geometry| one.start..one.start.saturating_add(one.total_bytes());
            let here = range(&geometry);
            let rival = is_rival(&geometry);
            let mut taken = false;
            for other in &mut found {
                let there = range(other);
                if there.start < here.end && here.start < there.end {
                    taken = true;
                    other.contested |= rival;
                }
            }
            if !taken {
                found.push(geometry);
            }
        }
        found.sort_by_key(|geometry| geometry.start);
        Ok(found)
    }
}

/// What [`find`] says of a layout that was found before: never more than it would now. `None` if it can be none.
pub(super) fn again(window: &Source, geometry: &Geometry) -> Result<Option<Geometry>> {
    let known = Geometry { start: 0, ..geometry.clone() };
    if let Some(found) = find(window)?.filter(|found| found.is_same_place(&known)) {
        let contested = found.contested || geometry.contested;
        return Ok(Some(Geometry { contested, ..found }));
    }
    // Nothing that was kept counts as seen.
    let known = Geometry { contested: true, evidence: Evidence::default(), ..known };
    Ok(Some(known).filter(|known| known.boot().is_some()))
}

/// In words, for a finding.
pub(super) fn words(geometry: &Geometry) -> String {
    let Evidence { own_chains, folders, bits, chains, .. } = geometry.evidence;
    let table = match geometry.table_start {
        Some(start) => format!("the table from byte {start} of the volume"),
        None => "the table is lost".to_string(),
    };
    format!(
        "{table}, clusters of {} bytes from byte {}, the root in cluster {}; by the up-case table and its checksum, \
         {own_chains} chains of the volume's own, {folders} folders where their entries say, {bits} bits of the bitmap, \
         {chains} chains as long as their files",
        geometry.cluster_size, geometry.heap_start, geometry.root
    )
}

/// What is lacking to a proof, in words.
pub(super) fn lacks(geometry: &Geometry) -> &'static str {
    let Evidence { may_hide, strays, opening, other_folders, other_bits, other_chains, .. } = geometry.evidence;
    if strays > 0 {
        "another root folder or up-case table was found"
    } else if geometry.contested {
        "another layout fits as well, or not all could be looked at"
    } else if !opening {
        "the allocation table is lost"
    } else if may_hide {
        "a hole has room for another root folder"
    } else if other_folders > 0 || other_bits > 0 || other_chains > 0 {
        "some of what was found contradicts it"
    } else {
        "too little was found to prove it"
    }
}

/// What a layout that is not proven means for everything on the volume: nothing is shown to lie where it seems to.
pub(super) fn doubt_all<'a>(objects: impl Iterator<Item = &'a mut Object>) {
    for object in objects {
        object.facts.distrust.insert(Distrust::GeometryDoubtful);
        if object.kind == ObjectKind::Folder {
            object.incomplete.insert(Incomplete::TableDoubtful);
        }
    }
}
