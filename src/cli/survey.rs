//! `handback survey`: whose folders are there, how much is in them, and what touches holes.

mod cameras;
mod holes;
mod missing;
mod next;
mod opening;
mod people;
mod remember;
mod rows;
mod suspects;

use jiff::tz::TimeZone;
use serde::Serialize;

use super::args::SurveyArgs;
use super::disk::{self, OpenedDisk};
use super::exit::ExitStatus;
use super::open_image::MapFacts;
use super::output::Printer;
use super::{Context, escape, findings, json, size};
use crate::catalog::{Catalog, Findings, ObjectId, State};
use crate::content::contents::Contents;
use crate::error::Result;
use crate::filesystem::{Filesystem, SweepOptions, VolumeFacts};
use crate::survey::recycle::{self, Recycled};
use crate::survey::{self, Costs, DiskHoles, FolderSurvey, MayBelong, Survey};
use crate::volumes::Role;

#[derive(Serialize)]
struct Document<'a> {
    map: MapFacts<'a>,
    volumes: Vec<VolumeSurvey<'a>>,
    suspects: Option<suspects::Document>,
    volumes_complete: bool,
    may_belong: &'a [MayBelong],
    not_shown: &'a [NotShown],
    #[serde(skip_serializing_if = "Option::is_none")]
    holes: Option<&'a DiskHoles>,
}

/// A main volume that the survey leaves out.
#[derive(Serialize)]
struct NotShown {
    number: u32,
    what: &'static str,
    readable: bool,
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
    #[serde(skip_serializing_if = "Option::is_none")]
    contents: Option<Contents>,
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
        let survey = survey::survey(&swept.catalog);
        let contents = match args.check {
            true => Some(contents(filesystem, &swept.catalog, &survey, context)?),
            false => None,
        };
        volumes.push(VolumeSurvey {
            number,
            facts: &swept.facts,
            survey,
            recycled: recycle::read(filesystem, &swept.catalog)?,
            findings,
            costs: args.holes.then(|| survey::costs(&swept.catalog)),
            contents,
        });
    }
    let surveys: Vec<(u32, &Survey)> = volumes.iter().map(|volume| (volume.number, &volume.survey)).collect();
    let may_belong = survey::elsewhere(&surveys);
    let not_shown: Vec<NotShown> = opened
        .disk
        .volumes
        .iter()
        .filter(|one| one.role == Role::Main && volumes.iter().all(|shown| shown.number != one.number))
        .map(|one| NotShown { number: one.number, what: one.content.what(), readable: one.filesystem().is_some() })
        .collect();
    let holes = args.holes.then(|| survey::holes(&opened.disk, |number| opened.swept(number).map(|(_, swept)| swept)));
    opened.check_unchanged()?;
    let mut status = ExitStatus::of_faults(!opened.disk.complete);
    for volume in &volumes {
        let survey = &volume.survey;
        let broken = volume.contents.as_ref().is_some_and(Contents::has_faults);
        status = status.merge(ExitStatus::of_faults(survey.total.has_loss() || survey.lost_records > 0 || broken));
    }
    if args.json {
        let volumes_complete = opened.disk.complete;
        let numbers = volumes.iter().map(|volume| volume.number);
        let suspects = listed.as_ref().map(|listed| suspects::Document::of(listed, numbers));
        let document = Document {
            map: opened.map_facts(),
            volumes,
            suspects,
            volumes_complete,
            may_belong: &may_belong,
            not_shown: &not_shown,
            holes: holes.as_ref(),
        };
        json::document(&mut context.printer, "survey", &document)?;
    } else {
        let zone = disk::time_zone(&args.time);
        for (at, volume) in volumes.iter().enumerate() {
            if at > 0 {
                context.printer.line("")?;
            }
            print(volume, &may_belong, &zone, &mut context.printer)?;
            suspects::print(volume.number, listed.as_ref(), &mut context.printer)?;
        }
        if let Some(holes) = &holes {
            holes::print(holes, &volumes, opened.map.basis().is_some(), &mut context.printer)?;
        }
        left_out(&not_shown, &mut context.printer)?;
        let known = next::Known {
            image: &args.image.image,
            has_map: opened.map.basis().is_some(),
            has_several_volumes: volumes.len() + not_shown.len() > 1,
            holes_shown: args.holes,
        };
        next::print(&known, &volumes, &mut context.printer)?;
        opened.say_what_is_left_out(context);
    }
    Ok(status)
}

fn print(volume: &VolumeSurvey<'_>, elsewhere: &[MayBelong], zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    let VolumeSurvey { number, facts, survey, recycled, findings, .. } = volume;
    let label = facts.label.as_deref().map(|label| format!(" `{}`", escape::for_terminal(label))).unwrap_or_default();
    let version = facts.version.as_deref().map(|version| format!(" {version}")).unwrap_or_default();
    let size = size::both(facts.total_bytes);
    printer.line(&format!("Volume {number}{label}: {}{version}, {size}", facts.filesystem))?;
    printer.prose(2, &format!("In all: {}.", rows::sentence(&survey.total)))?;
    let who = people::who(&survey.people);
    if !who.is_empty() {
        printer.prose(2, &who)?;
    }
    people::print(*number, survey, elsewhere, zone, printer)?;
    if survey.people.is_empty() {
        printer.line("")?;
        let cameras = if survey.cameras.is_empty() { "" } else { " Cameras or phones have filled it, by its folders." };
        printer.prose(0, &format!("No people's folders are found on this volume.{cameras}"))?;
    }
    others(survey, zone, printer)?;
    cameras::print(&survey.cameras, zone, printer)?;
    if survey.total.state(State::Unproven).count > 0 {
        printer.line("")?;
        printer.prose(
            0,
            "`?`: no map speaks for the sectors of these files, or of some of them; holes can't be ruled out.",
        )?;
    }
    if let Some(contents) = &volume.contents {
        opening::print(contents, printer)?;
    }
    remember::print(&survey.remember, zone, printer)?;
    if !recycled.is_empty() {
        let with_content = recycled.iter().filter(|item| item.path.is_some()).count() as u64;
        let thrown = size::grouped(recycled.len() as u64);
        let still = match with_content {
            _ if with_content == recycled.len() as u64 => "with the content still there".to_string(),
            some => format!("{} of them with the content still there", size::grouped(some)),
        };
        printer.line("")?;
        printer.prose(
            0,
            &format!(
                "In the recycle bin: {thrown} thrown away, {still}. `list` shows where each one was. Its other files \
                 stand in thrown-away folders or are the bin's own notes."
            ),
        )?;
    }
    missing::print(volume, printer)?;
    findings::print(printer, findings)
}

/// Whether the people's files open.
fn contents(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    survey: &Survey,
    context: &Context<'_>,
) -> Result<Contents> {
    let mut files: Vec<ObjectId> =
        survey.own_files(catalog).into_iter().map(|name| catalog.named_object(name)).collect();
    files.sort_unstable_by_key(|file| (catalog.object(*file).place, *file));
    Contents::of(filesystem, catalog, &files, &context.progress)
}

fn others(survey: &Survey, zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    let mut rows = rows::table("folder");
    for FolderSurvey { path, tally } in &survey.other_folders {
        rows.row(rows::row(path, tally, zone));
    }
    for (name, tally) in [
        ("files in the root", &survey.root_files),
        ("recycle bin", &survey.recycle_bin),
        ("the system and its programs", &survey.system),
    ] {
        if tally.files.count > 0 {
            rows.row(rows::row(name, tally, zone));
        }
    }
    if rows.is_empty() {
        return Ok(());
    }
    printer.line("")?;
    printer.line("Outside the people's folders")?;
    printer.table(rows.without_empty_columns().fitted(rows::DISPENSABLE))
}

/// Says which main volumes are not on this page, and why.
fn left_out(not_shown: &[NotShown], printer: &mut Printer<'_>) -> Result<()> {
    if not_shown.is_empty() {
        return Ok(());
    }
    printer.line("")?;
    printer.line("Not on this page")?;
    for NotShown { number, what, readable } in not_shown {
        let why =
            if *readable { "it was not asked for" } else { "it can't be read; `handback layout` says what to do" };
        printer.prose(2, &format!("volume {number}, {what}: {why}"))?;
    }
    Ok(())
}
