//! Handing over: copying out, hashing, manifests, verification.
//!
//! [`extract`] makes a BagIt bag (RFC 8493) of chosen files and folders; [`verify`] checks any such bag. What is
//! written and where is decided by a plan before anything is; a bag that was stopped at any moment is visibly
//! unfinished and is continued by the same call. Nothing is ever overwritten, and no link is followed.

mod account;
mod added;
mod bag;
mod choice;
pub mod compare;
mod copy;
mod csv;
mod destination;
mod details;
mod digests;
mod folder;
mod hex;
mod job;
mod journal;
mod locate;
mod meaning;
pub mod names;
mod opens;
mod output;
mod place;
mod plan;
mod preview;
mod readme;
mod record;
mod records;
#[cfg(feature = "report")]
mod report;
mod results;
mod second;
mod session;
mod sign;
mod summary;
mod verify;
mod walk;

use std::collections::BTreeMap;
use std::path::Path;

pub use added::{Given, given};
pub use choice::{
    Amount, Base, Choice, Choices, Filter, LeftOut, LeftReason, MOST_SELECTIONS, Patterns, Selection, Top,
};
pub use details::{DriveDetails, JobDetails};
pub use digests::Algorithm;
pub use job::{Job, MapNote, Options, Selected, VolumeSelection};
pub use output::ReadBack;
pub use place::LONG_BLANK;
pub use preview::{Examples, LONGEST_PATH, MOST_EXAMPLES, Placed, Preview, Room, Sample, preview};
pub use record::{Record, keep, record_name};
pub use sign::{NAMESPACE, SignatureReport, SignatureState, Signers, SigningKey};
pub use summary::{Count, Lost, MOST_LOST, Summary};
pub use verify::{Problem, ProblemKind, Verification, verify, verify_signed};

use crate::error::Result;
use crate::progress::Progress;
use journal::{Earlier, Header, Journal};
use locate::Located;
use output::{Disk, Output};
use place::{Reading, Tree, merged};
use plan::Plan;
use results::Results;
use session::Session;

/// Copies what a job selects into a bag at `to`: a new or empty folder, an unfinished bag of the same job, or the root
/// of a disk, which gets a folder of its own.
///
/// # Errors
/// [`crate::Error::Destination`] if `to` is refused, has no room, or what was written does not read back;
/// [`crate::Error::Io`] if it fails; [`crate::Error::ImageIo`] if the image file fails; [`crate::Error::ImageChanged`] if
/// it was changed meanwhile. After each of them the bag is visibly unfinished, and the same call continues it once the
/// cause is gone (a changed image excepted).
pub fn extract(job: &Job<'_>, to: &Path, progress: &dyn Progress) -> Result<Summary> {
    run(job, to, false, &Disk, progress)
}

/// Whether [`extract`], or [`add`], would begin or continue a bag at `to`, as far as that can be said without planning
/// it. Makes nothing.
///
/// # Errors
/// [`crate::Error::Destination`] if it would be refused; [`crate::Error::Io`] if it can't be looked at.
pub fn check_destination(job: &Job<'_>, to: &Path, add: bool) -> Result<()> {
    destination::of(job, to, add).map(drop)
}

/// Adds to the finished bag at `to` what a job selects beyond it. The job's choices have to begin with those that the bag
/// was made by ([`given`] tells them). What is there is read again, has to be as it was, and stays as it is.
///
/// # Errors
/// As [`extract`]; [`crate::Error::Destination`] also if image, map or options are others, or something in the bag was
/// changed. From the first change on the bag is visibly unfinished, and the same call continues it.
pub fn add(job: &Job<'_>, to: &Path, progress: &dyn Progress) -> Result<Summary> {
    run(job, to, true, &Disk, progress)
}

/// What the first choice of a job takes, by the line of a plan that speaks for it: planned without looking further.
///
/// # Errors
/// [`crate::Error::Limit`] if there are too many selections, or one stands too deep.
pub fn tops(job: &Job<'_>) -> Result<BTreeMap<String, Top>> {
    Ok(Plan::collect(job)?.tops)
}

/// What a job leaves out by choice, if it takes nothing at all. Goes no further than to the first thing it takes.
///
/// # Errors
/// As [`tops`].
pub fn takes_nothing(job: &Job<'_>) -> Result<Option<LeftOut>> {
    Plan::nothing(job)
}

fn run(job: &Job<'_>, to: &Path, add: bool, output: &dyn Output, progress: &dyn Progress) -> Result<Summary> {
    let plan = Plan::make(job)?;
    let destination = destination::of(job, to, add)?;
    let mut header = Header::new(job, &plan);
    let mut earlier = match destination.begun {
        true => Earlier::read(output, &destination.folder, &header, plan.entries.len())?,
        false => Earlier::none(&header, plan.entries.len()),
    };
    if destination.finished {
        let existing = added::examine(job, &plan, &destination.folder, output, progress)?;
        earlier.done = existing.done;
        earlier.examined = Some(existing.tags);
        header.adding = Some(existing.given);
    }
    let located = locate::locate(job, &plan, progress)?;
    check_space(job, &plan, &located, &earlier, output, &destination.folder)?;
    let place = |index: usize, reading: &Reading| {
        let entry = &plan.entries[index];
        let facts = &job.volumes[entry.volume].catalog.object(entry.object).facts;
        Tree::of(&merged(facts, Some(reading), true), reading.size)
    };
    let session = Session::open(output, &destination, &header, &mut earlier, place, &plan)?;
    session.log_lines(&record::opening(job, &plan))?;
    let copied = copy_all(job, &plan, &session, &located, &mut earlier, progress)
        .and_then(|read_back| {
            session.log(record::read_back(read_back))?;
            let second = ask_second(job, &plan, &session, &located, &earlier, progress)?;
            Ok((read_back, second, ask_formats(job, &plan, &session, &located, progress)?))
        })
        .inspect_err(|error| session.log_stop(error));
    let (read_back, second, opens) = copied?;
    let results = Results { job, plan: &plan, located: &located, done: &earlier.done, second: &second, opens: &opens };
    let summary = Summary { read_back, ..results.summary(destination.folder.clone(), destination.begun) };
    let settle = |session: &Session<'_>| copy::settle(&results, session, progress);
    bag::finish(&results, session, &summary, &earlier.started, settle, progress)?;
    Ok(summary)
}

fn check_space(
    job: &Job<'_>,
    plan: &Plan,
    located: &Located,
    earlier: &Earlier,
    output: &dyn Output,
    folder: &Path,
) -> Result<()> {
    let open = located.tasks.iter().filter(|index| earlier.done[**index].is_none()).map(|index| {
        let entry = &plan.entries[*index];
        (job.volumes[entry.volume].catalog.object(entry.object).size, &*entry.path)
    });
    destination::check_space(output, folder, open)
}

/// The second reader is asked again when a bag is continued: what it said is in no record of progress.
fn ask_second(
    job: &Job<'_>,
    plan: &Plan,
    session: &Session<'_>,
    located: &Located,
    earlier: &Earlier,
    progress: &dyn Progress,
) -> Result<second::Outcomes> {
    if !job.options.second_reader {
        return Ok(vec![None; plan.entries.len()]);
    }
    session.log("all files are written; asking the second reader")?;
    let outcomes = second::ask(job, plan, located, &earlier.done, progress)?;
    job.image.check_unchanged()?;
    Ok(outcomes)
}

/// As the second reader's, what the formats show is in no record of progress.
fn ask_formats(
    job: &Job<'_>,
    plan: &Plan,
    session: &Session<'_>,
    located: &Located,
    progress: &dyn Progress,
) -> Result<opens::Verdicts> {
    if !job.options.check {
        return Ok(vec![None; plan.entries.len()]);
    }
    session.log("all files are written; checking whether they open")?;
    let verdicts = opens::ask(job, plan, located, progress)?;
    job.image.check_unchanged()?;
    Ok(verdicts)
}

fn copy_all(
    job: &Job<'_>,
    plan: &Plan,
    session: &Session<'_>,
    located: &Located,
    earlier: &mut Earlier,
    progress: &dyn Progress,
) -> Result<Option<ReadBack>> {
    let journal = Journal::open(session.output, &session.folder, earlier)?;
    let read_back = copy::run(job, plan, session, journal, located, &mut earlier.done, progress)?;
    job.image.check_unchanged()?;
    Ok(read_back)
}

#[cfg(test)]
mod tests;
