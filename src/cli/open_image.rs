//! Opens what a command works on, the image under its map, and says on whose word the bytes stand.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;

use super::Context;
use super::args::ImageArgs;
use super::map_args::MapArgs;
use super::output::Printer;
use crate::error::Result;
use crate::image::{self, Image};
use crate::sector_map::{self, Basis, ByteState, Doubt, MapOrigin, OpenedMap, SectorMap};
use crate::source::{SMALLEST_SECTOR, Source};

/// An image that is ready to be read.
pub(super) struct OpenedImage {
    /// Image and map as one.
    pub(super) source: Source,
    /// Where the map came from and what is to be said about it.
    pub(super) map: OpenedMap,
}

/// Opens the image and its map, and says on standard error what there is to know about the map. Unread ranges are
/// counted in sectors of `sector_size` bytes, or in the smallest there are until the size is known.
///
/// # Errors
/// As [`image::open`] and [`sector_map::open::open`]; [`crate::Error::Usage`] for options that say nothing together.
pub(super) fn open_image(
    image: &ImageArgs,
    map: &MapArgs,
    sector_size: Option<u64>,
    context: &mut Context<'_>,
) -> Result<OpenedImage> {
    open_parts(&image.image, &image.parts, map, sector_size, context)
}

/// As [`open_image`], for a command that has the image's parts from elsewhere.
///
/// # Errors
/// As [`open_image`].
pub(super) fn open_parts(
    first: &Path,
    further: &[PathBuf],
    map: &MapArgs,
    sector_size: Option<u64>,
    context: &mut Context<'_>,
) -> Result<OpenedImage> {
    // What is wrong in the command is said before the image is touched.
    let request = map.request()?;
    let parts: Vec<&Path> = std::iter::once(first).chain(further.iter().map(PathBuf::as_path)).collect();
    let image: Arc<dyn Image> = image::open(&parts)?;
    let map = sector_map::open::open(image.as_ref(), &request)?;
    say(&map, &mut context.printer);
    let source = Source::new(image, &map.map, sector_size.unwrap_or(SMALLEST_SECTOR));
    Ok(OpenedImage { source, map })
}

/// Says where the map came from, on whose word it speaks, and every doubt about it.
fn say(map: &OpenedMap, printer: &mut Printer<'_>) {
    let basis = map.basis().map_or("nobody's", Basis::word);
    match (map.origin, &map.path) {
        (MapOrigin::Named, Some(path)) => {
            printer.note(&format!("map: `{}`, named by you, basis {basis}", path.display()));
        }
        (MapOrigin::Beside, Some(path)) => {
            printer.note(&format!("map: `{}`, found beside the image, basis {basis}", path.display()));
        }
        _ if map.basis().is_some() => printer.note(&format!("map: none; you speak for the whole image, basis {basis}")),
        _ => {
            printer.note("map: none, so holes can't be ruled out; if the imaging left a log, name it with `--map FILE`")
        }
    }
    if map.is_asserted() {
        printer.note(ASSERTED);
    }
    let Some(doubt) = &map.doubt else { return };
    for reason in &doubt.reasons {
        printer.note(&format!("map doubted: {reason}"));
    }
    printer.note(if doubt.accepted {
        "map accepted all the same (`--map-accept`): what it calls read counts as read on your word"
    } else {
        "what the map calls read counts as unknown, its holes stand; if it is this image's map, say `--map-accept`"
    });
}

/// What is said wherever `read` stands on a person's word.
pub(super) const ASSERTED: &str =
    "on whose word: that bytes were read is, at least in part, a person's word (`--map-rest read`) and no log's";

/// What JSON documents say about a map.
#[derive(Debug, Serialize)]
pub(super) struct MapFacts<'a> {
    path: Option<String>,
    origin: MapOrigin,
    basis: Option<Basis>,
    asserted: bool,
    rest: ByteState,
    length: u64,
    doubt: Option<&'a Doubt>,
    totals: Totals,
}

/// Bytes in each state.
#[derive(Debug, Serialize)]
struct Totals {
    read: u64,
    unread: u64,
    unreached: u64,
    unknown: u64,
}

impl<'a> MapFacts<'a> {
    /// The facts of a map that lies under an image; `counts` is what became of it in the source.
    pub(super) fn of_opened(opened: &'a OpenedMap, counts: &SectorMap) -> Self {
        Self {
            path: opened.path.as_ref().map(|path| path.display().to_string()),
            doubt: opened.doubt.as_ref(),
            ..Self::of(counts, opened.origin)
        }
    }

    /// The facts of a map that no image was laid under.
    pub(super) fn of(map: &SectorMap, origin: MapOrigin) -> Self {
        Self {
            path: None,
            origin,
            basis: map.basis(),
            asserted: map.basis() == Some(Basis::Asserted),
            rest: map.rest(),
            length: map.length(),
            doubt: None,
            totals: Totals {
                read: map.total(ByteState::Read),
                unread: map.total(ByteState::Unread),
                unreached: map.total(ByteState::Unreached),
                unknown: map.total(ByteState::Unknown),
            },
        }
    }

    /// The same with the file's name.
    pub(super) fn in_file(mut self, path: &Path) -> Self {
        self.path = Some(path.display().to_string());
        self
    }
}
