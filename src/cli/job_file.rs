//! The job's details from a file in TOML: named, or beside the image.

use std::path::{Path, PathBuf};

use jiff::civil::Date;
use serde::Deserialize;
use toml::value::Datetime;

use super::Context;
use crate::error::{Error, Result};
use crate::handover::{DriveDetails, JobDetails};

/// What is added to the image's name, without its last extension.
const BESIDE: &str = "job.toml";
/// Longest file that is read, in bytes: many pages of notes.
const MAX_FILE: u64 = 64 << 10;

/// A filled-in file, for `handback demo`.
pub(super) const TEMPLATE: &str = include_str!("job_template.toml");

/// The file as it is written by people: dates are TOML's own, without quotes.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct JobFile {
    ticket: Option<String>,
    customer: Option<String>,
    workshop: Option<String>,
    technician: Option<String>,
    received: Option<Datetime>,
    imaged: Option<Datetime>,
    fault: Option<String>,
    notes: Option<String>,
    drive: DriveFile,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct DriveFile {
    make: Option<String>,
    model: Option<String>,
    serial: Option<String>,
    capacity: Option<String>,
}

/// The details of a job: from `named`, or from the file beside the image, which is said; none if there is no such file.
pub(super) fn load(named: Option<&Path>, image: &Path, context: &mut Context<'_>) -> Result<JobDetails> {
    if let Some(path) = named {
        return read(path);
    }
    let Some(path) = beside(image) else { return Ok(JobDetails::default()) };
    let details = read(&path)?;
    context.printer.note(&format!("what is known of the job is taken from `{}`", path.display()));
    Ok(details)
}

/// The file beside an image. One that is named after it comes first.
fn beside(image: &Path) -> Option<PathBuf> {
    [image.with_extension(BESIDE), image.with_file_name(BESIDE)].into_iter().find(|path| path.is_file())
}

fn read(path: &Path) -> Result<JobDetails> {
    let failed = |source| Error::Io { action: "read", path: path.to_path_buf(), source };
    let length = std::fs::metadata(path).map_err(failed)?.len();
    if length > MAX_FILE {
        let why = format!("{length} bytes are too many for the details of a job; it may have {MAX_FILE}");
        return Err(Error::Usage(format!("`{}`: {why}", path.display())));
    }
    let bytes = std::fs::read(path).map_err(failed)?;
    let text = match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(error) => {
            let good = error.utf8_error().valid_up_to();
            let before = String::from_utf8_lossy(error.as_bytes().get(..good).unwrap_or_default()).into_owned();
            let (line, column) = position(&before, before.len());
            let why = "this is no UTF-8; save the file as UTF-8";
            return Err(Error::Usage(format!("`{}`, line {line}, column {column}: {why}", path.display())));
        }
    };
    parse(&text).map_err(|why| Error::Usage(format!("`{}`, {why}", path.display())))
}

/// Reads the text of a file; an error says line, column and what is expected.
fn parse(text: &str) -> std::result::Result<JobDetails, String> {
    // Editors of old Windows put a mark before the text.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let file: JobFile = toml::from_str(text).map_err(|error| {
        let (line, column) = position(text, error.span().map_or(0, |span| span.start));
        let hint = match error.message() {
            message if message.contains("expected a TOML datetime") || message.contains("expected a datetime") => {
                "; a date is written without quotes, as in `received = 2026-03-14`"
            }
            message if message.contains("expected a string") => {
                "; a text is written in quotes, as in `ticket = \"17\"`"
            }
            _ => "",
        };
        format!("line {line}, column {column}: {}{hint}", error.message().replace('\n', ", "))
    })?;
    let filled = |text: Option<String>| text.map(|text| text.trim().to_string()).filter(|text| !text.is_empty());
    Ok(JobDetails {
        ticket: filled(file.ticket),
        customer: filled(file.customer),
        workshop: filled(file.workshop),
        technician: filled(file.technician),
        received: day(text, "received", file.received)?,
        imaged: day(text, "imaged", file.imaged)?,
        fault: filled(file.fault),
        notes: filled(file.notes),
        drive: DriveDetails {
            make: filled(file.drive.make),
            model: filled(file.drive.model),
            serial: filled(file.drive.serial),
            capacity: filled(file.drive.capacity),
        },
    })
}

/// The day of a date, with or without a time of day.
fn day(text: &str, key: &str, given: Option<Datetime>) -> std::result::Result<Option<Date>, String> {
    let Some(given) = given else { return Ok(None) };
    let day = given.date.and_then(|date| {
        let part = |number: u8| i8::try_from(number).ok();
        Date::new(i16::try_from(date.year).ok()?, part(date.month)?, part(date.day)?).ok()
    });
    let line = || text.lines().position(|line| line.trim_start().starts_with(key)).map_or(1, |line| line + 1);
    day.map(Some).ok_or_else(|| {
        format!("line {}, column 1: `{key}` is a time of day; a date is expected, as in `{key} = 2026-03-14`", line())
    })
}

/// Line and column of a byte, counted from 1, in characters.
fn position(text: &str, byte: usize) -> (usize, usize) {
    let before = text.get(..byte).unwrap_or(text);
    let line_start = before.rfind('\n').map_or(0, |end| end + 1);
    (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_is_filled_in_and_holds_every_key() {
        let details = parse(TEMPLATE).unwrap();
        let json = serde_json::to_value(&details).unwrap();
        let empty = |value: &serde_json::Value| value.is_null();
        assert!(!json.as_object().unwrap().values().any(empty), "{json}");
        assert!(!json["drive"].as_object().unwrap().values().any(empty), "{json}");
        assert_eq!(parse(&TEMPLATE.replace('\n', "\r\n")).unwrap().ticket, details.ticket);
        assert_eq!(parse(&format!("\u{feff}{TEMPLATE}")).unwrap(), details, "with a mark before it");
    }

    #[test]
    fn errors_say_where_and_what_is_expected() {
        for (text, line, what) in [
            ("ticket = \"1\"\ncustomr = \"x\"\n", "line 2, column 1", "unknown field `customr`, expected one of"),
            ("[drive]\nmodle = \"x\"\n", "line 2, column 1", "`make`, `model`, `serial`, `capacity`"),
            ("ticket = 17\n", "line 1, column 10", "expected a string; a text is written in quotes"),
            ("notes = \"ü\"\n  received = \"2026-03-14\"\n", "line 2, column 14", "without quotes"),
            ("received = 2026-02-30\n", "line 1, column", "date"),
            ("ticket = \"1\"\nimaged = 10:30:00\n", "line 2, column 1", "a date is expected"),
            ("ticket \"1\"\n", "line 1, column 8", "="),
            ("ticket = \"1\"\nticket = \"2\"\n", "line 2, column 1", "duplicate key"),
            ("ticket = \"1\n", "line 1, column", "string"),
        ] {
            let error = parse(text).unwrap_err();
            assert!(error.starts_with(line), "{text}: {error}");
            assert!(error.contains(what), "{text}: {error}");
            assert!(!error.contains('\n'), "{error}");
        }
    }

    #[test]
    fn what_is_left_empty_is_not_there() {
        let details = parse("ticket = \" \"\nnotes = \"\"\"\n\n\"\"\"\nimaged = 2026-03-14T10:00:00\n").unwrap();
        assert_eq!((details.ticket, details.notes), (None, None));
        assert_eq!(details.imaged, Some(jiff::civil::date(2026, 3, 14)));
        assert_eq!(parse("").unwrap(), JobDetails::default());
    }

    #[test]
    fn files_are_bounded_and_text() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("job.toml");
        crate::testing::write_file(&path, &vec![b'#'; MAX_FILE as usize]);
        assert!(read(&path).is_ok());
        crate::testing::write_file(&path, &vec![b'#'; MAX_FILE as usize + 1]);
        assert!(read(&path).unwrap_err().to_string().contains("too many"));
        crate::testing::write_file(&path, b"# a\nnotes = \"\xfc\"\n");
        assert!(read(&path).unwrap_err().to_string().contains("line 2, column 10: this is no UTF-8"));
        assert!(matches!(read(&folder.path().join("none.toml")), Err(Error::Io { .. })));
    }

    #[test]
    fn the_file_named_after_the_image_comes_first() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        assert_eq!(beside(&path("choir.img")), None);
        crate::testing::write_file(&path("job.toml"), b"");
        assert_eq!(beside(&path("choir.img")), Some(path("job.toml")));
        crate::testing::write_file(&path("choir.job.toml"), b"");
        assert_eq!(beside(&path("choir.img")), Some(path("choir.job.toml")));
    }
}
