//! `handback extract`: copies out of the image into a handover folder.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use serde::Serialize;
use sha2::{Digest, Sha256};

use super::args::ExtractArgs;
use super::choose::plan_file::{self, PlanFile};
use super::choose::{Wanted, preview, tell};
use super::demo::shell_word;
use super::disk::{OpenedDisk, Refused};
use super::exit::ExitStatus;
use super::open_image::ASSERTED;
use super::output::{Align, Printer, Table};
use super::record_args::Kept;
use super::{Context, contents, escape, job_file, json, second, size};
use crate::catalog::State;
use crate::error::{Error, Result};
use crate::filesystem::SweepOptions;
use crate::handover::{
    self, Choices, Given, Job, JobDetails, MapNote, Options, ReadBack, Record, Selected, Summary, VolumeSelection,
};
use crate::sector_map::OpenedMap;
use crate::source::Source;

/// How many files that were not handed over as they were are listed on screen; all stand in `records/lost.csv`.
const SHOWN: usize = 20;

/// What to do where nothing is asked for.
const NOTHING: &str = "nothing is asked for; name a PATH such as `/Users/Anna` (`handback survey` says what is there), or \
                       choose by `--person`, `--kind`, `--match`, `--newer` or `--plan`; `/` is everything (for more, try '--help')";

#[derive(Serialize)]
struct Document<'a, T> {
    map: &'a MapNote,
    dry_run: bool,
    /// The workshop's own copy.
    record: Option<String>,
    #[serde(flatten)]
    body: &'a T,
}

pub(super) fn run(args: &ExtractArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let asked = Asked::of(args)?;
    // What is wrong in either is said before the image is touched.
    let details = job_file::load(args.details.job.as_deref(), &args.image.image, context)?;
    let record = args.record.begin()?;
    let options = SweepOptions { deleted: args.deleted, codepage: args.codepage.codepage, ..SweepOptions::default() };
    let mut opened = OpenedDisk::open(&args.image, &args.map, &args.sector, options, context)?;
    let image = opened.disk.source.image();
    let given = match (&args.to, args.selection.add) {
        (Some(to), true) => handover::given(to, image.as_ref(), &image_name(args), details.ticket.as_deref())?,
        _ => Given::default(),
    };
    let choice = match asked.wanted.look_up(&mut opened, context)? {
        Ok(choice) => choice,
        Err(refused) => return Ok(refused.say(context)),
    };
    let mut choices = Choices { list: vec![choice], alone: None };
    opened.say_what_is_left_out(context);
    if let Some(status) = asked.check(&mut choices, args, &opened, context)? {
        return Ok(status);
    }
    if args.selection.add {
        let Some(choice) = choices.list.pop() else { return Err(Error::Usage(NOTHING.to_string())) };
        choices.alone = given.alone;
        for selection in &given.selections {
            match Wanted::again(selection)?.look_up(&mut opened, context)? {
                Ok(earlier) => choices.list.push(earlier),
                Err(refused) => return Ok(refused.say(context)),
            }
        }
        // The same command again, because it was stopped or by mistake, asks for nothing new.
        if !given.selections.contains(&choice.selection) {
            choices.list.push(choice);
        }
    }
    let mut job = Job { details, record, ..job(args, &opened, choices) };
    match (&args.to, args.selection.dry_run) {
        (_, true) => dry_run(args, &asked, &job, &opened, context),
        (Some(to), false) => {
            // Hashing an image takes as long as reading it: not for a destination that is refused then.
            handover::check_destination(&job, to, args.selection.add)?;
            args.record.look_at(job.image.as_ref(), opened.map.path.as_deref(), &mut job.record, context)?;
            extract(args, to, &job, &opened, context)
        }
        (None, false) => Err(Error::Usage("name the handover folder with `--to`".to_string())),
    }
}

fn image_name(args: &ExtractArgs) -> String {
    args.image.image.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn job<'a>(args: &ExtractArgs, opened: &'a OpenedDisk, choices: Choices) -> Job<'a> {
    let mut selected: BTreeMap<u32, Vec<Selected>> = BTreeMap::new();
    for (volume, base) in choices.list.iter().flat_map(|choice| &choice.bases) {
        selected.entry(*volume).or_default().extend(&base.selected);
    }
    let volumes = selected
        .into_iter()
        .filter_map(|(number, selected)| {
            let (filesystem, swept) = opened.swept(number)?;
            Some(VolumeSelection { number, filesystem, catalog: &swept.catalog, facts: &swept.facts, selected })
        })
        .collect();
    Job {
        image: opened.disk.source.image(),
        image_name: image_name(args),
        map: map_note(&opened.map, &opened.disk.source),
        volumes_complete: opened.disk.complete,
        volumes,
        details: JobDetails::default(),
        disk: Some(&opened.disk),
        choices,
        record: Record::default(),
        time_zone: args.time_zone.clone().unwrap_or_else(TimeZone::system),
        options: Options {
            streams: args.streams,
            deleted: args.deleted,
            read_back: !args.no_read_back,
            second_reader: args.second_reader,
            check: args.check,
            sheets: !args.details.no_sheets,
            also: args.record.also(),
        },
    }
}

/// What is asked for, and the plan that says so.
struct Asked {
    wanted: Wanted,
    plan: Option<PlanFile>,
    /// The plan that is to be written.
    new_plan: Option<PathBuf>,
}

impl Asked {
    fn of(args: &ExtractArgs) -> Result<Self> {
        let wanted = Wanted::of(&args.selection, args.volume.volume, args.time_zone.as_ref());
        let asked = match &args.selection.plan {
            None => Self { wanted, plan: None, new_plan: None },
            Some(path) if path.symlink_metadata().is_ok() => {
                if !wanted.is_empty() {
                    return Err(Error::Usage(format!(
                        "the plan `{}` is there and says what to copy; leave the other words away, or name a new plan",
                        path.display()
                    )));
                }
                let plan = PlanFile::read(path)?;
                let mut wanted = plan.wanted()?;
                wanted.volume = args.volume.volume.or(wanted.volume);
                wanted.zone = args.time_zone.clone().or(wanted.zone);
                Self { wanted, plan: Some(plan), new_plan: None }
            }
            Some(_) if args.selection.add => {
                return Err(Error::Usage(
                    "a plan is of one choice; make it without `--add`, and give it to `--plan` together with `--add` then"
                        .to_string(),
                ));
            }
            Some(path) if args.selection.dry_run => Self { wanted, plan: None, new_plan: Some(path.clone()) },
            Some(path) => {
                return Err(Error::Usage(format!(
                    "there is no plan `{}`; with `--dry-run` one is made of what you choose",
                    path.display()
                )));
            }
        };
        if asked.wanted.is_empty() { Err(Error::Usage(NOTHING.to_string())) } else { Ok(asked) }
    }

    /// Holds the plan against what is there, and refuses a choice that takes nothing.
    fn check(
        &self,
        choices: &mut Choices,
        args: &ExtractArgs,
        opened: &OpenedDisk,
        context: &mut Context<'_>,
    ) -> Result<Option<ExitStatus>> {
        let left: Vec<String> = match choices.list.first_mut() {
            Some(choice) => std::mem::take(&mut choice.selection.left_by_plan),
            None => Vec::new(),
        };
        let mut job = job(args, opened, std::mem::take(choices));
        if let Some(plan) = &self.plan {
            let tops = handover::tops(&job)?;
            if let Some(note) = plan.fits(&job)? {
                context.printer.note(&note);
            }
            plan.check_folders(&tops)?;
        }
        if let Some(choice) = job.choices.list.first_mut() {
            choice.selection.left_by_plan = left;
        }
        let nothing = handover::takes_nothing(&job)?;
        let lost = job.volumes.iter().any(|volume| volume.catalog.lost_records > 0) || !job.volumes_complete;
        *choices = job.choices;
        let Some(left_out) = nothing else { return Ok(None) };
        let reasons: Vec<String> = left_out
            .iter()
            .map(|(reason, amount)| format!("{} {}", size::counted(amount.paths, "file"), reason.words()))
            .collect();
        let reasons = if reasons.is_empty() { "nothing is there".to_string() } else { reasons.join(", ") };
        Ok(Some(Refused::missing(format!("there is nothing to copy: {reasons}"), lost).say(context)))
    }
}

fn dry_run(
    args: &ExtractArgs,
    asked: &Asked,
    job: &Job<'_>,
    opened: &OpenedDisk,
    context: &mut Context<'_>,
) -> Result<ExitStatus> {
    let preview = handover::preview(job, args.to.as_deref(), args.selection.add, &context.progress)?;
    if args.json {
        let document = Document { map: &job.map, dry_run: true, record: None, body: &preview };
        json::document(&mut context.printer, "extract", &document)?;
    } else {
        preview::print(&preview, &mut context.printer)?;
    }
    if let (Some(path), Some(choice)) = (&asked.new_plan, job.choices.list.last()) {
        plan_file::write(path, job, &choice.selection, &preview.tops)?;
        context.printer.note(&format!("the plan is in `{}`; change it and give it to `--plan`", path.display()));
    }
    if job.map.asserted {
        context.printer.note(ASSERTED);
    }
    let mut status = ExitStatus::of_faults(preview.has_loss() || !opened.disk.complete);
    if preview.room.as_ref().is_some_and(|room| !room.fits()) {
        context.printer.note("error: it does not fit there; make room, use another disk or select less");
        status = status.merge(ExitStatus::Unusable);
    }
    Ok(status)
}

fn extract(
    args: &ExtractArgs,
    to: &Path,
    job: &Job<'_>,
    opened: &OpenedDisk,
    context: &mut Context<'_>,
) -> Result<ExitStatus> {
    let make = if args.selection.add { handover::add } else { handover::extract };
    let summary = make(job, to, &context.progress)?;
    let kept = args.record.keep(&summary.folder, job.image.as_ref(), job.details.ticket.as_deref(), context);
    let record = match &kept {
        Kept::At(folder) => Some(folder.display().to_string()),
        Kept::Not | Kept::Failed(_) => None,
    };
    if args.json {
        let document = Document { map: &job.map, dry_run: false, record, body: &summary };
        json::document(&mut context.printer, "extract", &document)?;
    } else {
        print(&summary, &mut context.printer)?;
        if let Some(folder) = record {
            context.printer.line(&format!("The workshop's own copy of its lists: {folder}"))?;
        }
    }
    if job.map.asserted {
        context.printer.note(ASSERTED);
    }
    // The most important thing comes last, where it is read.
    if let Some(line) = summary.unproven_line() {
        context.printer.note(&line);
    }
    if let Kept::Failed(error) = kept {
        return Err(error);
    }
    Ok(ExitStatus::of_faults(summary.has_loss() || summary.differs() || summary.has_broken() || !opened.disk.complete))
}

/// What the records say about the map.
fn map_note(map: &OpenedMap, source: &Source) -> MapNote {
    let sha256 = map.basis().map(|_| {
        let digest = Sha256::digest(source.map().to_csv().as_bytes());
        digest.iter().map(|byte| format!("{byte:02x}")).collect()
    });
    MapNote {
        // The customer needs no path of the workshop's.
        file: map.path.as_deref().and_then(Path::file_name).map(PathBuf::from),
        basis: map.basis(),
        asserted: map.is_asserted(),
        doubts: map.doubt.iter().flat_map(|doubt| doubt.reasons.iter().map(ToString::to_string)).collect(),
        accepted: map.doubt.as_ref().is_some_and(|doubt| doubt.accepted),
        sha256,
    }
}

fn print(summary: &Summary, printer: &mut Printer<'_>) -> Result<()> {
    let resumed = if summary.resumed { " (continued)" } else { "" };
    printer.line(&format!("Handover folder: {}{resumed}", summary.folder.display()))?;
    printer.line(&format!(
        "Written: {}, {}, in {}; each file was hashed as it was read, and {}",
        size::counted(summary.written_files, "file"),
        size::both(summary.written_bytes),
        size::counted(summary.folders, "folder"),
        match summary.read_back {
            Some(ReadBack::Disk) => "read back from the disk",
            Some(ReadBack::Memory) =>
                "read back (perhaps from this computer's memory: plug the disk in again and run `verify`)",
            None => "not read back",
        }
    ))?;
    let mut rows =
        Table::new(&[("state", Align::Left), ("files", Align::Right), ("size", Align::Right), ("where", Align::Left)]);
    for state in State::ALL.into_iter().rev() {
        let count = summary.count(state);
        if count.paths == 0 {
            continue;
        }
        let files = match count.paths == count.objects {
            true => size::grouped(count.objects),
            false => format!("{} ({} names)", size::grouped(count.objects), size::grouped(count.paths)),
        };
        rows.row(vec![state.word().to_string(), files, size::human(count.bytes), preview::place(state).to_string()]);
    }
    printer.line("")?;
    printer.table(rows)?;
    if !summary.lost.is_empty() {
        printer.line("")?;
        printer.line("Not handed over as they were:")?;
        for lost in summary.lost.iter().take(SHOWN) {
            let missing = match lost.gap_bytes {
                0 => String::new(),
                bytes => format!(", {} of {} missing", size::human(bytes), size::human(lost.size)),
            };
            let path = escape::for_terminal(&lost.source_path);
            printer.line(&format!("  {path}: {} ({}){missing}", lost.state.word(), lost.why))?;
        }
        let more = summary.lost_count - summary.lost.len().min(SHOWN) as u64;
        if more > 0 {
            printer
                .line(&format!("  … and {} more, in records/lost.csv and records/manifest.csv", size::grouped(more)))?;
        }
    }
    for (count, what) in [
        (summary.lost_records, "file records are lost: what they described is missing without a name"),
        (summary.incomplete_folders, "folders may have held more files than are listed"),
        (summary.links, "links were recorded in records/links.csv and not followed"),
        (summary.streams_left, "alternate streams were left out (`--streams` writes them beside their files)"),
        (summary.special_files, "devices and their like have no content"),
    ] {
        if count > 0 {
            printer.line(&format!("{} {what}", size::grouped(count)))?;
        }
    }
    if let Some(found) = &summary.contents {
        printer.line("")?;
        contents::print(found, printer)?;
    }
    tell::left_out(&summary.left_out, summary.undated, printer)?;
    if let Some(second) = &summary.second_reader {
        printer.line("")?;
        second::print(second, printer)?;
    }
    printer.line("")?;
    printer.line(&format!(
        "Check it at any time with `handback verify {}`, or as READ ME FIRST.txt says.",
        shell_word(&summary.folder.to_string_lossy())
    ))
}
