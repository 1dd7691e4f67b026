//! `handback map picture`: the damage of an image as one long strip.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::args::{CodePageArgs, ImageArgs, SectorArgs, VolumeArgs};
use super::disk::OpenedDisk;
use super::exit::ExitStatus;
use super::map_args::MapArgs;
use super::open_image::MapFacts;
use super::{Context, json, new_file};
use crate::error::{Error, Result};
use crate::filesystem::SweepOptions;
use crate::survey::picture::{self, Chosen, Picture, Subject};

/// The widest strip of signs; a wider line is hard to look at as one.
const WIDEST: usize = 160;

#[derive(Debug, Args)]
pub(super) struct MapPictureArgs {
    #[command(flatten)]
    image: ImageArgs,
    /// Show where these files or folders lie, too: `/Users/Anna`, `2:/Photos`, or an address such as `record:57`
    #[arg(value_name = "PATH")]
    paths: Vec<String>,
    /// Write the picture to a new file, `.svg` or `.png`
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
    #[serde(flatten)]
    picture: &'a Picture,
    volumes_complete: bool,
}

/// In which form a picture is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Svg,
    Png,
}

pub(super) fn run(args: &MapPictureArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let to = args.to.as_deref().map(|path| Ok::<_, Error>((path, form(path)?))).transpose()?;
    let options = SweepOptions { codepage: args.codepage.codepage, ..SweepOptions::default() };
    let mut opened = OpenedDisk::open(&args.image, &args.map, &args.sector, options, context)?;
    let mut chosen = (!args.paths.is_empty()).then(Chosen::default);
    for path in &args.paths {
        let named = match opened.find(path, args.volume.volume, context)? {
            Ok(named) => named,
            Err(refused) => return Ok(refused.say(context)),
        };
        if let (Some(chosen), Some((filesystem, swept))) = (&mut chosen, opened.swept(named.volume)) {
            chosen.add(filesystem, &swept.catalog, named.object, &context.progress)?;
        }
    }
    if let Some(chosen) = &mut chosen {
        chosen.name = args.paths.join(", ");
    }
    opened.check_unchanged()?;
    let image = &args.image.image;
    let name = image.file_name().unwrap_or(image.as_os_str()).to_string_lossy().into_owned();
    let status = ExitStatus::of_faults(chosen.as_ref().is_some_and(|one| one.damaged > 0 || one.incomplete));
    let volumes = picture::marks(&opened.disk);
    let subject = Subject { name: &name, map: opened.disk.source.map(), volumes, chosen };
    let picture = Picture::of(&subject);
    if let Some((path, form)) = to {
        new_file::create(path, &written(&picture, form)?)?;
        context.printer.note(&format!("wrote `{}`", path.display()));
    }
    if args.json {
        let document = Document { map: opened.map_facts(), picture: &picture, volumes_complete: opened.disk.complete };
        json::document(&mut context.printer, "map picture", &document)?;
        return Ok(status);
    }
    let width = context.printer.width().min(WIDEST);
    for line in Picture::with_columns(&subject, width).lines() {
        context.printer.line(&line)?;
    }
    opened.say_if_incomplete(context);
    Ok(status)
}

/// The form that a file's ending asks for.
fn form(path: &Path) -> Result<Form> {
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    match ending.as_deref() {
        Some("svg") => Ok(Form::Svg),
        Some("png") if cfg!(feature = "picture") => Ok(Form::Png),
        Some("png") => Err(Error::Usage("this handback was built without PNG; name a `.svg` file".to_string())),
        _ => Err(Error::Usage(format!("`{}` is neither a `.svg` nor a `.png` file; name one", path.display()))),
    }
}

fn written(picture: &Picture, form: Form) -> Result<Vec<u8>> {
    match form {
        #[cfg(feature = "picture")]
        Form::Png => {
            picture.png().map_err(|error| Error::Usage(format!("the PNG can't be made: {error}; name a `.svg` file")))
        }
        _ => Ok(picture.svg().into_bytes()),
    }
}
