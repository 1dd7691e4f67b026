//! `handback map find`: a map from the marker that the imaging left in sectors that would not read.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::args::{ImageArgs, sector_size};
use super::exit::ExitStatus;
use super::map::{check_name, deliver};
use super::{Context, escape, json, size};
use crate::error::Result;
use crate::image;
use crate::sector_map::ByteState;
use crate::sector_map::marker::{self, Found, Marker};
use crate::source::SMALLEST_SECTOR;

#[derive(Debug, Args)]
pub(super) struct MapFindArgs {
    #[command(flatten)]
    image: ImageArgs,
    /// What the imaging wrote, over and over, into sectors that it could not read: text, or bytes as `0xDEADBEEF`
    #[arg(long, value_name = "TEXT", value_parser = parse)]
    marker: Marker,
    /// The new map, a `.csv` file: `disk.map.csv` counts from then on for `disk.img`; without it the map is printed
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    /// Bytes in one of the drive's sectors
    #[arg(long, value_name = "BYTES", value_parser = sector_size, default_value_t = SMALLEST_SECTOR)]
    sector_size: u64,
    /// Print one JSON document for programs, with every range, in place of the map
    #[arg(long)]
    json: bool,
}

fn parse(text: &str) -> Result<Marker, String> {
    Marker::parse(text).map_err(|error| error.to_string())
}

#[derive(Serialize)]
struct Document {
    image_length: u64,
    marker: String,
    sector_size: u64,
    danger: Option<&'static str>,
    sectors: u64,
    sectors_with_it_once: u64,
    unread_bytes: u64,
    written: Option<String>,
    ranges: Vec<Range>,
}

#[derive(Serialize)]
struct Range {
    start: u64,
    length: u64,
}

pub(super) fn run(args: &MapFindArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    check_name(args.to.as_deref())?;
    let parts: Vec<_> = std::iter::once(&args.image.image).chain(&args.image.parts).collect();
    let image = image::open(&parts)?;
    let sector = args.sector_size;
    let found = marker::find(image.as_ref(), &args.marker, sector, &context.progress)?;
    image.check_unchanged()?;
    say(args, &found, context);
    let written = args.to.as_ref().filter(|_| found.sectors > 0);
    if args.json {
        // The file first: a document that names it must be true.
        if written.is_some() {
            deliver(&found.map, args.to.as_deref(), &mut context.printer)?;
        }
        json::document(&mut context.printer, "map find", &document(args, &found, sector, written))?;
    } else if written.is_some() || args.to.is_none() {
        deliver(&found.map, args.to.as_deref(), &mut context.printer)?;
    } else {
        context.printer.note("nothing was found, so no map was written");
    }
    Ok(ExitStatus::Well)
}

fn document(args: &MapFindArgs, found: &Found, sector: u64, written: Option<&PathBuf>) -> Document {
    let unread = found.map.segments(0..found.map.length()).filter(|segment| segment.state == ByteState::Unread);
    Document {
        image_length: found.map.length(),
        marker: args.marker.bytes().iter().map(|byte| format!("{byte:02x}")).collect(),
        sector_size: sector,
        danger: args.marker.danger(),
        sectors: found.sectors,
        sectors_with_it_once: found.alone,
        unread_bytes: found.map.total(ByteState::Unread),
        written: written.map(|path| path.display().to_string()),
        ranges: unread
            .map(|segment| Range { start: segment.range.start, length: segment.range.end - segment.range.start })
            .collect(),
    }
}

/// Says what was found, and what it may mean.
fn say(args: &MapFindArgs, found: &Found, context: &mut Context<'_>) {
    let printer = &mut context.printer;
    let name = escape::for_terminal(&String::from_utf8_lossy(args.marker.bytes())).into_owned();
    let length = found.map.length();
    let unread = found.map.total(ByteState::Unread);
    if let Some(danger) = args.marker.danger() {
        printer.note(&format!("take care with this marker: {danger}; what is found here may have been read"));
    }
    if found.sectors == 0 {
        printer.note(&format!(
            "no sector is nothing but `{name}`; look into one that was not read and name exactly what stands at its start"
        ));
        return;
    }
    let ranges = size::counted(found.ranges, "range");
    printer.note(&format!(
        "{} with the marker in {ranges}: {}, {} of the image; nothing good is said of the rest",
        size::counted(found.sectors, "sector"),
        size::both(unread),
        size::share(unread, length)
    ));
    if found.alone > 0 {
        printer.note(&format!(
            "in {} of them it stands once, with only zeros or blanks behind",
            size::grouped(found.alone)
        ));
    }
    if unread > length / 2 {
        printer.note("that is more than half of the image: is it the marker of sectors that were not read?");
    }
}
