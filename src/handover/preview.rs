//! What a handover would come to, told before anything is written: only looks and reads.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde::Serialize;

use super::choice::{LeftOut, Top};
use super::destination::{self, Destination, Need};
use super::job::Job;
use super::journal::{Earlier, Header};
use super::locate::{self, Located};
use super::output::{Disk, Output, Space, without_prefix};
use super::place::Tree;
use super::plan::{Plan, address, source_path};
use super::results::Results;
use super::summary::{Count, Lost, MOST_LOST};
use crate::catalog::{Completeness, Distrust, ObjectKind, State};
use crate::content;
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};

/// How much of the chosen files is read to see how fast they can be read: enough for a second on any disk, so that the
/// first moment does not count for all.
const SAMPLE: u64 = 64 << 20;

/// The longest path that many programs of Windows can open, in UTF-16 units: MAX_PATH is 260 with the zero at the end
/// (Microsoft, "Maximum Path Length Limitation").
pub const LONGEST_PATH: usize = 259;

/// How many paths of a kind are given as examples.
pub const MOST_EXAMPLES: usize = 1000;

/// Where a path of the image would stand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Placed {
    /// Where it stands on the volume.
    pub source_path: String,
    /// Where it would stand in the bag.
    pub path: String,
}

/// Some paths, of which the first are named.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Examples {
    /// How many there are.
    pub count: u64,
    /// The first [`MOST_EXAMPLES`].
    pub first: Vec<Placed>,
}

impl Examples {
    fn add(&mut self, placed: impl FnOnce() -> Placed) {
        self.count += 1;
        if self.first.len() < MOST_EXAMPLES {
            self.first.push(placed());
        }
    }
}

/// What reading a part of the chosen files showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Sample {
    /// Bytes that were read, from the beginning of the copying.
    pub bytes: u64,
    /// How long that took.
    pub milliseconds: u64,
    /// How long reading all would take at that rate, in seconds; writing may take longer.
    pub seconds_for_all: Option<u64>,
}

/// Whether it would fit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Room {
    /// The folder of the bag.
    pub folder: PathBuf,
    /// Whether an unfinished handover there would be continued, or a finished one be added to.
    pub begun: bool,
    /// Bytes that it would take there: whole clusters, and room for the records.
    pub needed: u64,
    /// Bytes that are free.
    pub available: u64,
    /// Bytes in one of the disk's clusters.
    pub cluster: u64,
    /// The largest file that the disk's format takes, where that matters.
    pub largest_file: Option<u64>,
    /// Files that are larger.
    pub too_large: Examples,
    /// Paths that would be longer than [`LONGEST_PATH`], counted with the folder's own.
    pub long_paths: Examples,
}

impl Room {
    /// Whether everything fits.
    #[must_use]
    pub fn fits(&self) -> bool {
        self.needed <= self.available && self.too_large.count == 0
    }
}

/// What a handover would come to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Preview {
    /// Files and streams by state, by what is known before they are read.
    pub states: BTreeMap<State, Count>,
    /// Files that would be written.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// The largest of them.
    pub largest: Option<(String, u64)>,
    /// Folders.
    pub folders: u64,
    /// Folders whose list of names is not all there and that were not deleted.
    pub incomplete_folders: u64,
    /// Paths that would not be copied.
    pub not_copied: u64,
    /// The first files that would not be handed over as they were.
    pub lost: Vec<Lost>,
    /// How many there are in all.
    pub lost_count: u64,
    /// Paths of files that are damaged, doubtful or unlocated and were not deleted.
    pub losses: u64,
    /// Records of the selected volumes that can't be read.
    pub lost_records: u64,
    /// Links, which are recorded and not followed.
    pub links: u64,
    /// Alternate streams that would be left out.
    pub streams_left: u64,
    /// Devices and their like, which have no content.
    pub special_files: u64,
    /// Deleted files that would be left out.
    pub deleted_left: u64,
    /// What would be left out by choice, by reason.
    pub left_out: LeftOut,
    /// Paths that are taken for want of a date.
    pub undated: u64,
    /// Names that would be changed so that every host takes them.
    pub renamed: Examples,
    /// What is taken, by the line of a plan that speaks for it.
    pub tops: BTreeMap<String, Top>,
    /// How fast the chosen files can be read; `None` if there is nothing to read.
    pub sample: Option<Sample>,
    /// Whether it would fit; `None` if no destination was named.
    pub room: Option<Room>,
}

impl Preview {
    /// Whether something that is asked for is lost, in doubt or may be missing.
    #[must_use]
    pub fn has_loss(&self) -> bool {
        self.losses > 0 || self.incomplete_folders > 0 || self.lost_records > 0
    }

    /// Whether there is nothing to hand over.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.states.is_empty() && self.folders == 0 && self.links == 0 && self.special_files == 0
    }
}

/// What a job would come to at `to`, or anywhere. `add` as for [`super::add`]. Nothing is written.
///
/// # Errors
/// As [`super::extract`], but for want of room and for files that are too large, which the answer tells.
pub fn preview(job: &Job<'_>, to: Option<&Path>, add: bool, progress: &dyn Progress) -> Result<Preview> {
    look(job, to, add, &Disk, progress)
}

pub(crate) fn look(
    job: &Job<'_>,
    to: Option<&Path>,
    add: bool,
    output: &dyn Output,
    progress: &dyn Progress,
) -> Result<Preview> {
    let plan = Plan::make(job)?;
    let destination = to.map(|to| destination::of(job, to, add)).transpose()?;
    let located = locate::locate(job, &plan, progress)?;
    let mut preview = count(job, &plan, &located);
    let mut open = located.tasks.clone();
    if let Some(destination) = &destination {
        let done = done_there(job, &plan, destination, output)?;
        open.retain(|index| !done[*index]);
    }
    preview.sample = sample(job, &plan, &open, progress)?;
    if let Some(destination) = &destination {
        preview.room = Some(room(job, &plan, &open, destination, output)?);
    }
    job.image.check_unchanged()?;
    Ok(preview)
}

/// What is at the destination already, by entry.
fn done_there(job: &Job<'_>, plan: &Plan, destination: &Destination, output: &dyn Output) -> Result<Vec<bool>> {
    if destination.finished {
        return super::added::written(output, &destination.folder, plan);
    }
    if !destination.begun {
        return Ok(vec![false; plan.entries.len()]);
    }
    let header = Header::new(job, plan);
    let earlier = Earlier::read(output, &destination.folder, &header, plan.entries.len())?;
    Ok(earlier.done.iter().map(Option::is_some).collect())
}

fn count(job: &Job<'_>, plan: &Plan, located: &Located) -> Preview {
    let mut preview = Preview {
        states: BTreeMap::new(),
        files: 0,
        bytes: 0,
        largest: None,
        folders: 0,
        incomplete_folders: 0,
        not_copied: 0,
        lost: Vec::new(),
        lost_count: 0,
        losses: 0,
        lost_records: job.volumes.iter().map(|volume| volume.catalog.lost_records).sum(),
        links: plan.links.len() as u64,
        streams_left: plan.streams_left,
        special_files: plan.special_files,
        deleted_left: plan.deleted_left,
        left_out: plan.left_out.clone(),
        undated: plan.undated,
        renamed: Examples::default(),
        tops: plan.tops.clone(),
        sample: None,
        room: None,
    };
    let mut seen = std::collections::HashSet::new();
    // As if everything were done, but nothing was read.
    let (done, second) = (vec![None; plan.entries.len()], vec![None; plan.entries.len()]);
    let opens = vec![None; plan.entries.len()];
    let results = Results { job, plan, located, done: &done, second: &second, opens: &opens };
    for (index, row) in results.rows().enumerate() {
        let (entry, object) = (row.entry, row.object);
        let is_new = seen.insert((entry.volume, entry.object));
        let is_deleted = object.facts.distrust.contains(Distrust::Deleted);
        if is_renamed(job, plan, index) {
            preview.renamed.add(|| placed(job, plan, index));
        }
        if entry.kind == ObjectKind::Folder {
            preview.folders += u64::from(is_new);
            let incomplete = !is_deleted && object.completeness() == Completeness::Incomplete;
            preview.incomplete_folders += u64::from(is_new && incomplete);
            continue;
        }
        let (state, tree) = (row.facts.state(), Tree::of(&row.facts, object.size));
        let states = preview.states.entry(state).or_default();
        states.paths += 1;
        if is_new {
            states.objects += 1;
            states.bytes = states.bytes.saturating_add(object.size);
        }
        if tree.is_some() {
            preview.files += 1;
            preview.bytes = preview.bytes.saturating_add(object.size);
            if preview.largest.as_ref().is_none_or(|(_, largest)| object.size > *largest) {
                preview.largest = Some((row.source_path(), object.size));
            }
        } else {
            preview.not_copied += 1;
        }
        preview.losses += u64::from(state.is_loss() && !is_deleted);
        if tree.is_none() || state.is_loss() || state == State::Absent {
            preview.lost_count += 1;
            if preview.lost.len() < MOST_LOST {
                preview.lost.push(Lost {
                    volume: row.volume.number,
                    source_path: row.source_path(),
                    address: address(row.volume, entry.object),
                    state,
                    why: row.why(),
                    size: object.size,
                    gap_bytes: row.facts.gap_bytes,
                    copied: tree.is_some(),
                });
            }
        }
    }
    preview
}

fn placed(job: &Job<'_>, plan: &Plan, index: usize) -> Placed {
    let entry = &plan.entries[index];
    Placed { source_path: source_path(&job.volumes[entry.volume], entry), path: bag_path(job, plan, index) }
}

/// Where an entry would stand in the bag, as far as can be told before it is read.
fn bag_path(job: &Job<'_>, plan: &Plan, index: usize) -> String {
    let entry = &plan.entries[index];
    let object = job.volumes[entry.volume].catalog.object(entry.object);
    let tree = match entry.kind {
        ObjectKind::Folder => Some(Tree::Recovered),
        _ => Tree::of(&object.facts, object.size),
    };
    format!("{}/{}", tree.unwrap_or(Tree::Recovered).folder(), entry.path)
}

fn is_renamed(job: &Job<'_>, plan: &Plan, index: usize) -> bool {
    let entry = &plan.entries[index];
    let catalog = job.volumes[entry.volume].catalog;
    let Some(name) = entry.name else { return false };
    let last = entry.path.rsplit('/').next().unwrap_or_default();
    match entry.beside {
        None => catalog.name(name).text() != last,
        Some(owner) => format!("{}:{}", catalog.name(owner).text(), catalog.name(name).text()) != last,
    }
}

/// Reads the first of what would be read, in the same order.
fn sample(job: &Job<'_>, plan: &Plan, open: &[usize], progress: &dyn Progress) -> Result<Option<Sample>> {
    let size = |index: &usize| {
        let entry = &plan.entries[*index];
        job.volumes[entry.volume].catalog.object(entry.object).size
    };
    let total = open.iter().map(size).fold(0, u64::saturating_add);
    if total == 0 {
        return Ok(None);
    }
    progress.begin("measuring", total.min(SAMPLE), Unit::Bytes);
    let (mut bytes, start) = (0_u64, Instant::now());
    for index in open {
        if bytes >= SAMPLE {
            break;
        }
        let entry = &plan.entries[*index];
        let volume = &job.volumes[entry.volume];
        let extents = volume.filesystem.extents(volume.catalog, entry.object)?;
        let enough = content::read(volume.filesystem.source(), &extents, &mut |piece| {
            bytes = bytes.saturating_add(piece.len() as u64);
            progress.advance(piece.len() as u64);
            // No error of anything: it only ends the reading.
            if bytes >= SAMPLE { Err(Error::Usage(String::new())) } else { Ok(()) }
        });
        match enough {
            Ok(_) | Err(Error::Usage(_)) => {}
            Err(error) => return Err(error),
        }
    }
    progress.end();
    let took = start.elapsed();
    Ok(Some(Sample { bytes, milliseconds: milliseconds(took), seconds_for_all: seconds_for(total, bytes, took) }))
}

fn milliseconds(time: Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}

/// How long `total` bytes take at the rate of the sample, rounded up to a second.
fn seconds_for(total: u64, bytes: u64, took: Duration) -> Option<u64> {
    let nanoseconds = u128::from(total).checked_mul(took.as_nanos())?.checked_div(u128::from(bytes))?;
    u64::try_from(nanoseconds.div_ceil(1_000_000_000)).ok()
}

fn room(job: &Job<'_>, plan: &Plan, open: &[usize], destination: &Destination, output: &dyn Output) -> Result<Room> {
    let Space { available, cluster, largest_file } = destination::space(output, &destination.folder)?;
    let mut need = Need::new(cluster);
    let mut too_large = Examples::default();
    for index in open {
        let entry = &plan.entries[*index];
        let size = job.volumes[entry.volume].catalog.object(entry.object).size;
        need.add(size, &entry.path);
        if largest_file.is_some_and(|largest| size > largest) {
            too_large.add(|| placed(job, plan, *index));
        }
    }
    let absolute = std::path::absolute(&destination.folder).unwrap_or_else(|_| destination.folder.clone());
    let units = |text: &str| text.encode_utf16().count();
    // One more for the slash.
    let folder = units(&without_prefix(&absolute).to_string_lossy()).saturating_add(1);
    let mut long_paths = Examples::default();
    for index in 0..plan.entries.len() {
        if folder.saturating_add(units(&bag_path(job, plan, index))) > LONGEST_PATH {
            long_paths.add(|| placed(job, plan, index));
        }
    }
    Ok(Room {
        folder: destination.folder.clone(),
        begun: destination.begun || destination.finished,
        needed: need.bytes(),
        available,
        cluster,
        largest_file,
        too_large,
        long_paths,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rest_takes_as_long_as_the_sample_says() {
        assert_eq!(seconds_for(1000, 100, Duration::from_millis(250)), Some(3));
        assert_eq!(seconds_for(1000, 0, Duration::ZERO), None);
        assert_eq!(seconds_for(0, 1, Duration::from_secs(1)), Some(0));
        assert_eq!(seconds_for(u64::MAX, 1, Duration::from_secs(u64::MAX)), None);
    }
}
