//! `handback map`: shows, converts and joins sector maps; what finds and draws them has files of its own.

use std::path::Path;

use serde::Serialize;

use super::Context;
use super::args::{MapCommand, MapConvertArgs, MapMergeArgs, MapShowArgs};
use super::exit::ExitStatus;
use super::open_image::{ASSERTED, MapFacts, open_parts};
use super::output::{Align, Printer, Table};
use super::{json, map_wanted, new_file, size};
use crate::error::{Error, Result};
use crate::image;
use crate::sector_map::{self, Basis, ByteState, MapOrigin, SectorMap};

/// How many ranges are shown on screen.
const SHOWN_RANGES: usize = 40;

pub(super) fn run(command: &MapCommand, context: &mut Context<'_>) -> Result<ExitStatus> {
    match command {
        MapCommand::Show(args) => show(args, context),
        MapCommand::Convert(args) => convert(args, context),
        MapCommand::Merge(args) => merge(args, context),
        MapCommand::Picture(args) => super::map_picture::run(args, context),
        MapCommand::Find(args) => super::map_find::run(args, context),
        MapCommand::Suspect(args) => super::map_suspect::run(args, context),
        MapCommand::Wanted(args) => map_wanted::run(args, context),
    }
}

#[derive(Serialize)]
struct ShowDocument<'a> {
    map: MapFacts<'a>,
    ranges: Vec<Range>,
}

#[derive(Serialize)]
struct Range {
    start: u64,
    length: u64,
    state: ByteState,
}

fn show(args: &MapShowArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let Some(image) = &args.image else { return show_file(args, context) };
    let opened = open_parts(image, &args.parts, &args.map, None, context)?;
    let printer = &mut context.printer;
    if args.json {
        document(MapFacts::of_opened(&opened.map, opened.source.map()), opened.source.map(), printer)?;
    } else {
        let title = format!("what the map says of `{}`", image.display());
        print(&title, opened.source.map(), printer)?;
    }
    opened.source.image().check_unchanged()?;
    Ok(ExitStatus::Well)
}

/// A map alone, without the image that it speaks of.
fn show_file(args: &MapShowArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let Some(path) = &args.map.map else {
        return Err(Error::Usage("name the image, or a map with `--map FILE`".to_string()));
    };
    let form = &args.map.form;
    let mut map = sector_map::open::read_file(path, &form.form()?, form.rest(), None).map_err(|error| match error {
        Error::Usage(what) => Error::Usage(format!("{what}; name the image, too, if the file doesn't say its length")),
        other => other,
    })?;
    if let Some(offset) = form.map_offset {
        map = map.shifted(offset, map.length().saturating_sub(offset));
    }
    let printer = &mut context.printer;
    if args.json {
        document(MapFacts::of(&map, MapOrigin::Named).in_file(path), &map, printer)?;
        return Ok(ExitStatus::Well);
    }
    print(&format!("what the map `{}` says; no image was compared with it", path.display()), &map, printer)?;
    if map.basis() == Some(Basis::Asserted) {
        printer.note(ASSERTED);
    }
    Ok(ExitStatus::Well)
}

fn document(facts: MapFacts<'_>, map: &SectorMap, printer: &mut Printer<'_>) -> Result<()> {
    let ranges = map
        .segments(0..map.length())
        .map(|segment| Range {
            start: segment.range.start,
            length: segment.range.end - segment.range.start,
            state: segment.state,
        })
        .collect();
    json::document(printer, "map show", &ShowDocument { map: facts, ranges })
}

/// Whose word a basis is, in plain words.
fn explain(basis: Option<Basis>) -> &'static str {
    match basis {
        None => "nobody's: there is no map",
        Some(Basis::Full) => "full: a complete log of the imaging",
        Some(Basis::BadList) => "bad-list: a plain list of what would not read; it says nothing good of the rest",
        Some(Basis::Marker) => "marker: found by looking for the imaging's fill; it says nothing good of the rest",
        Some(Basis::Asserted) => "asserted: a person's word, and not a log's",
    }
}

fn print(title: &str, map: &SectorMap, printer: &mut Printer<'_>) -> Result<()> {
    printer.line(title)?;
    printer.line(&format!("  length    {}", size::both(map.length())))?;
    printer.line(&format!("  basis     {}", explain(map.basis())))?;
    printer.line(&format!("  unlisted  {}", map.rest()))?;
    printer.line("")?;
    let mut totals =
        Table::new(&[("state", Align::Left), ("bytes", Align::Right), ("size", Align::Right), ("share", Align::Right)]);
    for state in ByteState::ALL.into_iter().rev() {
        let total = map.total(state);
        totals.row(vec![state.to_string(), size::grouped(total), size::human(total), size::share(total, map.length())]);
    }
    printer.table(totals)?;
    let count = map.segments(0..map.length()).count();
    if count == 0 {
        return Ok(());
    }
    printer.line("")?;
    let mut ranges = Table::new(&[
        ("start", Align::Right),
        ("length", Align::Right),
        ("size", Align::Right),
        ("state", Align::Left),
    ]);
    for segment in map.segments(0..map.length()).take(SHOWN_RANGES) {
        let length = segment.range.end - segment.range.start;
        // Plain digits: they are copied into other commands.
        ranges.row(vec![
            segment.range.start.to_string(),
            length.to_string(),
            size::human(length),
            segment.state.to_string(),
        ]);
    }
    printer.table(ranges)?;
    if count > SHOWN_RANGES {
        let more = size::grouped((count - SHOWN_RANGES) as u64);
        printer.line(&format!("… and {more} more ranges; `--json` has them all"))?;
    }
    Ok(())
}

fn convert(args: &MapConvertArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    check_name(args.to.as_deref())?;
    let form = args.form.form()?;
    let length = match &args.image {
        Some(path) => Some(image::open(&[path])?.length()),
        None => args.image_length,
    };
    let map = match (args.form.map_offset, length) {
        (None, _) => sector_map::open::read_file(&args.input, &form, args.form.rest(), length)?,
        (Some(offset), Some(length)) => {
            sector_map::open::read_shifted(&args.input, &form, args.form.rest(), offset, length)?
        }
        (Some(_), None) => {
            return Err(Error::Usage(
                "with `--map-offset`, say how long the volume's image is: `--image IMAGE` or `--image-length BYTES`"
                    .to_string(),
            ));
        }
    };
    deliver(&map, args.to.as_deref(), &mut context.printer)
}

fn merge(args: &MapMergeArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    check_name(args.to.as_deref())?;
    let maps = args
        .maps
        .iter()
        .map(|path| sector_map::open::read_file(path, &sector_map::MapForm::Own, None, None))
        .collect::<Result<Vec<_>>>()?;
    let merged = sector_map::merge(&maps).ok_or_else(|| Error::Usage("no map was named".to_string()))?;
    if maps.iter().any(|map| map.length() != merged.length()) {
        let lengths: Vec<String> = maps.iter().map(|map| size::grouped(map.length())).collect();
        context.printer.note(&format!(
            "the maps speak of {} bytes: make sure that they are of one drive; the longest counts, and a shorter one \
             says nothing of what lies after its end",
            lengths.join(", ")
        ));
    }
    deliver(&merged, args.to.as_deref(), &mut context.printer)
}

/// A map's own ending keeps it from becoming the next part of a split image (`disk.002`).
pub(super) fn check_name(to: Option<&Path>) -> Result<()> {
    match to {
        Some(path) if path.extension().is_none_or(|extension| !extension.eq_ignore_ascii_case("csv")) => {
            Err(Error::Usage(format!(
                "a sector map is a `.csv` file and `{}` is none; `disk.map.csv` is found by itself beside `disk.img`",
                path.display()
            )))
        }
        _ => Ok(()),
    }
}

/// Writes the map to a new file, or prints it, and says what it is.
pub(super) fn deliver(map: &SectorMap, to: Option<&Path>, printer: &mut Printer<'_>) -> Result<ExitStatus> {
    let text = map.to_csv();
    match to {
        Some(path) => {
            new_file::create(path, text.as_bytes())?;
            let states: Vec<String> = ByteState::ALL
                .into_iter()
                .rev()
                .filter(|state| map.total(*state) > 0)
                .map(|state| format!("{} {state}", size::human(map.total(state))))
                .collect();
            let basis = map.basis().map_or("nobody's", Basis::word);
            printer.note(&format!("wrote `{}`: {}; basis {basis}", path.display(), states.join(", ")));
        }
        None => printer.raw(text.as_bytes())?,
    }
    if map.basis() == Some(Basis::Asserted) {
        printer.note(ASSERTED);
    }
    Ok(ExitStatus::Well)
}
