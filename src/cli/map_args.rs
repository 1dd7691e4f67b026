//! The options that say which sector map counts, and how its file is written.

use std::collections::BTreeMap;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::size;
use crate::error::{Error, Result};
use crate::sector_map::{ByteState, ColumnImport, Extent, MapChoice, MapForm, MapRequest, Numbers};

/// Bytes in a sector of a bad-sector list, unless said otherwise.
const LIST_SECTOR: u64 = 512;

/// Which map.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Which bytes came off the drive (see also docs/sector-map.md)")]
pub(super) struct MapArgs {
    /// The sector map [default: the one beside the image, `disk.map.csv` for `disk.img`]
    #[arg(long, value_name = "FILE")]
    pub(super) map: Option<PathBuf>,
    /// Use no map, even if one stands beside the image
    #[arg(long, conflicts_with_all = ["map", "map_accept"])]
    pub(super) no_map: bool,
    /// Believe the map although there are signs that it belongs to another image
    #[arg(long)]
    pub(super) map_accept: bool,
    #[command(flatten)]
    pub(super) form: MapFormArgs,
}

/// How a map's file is written, and what the user adds to it.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Which bytes came off the drive (see also docs/sector-map.md)")]
pub(super) struct MapFormArgs {
    /// The state of bytes that the map doesn't list: `read`, `unread`, `unreached` or `unknown`. `read` is your word,
    /// and every result says so
    #[arg(long, value_name = "STATE", value_parser = state)]
    map_rest: Option<ByteState>,
    /// Where in the map the image begins: for the map of a drive with the image of one volume
    #[arg(long, value_name = "BYTES", value_parser = size::parse)]
    pub(super) map_offset: Option<u64>,
    /// How the map's file is written [default: own]
    #[arg(long, value_name = "FORM", value_enum)]
    map_form: Option<FormWord>,
    /// Bytes in one unit of the file's numbers [default: 512 for bad sectors, 1 for columns]
    #[arg(long, value_name = "BYTES", value_parser = unit, hide_short_help = true)]
    map_unit: Option<u64>,
    #[command(flatten)]
    columns: ColumnArgs,
}

/// The description of another program's log.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "The columns of another program's log, with `--map-form columns`")]
struct ColumnArgs {
    /// The column, counted from 1, where a range starts [default: 1]
    #[arg(long, value_name = "COLUMN", hide_short_help = true)]
    map_start_column: Option<usize>,
    /// The column with a range's length; without this and the next two, every row is one unit
    #[arg(long, value_name = "COLUMN", hide_short_help = true, group = "extent")]
    map_length_column: Option<usize>,
    /// The column with the first unit after a range
    #[arg(long, value_name = "COLUMN", hide_short_help = true, group = "extent")]
    map_end_column: Option<usize>,
    /// The column with the last unit of a range
    #[arg(long, value_name = "COLUMN", hide_short_help = true, group = "extent")]
    map_last_column: Option<usize>,
    /// The column with the word for a range's state
    #[arg(long, value_name = "COLUMN", hide_short_help = true, requires = "map_word")]
    map_state_column: Option<usize>,
    /// What a word of the log means, such as `fine=read`; once for every word that stands in it
    #[arg(long, value_name = "WORD=STATE", value_parser = word, hide_short_help = true, requires = "map_state_column")]
    map_word: Vec<(String, ByteState)>,
    /// The state of every row, if the log has no column for it
    #[arg(long, value_name = "STATE", value_parser = state, hide_short_help = true, conflicts_with = "map_state_column")]
    map_every_row: Option<ByteState>,
    /// How numbers are written: 10, or 16 for hexadecimal without a leading `0x` [default: 10]
    #[arg(long, value_name = "BASE", value_parser = base, hide_short_help = true)]
    map_base: Option<Numbers>,
    /// What stands between columns: `blank` (blanks and tabs, however many), `tab`, or one character [default: blank]
    #[arg(long, value_name = "MARK", value_parser = separator, hide_short_help = true)]
    map_separator: Option<Separator>,
    /// What a line begins with that is only a comment
    #[arg(long, value_name = "MARK", hide_short_help = true)]
    map_comment: Option<String>,
    /// How many lines at the top to pass over
    #[arg(long, value_name = "LINES", hide_short_help = true)]
    map_skip: Option<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FormWord {
    /// handback's own CSV form
    Own,
    /// A plain list of the numbers of bad sectors
    BadSectors,
    /// One range a row, described with the options for columns
    Columns,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Separator {
    Blanks,
    Character(char),
}

impl MapArgs {
    /// What the user says about the map.
    ///
    /// # Errors
    /// [`Error::Usage`] for options that say nothing together.
    pub(super) fn request(&self) -> Result<MapRequest> {
        let form = self.form.form()?;
        let file = match &self.map {
            Some(path) => MapChoice::Named(path.clone()),
            None if self.no_map => MapChoice::Ignored,
            None => MapChoice::Beside,
        };
        if self.map.is_none() && !matches!(form, MapForm::Own) {
            return Err(Error::Usage(
                "`--map-form` describes the file that `--map FILE` names, and none is named".to_string(),
            ));
        }
        if self.no_map && self.form.map_offset.is_some() {
            return Err(Error::Usage("with `--no-map` there is nothing that `--map-offset` could shift".to_string()));
        }
        Ok(MapRequest { file, form, rest: self.form.map_rest, offset: self.form.map_offset, accept: self.map_accept })
    }
}

impl MapFormArgs {
    /// The user's word for what the file doesn't list.
    pub(super) fn rest(&self) -> Option<ByteState> {
        self.map_rest
    }

    /// How the file is written.
    ///
    /// # Errors
    /// [`Error::Usage`] for options that belong to another form.
    pub(super) fn form(&self) -> Result<MapForm> {
        let form = self.map_form.unwrap_or(FormWord::Own);
        if form != FormWord::Columns
            && let Some(option) = self.columns.first_given()
        {
            return Err(Error::Usage(format!("`{option}` describes columns; say `--map-form columns` with it")));
        }
        if form == FormWord::Own && self.map_unit.is_some() {
            return Err(Error::Usage(
                "`--map-unit` is for `--map-form bad-sectors` and `--map-form columns`; the own form is in bytes"
                    .to_string(),
            ));
        }
        Ok(match form {
            FormWord::Own => MapForm::Own,
            FormWord::BadSectors => MapForm::BadSectors { sector: self.map_unit.unwrap_or(LIST_SECTOR) },
            FormWord::Columns => MapForm::Columns(self.columns.import(self.map_unit.unwrap_or(1), self.map_rest)?),
        })
    }
}

impl ColumnArgs {
    /// The first of these options that the user gave.
    fn first_given(&self) -> Option<&'static str> {
        [
            (self.map_start_column.is_some(), "--map-start-column"),
            (self.map_length_column.is_some(), "--map-length-column"),
            (self.map_end_column.is_some(), "--map-end-column"),
            (self.map_last_column.is_some(), "--map-last-column"),
            (self.map_state_column.is_some(), "--map-state-column"),
            (!self.map_word.is_empty(), "--map-word"),
            (self.map_every_row.is_some(), "--map-every-row"),
            (self.map_base.is_some(), "--map-base"),
            (self.map_separator.is_some(), "--map-separator"),
            (self.map_comment.is_some(), "--map-comment"),
            (self.map_skip.is_some(), "--map-skip"),
        ]
        .into_iter()
        .find_map(|(given, option)| given.then_some(option))
    }

    fn import(&self, unit: u64, rest: Option<ByteState>) -> Result<ColumnImport> {
        let only_state = match (self.map_state_column, self.map_every_row) {
            (Some(_), _) => ByteState::Unknown,
            (None, Some(state)) => state,
            (None, None) => {
                return Err(Error::Usage(
                    "what state are the rows in? Name its column with `--map-state-column`, or say it of all with \
                     `--map-every-row unread`"
                        .to_string(),
                ));
            }
        };
        let mut words = BTreeMap::new();
        for (word, state) in &self.map_word {
            if words.insert(word.clone(), *state).is_some_and(|earlier| earlier != *state) {
                return Err(Error::Usage(format!("`--map-word` gives `{word}` two meanings")));
            }
        }
        let extent = match (self.map_length_column, self.map_end_column, self.map_last_column) {
            (Some(column), _, _) => Extent::Length(column),
            (_, Some(column), _) => Extent::End(column),
            (_, _, Some(column)) => Extent::Last(column),
            (None, None, None) => Extent::OneUnit,
        };
        Ok(ColumnImport {
            start: self.map_start_column.unwrap_or(1),
            extent,
            state: self.map_state_column,
            only_state,
            words,
            numbers: self.map_base.unwrap_or(Numbers::Decimal),
            unit,
            separator: match self.map_separator {
                None | Some(Separator::Blanks) => None,
                Some(Separator::Character(mark)) => Some(mark),
            },
            comment: self.map_comment.clone(),
            skip: self.map_skip.unwrap_or(0),
            rest,
        })
    }
}

fn state(text: &str) -> Result<ByteState, String> {
    ByteState::from_word(text).ok_or_else(|| "a state is `read`, `unread`, `unreached` or `unknown`".to_string())
}

fn word(text: &str) -> Result<(String, ByteState), String> {
    // The last `=`: a log's word may hold one.
    let (word, meaning) = text.rsplit_once('=').ok_or_else(|| "write it as `fine=read`".to_string())?;
    if word.is_empty() {
        return Err("the word before `=` is missing".to_string());
    }
    Ok((word.to_string(), state(meaning)?))
}

fn unit(text: &str) -> Result<u64, String> {
    match size::parse(text)? {
        0 => Err("a unit has at least one byte".to_string()),
        size => Ok(size),
    }
}

fn base(text: &str) -> Result<Numbers, String> {
    match text {
        "10" => Ok(Numbers::Decimal),
        "16" => Ok(Numbers::Hexadecimal),
        _ => Err("numbers are written with base 10 or 16".to_string()),
    }
}

fn separator(text: &str) -> Result<Separator, String> {
    let mut characters = text.chars();
    match (text, characters.next(), characters.next()) {
        ("blank", _, _) => Ok(Separator::Blanks),
        ("tab", _, _) => Ok(Separator::Character('\t')),
        (_, Some(mark), None) => Ok(Separator::Character(mark)),
        _ => Err("write `blank`, `tab` or one character".to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        map: MapArgs,
    }

    fn request(words: &str) -> Result<MapRequest, String> {
        let line = Line::try_parse_from(std::iter::once("x").chain(words.split_whitespace()));
        line.map_err(|error| error.to_string())?.map.request().map_err(|error| error.to_string())
    }

    #[test]
    fn without_a_word_the_map_beside_the_image_counts() {
        let asked = request("").unwrap();
        assert_eq!((asked.file, asked.rest, asked.offset, asked.accept), (MapChoice::Beside, None, None, false));
        assert!(matches!(asked.form, MapForm::Own));
        assert_eq!(request("--no-map").unwrap().file, MapChoice::Ignored);
    }

    #[test]
    fn a_list_and_a_log_are_described() {
        let list = request("--map l --map-form bad-sectors --map-rest read --map-accept").unwrap();
        assert!(matches!(list.form, MapForm::BadSectors { sector: 512 }));
        assert_eq!((list.rest, list.accept), (Some(ByteState::Read), true));
        let log = request(
            "--map l --map-form columns --map-start-column 2 --map-last-column 3 --map-state-column 4 --map-word \
             ok=read --map-word a=b=unread --map-base 16 --map-unit 4096 --map-separator ; --map-comment # --map-skip 2 \
             --map-offset 0x100000",
        )
        .unwrap();
        let MapForm::Columns(columns) = log.form else { panic!("{:?}", log.form) };
        assert_eq!((columns.start, columns.extent, columns.state), (2, Extent::Last(3), Some(4)));
        assert_eq!(columns.words, [("ok".to_string(), ByteState::Read), ("a=b".to_string(), ByteState::Unread)].into());
        assert_eq!((columns.numbers, columns.unit, columns.separator), (Numbers::Hexadecimal, 4096, Some(';')));
        assert_eq!((columns.comment.as_deref(), columns.skip, log.offset), (Some("#"), 2, Some(0x10_0000)));
    }

    #[test]
    fn what_says_nothing_together_is_refused() {
        for (words, hint) in [
            ("--map l --no-map", "--no-map"),
            ("--map-form bad-sectors", "--map FILE"),
            ("--map l --map-skip 1", "--map-form columns"),
            ("--map l --map-unit 512", "--map-unit"),
            ("--map l --map-form columns", "--map-every-row"),
            ("--map l --map-form columns --map-state-column 2", "--map-word"),
            (
                "--map l --map-form columns --map-every-row read --map-end-column 2 --map-last-column 3",
                "cannot be used",
            ),
            ("--map l --map-form columns --map-state-column 2 --map-word a=read --map-word a=unread", "two meanings"),
            ("--map l --map-rest good", "a state is"),
            ("--map l --map-form bad-sectors --map-unit 0", "at least one byte"),
            ("--no-map --map-offset 5", "--map-offset"),
        ] {
            let message = request(words).unwrap_err();
            assert!(message.contains(hint), "{words}: {message}");
        }
    }
}
