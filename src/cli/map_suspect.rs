//! `handback map suspect`: long blank stretches in files, where no map tells a hole from the customer's zeros.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::args::{CodePageArgs, ImageArgs, SectorArgs, VolumeArgs};
use super::disk::{Named, OpenedDisk};
use super::exit::ExitStatus;
use super::map_args::MapArgs;
use super::open_image::MapFacts;
use super::output::{Align, Printer, Table};
use super::{Context, escape, json, new_file, size};
use crate::catalog::ObjectId;
use crate::error::{Error, Result};
use crate::filesystem::SweepOptions;
use crate::survey::FileKind;
use crate::survey::suspect::{self, Looked, Position, SMALLEST, Suspect, list};

/// How many files are shown on screen.
const SHOWN: usize = 40;

#[derive(Debug, Args)]
pub(super) struct MapSuspectArgs {
    #[command(flatten)]
    image: ImageArgs,
    /// What to look at: `/Users/Anna`, `2:/Photos`, or an address such as `record:57` [default: all of every main volume]
    #[arg(value_name = "PATH")]
    paths: Vec<String>,
    /// The new list, a `.csv` file: `survey` finds `disk.suspect.csv` beside `disk.img`
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    #[command(flatten)]
    volume: VolumeArgs,
    #[command(flatten)]
    codepage: CodePageArgs,
    #[command(flatten)]
    sector: SectorArgs,
    /// Print one JSON document for programs
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    map: MapArgs,
}

#[derive(Serialize)]
struct Document<'a> {
    map: MapFacts<'a>,
    /// `null`: it can't be told where the image's file keeps nothing.
    file_holes: Option<bool>,
    volumes: &'a [Looked],
    suspects: &'a [Suspect],
    written: Option<String>,
    volumes_complete: bool,
}

pub(super) fn run(args: &MapSuspectArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    check_name(args.to.as_deref())?;
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
    let (mut looked, mut suspects) = (Vec::new(), Vec::new());
    for (number, objects) in &selected {
        let Some((filesystem, swept)) = opened.swept(*number) else { continue };
        let scan = suspect::scan(*number, filesystem, &swept.catalog, objects, &context.progress)?;
        looked.push(scan.looked);
        suspects.extend(scan.suspects);
    }
    opened.check_unchanged()?;
    let image = opened.disk.source.image();
    let whole = args.paths.is_empty() && args.volume.volume.is_none();
    if let Some(path) = &args.to {
        let text = list::to_csv(image.length(), whole, &suspects);
        new_file::create(path, text.as_bytes())?;
        context.printer.note(&format!(
            "wrote `{}`: {} with long blank stretches; a hint that changes no file's state",
            path.display(),
            size::counted(suspects.len() as u64, "file")
        ));
    }
    if args.json {
        let document = Document {
            map: opened.map_facts(),
            file_holes: image.next_file_hole(0).map(|hole| !hole.is_empty()),
            volumes: &looked,
            suspects: &suspects,
            written: args.to.as_ref().map(|path| path.display().to_string()),
            volumes_complete: opened.disk.complete,
        };
        json::document(&mut context.printer, "map suspect", &document)?;
    } else {
        for one in &looked {
            print_looked(one, &mut context.printer)?;
        }
        print(&mut suspects, &mut context.printer)?;
    }
    Ok(ExitStatus::of_faults(!opened.disk.complete))
}

/// A list's ending keeps it from becoming the next part of a split image, and its name from being taken for a map.
fn check_name(to: Option<&Path>) -> Result<()> {
    let Some(path) = to else { return Ok(()) };
    let is_csv = path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("csv"));
    let is_map = path.file_name().is_some_and(|name| name.to_string_lossy().to_lowercase().ends_with(".map.csv"));
    if is_csv && !is_map {
        return Ok(());
    }
    let path = path.display();
    Err(Error::Usage(if is_map {
        format!("`{path}` would be taken for a sector map, and a suspect is not yet unread; write `disk.suspect.csv`")
    } else {
        format!(
            "a list of suspects is a `.csv` file and `{path}` is none; `disk.suspect.csv` is found beside `disk.img`"
        )
    }))
}

fn print_looked(looked: &Looked, printer: &mut Printer<'_>) -> Result<()> {
    printer.line(&format!(
        "Volume {}: looked at {} with {}",
        looked.volume,
        size::counted(looked.files, "file"),
        size::both(looked.bytes)
    ))?;
    if looked.mapped_bytes > 0 {
        printer.line(&format!("  a map speaks for {} of them, which need no hint", size::both(looked.mapped_bytes)))?;
    }
    for (count, what) in [
        (looked.compressed_files, "compressed: a hole shows when such a file is copied"),
        (looked.encrypted_files, "encrypted: nobody can tell"),
        (looked.unplaced_files, "not to be placed"),
        (looked.left_out, "left out, as files of this volume claim far more bytes than it has"),
    ] {
        if count > 0 {
            printer.line(&format!("  not looked at: {} {what}", size::counted(count, "file")))?;
        }
    }
    Ok(())
}

/// What is said of a file's stretches.
fn places(suspect: &Suspect) -> String {
    let has = |position| suspect.stretches.iter().any(|stretch| stretch.position == position);
    let words = [
        (Position::All, "all of it"),
        (Position::Start, "opens blank"),
        (Position::Middle, "in the middle"),
        (Position::End, "ends in blanks"),
    ];
    let said: Vec<&str> = words.into_iter().filter(|(position, _)| has(*position)).map(|(_, word)| word).collect();
    said.join(", ")
}

fn print(suspects: &mut [Suspect], printer: &mut Printer<'_>) -> Result<()> {
    printer.line("")?;
    if suspects.is_empty() {
        return printer.line(&format!("No file has a blank stretch of {SMALLEST} bytes or more."));
    }
    let mut kinds: BTreeMap<FileKind, (u64, u64)> = BTreeMap::new();
    for suspect in &*suspects {
        let (files, likely) = kinds.entry(suspect.kind).or_default();
        *files += 1;
        *likely += u64::from(suspect.is_likely());
    }
    let mut table = Table::new(&[
        ("kind", Align::Left),
        ("with long blanks", Align::Right),
        ("almost surely a hole", Align::Right),
    ]);
    for (kind, (files, likely)) in kinds {
        table.row(vec![kind.words().to_string(), size::grouped(files), size::grouped(likely)]);
    }
    printer.table(table)?;
    printer.line("")?;
    // What says most comes first.
    suspects.sort_by_key(|suspect| !suspect.is_likely());
    let mut table = Table::new(&[
        ("", Align::Left),
        ("blank", Align::Right),
        ("of", Align::Right),
        ("where", Align::Left),
        ("file", Align::Left),
    ]);
    for suspect in suspects.iter().take(SHOWN) {
        table.row(vec![
            if suspect.is_likely() { "!" } else { "" }.to_string(),
            size::human(suspect.blank_bytes()),
            size::human(suspect.size),
            places(suspect),
            format!("{}:{}", suspect.volume, escape::for_terminal(&suspect.path)),
        ]);
    }
    printer.table(table)?;
    if suspects.len() > SHOWN {
        let more = size::counted((suspects.len() - SHOWN) as u64, "more file");
        printer.line(&format!("… and {more}; `--json` or `--to FILE` has them all"))?;
    }
    printer.line("")?;
    printer.line(
        "`!`: files of this format hold no long blanks there, so it is almost surely a hole. Open the others that matter. \
         None of this changes a file's state.",
    )
}
