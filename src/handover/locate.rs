//! Where each file lies, asked before anything is written: the order in which they are read, and what can't be placed.

use std::collections::HashMap;

use super::job::Job;
use super::place::Tree;
use super::plan::Plan;
use crate::catalog::{ObjectId, ObjectKind};
use crate::content::claims_too_much;
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};
use crate::threads;

/// For fewer files than this a thread of their own is not worth while.
const LEAST: usize = 1000;

/// Files to be copied, and files of which nothing could be placed.
#[derive(Debug, Default)]
pub(crate) struct Located {
    /// By entry of the plan, in the order in which they are best read.
    pub(crate) tasks: Vec<usize>,
    /// Why nothing could be placed, by entry.
    pub(crate) unplaced: HashMap<usize, String>,
    /// Where each link of the plan leads; empty where that can't be told.
    pub(crate) targets: Vec<String>,
}

/// What begins to lie there, by volume and byte: the order in which files are read.
type Place = (usize, u64, ObjectId, usize);

/// Where a file lies, or why nothing of it can be placed.
fn place_of(job: &Job<'_>, plan: &Plan, index: usize) -> Result<Result<Place, String>> {
    let entry = &plan.entries[index];
    let volume = &job.volumes[entry.volume];
    match volume.filesystem.extents(volume.catalog, entry.object) {
        Ok(extents) => {
            let (size, length) = (extents.size(), volume.filesystem.source().length());
            Ok(match claims_too_much(size, length) {
                true => Err(format!("it claims {size} bytes, and its whole volume has {length}")),
                false => Ok((entry.volume, extents.first_place(), entry.object, index)),
            })
        }
        Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => Err(error),
        Err(error) => Ok(Err(error.to_string())),
    }
}

/// Asks where each file lies. Files that are not copied whatever reading shows are left out.
pub(crate) fn locate(job: &Job<'_>, plan: &Plan, progress: &dyn Progress) -> Result<Located> {
    let mut files: Vec<usize> = (0..plan.entries.len())
        .filter(|index| {
            let entry = &plan.entries[*index];
            let object = job.volumes[entry.volume].catalog.object(entry.object);
            entry.kind != ObjectKind::Folder && Tree::of(&object.facts, object.size).is_some()
        })
        .collect();
    // In the order of the records, which lie together.
    files.sort_by_key(|index| {
        let entry = &plan.entries[*index];
        (entry.volume, job.volumes[entry.volume].catalog.object(entry.object).locator, *index)
    });
    progress.begin("locating", files.len() as u64, Unit::Files);
    let mut located = Located::default();
    let mut places = Vec::with_capacity(files.len());
    let parts = threads::in_parts(&files, LEAST, |part| {
        part.iter()
            .map(|index| {
                let answer = place_of(job, plan, *index)?;
                progress.advance(1);
                Ok((*index, answer))
            })
            .collect::<Result<Vec<_>>>()
    });
    for part in parts {
        for (index, answer) in part? {
            match answer {
                Ok(place) => places.push(place),
                Err(why) => drop(located.unplaced.insert(index, why)),
            }
        }
    }
    places.sort_unstable();
    for link in &plan.links {
        let volume = &job.volumes[link.volume];
        located.targets.push(volume.filesystem.link_target(volume.catalog, link.object)?.unwrap_or_default());
    }
    located.tasks = places.into_iter().map(|(.., index)| index).collect();
    progress.end();
    Ok(located)
}
