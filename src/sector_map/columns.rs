//! Imaging logs of other programs, read by describing their columns.
//!
//! No program's format is built in. The caller says which column is what, in which base and unit, and what the state
//! words mean; a word without a meaning is an error and never `read`.

use std::collections::BTreeMap;

use super::csv::{MAX_ROWS, too_many_rows, wrong};
use super::{Basis, ByteState, SectorMap, Segment};
use crate::error::{Error, Result};

/// How a row says where it ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// The column (from 1) with the number of units.
    Length(usize),
    /// The column (from 1) with the first unit after the range.
    End(usize),
    /// The column (from 1) with the last unit of the range.
    Last(usize),
    /// Every row is one unit.
    OneUnit,
}

/// How numbers are written. A leading `0x` is hexadecimal in either.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Numbers {
    /// Base 10.
    Decimal,
    /// Base 16.
    Hexadecimal,
}

/// The description of a log with one range a row.
#[derive(Debug, Clone)]
pub struct ColumnImport {
    /// The column (from 1) with the first unit of the range.
    pub start: usize,
    /// Where the range ends.
    pub extent: Extent,
    /// The column (from 1) with the state, or `None` if every row is in the state `only_state`.
    pub state: Option<usize>,
    /// The state of every row of a log without a state column.
    pub only_state: ByteState,
    /// What each state word means.
    pub words: BTreeMap<String, ByteState>,
    /// How numbers are written.
    pub numbers: Numbers,
    /// Bytes in a unit: 1, or the sector size.
    pub unit: u64,
    /// What separates columns; `None` for blanks and tabs, however many.
    pub separator: Option<char>,
    /// What starts a comment at the beginning of a line.
    pub comment: Option<String>,
    /// Lines to pass over at the top.
    pub skip: usize,
    /// The user's word for unlisted bytes. Without it they are `unreached` in a log that says `read` of anything, and
    /// `unknown` in one that doesn't.
    pub rest: Option<ByteState>,
}

impl ColumnImport {
    /// Reads `text` as the map of an image of `image_length` bytes. Rows may stand in any order but not overlap.
    ///
    /// The basis is `full` if any row says `read`, else `bad-list`.
    ///
    /// # Errors
    /// [`Error::Usage`] with the line for a missing column, a bad number, an unknown state word, an overlap, or a
    /// range past the image's end.
    pub fn read(&self, text: &str, image_length: u64) -> Result<SectorMap> {
        if self.unit == 0 || self.start == 0 {
            return Err(Error::Usage("columns are counted from 1 and a unit has at least one byte".to_string()));
        }
        let mut rows: Vec<(Segment, usize)> = Vec::new();
        for (number, line) in text.lines().enumerate().skip(self.skip) {
            let line = line.trim();
            if line.is_empty()
                || self.comment.as_ref().is_some_and(|mark| !mark.is_empty() && line.starts_with(mark.as_str()))
            {
                continue;
            }
            if rows.len() >= MAX_ROWS {
                return Err(too_many_rows());
            }
            if let Some(segment) = self.row(number, line)? {
                if segment.range.end > image_length {
                    return Err(wrong(
                        number,
                        format!("the range ends at byte {} and the image at {image_length}", segment.range.end),
                    ));
                }
                rows.push((segment, number));
            }
        }
        rows.sort_by_key(|(segment, _)| segment.range.start);
        let says_read = rows.iter().any(|(segment, _)| segment.state == ByteState::Read);
        let said = if says_read { (Basis::Full, ByteState::Unreached) } else { (Basis::BadList, ByteState::Unknown) };
        let (ranges, lines): (Vec<Segment>, Vec<usize>) = rows.into_iter().unzip();
        super::csv::build(image_length, said, self.rest, &ranges, |index| lines.get(index).copied().unwrap_or(0))
    }

    /// One line as a range; `None` for an empty one.
    fn row(&self, number: usize, line: &str) -> Result<Option<Segment>> {
        let fields: Vec<&str> = match self.separator {
            Some(separator) => line.split(separator).map(str::trim).collect(),
            None => line.split_whitespace().collect(),
        };
        let field = |column: usize| {
            column
                .checked_sub(1)
                .and_then(|index| fields.get(index).copied())
                .ok_or_else(|| wrong(number, format!("there is no column {column}; the line has {}", fields.len())))
        };
        let value = |column: usize| -> Result<u64> {
            let text = field(column)?;
            self.number(text).ok_or_else(|| wrong(number, format!("`{text}` in column {column} is not a number")))
        };
        let state = match self.state {
            None => self.only_state,
            Some(column) => {
                let word = field(column)?;
                *self
                    .words
                    .get(word)
                    .ok_or_else(|| wrong(number, format!("nobody said what the state `{word}` means")))?
            }
        };
        let too_large = || wrong(number, "the range ends past 2^64");
        let start = value(self.start)?;
        let end = match self.extent {
            Extent::Length(column) => start.checked_add(value(column)?),
            Extent::End(column) => Some(value(column)?),
            Extent::Last(column) => value(column)?.checked_add(1),
            Extent::OneUnit => start.checked_add(1),
        }
        .ok_or_else(too_large)?;
        if end < start {
            return Err(wrong(number, "the range ends before it starts"));
        }
        let bytes = start.checked_mul(self.unit).zip(end.checked_mul(self.unit)).ok_or_else(too_large)?;
        Ok((start < end).then_some(Segment { range: bytes.0..bytes.1, state }))
    }

    fn number(&self, text: &str) -> Option<u64> {
        match (text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")), self.numbers) {
            (Some(hex), _) => u64::from_str_radix(hex, 16).ok(),
            (None, Numbers::Hexadecimal) => u64::from_str_radix(text, 16).ok(),
            (None, Numbers::Decimal) => text.parse().ok(),
        }
    }
}
