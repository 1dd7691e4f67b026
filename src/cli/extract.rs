//! `handback extract`: copies out of the image into a handover folder.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use serde::Serialize;
use sha2::{Digest, Sha256};

use super::args::ExtractArgs;
use super::demo::shell_word;
use super::disk::{Named, OpenedDisk};
use super::exit::ExitStatus;
use super::open_image::ASSERTED;
use super::output::{Align, Printer, Table};
use super::record_args::Kept;
use super::{Context, escape, json, second, size};
use crate::catalog::State;
use crate::error::Result;
use crate::filesystem::SweepOptions;
use crate::handover::{self, Job, MapNote, Options, Selected, Summary, VolumeSelection};
use crate::sector_map::OpenedMap;

/// How many files that were not handed over as they were are listed on screen; all stand in `records/lost.csv`.
const SHOWN: usize = 20;

#[derive(Serialize)]
struct Document<'a> {
    map: &'a MapNote,
    record: Option<String>,
    #[serde(flatten)]
    summary: &'a Summary,
}

pub(super) fn run(args: &ExtractArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    // What is wrong with it is said before anything is read.
    let record = args.record.begin()?;
    let options = SweepOptions { deleted: args.deleted, codepage: args.codepage.codepage, ..SweepOptions::default() };
    let mut opened = OpenedDisk::open(&args.image, &args.map, &args.sector, options, context)?;
    let mut selected: BTreeMap<u32, Vec<Selected>> = BTreeMap::new();
    for path in &args.selection.paths {
        let Named { volume, name, .. } = match opened.find(path, args.volume.volume, context)? {
            Ok(named) => named,
            Err(refused) => return Ok(refused.say(context)),
        };
        selected.entry(volume).or_default().push(name.map_or(Selected::Root, Selected::Name));
    }
    opened.say_what_is_left_out(context);
    let volumes = selected
        .into_iter()
        .filter_map(|(number, selected)| {
            let (filesystem, swept) = opened.swept(number)?;
            Some(VolumeSelection { number, filesystem, catalog: &swept.catalog, facts: &swept.facts, selected })
        })
        .collect();
    let mut job = Job {
        image: opened.disk.source.image(),
        image_name: args.image.image.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
        map: map_note(&opened.map),
        volumes_complete: opened.disk.complete,
        volumes,
        ticket: None,
        time_zone: args.time_zone.clone().unwrap_or_else(TimeZone::system),
        options: Options {
            streams: args.streams,
            deleted: args.deleted,
            second_reader: args.second_reader,
            also: args.record.also(),
            ..Options::default()
        },
        record,
    };
    // Hashing an image takes as long as reading it: not for a destination that is refused then.
    handover::check_destination(&job, &args.to)?;
    args.record.look_at(job.image.as_ref(), opened.map.path.as_deref(), &mut job.record, context)?;
    let summary = handover::extract(&job, &args.to, &context.progress)?;
    let kept = args.record.keep(&summary.folder, job.image.as_ref(), job.ticket.as_deref(), context);
    let record = match &kept {
        Kept::At(folder) => Some(folder.display().to_string()),
        Kept::Not | Kept::Failed(_) => None,
    };
    if args.json {
        json::document(&mut context.printer, "extract", &Document { map: &job.map, record, summary: &summary })?;
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
    Ok(ExitStatus::of_faults(summary.has_loss() || summary.differs() || !opened.disk.complete))
}

/// What the records say about the map.
fn map_note(map: &OpenedMap) -> MapNote {
    let sha256 = map.basis().map(|_| {
        let digest = Sha256::digest(map.map.to_csv().as_bytes());
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
        "Written: {}, {}, in {}; each file was hashed as it was read, and read back",
        size::counted(summary.written_files, "file"),
        size::both(summary.written_bytes),
        size::counted(summary.folders, "folder")
    ))?;
    let mut rows =
        Table::new(&[("state", Align::Left), ("files", Align::Right), ("size", Align::Right), ("where", Align::Left)]);
    for state in State::ALL.into_iter().rev() {
        let count = summary.count(state);
        if count.paths == 0 {
            continue;
        }
        let place = match state {
            State::Whole | State::NotDecoded | State::Unproven => "data/recovered",
            State::Doubtful => "data/doubtful",
            State::Damaged => "data/damaged, gaps filled with zeros",
            State::Absent => "data/damaged if a part is here, else records/lost.csv",
            State::Locked | State::Unlocated => "not copied, records/lost.csv",
        };
        let files = match count.paths == count.objects {
            true => size::grouped(count.objects),
            false => format!("{} ({} names)", size::grouped(count.objects), size::grouped(count.paths)),
        };
        rows.row(vec![state.word().to_string(), files, size::human(count.bytes), place.to_string()]);
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
