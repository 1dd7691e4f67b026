//! `handback survey`: whose folders are there, how much is in them, and what touches holes.

mod cameras;
mod holes;
mod suspects;

use jiff::tz::TimeZone;
use serde::Serialize;

use super::args::SurveyArgs;
use super::disk::{self, OpenedDisk};
use super::exit::ExitStatus;
use super::open_image::MapFacts;
use super::output::{Align, Printer, Table};
use super::{Context, escape, findings, json, size};
use crate::catalog::{Findings, State};
use crate::error::Result;
use crate::filesystem::{ByteRange, SweepOptions, VolumeFacts};
use crate::survey::recycle::{self, Recycled};
use crate::survey::{self, Costs, DiskHoles, FolderSurvey, Survey, Tally};

#[derive(Serialize)]
struct Document<'a> {
    map: MapFacts<'a>,
    volumes: Vec<VolumeSurvey<'a>>,
    suspects: Option<suspects::Document>,
    volumes_complete: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    holes: Option<&'a DiskHoles>,
}

#[derive(Serialize)]
struct VolumeSurvey<'a> {
    number: u32,
    facts: &'a VolumeFacts,
    #[serde(flatten)]
    survey: Survey,
    recycled: Vec<Recycled>,
    findings: Findings,
    #[serde(skip_serializing_if = "Option::is_none")]
    costs: Option<Costs>,
}

pub(super) fn run(args: &SurveyArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let options = SweepOptions { deleted: false, cross_check: args.cross_check, codepage: args.codepage.codepage };
    let mut opened = OpenedDisk::open(&args.image, &args.map, &args.sector, options, context)?;
    let numbers = match opened.main_volumes(args.volume.volume) {
        Ok(numbers) => numbers,
        Err(refused) => return Ok(refused.say(context)),
    };
    // Each byte of a hole has a place, also on volumes that are not the customer's.
    let others: Vec<u32> = match args.volume.volume {
        None if args.holes => opened.disk.volumes.iter().map(|volume| volume.number).collect(),
        _ => Vec::new(),
    };
    let listed = suspects::open(&opened, context)?;
    for number in numbers.iter().chain(&others) {
        opened.sweep(*number, context)?;
    }
    let mut volumes = Vec::new();
    for number in numbers {
        let Some((filesystem, swept)) = opened.swept(number) else { continue };
        let mut findings = filesystem.findings().clone();
        findings.extend(swept.catalog.findings.clone());
        volumes.push(VolumeSurvey {
            number,
            facts: &swept.facts,
            survey: survey::survey(&swept.catalog),
            recycled: recycle::read(filesystem, &swept.catalog)?,
            findings,
            costs: args.holes.then(|| survey::costs(&swept.catalog)),
        });
    }
    let holes = args.holes.then(|| survey::holes(&opened.disk, |number| opened.swept(number).map(|(_, swept)| swept)));
    opened.check_unchanged()?;
    let mut status = ExitStatus::of_faults(!opened.disk.complete);
    for volume in &volumes {
        let survey = &volume.survey;
        status = status.merge(ExitStatus::of_faults(survey.total.has_loss() || survey.lost_records > 0));
    }
    if args.json {
        let volumes_complete = opened.disk.complete;
        let numbers = volumes.iter().map(|volume| volume.number);
        let suspects = listed.as_ref().map(|listed| suspects::Document::of(listed, numbers));
        let document = Document { map: opened.map_facts(), volumes, suspects, volumes_complete, holes: holes.as_ref() };
        json::document(&mut context.printer, "survey", &document)?;
    } else {
        let zone = disk::time_zone(&args.time);
        for volume in &volumes {
            print(volume, &zone, &mut context.printer)?;
            suspects::print(volume.number, listed.as_ref(), &mut context.printer)?;
        }
        if let Some(holes) = &holes {
            holes::print(holes, &volumes, opened.map.basis().is_some(), &mut context.printer)?;
        }
        opened.say_what_is_left_out(context);
    }
    Ok(status)
}

fn print(volume: &VolumeSurvey<'_>, zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    let VolumeSurvey { number, facts, survey, recycled, findings, .. } = volume;
    let label = facts.label.as_deref().map(|label| format!(" `{}`", escape::for_terminal(label))).unwrap_or_default();
    let version = facts.version.as_deref().map(|version| format!(" {version}")).unwrap_or_default();
    let size = size::both(facts.total_bytes);
    printer.line(&format!("Volume {number}{label}: {}{version}, {size}", facts.filesystem))?;
    let total = &survey.total;
    printer.line(&format!("  in all: {}", sentence(total)))?;
    for person in &survey.people {
        printer.line("")?;
        printer.line(&format!("{} ({})", escape::for_terminal(&person.name), escape::for_terminal(&person.path)))?;
        printer.line(&format!("  {}", sentence(&person.tally)))?;
        let mut rows = table("folder");
        for folder in &person.folders {
            let name = folder.path.rsplit('/').next().unwrap_or_default();
            rows.row(row(name, &folder.tally, zone));
        }
        rows.row(row("elsewhere in the profile", &person.rest, zone));
        rows.row(row("programs' own data", &person.programs, zone));
        printer.table(rows)?;
    }
    if survey.people.is_empty() {
        printer.line("")?;
        printer.line("No people's folders are found on this volume.")?;
    }
    others(survey, zone, printer)?;
    cameras::print(&survey.cameras, zone, printer)?;
    if total.state(State::Unproven).count > 0 {
        printer.line("")?;
        printer
            .line("`?`: no map speaks for the sectors of these files, or of some of them; holes can't be ruled out.")?;
    }
    if !recycled.is_empty() {
        let with_content = recycled.iter().filter(|item| item.path.is_some()).count();
        printer.line("")?;
        printer.line(&format!(
            "In the recycle bin: {} thrown away, {with_content} of them with their content still there. `list` shows \
             where each one was.",
            size::grouped(recycled.len() as u64)
        ))?;
    }
    if survey.lost_records > 0 {
        printer.line("")?;
        printer.line(&format!(
            "{} lost: what was described there is missing without a name.",
            size::counted(survey.lost_records, "file record")
        ))?;
    }
    if let Some(bytes) = facts.unexplained_bytes.filter(|bytes| bytes.at_most > 0) {
        printer.line("")?;
        printer.line(&unexplained(bytes))?;
    }
    findings::print(printer, findings)
}

/// What is in use by the volume's own account and by nothing that was found.
fn unexplained(ByteRange { at_least, at_most }: ByteRange) -> String {
    match (at_least, at_most) {
        (least, most) if least == most => format!("{} are in use that no file we found explains.", size::both(most)),
        (0, most) => {
            format!(
                "Up to {} are in use that no file we found explains: a part of what says so was not read.",
                size::both(most)
            )
        }
        (least, most) => format!(
            "At least {} and at most {} are in use that no file we found explains: a part of what says so was not read.",
            size::both(least),
            size::both(most)
        ),
    }
}

fn others(survey: &Survey, zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    let mut rows = table("folder");
    for FolderSurvey { path, tally } in &survey.other_folders {
        rows.row(row(path, tally, zone));
    }
    for (name, tally) in [
        ("files in the root", &survey.root_files),
        ("recycle bin", &survey.recycle_bin),
        ("Windows and its programs", &survey.system),
    ] {
        if tally.files.count > 0 {
            rows.row(row(name, tally, zone));
        }
    }
    if rows.is_empty() {
        return Ok(());
    }
    printer.line("")?;
    printer.line("Outside the people's folders")?;
    printer.table(rows)
}

fn table(first: &'static str) -> Table {
    Table::new(&[
        (first, Align::Left),
        ("files", Align::Right),
        ("size", Align::Right),
        ("newest", Align::Left),
        ("sound", Align::Right),
        ("damaged", Align::Right),
        ("doubtful", Align::Right),
        ("not found", Align::Right),
        ("locked", Align::Right),
        ("absent", Align::Right),
    ])
}

fn row(name: &str, tally: &Tally, zone: &TimeZone) -> Vec<String> {
    let number = |state| match tally.state(state).count {
        0 => String::new(),
        count => size::grouped(count),
    };
    let sound: u64 =
        [State::Whole, State::NotDecoded, State::Unproven].into_iter().map(|state| tally.state(state).count).sum();
    vec![
        escape::for_terminal(name).into_owned(),
        size::grouped(tally.files.count),
        size::human(tally.files.bytes),
        tally.newest().and_then(|time| time.display(zone)).unwrap_or_default(),
        match sound {
            0 => String::new(),
            count => {
                format!("{}{}", size::grouped(count), if tally.state(State::Unproven).count > 0 { "?" } else { "" })
            }
        },
        number(State::Damaged),
        number(State::Doubtful),
        number(State::Unlocated),
        number(State::Locked),
        number(State::Absent),
    ]
}

/// A tally as a sentence.
fn sentence(tally: &Tally) -> String {
    let mut parts = vec![format!("{}, {}", size::counted(tally.files.count, "file"), size::both(tally.files.bytes))];
    for (state, word) in [
        (State::Whole, "whole"),
        (State::NotDecoded, "whole, not decoded yet"),
        (State::Unproven, "unproven (no map speaks for their sectors)"),
        (State::Absent, "absent (kept in a cloud, never on this drive)"),
        (State::Locked, "locked (encrypted)"),
        (State::Doubtful, "doubtful"),
        (State::Damaged, "damaged"),
        (State::Unlocated, "not to be found"),
    ] {
        let count = tally.state(state);
        if count.count > 0 {
            parts.push(format!("{} {word}", size::grouped(count.count)));
        }
    }
    if tally.gap_bytes > 0 {
        parts.push(format!("{} missing", size::both(tally.gap_bytes)));
    }
    if tally.file_names > tally.files.count {
        parts.push(format!("{} names, as some files have several", size::grouped(tally.file_names)));
    }
    if tally.folders_incomplete > 0 {
        parts.push(format!("{} may have lost names", size::counted(tally.folders_incomplete, "folder")));
    }
    parts.join("; ")
}
