//! Whether the files of a handover open, by their formats: asked when all is copied, of the image and not of the copies,
//! which are the same by their digests.

use std::collections::HashMap;

use super::job::Job;
use super::locate::Located;
use super::plan::Plan;
use crate::catalog::ObjectId;
use crate::content::{Verdict, contents};
use crate::error::Result;
use crate::progress::Progress;

/// By entry of the plan; `None` for what was not asked.
pub(crate) type Verdicts = Vec<Option<Verdict>>;

/// Checks every file of the plan that can be placed; one with several paths is checked once.
pub(crate) fn ask(job: &Job<'_>, plan: &Plan, located: &Located, progress: &dyn Progress) -> Result<Verdicts> {
    let mut verdicts = vec![None; plan.entries.len()];
    for (number, volume) in job.volumes.iter().enumerate() {
        let mut known: HashMap<ObjectId, usize> = HashMap::new();
        let (mut objects, mut entries) = (Vec::new(), Vec::new());
        for index in located.tasks.iter().copied().filter(|index| plan.entries[*index].volume == number) {
            let object = plan.entries[index].object;
            let place = *known.entry(object).or_insert_with(|| {
                objects.push(object);
                objects.len() - 1
            });
            entries.push((index, place));
        }
        let answers = contents::examine(volume.filesystem, volume.catalog, &objects, progress)?;
        for (index, place) in entries {
            verdicts[index] = answers[place].clone();
        }
    }
    Ok(verdicts)
}
