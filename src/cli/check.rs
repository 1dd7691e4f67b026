//! `handback check`: do files open, and does more than one program read them alike?

use std::collections::BTreeMap;

use serde::Serialize;

use super::args::CheckArgs;
use super::disk::{Named, OpenedDisk};
use super::exit::ExitStatus;
use super::open_image::{ASSERTED, MapFacts};
use super::output::Printer;
use super::{Context, contents, json, second, size};
use crate::catalog::ObjectId;
use crate::content::check::{self, Checked, Questions};
use crate::error::Result;
use crate::filesystem::SweepOptions;

#[derive(Serialize)]
struct Document<'a> {
    map: MapFacts<'a>,
    volumes: &'a [Checked],
    volumes_complete: bool,
}

pub(super) fn run(args: &CheckArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let options = SweepOptions { codepage: args.codepage.codepage, ..SweepOptions::default() };
    let mut opened = OpenedDisk::open(&args.image, &args.map, &args.sector, options, context)?;
    let mut selected: BTreeMap<u32, Vec<ObjectId>> = BTreeMap::new();
    for path in &args.paths {
        let Named { volume, object, .. } = match opened.find(path, args.volume.volume, context)? {
            Ok(named) => named,
            Err(refused) => return Ok(refused.say(context)),
        };
        selected.entry(volume).or_default().push(object);
    }
    if args.paths.is_empty() {
        let numbers = match opened.main_volumes(args.volume.volume) {
            Ok(numbers) => numbers,
            Err(refused) => return Ok(refused.say(context)),
        };
        for number in numbers {
            opened.sweep(number, context)?;
            let root = opened.swept(number).map(|(_, swept)| swept.catalog.root());
            selected.insert(number, root.into_iter().collect());
        }
    }
    opened.say_what_is_left_out(context);
    let questions = Questions { opens: true, second_reader: args.second_reader };
    let mut volumes = Vec::new();
    for (number, objects) in &selected {
        let Some((filesystem, swept)) = opened.swept(*number) else { continue };
        volumes.push(check::check(*number, filesystem, &swept.catalog, objects, questions, &context.progress)?);
    }
    opened.check_unchanged()?;
    if args.json {
        let complete = opened.disk.complete;
        let document = Document { map: opened.map_facts(), volumes: &volumes, volumes_complete: complete };
        json::document(&mut context.printer, "check", &document)?;
    } else {
        for (index, volume) in volumes.iter().enumerate() {
            if index > 0 {
                context.printer.line("")?;
            }
            print(volume, &mut context.printer)?;
        }
    }
    if opened.map.is_asserted() {
        context.printer.note(ASSERTED);
    }
    Ok(ExitStatus::of_faults(volumes.iter().any(Checked::has_faults) || !opened.disk.complete))
}

fn print(volume: &Checked, printer: &mut Printer<'_>) -> Result<()> {
    let read = size::counted(volume.files, "file");
    printer.line(&format!("Volume {}: {read} with {}", volume.volume, size::both(volume.bytes)))?;
    for (state, count) in volume.states.iter().rev() {
        printer.line(&format!("  {}: {}", state.word(), size::grouped(*count)))?;
    }
    for (count, noun, what) in [
        (volume.lost_records, "file record", "lost: what was described there is missing without a name"),
        (volume.incomplete_folders, "folder", "not all there: they may have held more files"),
    ] {
        if count > 0 {
            printer.line(&format!("  {} {what}", size::counted(count, noun)))?;
        }
    }
    if let Some(contents) = &volume.contents {
        printer.line("")?;
        contents::print(contents, printer)?;
    }
    if let Some(second) = &volume.second_reader {
        printer.line("")?;
        second::print(second, printer)?;
    }
    Ok(())
}
