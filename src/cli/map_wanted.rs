//! `handback map wanted`: what to read again from the dying drive, so that chosen folders become complete.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::args::{CodePageArgs, ImageArgs, SectorArgs, VolumeArgs};
use super::disk::{Named, OpenedDisk};
use super::exit::ExitStatus;
use super::map_args::MapArgs;
use super::open_image::MapFacts;
use super::output::{Align, Printer, Table};
use super::{Context, json, map, new_file, size};
use crate::catalog::ObjectId;
use crate::error::Result;
use crate::filesystem::{NeededStructure, SweepOptions};
use crate::survey::wanted::{self, Round, Selection, Wanted, WantedRange};
use crate::volumes::address::Argument;

/// How many ranges are shown on screen.
const SHOWN_RANGES: usize = 40;

/// What everybody should have read before the drive runs again.
const CAUTIONS: [&str; 4] = [
    "before the drive runs again: each further minute may be its last, and what can't be replaced goes to a specialist \
     first",
    "read the ranges in this order, round 1 before round 2, and try none twice before all were tried once",
    "then bring the map up to date (`handback map merge` joins maps) and ask again: round 1 may show more names and \
     more content",
    "a drive that was repaired or works again is for getting data off it, and not for use",
];

#[derive(Debug, Args)]
pub(super) struct MapWantedArgs {
    #[command(flatten)]
    image: ImageArgs,
    /// What is to become complete: `/Users/Anna`, `2:/Photos`, an address such as `record:57`, or `/` for everything
    #[arg(value_name = "PATH", required = true)]
    paths: Vec<String>,
    /// Which list to show and write: 1 for metadata, 2 for content [default: the one that is next]
    #[arg(long, value_name = "ROUND", value_parser = clap::value_parser!(u8).range(1..=2))]
    round: Option<u8>,
    /// Write the ranges to a new `.csv` file, in handback's own form of a map
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    /// Write the ranges to a new file as plain numbers of sectors, one range a line: first and last sector
    #[arg(long, value_name = "FILE")]
    sectors: Option<PathBuf>,
    /// In that file, write the first sector and how many there are
    #[arg(long, requires = "sectors")]
    sector_counts: bool,
    #[command(flatten)]
    volume: VolumeArgs,
    #[command(flatten)]
    sector: SectorArgs,
    #[command(flatten)]
    codepage: CodePageArgs,
    /// Print one JSON document for programs, with every range of both rounds
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    map: MapArgs,
}

#[derive(Serialize)]
struct Document<'a> {
    map: MapFacts<'a>,
    paths: &'a [String],
    round: Option<u8>,
    #[serde(flatten)]
    wanted: &'a Wanted,
}

pub(super) fn run(args: &MapWantedArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    map::check_name(args.to.as_deref())?;
    let options = SweepOptions { codepage: args.codepage.codepage, ..SweepOptions::default() };
    let mut opened = OpenedDisk::open(&args.image, &args.map, &args.sector, options, context)?;
    let (wanted, missing) = match look(args, &mut opened, context)? {
        Ok(found) => found,
        Err(status) => return Ok(status),
    };
    opened.check_unchanged()?;
    let number = args.round.or(wanted.round());
    if args.json {
        let document = Document { map: opened.map_facts(), paths: &args.paths, round: wanted.round(), wanted: &wanted };
        json::document(&mut context.printer, "map wanted", &document)?;
    } else {
        print(&wanted, number, &mut context.printer)?;
    }
    let round = if number == Some(2) { &wanted.content } else { &wanted.metadata };
    write_files(args, &opened, &wanted, number, round, &mut context.printer)?;
    say(&wanted, &mut context.printer);
    Ok(ExitStatus::of_faults(missing || wanted.has_faults()))
}

/// Works out what is wanted, and whether something that was asked for isn't there; or says what is wrong with the
/// question.
fn look(
    args: &MapWantedArgs,
    opened: &mut OpenedDisk,
    context: &mut Context<'_>,
) -> Result<Result<(Wanted, bool), ExitStatus>> {
    let mut objects: BTreeMap<u32, (Vec<ObjectId>, Vec<ObjectId>)> = BTreeMap::new();
    let mut missing = false;
    for path in &args.paths {
        let refused = match opened.find(path, args.volume.volume, context)? {
            Ok(Named { volume, object, .. }) => {
                objects.entry(volume).or_default().0.push(object);
                continue;
            }
            Err(refused) => refused,
        };
        let folders = opened.may_have_stood_in(path, args.volume.volume, &refused)?;
        if folders.is_empty() {
            // What says where the volume is, or what it is, may lie in a hole.
            let number = Argument::parse(path)?.volume.or(args.volume.volume);
            let opening = wanted::to_open(&opened.disk, number);
            if refused.may_be_cured() && opening.round().is_some() {
                refused.note(context);
                return Ok(Ok((opening, true)));
            }
            return Ok(Err(refused.say(context)));
        }
        refused.note(context);
        missing = true;
        for (volume, folder) in folders {
            objects.entry(volume).or_default().1.push(folder);
        }
    }
    let mut selections = Vec::new();
    for (volume, (objects, lists)) in objects {
        let Some((filesystem, swept)) = opened.swept(volume) else { continue };
        selections.push(Selection { filesystem, catalog: &swept.catalog, objects, lists });
    }
    let (source, sector) = (&opened.disk.source, opened.disk.table.sector_size);
    Ok(Ok((wanted::wanted(source, sector, &selections, &context.progress)?, missing)))
}

fn print(wanted: &Wanted, number: Option<u8>, printer: &mut Printer<'_>) -> Result<()> {
    let not_whole = size::grouped(wanted.files_not_whole);
    printer.line(&format!("{}: {not_whole} lost, damaged or doubtful", size::counted(wanted.files, "file")))?;
    if wanted.folders_incomplete > 0 {
        let folders = size::counted(wanted.folders_incomplete, "folder");
        printer.line(&format!("{folders} not all there: they may have held more"))?;
    }
    let Some(next) = wanted.round() else {
        return printer.line("nothing to read again: no hole of the map is what these lack");
    };
    printer.line("")?;
    let mut table = Table::new(&[
        ("round", Align::Left),
        ("ranges", Align::Right),
        ("bytes", Align::Right),
        ("size", Align::Right),
        ("at best", Align::Left),
    ]);
    for (name, round, brings) in [
        ("1 metadata", &wanted.metadata, metadata_brings(&wanted.metadata)),
        ("2 content", &wanted.content, format!("{} whole, of what is known now", files(wanted.content.files))),
    ] {
        let (ranges, bytes) = (size::grouped(stretches(&round.ranges).len() as u64), size::grouped(round.bytes));
        table.row(vec![name.to_string(), ranges, bytes, size::human(round.bytes), brings]);
    }
    printer.table(table)?;
    printer.line("")?;
    printer.line(&format!("next: round {next}"))?;
    let both = wanted.metadata.bytes.saturating_add(wanted.content.bytes);
    printer.line(&format!(
        "all holes of the image: {}; both rounds together are {} smaller",
        size::both(wanted.holes_bytes),
        times(wanted.holes_bytes, both)
    ))?;
    let unsure = wanted.metadata.bytes.saturating_sub(wanted.metadata.certain_bytes);
    if unsure > 0 {
        printer.line(&format!(
            "of round 1, {} may hold nothing of theirs: whose they are can't be told before they are read",
            size::both(unsure)
        ))?;
    }
    let shown = if number == Some(2) { &wanted.content } else { &wanted.metadata };
    ranges(shown, number.unwrap_or(next), printer)
}

fn files(count: u64) -> String {
    size::counted(count, "file")
}

fn metadata_brings(round: &Round) -> String {
    if round.ranges.is_empty() {
        return "nothing is missing".to_string();
    }
    let names = match round.names {
        0 => String::new(),
        names => format!(", up to {} appear", size::counted(names, "name")),
    };
    format!("{} placed, {} complete{names}", files(round.files), size::counted(round.folders, "folder"))
}

/// How many times one number is the other, with one decimal; rounded down.
fn times(whole: u64, part: u64) -> String {
    if part == 0 {
        return "any number of times".to_string();
    }
    let tenths = u128::from(whole) * 10 / u128::from(part);
    format!("{}.{} times", tenths / 10, tenths % 10)
}

fn ranges(round: &Round, number: u8, printer: &mut Printer<'_>) -> Result<()> {
    if round.ranges.is_empty() {
        return Ok(());
    }
    printer.line("")?;
    printer.line(&format!("round {number}:"))?;
    let mut table = Table::new(&[
        ("start", Align::Right),
        ("length", Align::Right),
        ("state", Align::Left),
        ("needed", Align::Left),
        ("what stands there", Align::Left),
    ]);
    let stretches = stretches(&round.ranges);
    for Stretch { start, length, certain, range } in stretches.iter().take(SHOWN_RANGES) {
        let what: Vec<&str> = range.what.iter().map(NeededStructure::word).collect();
        let needed = match *certain {
            0 => "perhaps",
            certain if certain == *length => "yes",
            _ => "in part",
        };
        // Plain digits: they are copied into other commands.
        let numbers = [start.to_string(), length.to_string(), range.state.to_string(), needed.to_string()];
        table.row(numbers.into_iter().chain([what.join(", ")]).collect());
    }
    printer.table(table)?;
    if stretches.len() > SHOWN_RANGES {
        let more = size::grouped((stretches.len() - SHOWN_RANGES) as u64);
        printer
            .line(&format!("… and {more} more ranges; `--to FILE.csv`, `--sectors FILE` or `--json` has them all"))?;
    }
    Ok(())
}

/// Neighbouring ranges of one state, shown as one.
struct Stretch {
    start: u64,
    length: u64,
    /// Bytes of it of which it is certain that they are needed.
    certain: u64,
    range: WantedRange,
}

fn stretches(ranges: &[WantedRange]) -> Vec<Stretch> {
    let mut all: Vec<Stretch> = Vec::new();
    for range in ranges {
        let certain = if range.certain { range.length } else { 0 };
        match all.last_mut() {
            Some(last) if last.start + last.length == range.start && last.range.state == range.state => {
                last.length += range.length;
                last.certain += certain;
                last.range.what |= range.what;
            }
            _ => all.push(Stretch { start: range.start, length: range.length, certain, range: range.clone() }),
        }
    }
    all
}

fn write_files(
    args: &MapWantedArgs,
    opened: &OpenedDisk,
    wanted: &Wanted,
    number: Option<u8>,
    round: &Round,
    printer: &mut Printer<'_>,
) -> Result<()> {
    if round.ranges.is_empty() {
        for path in [&args.to, &args.sectors].into_iter().flatten() {
            printer.note(&format!("`{}` was not written: there is nothing to read again", path.display()));
        }
        return Ok(());
    }
    let number = number.unwrap_or(1);
    if let Some(path) = &args.to {
        let text = csv(round, number, opened.disk.source.map().length());
        write(path, &text, round, number, "", printer)?;
    }
    if let Some(path) = &args.sectors {
        let text = sectors(&round.ranges, wanted.sector_size, args.sector_counts);
        let form = format!(", in sectors of {} bytes", wanted.sector_size);
        write(path, &text, round, number, &form, printer)?;
    }
    Ok(())
}

fn write(path: &Path, text: &str, round: &Round, number: u8, form: &str, printer: &mut Printer<'_>) -> Result<()> {
    new_file::create(path, text.as_bytes())?;
    let ranges = size::counted(stretches(&round.ranges).len() as u64, "range");
    printer.note(&format!("wrote `{}`: round {number}, {ranges}{form}", path.display()));
    Ok(())
}

/// The own form of a map, which says only what would not come; a comment tells the round.
fn csv(round: &Round, number: u8, length: u64) -> String {
    let text = round.map(length).to_csv();
    let (heading, rest) = text.split_once('\n').unwrap_or((&text, ""));
    format!("{heading}\n# wanted: round {number}\n{rest}")
}

/// One range a line, as two decimal numbers.
fn sectors(ranges: &[WantedRange], sector: u64, counts: bool) -> String {
    let mut text = String::new();
    let mut line = |first: u64, end: u64| {
        let second = if counts { end - first } else { end - 1 };
        // Writing to a String can't fail.
        let _ = writeln!(text, "{first} {second}");
    };
    let mut pending: Option<(u64, u64)> = None;
    for range in ranges {
        let (first, end) = (range.start / sector, range.end().div_ceil(sector));
        // Neighbours in different states are one stretch of sectors.
        match &mut pending {
            Some((_, last)) if *last >= first => *last = end,
            _ => {
                if let Some((first, end)) = pending.replace((first, end)) {
                    line(first, end);
                }
            }
        }
    }
    if let Some((first, end)) = pending {
        line(first, end);
    }
    text
}

/// What is said beside the lists.
fn say(wanted: &Wanted, printer: &mut Printer<'_>) {
    if wanted.past_end_bytes > 0 {
        printer.note(&format!(
            "{} that they need lie after the image's end and are not in these lists: is the image complete? \
             `handback layout --drive-size SIZE` compares it with the drive's label",
            size::both(wanted.past_end_bytes)
        ));
    }
    if wanted.unknown_bytes > 0 {
        printer.note(&format!(
            "no map speaks for {} of their content, which is not in these lists: there may be holes that nobody knows",
            size::both(wanted.unknown_bytes)
        ));
    }
    if wanted.round().is_some() {
        for caution in CAUTIONS {
            printer.note(caution);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sector_map::{ByteState, SectorMap};

    fn range(start: u64, length: u64, state: ByteState) -> WantedRange {
        WantedRange { start, length, state, certain: true, what: NeededStructure::Content.into() }
    }

    #[test]
    fn sectors_are_first_and_last_or_first_and_count() {
        let ranges = [
            range(512, 512, ByteState::Unread),
            range(1024, 1024, ByteState::Unreached),
            range(5120, 512, ByteState::Unread),
            range(9728, 272, ByteState::Unread),
        ];
        assert_eq!(sectors(&ranges, 512, false), "1 3\n10 10\n19 19\n");
        assert_eq!(sectors(&ranges, 512, true), "1 3\n10 1\n19 1\n");
        assert_eq!(sectors(&[], 512, true), "");
    }

    #[test]
    fn the_list_is_a_map_that_says_nothing_good_of_anything() {
        let ranges = vec![range(512, 512, ByteState::Unread), range(1024, 512, ByteState::Unreached)];
        let round = Round { ranges, ..Round::default() };
        let text = csv(&round, 2, 10_000);
        assert!(text.lines().any(|line| line == "# wanted: round 2"), "{text}");
        let map = SectorMap::from_csv(&text, None).unwrap();
        assert_eq!((map.total(ByteState::Read), map.total(ByteState::Unread)), (0, 512));
        assert_eq!((map.total(ByteState::Unreached), map.length()), (512, 10_000));
    }

    #[test]
    fn how_many_times_smaller_is_rounded_down() {
        assert_eq!(times(1000, 3), "333.3 times");
        assert_eq!(times(10, 10), "1.0 times");
        assert_eq!(times(u64::MAX, 0), "any number of times");
    }
}
