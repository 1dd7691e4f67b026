//! `handback layout`: the table, the volumes, and whether the image is as long as it should be.

mod found;

use serde::Serialize;

use super::args::LayoutArgs;
use super::disk::{Found, OpenedDisk, SEARCH};
use super::exit::ExitStatus;
use super::open_image::MapFacts;
use super::output::{Align, Printer, Table};
use super::{Context, escape, findings, json, size};
use crate::catalog::Findings;
use crate::error::Result;
use crate::filesystem::{SweepOptions, VolumeFacts};
use crate::partition::capacity::{Expected, Fit};
use crate::partition::{self, CrossCheck, Scheme, SectorSizeFrom};
use crate::volumes::{Content, Origin, Recognised, Role, Search, Unknown, Volume};

#[derive(Serialize)]
struct Document<'a> {
    image_length: u64,
    map: MapFacts<'a>,
    drive_size: Option<DriveSize<'a>>,
    table: &'a partition::Table,
    volumes: Vec<VolumeDocument<'a>>,
    volumes_complete: bool,
    search: Option<&'a Search>,
}

#[derive(Serialize)]
struct DriveSize<'a> {
    #[serde(flatten)]
    expected: &'a Expected,
    #[serde(flatten)]
    fit: Fit,
}

#[derive(Serialize)]
struct VolumeDocument<'a> {
    number: u32,
    role: Role,
    origin: Origin,
    start: u64,
    length: u64,
    readable: bool,
    what: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    facts: Option<&'a VolumeFacts>,
    #[serde(skip_serializing_if = "Option::is_none")]
    recognised: Option<&'a Recognised>,
    #[serde(skip_serializing_if = "Option::is_none")]
    unknown: Option<Unknown>,
    #[serde(skip_serializing_if = "Option::is_none")]
    findings: Option<&'a Findings>,
}

impl<'a> VolumeDocument<'a> {
    fn of(volume: &'a Volume) -> Self {
        let (recognised, unknown) = match &volume.content {
            Content::Readable(_) => (None, None),
            Content::Recognised(recognised) => (Some(recognised), None),
            Content::Unknown(unknown) => (None, Some(*unknown)),
        };
        let filesystem = volume.filesystem();
        Self {
            number: volume.number,
            role: volume.role,
            origin: volume.origin,
            start: volume.start,
            length: volume.length,
            readable: filesystem.is_some(),
            what: volume.content.what(),
            facts: filesystem.map(|one| one.facts()),
            recognised,
            unknown,
            findings: filesystem.map(|one| one.findings()),
        }
    }
}

pub(super) fn run(args: &LayoutArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let options = SweepOptions::default();
    let found = if args.search { Found::Now } else { Found::Kept };
    let opened = OpenedDisk::open_found(&args.image, &args.map, &args.sector, options, found, context)?;
    let disk = &opened.disk;
    let image_length = disk.source.length();
    let drive_size =
        args.drive_size.as_ref().map(|expected| DriveSize { expected, fit: expected.compare(image_length) });
    opened.check_unchanged()?;
    if args.json {
        let document = Document {
            image_length,
            map: opened.map_facts(),
            drive_size,
            table: &disk.table,
            volumes: disk.volumes.iter().map(VolumeDocument::of).collect(),
            volumes_complete: disk.complete,
            search: disk.search.as_ref(),
        };
        json::document(&mut context.printer, "layout", &document)?;
    } else {
        print(&opened, drive_size.as_ref(), &mut context.printer)?;
    }
    if opened.wants_search() {
        context.printer.note(SEARCH);
    }
    if disk.volumes.is_empty() && disk.complete {
        context.printer.note(
            "error: nothing on this image is recognised: no partition table and no filesystem; is it an image of the \
             whole drive, and of the right one?",
        );
        return Ok(ExitStatus::Unusable);
    }
    Ok(ExitStatus::of_faults(!disk.complete))
}

fn print(opened: &OpenedDisk, drive_size: Option<&DriveSize<'_>>, printer: &mut Printer<'_>) -> Result<()> {
    let disk = &opened.disk;
    let table = &disk.table;
    printer.line(&format!("Image length:     {}", size::both(disk.source.length())))?;
    if let Some(DriveSize { expected, fit }) = drive_size {
        let by = match fit {
            Fit::Equal => String::new(),
            Fit::Shorter { by } | Fit::Longer { by } => format!(" The difference is {}.", size::both(*by)),
        };
        printer.line(&format!("By the label:     {} ({})", size::both(expected.bytes), expected.rule.formula()))?;
        printer.line(&format!("                  {}{by}", fit.sentence()))?;
    }
    let scheme = match table.scheme {
        Scheme::None => "none",
        Scheme::Mbr => "MBR",
        Scheme::Gpt => "GPT",
    };
    let id = table.disk_id.map(|id| format!(", disk {id}")).unwrap_or_default();
    printer.line(&format!("Partition table:  {scheme}{id}"))?;
    let from = match table.sector_size_from {
        SectorSizeFrom::Found => "found",
        SectorSizeFrom::Set => "set by you",
        SectorSizeFrom::Assumed => "assumed",
    };
    printer.line(&format!("Sector size:      {} bytes, {from}", table.sector_size))?;
    match &table.cross_check {
        CrossCheck::Agrees => printer.line("Cross-check:      an independent reader sees the same partitions")?,
        CrossCheck::NotCheckable(why) => printer.line(&format!("Cross-check:      not possible: {why}"))?,
        CrossCheck::Differs(_) | CrossCheck::NotAsked => {}
    }
    volumes(opened, printer)?;
    if let Some(search) = &disk.search {
        found::print(search, printer)?;
    }
    if !disk.complete {
        printer.line("")?;
        printer.line(&format!("This list may be incomplete: {}.", opened.why_incomplete()))?;
    }
    if disk.volumes.is_empty() && table.sector_size_from == SectorSizeFrom::Set {
        printer.line("")?;
        printer.line("With another `--sector-size`, or without one, more may be found.")?;
    }
    let mut all = table.findings.clone();
    for volume in disk.volumes.iter().filter_map(Volume::filesystem) {
        all.extend(volume.findings().clone());
    }
    findings::print(printer, &all)
}

/// What stands instead of a type where the table has none.
fn origin(origin: Origin) -> &'static str {
    match origin {
        Origin::Table | Origin::WholeImage => "",
        Origin::Found => "not in the table: found",
        Origin::Asked => "not in the table: `--at`",
    }
}

fn volumes(opened: &OpenedDisk, printer: &mut Printer<'_>) -> Result<()> {
    let disk = &opened.disk;
    if disk.volumes.is_empty() {
        return Ok(());
    }
    let mut rows = Table::new(&[
        ("volume", Align::Right),
        ("role", Align::Left),
        ("starts at", Align::Right),
        ("size", Align::Right),
        ("what", Align::Left),
        ("label", Align::Left),
        ("type in the table", Align::Left),
    ]);
    for volume in &disk.volumes {
        let label = volume.filesystem().and_then(|one| one.facts().label.clone()).unwrap_or_default();
        let kind = volume.partition.as_ref().map(|partition| {
            let code = partition.code;
            match (code.name(), &partition.name) {
                (Some(name), None) => name.to_string(),
                (Some(name), Some(own)) => format!("{name}, `{}`", escape::for_terminal(own)),
                (None, _) => code.to_string(),
            }
        });
        rows.row(vec![
            volume.number.to_string(),
            format!("{:?}", volume.role).to_lowercase(),
            size::grouped(volume.start),
            size::human(volume.length),
            volume.content.what().to_string(),
            escape::for_terminal(&label).into_owned(),
            kind.unwrap_or_else(|| origin(volume.origin).to_string()),
        ]);
    }
    printer.line("")?;
    printer.table(rows)?;
    for volume in &disk.volumes {
        let (sentence, ask) = match &volume.content {
            Content::Readable(_) | Content::Unknown(Unknown::ByDesign) => continue,
            Content::Recognised(recognised) => (recognised.sentence, recognised.ask),
            Content::Unknown(unknown) => (unknown.sentence(), ""),
        };
        printer.line("")?;
        if volume.role != Role::Main {
            let role = format!("{:?}", volume.role).to_lowercase();
            let what = volume.content.what();
            printer.line(&format!("Volume {} ({role}) is {what}; people rarely keep files there.", volume.number))?;
            continue;
        }
        printer.line(&format!("Volume {}: {sentence}", volume.number))?;
        if !ask.is_empty() {
            printer.line(&format!("  {ask}"))?;
        }
    }
    Ok(())
}
