//! The list of suspects as a file, and what a survey says of one that stands beside the image.
//!
//! ```text
//! # handback suspect list 1
//! # image-length: 250059350016
//! # looked-at: all
//! volume,address,kind,weight,position,fill,file_start,length,image_start,path
//! 2,record:231,pictures,likely,middle,zeros,4096,8192,48234496,/Users/Choir/Pictures/IMG_0487.jpg
//! ```
//! A row is one piece of a stretch. Fields with a comma or a quotation mark stand in quotation marks (RFC 4180);
//! characters that steer or hide are written `\u{202E}`, a backslash `\\`.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::{Fill, MOST_STRETCHES, Position, Suspect, Weight};
use crate::error::{Error, Result};
use crate::image::Image;
use crate::survey::FileKind;

const HEADING: &str = "# handback suspect list 1";
const COLUMNS: &str = "volume,address,kind,weight,position,fill,file_start,length,image_start,path";
/// How many fields a row has.
const FIELDS: usize = 10;
/// Most rows that are read: as many stretches as are ever written, and most of them in one piece.
const MOST_ROWS: usize = 4 * MOST_STRETCHES;
/// Longest list that is read, in bytes.
const LONGEST: u64 = 1 << 30;
/// What is added to an image's name, without its last extension, to find its list.
const BESIDE: &str = "suspect.csv";

/// Writes the list. `whole` says whether all of the main volumes was looked at.
#[must_use]
pub fn to_csv(image_length: u64, whole: bool, suspects: &[Suspect]) -> String {
    let looked = if whole { "all" } else { "part" };
    let mut text = format!("{HEADING}\n# image-length: {image_length}\n# looked-at: {looked}\n{COLUMNS}\n");
    for suspect in suspects {
        let kind = kind_word(suspect.kind);
        let (address, path) = (field(&suspect.address), field(&suspect.path));
        for stretch in &suspect.stretches {
            for piece in &stretch.pieces {
                let (weight, position, fill) = (stretch.weight.word(), stretch.position.word(), piece.fill.word());
                let (start, length, image) = (piece.file_start, piece.length, piece.image_start);
                // Writing to a String can't fail.
                let _ = writeln!(
                    text,
                    "{},{address},{kind},{weight},{position},{fill},{start},{length},{image},{path}",
                    suspect.volume
                );
            }
        }
    }
    text
}

fn kind_word(kind: FileKind) -> String {
    serde_json::to_value(kind).ok().and_then(|value| value.as_str().map(str::to_string)).unwrap_or_default()
}

fn field(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' => safe.push_str(r"\\"),
            '"' => safe.push_str("\"\""),
            _ if c.is_control()
                || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}') =>
            {
                let _ = write!(safe, "\\u{{{:04X}}}", u32::from(c));
            }
            _ => safe.push(c),
        }
    }
    if safe.contains([',', '"']) { format!("\"{safe}\"") } else { safe }
}

/// The files of one kind with blank stretches, on one volume.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Blank {
    /// Files.
    pub files: u64,
    /// Those in which a hole is almost sure.
    pub likely: u64,
    /// Of the others: those that are blank from the first byte to the last.
    pub all_blank: u64,
    /// Of the others: those that only end in blanks.
    pub end_blank: u64,
}

/// What a list says, by kind of files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The file.
    pub path: PathBuf,
    /// Whether all of the main volumes was looked at.
    pub whole: bool,
    /// Volumes by number, in each the kinds.
    pub volumes: BTreeMap<u32, BTreeMap<FileKind, Blank>>,
}

/// What of one file counts.
#[derive(Default)]
struct File {
    kind: Option<FileKind>,
    likely: bool,
    all: bool,
    elsewhere: bool,
}

/// The list that stands beside the image's first part, if there is one.
#[must_use]
pub fn beside(image: &dyn Image) -> Option<PathBuf> {
    image.parts().first().map(|first| first.with_extension(BESIDE)).filter(|path| path.try_exists().unwrap_or(true))
}

/// Reads a list made of an image of `image_length` bytes.
///
/// # Errors
/// [`Error::Io`] if the file can't be read; [`Error::Usage`] with the line if it is no such list, or of an image of
/// another length; [`Error::Limit`] if it is too long.
pub fn read(path: &Path, image_length: u64) -> Result<Listed> {
    let failed = |source| Error::Io { action: "read the list of suspects", path: path.to_path_buf(), source };
    let limit = |what: &str, limit: u64| Error::Limit {
        what: format!("{what} in the list of suspects `{}`", path.display()),
        limit,
        next: "move the file away and make it again with `handback map suspect`",
    };
    #[expect(clippy::disallowed_methods, reason = "a list is opened for reading only")]
    let file = std::fs::File::open(path).map_err(failed)?;
    let mut text = String::new();
    file.take(LONGEST + 1).read_to_string(&mut text).map_err(failed)?;
    if text.len() as u64 > LONGEST {
        return Err(limit("bytes", LONGEST));
    }
    let wrong = |line: usize, what: &str| {
        Error::Usage(format!(
            "the list of suspects `{}` can't be used: line {}: {what}; move the file away, or make it again with `handback \
             map suspect`",
            path.display(),
            line + 1
        ))
    };
    let mut lines = text.lines().enumerate();
    if lines.next().is_none_or(|(_, line)| line != HEADING) {
        return Err(wrong(0, &format!("`{HEADING}` must stand here")));
    }
    let (mut length, mut whole, mut columns) = (None, false, false);
    let mut files: BTreeMap<(u32, String), File> = BTreeMap::new();
    for (number, line) in lines {
        if let Some(key) = line.strip_prefix("# ").filter(|_| !columns) {
            match key.split_once(": ") {
                Some(("image-length", value)) => length = value.parse::<u64>().ok(),
                Some(("looked-at", value)) => whole = value == "all",
                _ => {}
            }
        } else if !columns {
            columns = line == COLUMNS;
            if !columns {
                return Err(wrong(number, &format!("`{COLUMNS}` must stand before the rows")));
            }
            if length != Some(image_length) {
                return Err(wrong(number, &format!("it is not of an image of {image_length} bytes, as this one has")));
            }
        } else if !line.is_empty() {
            if number > MOST_ROWS {
                return Err(limit("rows", MOST_ROWS as u64));
            }
            row(line, &mut files).ok_or_else(|| wrong(number, "a row has ten fields, as `docs/sector-map.md` says"))?;
        }
    }
    if !columns {
        return Err(wrong(text.lines().count().saturating_sub(1), "it ends before the rows: was it cut short?"));
    }
    let mut volumes: BTreeMap<u32, BTreeMap<FileKind, Blank>> = BTreeMap::new();
    for ((volume, _), file) in files {
        let blank = volumes.entry(volume).or_default().entry(file.kind.unwrap_or(FileKind::Other)).or_default();
        blank.files += 1;
        blank.likely += u64::from(file.likely);
        blank.all_blank += u64::from(file.all && !file.likely);
        blank.end_blank += u64::from(!file.likely && !file.all && !file.elsewhere);
    }
    Ok(Listed { path: path.to_path_buf(), whole, volumes })
}

/// Enters a row; `None` if it is none.
fn row(line: &str, files: &mut BTreeMap<(u32, String), File>) -> Option<()> {
    let fields = split(line)?;
    let [volume, address, kind, weight, position, fill, start, length, image, _] =
        <[String; FIELDS]>::try_from(fields).ok()?;
    let kind = FileKind::ALL.into_iter().find(|one| kind_word(*one) == kind)?;
    let weight = Weight::ALL.into_iter().find(|one| one.word() == weight)?;
    let position = Position::ALL.into_iter().find(|one| one.word() == position)?;
    Fill::ALL.into_iter().find(|one| one.word() == fill)?;
    for number in [start, length, image] {
        number.parse::<u64>().ok()?;
    }
    let file = files.entry((volume.parse().ok()?, address)).or_default();
    file.kind = Some(kind);
    file.likely |= weight == Weight::Likely;
    file.all |= position == Position::All;
    file.elsewhere |= matches!(position, Position::Start | Position::Middle);
    Some(())
}

/// The fields of a line, quotation marks undone.
fn split(line: &str) -> Option<Vec<String>> {
    let mut fields = Vec::new();
    let mut rest = line;
    loop {
        let after = match rest.strip_prefix('"') {
            Some(quoted) => {
                let mut text = String::new();
                let mut left = quoted;
                loop {
                    let (before, after) = left.split_once('"')?;
                    text.push_str(before);
                    match after.strip_prefix('"') {
                        Some(more) => {
                            text.push('"');
                            left = more;
                        }
                        None => {
                            fields.push(text);
                            break after;
                        }
                    }
                }
            }
            None => {
                let end = rest.find(',').unwrap_or(rest.len());
                let (text, after) = rest.split_at(end);
                fields.push(text.to_string());
                after
            }
        };
        match after.strip_prefix(',') {
            Some(more) => rest = more,
            None => return after.is_empty().then_some(fields),
        }
    }
}
