//! FAT without its head: every copy of the boot sector is gone, and how the volume is laid out is deduced from the rest.
//!
//! Three things on a FAT volume say where they lie. The tables open with a mark, and there are mostly two of one length.
//! Each folder names its own first cluster, so two folders give the size of a cluster and the place of cluster 2. And a
//! file's size asks for a chain of a certain length. [`Traces`] gathers openings and folders, `guess` puts layouts together
//! that fit them, and `proof` holds each against the whole volume. What is not proven, or proven twice, is shown all the
//! same, with nothing called whole.

mod doubt;
mod geometry;
mod guess;
mod proof;
mod traces;

pub use geometry::{Evidence, Geometry};
pub use traces::Traces;

use std::collections::HashSet;

use super::structures::Width;
use crate::bytes::{at_most, slice};
use crate::error::Result;
use crate::filesystem::first_look;
use crate::source::Source;
use geometry::UNIT;
use traces::Dots;

/// How a volume is laid out that begins where `window` does and whose boot sectors are lost; `None` if nothing shows one,
/// or if a boot sector of something else stands there. At most 64 MiB are looked at, beside what is found there.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn find(window: &Source) -> Result<Option<Geometry>> {
    let Some(traces) = gathered(window)? else { return Ok(None) };
    let mut all = examined(window, &traces, |_| (0, u64::MAX))?.into_iter();
    let Some(mut best) = all.next() else { return Ok(None) };
    best.contested |= traces.full || all.any(|other| is_rival(&other));
    Ok(Some(best))
}

/// Whether a FAT volume without boot sectors may begin where `window` does: a layout is likely, or two tables open alike,
/// as they do on a volume that was only just made and has no folder yet. `own` are bytes of the window where another
/// format's tables open so.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub(in crate::filesystem) fn shows(window: &Source, own: &[u64]) -> Result<bool> {
    let Some(traces) = gathered(window)? else { return Ok(false) };
    let mut seen = HashSet::new();
    for opening in traces.openings.iter().filter(|one| !own.contains(&one.offset)) {
        if let Some((bytes, _)) = window.read_real(opening.offset, at_most(UNIT, 512))?
            && !seen.insert(bytes)
        {
            return Ok(true);
        }
    }
    Ok(!examined(window, &traces, |_| (0, u64::MAX))?.is_empty())
}

/// What the opening of a window shows; `None` if a boot sector stands in its first sector.
fn gathered(window: &Source) -> Result<Option<Traces>> {
    let first = window.read_real(0, at_most(UNIT, 512))?;
    if first.is_some_and(|(bytes, _)| slice(&bytes, 0x1fe, 2) == Some(&[0x55, 0xaa])) {
        return Ok(None);
    }
    let mut traces = Traces::new();
    let others = first_look::opening(window, &mut |offset, sector| traces.look(offset, sector))?;
    traces.forget(&others);
    Ok(Some(traces))
}

/// A layout that is as good as proven, but for holes and for the folders of the other one.
fn is_rival(other: &Geometry) -> bool {
    Evidence { may_hide: false, strays: 0, ..other.evidence }.is_proof(other.bits, other.tables, other.root_length)
}

/// All layouts that fit what was seen, the best one first. `place` says where a volume begins whose places count from the
/// source's start, and how long it may be.
fn examined(source: &Source, traces: &Traces, place: impl Fn(&Geometry) -> (u64, u64)) -> Result<Vec<Geometry>> {
    let mut all: Vec<Geometry> = Vec::new();
    for mut geometry in guess::guesses(source, traces)? {
        let (start, length) = place(&geometry);
        let window = source.window(start, length.min(source.length().saturating_sub(start)));
        geometry.tables_start = geometry.tables_start.saturating_sub(start);
        geometry.start = start;
        let folders: Vec<Dots> = traces
            .folders
            .iter()
            .filter_map(|dots| Some(Dots { offset: dots.offset.checked_sub(start)?, ..*dots }))
            .filter(|dots| dots.offset < window.length())
            .collect();
        proof::examine(&window, &folders, &mut geometry)?;
        if geometry.evidence.is_plausible() && !all.iter().any(|other| other.is_same_place(&geometry)) {
            all.push(geometry);
        }
    }
    all.sort_by_key(|geometry| std::cmp::Reverse((geometry.is_proven(), geometry.evidence.weight())));
    Ok(all)
}

impl Traces {
    /// The volumes that what was seen in `source` shows, in the order in which they stand. A place is given to the one
    /// for which most speaks; one for which as much speaks contests it.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    pub fn volumes(&self, source: &Source) -> Result<Vec<Geometry>> {
        let place = |geometry: &Geometry| {
            let start = geometry.tables_start.saturating_sub(reserved(geometry));
            (start, geometry.total_bytes().saturating_sub(start))
        };
        let mut found: Vec<Geometry> = Vec::new();
        for mut geometry in examined(source, self, place)? {
            geometry.contested |= self.full;
            let range = |one: &Geometry| one.start..one.start.saturating_add(one.total_bytes());
            let here = range(&geometry);
            let rival = is_rival(&geometry);
            let mut over = found.iter_mut().filter(|other| {
                let there = range(other);
                there.start < here.end && here.start < there.end
            });
            let mut taken = false;
            for other in &mut over {
                taken = true;
                other.contested |= rival && !other.places_alike(&geometry);
            }
            if !taken {
                found.push(geometry);
            }
        }
        found.sort_by_key(|geometry| geometry.start);
        Ok(found)
    }
}

/// How many bytes tools reserve before the tables: 32 sectors on FAT32, else the boot sector alone.
fn reserved(geometry: &Geometry) -> u64 {
    match geometry::width(geometry.bits) {
        Some(Width::Fat32) => UNIT.saturating_mul(32),
        _ => UNIT,
    }
}

/// What [`find`] says of a layout that was found before: never more than it would now. `None` if it can be none.
pub(super) fn again(window: &Source, geometry: &Geometry) -> Result<Option<Geometry>> {
    let known = Geometry { start: 0, ..geometry.clone() };
    if let Some(found) = find(window)?.filter(|found| found.is_same_place(&known)) {
        let contested = found.contested || geometry.contested;
        return Ok(Some(Geometry { contested, ..found }));
    }
    let mut known = Geometry { contested: true, ..known };
    proof::examine(window, &[], &mut known)?;
    Ok(Some(known).filter(|known| known.evidence.is_plausible()))
}

/// In words, for a finding.
pub(super) fn words(geometry: &Geometry) -> String {
    let Evidence { openings, same_sectors, folders, chains, placed, .. } = geometry.evidence;
    format!(
        "tables of {} bytes from byte {} of the volume, clusters of {} bytes from byte {}; by {openings} openings of \
         tables, {same_sectors} equal sectors of them, {folders} folders where their entries say, {placed} that name \
         their own cluster, {chains} chains as long as their files",
        geometry.table_length,
        geometry.tables_start,
        geometry.cluster_size,
        geometry.data_start()
    )
}

/// What is lacking to a proof, in words.
pub(super) fn lacks(geometry: &Geometry) -> &'static str {
    let Evidence { may_hide, strays, placed, other_folders, other_chains, .. } = geometry.evidence;
    if geometry.contested {
        "another layout fits as well, or not all could be looked at"
    } else if may_hide {
        "a hole has room for the tables of another layout"
    } else if strays > placed || other_folders > 0 || other_chains > 0 {
        "some of what was found contradicts it"
    } else {
        "too little was found to prove it"
    }
}
