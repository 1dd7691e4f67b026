//! A plan: what to copy, as a text that people edit and run again.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::ops::Range;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use serde::Deserialize;
use toml::Spanned;

use super::{Wanted, patterns};
use crate::cli::{escape, new_file, selection_args};
use crate::error::{Error, Result};
use crate::handover::{Job, Selection, Top};

/// The longest plan that is read, in bytes: a line for each of some hundred thousand folders.
const LONGEST: u64 = 64 << 20;

/// The version of the form.
const VERSION: u32 = 1;

const HEAD: &str = "\
# A plan of handback: what to copy out of an image.
# Change it in any editor, look at it with `--dry-run`, and run it:
#   handback extract IMAGE --plan THIS-FILE --to FOLDER

";

const FOLDERS: &str = "\
# `take = false` leaves a folder out, with all that is in it. A line that ends in / stands for the files directly in that
# folder. The numbers are what was counted when the plan was made; changing them changes nothing.
[folders]
";

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Text {
    handback_plan: Spanned<u32>,
    image: ImageText,
    #[serde(default)]
    selection: SelectionText,
    #[serde(default)]
    folders: BTreeMap<Spanned<String>, Line>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ImageText {
    name: String,
    length: u64,
    map: Option<String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct SelectionText {
    paths: Vec<String>,
    volume: Option<u32>,
    persons: Vec<String>,
    kinds: Vec<Spanned<String>>,
    #[serde(rename = "match")]
    matching: Vec<Spanned<String>>,
    exclude: Vec<Spanned<String>>,
    newer: Option<Spanned<String>>,
    time_zone: Option<Spanned<String>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    take: bool,
    #[serde(rename = "files")]
    _files: Option<u64>,
    #[serde(rename = "bytes")]
    _bytes: Option<u64>,
    #[serde(rename = "losses")]
    _losses: Option<u64>,
}

/// A plan that was read.
#[derive(Debug)]
pub(in crate::cli) struct PlanFile {
    path: PathBuf,
    text: String,
    parsed: Text,
}

impl PlanFile {
    /// Reads a plan.
    pub(in crate::cli) fn read(path: &Path) -> Result<Self> {
        let failed = |source| Error::Io { action: "read the plan", path: path.to_path_buf(), source };
        if std::fs::metadata(path).map_err(failed)?.len() > LONGEST {
            return Err(Error::Usage(format!("`{}` is too long for a plan", path.display())));
        }
        let bytes = std::fs::read(path).map_err(failed)?;
        // Some editors put a mark before the text.
        let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&bytes);
        let text = std::str::from_utf8(bytes)
            .map_err(|_| Error::Usage(format!("the plan `{}` is no UTF-8 text; save it as UTF-8", path.display())))?;
        let parsed = toml::from_str(text).map_err(|error| {
            let place = error.span().map(|span| place(text, span)).unwrap_or_default();
            Error::Usage(format!("the plan `{}`{place}: {}", path.display(), error.message().replace('\n', "; ")))
        })?;
        let plan = Self { path: path.to_path_buf(), text: text.to_string(), parsed };
        match plan.parsed.handback_plan.get_ref() {
            &VERSION => Ok(plan),
            other => Err(plan.wrong(
                plan.parsed.handback_plan.span(),
                &format!("this plan is of form {other}, and this handback reads form {VERSION}"),
            )),
        }
    }

    fn wrong(&self, at: Range<usize>, what: &str) -> Error {
        Error::Usage(format!("the plan `{}`{}: {what}", self.path.display(), place(&self.text, at)))
    }

    /// What the plan asks for.
    pub(in crate::cli) fn wanted(&self) -> Result<Wanted> {
        let text = &self.parsed.selection;
        let pattern =
            |one: &Spanned<String>| patterns::parse(one.get_ref()).map_err(|why| self.wrong(one.span(), &why));
        let kind =
            |one: &Spanned<String>| selection_args::kind(one.get_ref()).map_err(|why| self.wrong(one.span(), &why));
        let day =
            |one: &Spanned<String>| selection_args::date(one.get_ref()).map_err(|why| self.wrong(one.span(), &why));
        let zone = |one: &Spanned<String>| {
            TimeZone::get(one.get_ref())
                .map_err(|_| self.wrong(one.span(), "zones are written as `Europe/Vienna` or `UTC`"))
        };
        let mut left: Vec<String> = Vec::new();
        left.extend(
            self.parsed.folders.iter().filter(|(_, line)| !line.take).map(|(label, _)| label.get_ref().clone()),
        );
        Ok(Wanted {
            paths: text.paths.clone(),
            volume: text.volume,
            persons: text.persons.clone(),
            kinds: text.kinds.iter().map(kind).collect::<Result<_>>()?,
            matching: text.matching.iter().map(pattern).collect::<Result<_>>()?,
            exclude: text.exclude.iter().map(pattern).collect::<Result<_>>()?,
            newer: text.newer.as_ref().map(day).transpose()?,
            zone: text.time_zone.as_ref().map(zone).transpose()?,
            left_by_plan: left,
        })
    }

    /// Refuses the plan of another image. Answers what else is to be said.
    pub(in crate::cli) fn fits(&self, job: &Job<'_>) -> Result<Option<String>> {
        let ImageText { name, length, map } = &self.parsed.image;
        if (name, *length) != (&job.image_name, job.image.length()) {
            return Err(Error::Usage(format!(
                "the plan `{}` is of another image (`{}`, {length} bytes; this one is `{}`, {} bytes)",
                self.path.display(),
                escape::for_terminal(name),
                job.image_name,
                job.image.length()
            )));
        }
        let other = "the plan was made under another map of the image: its numbers may not hold any more";
        Ok((*map != job.map.sha256).then(|| other.to_string()))
    }

    /// Refuses a plan that says nothing of a folder in which something is found, or something of one that is not there.
    pub(in crate::cli) fn check_folders(&self, tops: &BTreeMap<String, Top>) -> Result<()> {
        let said: BTreeSet<&String> = self.parsed.folders.keys().map(Spanned::get_ref).collect();
        if let Some(other) = self.parsed.folders.keys().find(|label| !tops.contains_key(label.get_ref())) {
            return Err(self.wrong(other.span(), "there is nothing at this place that the selection takes"));
        }
        match tops.keys().find(|label| !said.contains(label)) {
            None => Ok(()),
            Some(missing) => Err(Error::Usage(format!(
                "the plan `{}` says nothing of `{}`; add a line for it with `take = true` or `take = false`",
                self.path.display(),
                escape::for_terminal(missing)
            ))),
        }
    }
}

/// Where in a text something stands, for people: line and column, counted from 1.
fn place(text: &str, at: Range<usize>) -> String {
    let before = text.get(..at.start).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
    format!(", line {line}, column {column}")
}

/// Writes a plan to a new file.
pub(in crate::cli) fn write(
    path: &Path,
    job: &Job<'_>,
    selection: &Selection,
    tops: &BTreeMap<String, Top>,
) -> Result<()> {
    new_file::create(path, text(job, selection, tops).as_bytes())
}

fn text(job: &Job<'_>, selection: &Selection, tops: &BTreeMap<String, Top>) -> String {
    let mut text = HEAD.to_string();
    // Writing to a String can't fail.
    let mut line = |arguments: std::fmt::Arguments<'_>| {
        let _ = writeln!(text, "{arguments}");
    };
    line(format_args!("handback_plan = {VERSION}\n"));
    line(format_args!("[image]\nname = {}\nlength = {}", quoted(&job.image_name), job.image.length()));
    if let Some(map) = &job.map.sha256 {
        line(format_args!("map = {}", quoted(map)));
    }
    line(format_args!("\n[selection]"));
    let kinds: Vec<String> = selection.kinds.iter().map(|kind| kind.word().to_string()).collect();
    for (key, values) in [
        ("paths", &selection.paths),
        ("persons", &selection.persons),
        ("kinds", &kinds),
        ("match", &selection.matching),
        ("exclude", &selection.exclude),
    ] {
        let values: Vec<String> = values.iter().map(|value| quoted(value)).collect();
        line(format_args!("{key} = [{}]", values.join(", ")));
    }
    if let Some(volume) = selection.volume {
        line(format_args!("volume = {volume}"));
    }
    for (key, value) in [("newer", &selection.newer), ("time_zone", &selection.time_zone)] {
        if let Some(value) = value {
            line(format_args!("{key} = {}", quoted(value)));
        }
    }
    text.push('\n');
    text.push_str(FOLDERS);
    for (label, top) in tops {
        let losses = if top.losses > 0 { format!(", losses = {}", top.losses) } else { String::new() };
        let _ = writeln!(
            text,
            "{} = {{ take = true, files = {}, bytes = {}{losses} }}",
            quoted(label),
            top.amount.paths,
            top.amount.bytes
        );
    }
    text
}

/// A text as TOML has it. Nothing that steers a screen or hides stands in it as it is.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for sign in text.chars() {
        match sign {
            '"' | '\\' => quoted.extend(['\\', sign]),
            sign if escape::is_hidden(sign) => {
                let _ = write!(quoted, "\\U{:08X}", u32::from(sign));
            }
            sign => quoted.push(sign),
        }
    }
    quoted.push('"');
    quoted
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<PlanFile> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("choir.plan.toml");
        new_file::create(&path, text.as_bytes()).unwrap();
        PlanFile::read(&path)
    }

    const SMALL: &str = "handback_plan = 1\n[image]\nname = \"a.img\"\nlength = 5\n";

    #[test]
    fn any_text_comes_back_from_its_quotes() {
        for text in ["plain", "say \"la\"", "back\\slash", "\u{202E}gpj", "two\r\nlines\t", "é\u{7F}\u{0}", ""] {
            let plan = format!("{SMALL}[selection]\npaths = [{}]\n", quoted(text));
            assert_eq!(read(&plan).unwrap().wanted().unwrap().paths, [text], "{plan}");
            assert!(!quoted(text).chars().any(escape::is_hidden), "{text:?}");
        }
    }

    #[test]
    fn line_ends_and_marks_of_other_editors_are_taken() {
        let text = format!("{SMALL}[selection]\nkinds = [\"photos\"]\n[folders]\n\"2:/a\" = {{ take = false }}\n");
        for text in [text.clone(), text.replace('\n', "\r\n"), format!("\u{FEFF}{text}")] {
            let wanted = read(&text).unwrap().wanted().unwrap();
            assert_eq!((wanted.kinds.len(), &*wanted.left_by_plan), (1, &["2:/a".to_string()][..]));
        }
    }

    #[test]
    fn what_is_wrong_is_said_with_its_place() {
        let why = |text: &str| match read(text).and_then(|plan| plan.wanted()) {
            Err(Error::Usage(why)) => why,
            other => panic!("{other:?}"),
        };
        for (rest, place) in [
            ("[selection]\nkind = [\"photos\"]\n", "line 6, column 1"),
            ("[selection]\nkinds = [\"photos\", \"fotos\"]\n", "line 6, column 20"),
            ("[selection]\nmatch = [\"[\"]\n", "line 6, column 10"),
            ("[selection]\nnewer = \"14.3.2009\"\n", "line 6, column 9"),
            ("[selection]\r\ntime_zone = \"Here\"\r\n", "line 6, column 13"),
            ("[folders]\n\"2:/a\" = { take = \"no\" }\n", "line 6, column"),
            ("[folders]\n\"2:/a\" = { files = 3 }\n", "line 6, column"),
            ("[folders]\n\"2:/a\" = { take = true }\n\"2:/a\" = { take = false }\n", "line 7, column"),
            ("[folders\n", "line 5, column"),
        ] {
            let why = why(&format!("{SMALL}{rest}"));
            assert!(why.contains(place) && why.contains("choir.plan.toml"), "{why}");
        }
        assert!(why(&SMALL.replace("= 1", "= 2")).contains("line 1, column 17"));
        assert!(why("").contains("handback_plan"));
    }
}
