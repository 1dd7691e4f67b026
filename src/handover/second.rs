//! The second reader over the files of a handover: asked when all is copied, so that it says of each written file
//! whether an independent program reads the same bytes.

use std::collections::HashMap;

use super::job::Job;
use super::locate::Located;
use super::place::{Reading, Tree, merged};
use super::plan::Plan;
use crate::catalog::{ObjectId, ObjectKind};
use crate::content::second::{Ours, Outcome, Read, compare};
use crate::error::Result;
use crate::progress::Progress;

/// By entry of the plan; `None` for folders, and everywhere if nobody was asked.
pub(crate) type Outcomes = Vec<Option<Outcome>>;

/// Asks about every file and stream of the plan, copied or not. The paths of one object are asked about once.
pub(crate) fn ask(
    job: &Job<'_>,
    plan: &Plan,
    located: &Located,
    done: &[Option<Reading>],
    progress: &dyn Progress,
) -> Result<Outcomes> {
    let mut outcomes = vec![None; plan.entries.len()];
    for (number, volume) in job.volumes.iter().enumerate() {
        let mut known: HashMap<(ObjectId, Option<[u8; 32]>), usize> = HashMap::new();
        let (mut files, mut entries) = (Vec::new(), Vec::new());
        for (index, entry) in plan.entries.iter().enumerate() {
            if entry.volume != number || entry.kind == ObjectKind::Folder {
                continue;
            }
            let object = volume.catalog.object(entry.object);
            let placed = !located.unplaced.contains_key(&index);
            let read = done[index].as_ref().and_then(|reading| {
                let facts = merged(&object.facts, Some(reading), placed);
                Tree::of(&facts, reading.size)?;
                Some(Read { sha256: reading.sha256, size: reading.size, gaps: !facts.gaps.is_empty() })
            });
            let file = *known.entry((entry.object, read.map(|read| read.sha256))).or_insert_with(|| {
                files.push(Ours { object: entry.object, read });
                files.len() - 1
            });
            entries.push((index, file));
        }
        let answers = compare(volume.filesystem, volume.catalog, &files, progress)?;
        for (index, file) in entries {
            outcomes[index] = Some(answers[file].clone());
        }
    }
    Ok(outcomes)
}
