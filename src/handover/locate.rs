//! Where each file lies, asked before anything is written: the order in which they are read, and what can't be placed.

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::job::Job;
use super::place::Tree;
use super::plan::Plan;
use crate::catalog::{Extents, ObjectId, ObjectKind, Run};
use crate::content::claims_too_much;
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};
use crate::threads;

/// For fewer files than this a thread of their own is not worth while.
const LEAST: usize = 1000;

/// Bytes of memory for where files lie: those of half a million plain files. For others it is read again. Little in
/// tests, so that they see both.
const MEMORY: usize = if cfg!(test) { 1 << 10 } else { 64 << 20 };

/// Files to be copied, and files of which nothing could be placed.
#[derive(Debug, Default)]
pub(crate) struct Located {
    /// By entry of the plan, in the order in which they are best read.
    pub(crate) tasks: Vec<usize>,
    /// Why nothing could be placed, by entry.
    pub(crate) unplaced: HashMap<usize, String>,
    /// Where each link of the plan leads; empty where that can't be told.
    pub(crate) targets: Vec<String>,
    /// Where files lie, by entry, as far as there was memory for it.
    kept: Vec<Option<Box<Extents>>>,
}

impl Located {
    /// Where the bytes of an entry lie.
    ///
    /// # Errors
    /// As [`crate::filesystem::Filesystem::extents`].
    pub(crate) fn extents(&self, job: &Job<'_>, plan: &Plan, index: usize) -> Result<Cow<'_, Extents>> {
        if let Some(Some(extents)) = self.kept.get(index) {
            return Ok(Cow::Borrowed(extents));
        }
        let entry = &plan.entries[index];
        let volume = &job.volumes[entry.volume];
        volume.filesystem.extents(volume.catalog, entry.object).map(Cow::Owned)
    }
}

/// Bytes that an allocator takes for the two pieces of memory that one file's place is in (common practice, no source).
const ALLOCATOR: usize = 32;

/// About how many bytes of memory it takes to keep where a file lies.
fn weight(extents: &Extents) -> usize {
    let beside = match extents {
        Extents::Resident(bytes) => bytes.capacity(),
        Extents::Runs(runs) => runs.runs.capacity().saturating_mul(size_of::<Run>()),
        Extents::Packed(packed) => weight(&packed.stored),
    };
    beside.saturating_add(size_of::<Extents>()).saturating_add(ALLOCATOR)
}

/// What begins to lie there, by volume and byte: the order in which files are read.
type Place = (usize, u64, ObjectId, usize);

/// Where a file begins to lie and where its bytes are, or why nothing of it can be placed.
fn place_of(job: &Job<'_>, plan: &Plan, index: usize) -> Result<Result<(Place, Extents), String>> {
    let entry = &plan.entries[index];
    let volume = &job.volumes[entry.volume];
    match volume.filesystem.extents(volume.catalog, entry.object) {
        Ok(extents) => {
            let (size, length) = (extents.size(), volume.filesystem.source().length());
            Ok(match claims_too_much(size, length) {
                true => Err(format!("it claims {size} bytes, and its whole volume has {length}")),
                false => Ok(((entry.volume, extents.first_place(), entry.object, index), extents)),
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
    let mut located = Located { kept: vec![None; plan.entries.len()], ..Located::default() };
    let mut places = Vec::with_capacity(files.len());
    let taken = AtomicUsize::new(0);
    let is_room_for = |extents: &Extents| {
        let weight = weight(extents);
        taken.fetch_add(weight, Ordering::Relaxed).saturating_add(weight) <= MEMORY
    };
    let parts = threads::in_parts(&files, LEAST, |part| {
        part.iter()
            .map(|index| {
                let answer = place_of(job, plan, *index)?;
                progress.advance(1);
                Ok((*index, answer.map(|(place, extents)| (place, Some(extents).filter(is_room_for).map(Box::new)))))
            })
            .collect::<Result<Vec<_>>>()
    });
    for part in parts {
        for (index, answer) in part? {
            match answer {
                Ok((place, extents)) => {
                    places.push(place);
                    located.kept[index] = extents;
                }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::handover::tests::choir::{everything, job};
    use crate::handover::{Options, Selected};
    use crate::progress::Silent;

    #[test]
    fn what_was_kept_is_what_would_be_read_again() {
        let choir = everything(None);
        let job = job(&choir, vec![Selected::Root], Options::default());
        let plan = Plan::make(&job).unwrap();
        let located = locate(&job, &plan, &Silent).unwrap();
        let kept: Vec<_> = located.kept.iter().flatten().collect();
        let weight = kept.iter().map(|extents| weight(extents)).sum::<usize>();
        let (kept, tasks) = (kept.len(), located.tasks.len());
        assert!(0 < kept && kept < tasks, "{kept} of {tasks}");
        assert!(weight <= MEMORY, "{weight} bytes");
        for index in &located.tasks {
            let entry = &plan.entries[*index];
            let volume = &job.volumes[entry.volume];
            let again = volume.filesystem.extents(volume.catalog, entry.object).unwrap();
            assert_eq!(*located.extents(&job, &plan, *index).unwrap(), again, "{}", entry.path);
        }
    }
}
