//! Where each file lies, asked before anything is written: the order in which they are read, and what can't be placed.

use std::collections::HashMap;

use super::job::Job;
use super::place::Tree;
use super::plan::Plan;
use crate::catalog::ObjectKind;
use crate::content::claims_too_much;
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};

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
    for index in files {
        let entry = &plan.entries[index];
        let volume = &job.volumes[entry.volume];
        match volume.filesystem.extents(volume.catalog, entry.object) {
            Ok(extents) => {
                let (size, volume) = (extents.size(), volume.filesystem.source().length());
                match claims_too_much(size, volume) {
                    true => {
                        let why = format!("it claims {size} bytes, and its whole volume has {volume}");
                        located.unplaced.insert(index, why);
                    }
                    false => places.push((entry.volume, extents.first_place(), entry.object, index)),
                }
            }
            Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => return Err(error),
            Err(error) => {
                located.unplaced.insert(index, error.to_string());
            }
        }
        progress.advance(1);
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
