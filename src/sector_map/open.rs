//! The map of an image, from the file to what a source can be made of: found, read, shifted, and doubted where it
//! may belong to another image.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde::Serialize;

use super::{Basis, ByteState, ColumnImport, Doubt, Format, SectorMap, Segment, examine};
use crate::bytes::to_u64;
use crate::error::{Error, Result};
use crate::image::Image;

/// Longest map file that is read, in bytes: 20 million rows of about 50 bytes, the most that one map may have.
const MAX_FILE: u64 = 1 << 30;

/// What is added to an image's name, without its last extension, to find its map.
const BESIDE: &str = "map.csv";

/// Which file the map is in.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub enum MapChoice {
    /// This one.
    Named(PathBuf),
    /// The one that stands beside the image under its name (`disk.img` → `disk.map.csv`), if there is one.
    #[default]
    Beside,
    /// None, even if one stands beside the image.
    Ignored,
}

/// How a map file is written.
#[derive(Debug, Clone, Default)]
pub enum MapForm {
    /// The project's own form.
    #[default]
    Own,
    /// A plain list of bad sectors of `sector` bytes.
    BadSectors {
        /// Bytes in a sector.
        sector: u64,
    },
    /// One range a row, as described.
    Columns(ColumnImport),
}

/// What the user says about an image's map.
#[derive(Debug, Clone, Default)]
pub struct MapRequest {
    /// Which file.
    pub file: MapChoice,
    /// How it is written. A file that stands beside the image is always in the own form.
    pub form: MapForm,
    /// The user's word for bytes that the map doesn't list; with [`MapChoice::Ignored`], for the whole image.
    pub rest: Option<ByteState>,
    /// The image's first byte is this byte of the map: a drive's map for the image of one volume.
    pub offset: Option<u64>,
    /// The map's good word counts although there are signs that it is another image's.
    pub accept: bool,
}

/// Where a map came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum MapOrigin {
    /// There is none.
    None,
    /// The user named the file.
    Named,
    /// It stood beside the image.
    Beside,
}

/// An image's map, ready for [`crate::source::Source::new`].
#[derive(Debug, Clone)]
pub struct OpenedMap {
    /// Shifted, and without its good word if it is doubted and not accepted. Not yet fitted to the image's length.
    pub map: SectorMap,
    /// Where it came from.
    pub origin: MapOrigin,
    /// The file, unless there is none.
    pub path: Option<PathBuf>,
    /// Signs that it is another image's, if there are any.
    pub doubt: Option<Doubt>,
}

impl OpenedMap {
    /// On whose word the map speaks; `None` if nobody says anything.
    #[must_use]
    pub fn basis(&self) -> Option<Basis> {
        self.map.basis()
    }

    /// Whether `read` stands on a person's word and not on a log's.
    #[must_use]
    pub fn is_asserted(&self) -> bool {
        self.basis() == Some(Basis::Asserted)
    }
}

/// Finds, reads and examines the map of `image`.
///
/// # Errors
/// [`Error::Io`] if the file can't be read, [`Error::Limit`] if it is too long, [`Error::Usage`] if it is not what the
/// request says, and [`Error::ImageIo`] if the image can't be read.
pub fn open(image: &dyn Image, request: &MapRequest) -> Result<OpenedMap> {
    let (origin, path) = match &request.file {
        MapChoice::Named(path) => (MapOrigin::Named, path.clone()),
        MapChoice::Beside => match beside(image) {
            Some(path) => (MapOrigin::Beside, path),
            None => return without_file(image, request),
        },
        MapChoice::Ignored => return without_file(image, request),
    };
    let form = if origin == MapOrigin::Beside { &MapForm::Own } else { &request.form };
    let (mut map, modified) = read_for(image, request, &path, form).map_err(|error| match (origin, error) {
        (MapOrigin::Beside, Error::Usage(what)) => Error::Usage(format!(
            "{what}; it was picked up because it stands beside the image: `--map FILE` names another, `--no-map` goes \
             without"
        )),
        (_, error) => error,
    })?;
    let reasons = examine(image, &map, modified, request.offset.is_some())?;
    let doubt = (!reasons.is_empty()).then_some(Doubt { reasons, accepted: request.accept });
    if doubt.is_some() && !request.accept {
        map = map.without_good_word();
    }
    Ok(OpenedMap { map, origin, path: Some(path), doubt })
}

/// Reads a map file that is not laid onto an image. `image_length` (bytes) is the length that a list or log, which
/// doesn't say it, speaks of; a map in the own form must agree with it.
///
/// # Errors
/// As [`open`], and [`Error::Usage`] if the length is needed and missing.
pub fn read_file(path: &Path, form: &MapForm, rest: Option<ByteState>, image_length: Option<u64>) -> Result<SectorMap> {
    let (text, _) = read_text(path)?;
    let map = match (form, image_length) {
        (MapForm::Own, _) => parse(&text, form, rest, 0).and_then(|map| match image_length {
            Some(length) if length != map.length() => {
                Err(Error::Usage(format!("it speaks of {} bytes and not of {length}", map.length())))
            }
            _ => Ok(map),
        }),
        (_, Some(length)) => parse(&text, form, rest, length),
        (_, None) => Err(Error::Usage(
            "a list or log doesn't say how long its image is, and the length in bytes is needed".to_string(),
        )),
    };
    map.map_err(|error| in_file(path, error))
}

/// Reads the map file of a drive for the image of one volume: `length` bytes from the drive's byte `offset`.
///
/// # Errors
/// As [`open`].
pub fn read_shifted(
    path: &Path,
    form: &MapForm,
    rest: Option<ByteState>,
    offset: u64,
    length: u64,
) -> Result<SectorMap> {
    let (text, _) = read_text(path)?;
    // The log of a whole drive speaks of more than one volume: only the shift can say what of it counts.
    let map = parse(&text, form, rest, u64::MAX).map_err(|error| in_file(path, error))?;
    Ok(map.shifted(offset, length))
}

/// The map that stands beside the image's first part.
fn beside(image: &dyn Image) -> Option<PathBuf> {
    // A file that can't even be looked at is taken, so that opening it says why.
    image.parts().first().map(|first| first.with_extension(BESIDE)).filter(|path| path.try_exists().unwrap_or(true))
}

/// No file: nobody says anything, or the user says it of the whole image.
fn without_file(image: &dyn Image, request: &MapRequest) -> Result<OpenedMap> {
    let none = |map| Ok(OpenedMap { map, origin: MapOrigin::None, path: None, doubt: None });
    if request.file == MapChoice::Beside && (request.rest.is_some() || request.offset.is_some()) {
        return Err(Error::Usage(
            "no sector map stands beside the image, and so there is none to shift or to complete; name it with \
             `--map FILE`, or say `--no-map` to speak of the whole image with `--map-rest`"
                .to_string(),
        ));
    }
    let Some(rest) = request.rest else { return none(SectorMap::none(image.length())) };
    let basis = if rest == ByteState::Read { Basis::Asserted } else { Basis::BadList };
    let whole = Segment { range: 0..image.length(), state: rest };
    let map = SectorMap::from_ranges(image.length(), basis, rest, &[whole])
        .map_err(|_| Error::Usage("an empty image has no map".to_string()))?;
    none(map)
}

/// Reads and shifts; also when the file was last modified.
fn read_for(
    image: &dyn Image,
    request: &MapRequest,
    path: &Path,
    form: &MapForm,
) -> Result<(SectorMap, Option<SystemTime>)> {
    if let Some(offset) = request.offset {
        let map = read_shifted(path, form, request.rest, offset, image.length())?;
        return Ok((map, std::fs::metadata(path).and_then(|metadata| metadata.modified()).ok()));
    }
    let (text, modified) = read_text(path)?;
    let map = parse(&text, form, request.rest, image.length()).or_else(|error| match reach(&text, form) {
        // A list that reaches past the image is a sign that it is another's, or that the image was cut short. Like
        // every map of another length it is doubted, and its holes count.
        Some(reach) if reach > image.length() => parse(&text, form, request.rest, reach),
        _ => Err(error),
    });
    Ok((map.map_err(|error| in_file(path, error))?, modified))
}

/// The first byte after all that a list or log speaks of, whatever it says of it; `None` if it can't be read, or says
/// its length itself.
fn reach(text: &str, form: &MapForm) -> Option<u64> {
    let all_unread = match form {
        MapForm::Own => return None,
        MapForm::BadSectors { sector } => SectorMap::from_bad_sectors(text, *sector, u64::MAX, None),
        MapForm::Columns(columns) => {
            let any_state = ColumnImport {
                state: None,
                only_state: ByteState::Unread,
                rest: Some(ByteState::Unknown),
                ..columns.clone()
            };
            any_state.read(text, u64::MAX)
        }
    }
    .ok()?;
    all_unread
        .segments(0..all_unread.length())
        .filter(|segment| segment.state == ByteState::Unread)
        .last()
        .map(|segment| segment.range.end)
}

/// `length` (bytes) is what a list or log speaks of; the own form says it itself.
fn parse(text: &str, form: &MapForm, rest: Option<ByteState>, length: u64) -> Result<SectorMap> {
    match form {
        MapForm::Own => read_own(text, rest),
        MapForm::BadSectors { sector } => SectorMap::from_bad_sectors(text, *sector, length, rest),
        MapForm::Columns(columns) => ColumnImport { rest: rest.or(columns.rest), ..columns.clone() }.read(text, length),
    }
}

fn read_own(text: &str, rest: Option<ByteState>) -> Result<SectorMap> {
    if Format::of(text) == Format::Other {
        return Err(Error::Usage(
            "it is not in handback's own form; for a list of bad sectors say `--map-form bad-sectors`, for another \
             program's log describe its columns with `--map-form columns`"
                .to_string(),
        ));
    }
    SectorMap::from_csv(text, rest)
}

/// Says in which file the line is.
fn in_file(path: &Path, error: Error) -> Error {
    match error {
        Error::Usage(what) => Error::Usage(format!("the sector map `{}` can't be used: {what}", path.display())),
        other => other,
    }
}

/// A map file's text, and when it was last modified.
fn read_text(path: &Path) -> Result<(String, Option<SystemTime>)> {
    let failed = |source| Error::Io { action: "read the sector map", path: path.to_path_buf(), source };
    let metadata = std::fs::metadata(path).map_err(failed)?;
    if !metadata.is_file() {
        return Err(Error::Usage(format!(
            "`{}` is not an ordinary file; `--map` names the file that holds the sector map",
            path.display()
        )));
    }
    #[expect(clippy::disallowed_methods, reason = "a map file is opened for reading only")]
    let file = std::fs::File::open(path).map_err(failed)?;
    let mut bytes = Vec::new();
    // One byte more than the limit shows that there is more.
    file.take(MAX_FILE.saturating_add(1)).read_to_end(&mut bytes).map_err(failed)?;
    if to_u64(bytes.len()) > MAX_FILE {
        return Err(Error::Limit {
            what: "bytes in one sector map".to_string(),
            limit: MAX_FILE,
            next: "check that the file named is the map and not the image",
        });
    }
    let mut text = String::from_utf8(bytes).map_err(|_| {
        Error::Usage(format!(
            "the sector map `{}` is not plain text in UTF-8; if it is a log, save it as UTF-8 first",
            path.display()
        ))
    })?;
    // Editors on Windows begin UTF-8 with a byte-order mark.
    if text.starts_with('\u{FEFF}') {
        text.remove(0);
    }
    Ok((text, metadata.modified().ok()))
}

#[cfg(test)]
mod tests;
