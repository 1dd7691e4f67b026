//! `handback compare`: two lists of files, or a handover's list and the image.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::args::{CodePageArgs, ImageArgs, SectorArgs};
use super::disk::OpenedDisk;
use super::exit::ExitStatus;
use super::map_args::MapArgs;
use super::open_image::MapFacts;
use super::output::Printer;
use super::{Context, escape, json, size};
use crate::error::{Error, Result};
use crate::filesystem::SweepOptions;
use crate::handover::compare::{
    self, Comparison, Difference, Differences, Form, ImageVolume, Known, List, MatchedBy, Side,
};

/// How many differences of a kind are listed on screen; JSON has more.
const SHOWN: usize = 50;

#[derive(Debug, Args)]
pub(super) struct CompareArgs {
    /// A handover folder, the workshop's record of one, a `manifest.csv`, `manifest.json` or `manifest-sha256.txt`, or any
    /// list as `sha256sum` writes it
    #[arg(value_name = "A")]
    a: PathBuf,
    /// Another of these; or the image, whose files are then read again and held against A
    #[arg(value_name = "B")]
    b: PathBuf,
    /// A further part of a split image whose parts are not numbered on; repeat it in order
    #[arg(long = "part", value_name = "FILE")]
    parts: Vec<PathBuf>,
    #[command(flatten)]
    sector: SectorArgs,
    #[command(flatten)]
    codepage: CodePageArgs,
    /// Print one JSON document for programs
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    map: MapArgs,
}

#[derive(Serialize)]
struct Document<'a> {
    /// Only with an image.
    #[serde(skip_serializing_if = "Option::is_none")]
    map: Option<MapFacts<'a>>,
    differs: bool,
    #[serde(flatten)]
    comparison: &'a Comparison,
}

pub(super) fn run(args: &CompareArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let is_no_list = |path: &PathBuf| {
        Error::Usage(format!(
            "`{}` is no list of files; name a handover folder or a list first, and then another or the image",
            path.display()
        ))
    };
    let a = List::open(&args.a)?.ok_or_else(|| is_no_list(&args.a))?;
    let (comparison, opened) = match List::open(&args.b)? {
        Some(b) => (compare::compare(&a, &b)?, None),
        None => {
            let (comparison, opened) = with_image(&a, args, context)?;
            (comparison, Some(opened))
        }
    };
    let differs = comparison.differs();
    if args.json {
        let map = opened.as_ref().map(OpenedDisk::map_facts);
        json::document(&mut context.printer, "compare", &Document { map, differs, comparison: &comparison })?;
    } else {
        print(&comparison, args, &mut context.printer)?;
    }
    Ok(ExitStatus::of_faults(differs))
}

fn with_image(list: &List, args: &CompareArgs, context: &mut Context<'_>) -> Result<(Comparison, OpenedDisk)> {
    let numbers = list.volumes()?;
    let options =
        SweepOptions { deleted: list.has_deleted()?, codepage: args.codepage.codepage, ..SweepOptions::default() };
    let image = ImageArgs { image: args.b.clone(), parts: args.parts.clone() };
    let mut opened = OpenedDisk::open(&image, &args.map, &args.sector, options, context)?;
    for number in &numbers {
        opened.sweep(*number, context)?;
    }
    let volumes: Vec<ImageVolume<'_>> = numbers
        .iter()
        .filter_map(|number| {
            let (filesystem, swept) = opened.swept(*number)?;
            Some(ImageVolume { number: *number, filesystem, catalog: &swept.catalog })
        })
        .collect();
    let comparison = compare::compare_with_image(list, &volumes, &context.progress)?;
    opened.check_unchanged()?;
    Ok((comparison, opened))
}

fn print(comparison: &Comparison, args: &CompareArgs, printer: &mut Printer<'_>) -> Result<()> {
    printer.line(&format!("A: {}", side(&comparison.a)))?;
    match &comparison.b {
        Some(b) => printer.line(&format!("B: {}", side(b)))?,
        None => printer.line(&format!("B: {} (the image, read again)", args.b.display()))?,
    }
    let by = match comparison.matched_by {
        MatchedBy::SourcePath => "by their path on the drive",
        MatchedBy::Path => "by their path in the list",
    };
    printer.line(&format!("Files are matched {by} and compared with {}.", comparison.algorithm.word()))?;
    printer.line("")?;
    let gaps = match comparison.same_with_gaps {
        0 => String::new(),
        with_gaps => format!(" ({} of them with zeros for what is missing)", size::grouped(with_gaps)),
    };
    printer.line(&format!("Same: {}{gaps}", size::counted(comparison.same, "file")))?;
    section("Changed", &comparison.changed, printer)?;
    section("Missing in B", &comparison.missing, printer)?;
    if let Some(new) = &comparison.new {
        section("New in B", new, printer)?;
    }
    section("Moved", &comparison.moved, printer)?;
    printer.line(match comparison.differs() {
        true => "They differ.",
        false => "No difference.",
    })
}

fn side(side: &Side) -> String {
    let form = match side.form {
        Form::ManifestCsv => "manifest.csv",
        Form::ManifestJson => "manifest.json",
        Form::Sums => "checksums",
    };
    let without = match side.without_digest {
        0 => String::new(),
        count => format!("; {} that were not copied are not compared", size::grouped(count)),
    };
    format!("{} ({form}), {}{without}", side.path.display(), size::counted(side.files, "file"))
}

fn section(heading: &str, differences: &Differences, printer: &mut Printer<'_>) -> Result<()> {
    printer.line(&format!("{heading}: {}", size::counted(differences.count, "file")))?;
    for difference in differences.first.iter().take(SHOWN) {
        printer.line(&format!("  {}", line(difference)))?;
    }
    let more = differences.count - differences.first.len().min(SHOWN) as u64;
    if more > 0 {
        printer.line(&format!("  … and {} more", size::grouped(more)))?;
    }
    Ok(())
}

fn line(difference: &Difference) -> String {
    let place = |known: &Known| {
        let volume = known.volume.map(|volume| format!("{volume}:")).unwrap_or_default();
        format!("{volume}{}", escape::for_terminal(&known.path))
    };
    let facts = |known: &Known| {
        let gaps = known.has_gaps == Some(true) && known.state.is_none();
        let words = [
            known.state.map(|state| state.word().to_string()),
            gaps.then(|| "with gaps".to_string()),
            known.size.map(size::human),
        ];
        words.into_iter().flatten().collect::<Vec<_>>().join(", ")
    };
    let why = difference.why.as_ref().map(|why| format!(": {}", escape::for_terminal(why))).unwrap_or_default();
    match (&difference.a, &difference.b) {
        (Some(a), Some(b)) if a.path != b.path || a.volume != b.volume => format!("{} → {}{why}", place(a), place(b)),
        (Some(a), Some(b)) => match (facts(a), facts(b)) {
            (was, now) if was == now => format!("{} ({was}){why}", place(a)),
            (was, now) => format!("{} ({was} → {now}){why}", place(a)),
        },
        (Some(one), None) | (None, Some(one)) => match facts(one) {
            facts if facts.is_empty() => format!("{}{why}", place(one)),
            facts => format!("{} ({facts}){why}", place(one)),
        },
        (None, None) => why,
    }
}
