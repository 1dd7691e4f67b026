//! The project's own text form of a sector map, and plain lists of bad sectors.
//!
//! ```text
//! # handback sector map 1
//! # image-length: 250059350016
//! # basis: full
//! # rest: unreached
//! start,length,state
//! 0,1048576,read
//! 1048576,4096,unread
//! ```
//! All numbers are bytes in decimal. Absent keys: basis `full`, rest `unreached` (`unknown` under the bases `bad-list`
//! and `marker`, which never say `read`).

use std::fmt::Write as _;

use super::{Basis, ByteState, SectorMap, Segment};
use crate::error::{Error, Result};

/// The first line of the own form, without its line end.
const HEADING: &str = "# handback sector map 1";

/// The line that stands before the rows.
const COLUMNS: &str = "start,length,state";

/// Most rows that are read from a file: a 20 TB drive with every second sector bad would have more, and no use.
pub(super) const MAX_ROWS: usize = 20_000_000;

/// What a map file looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// The own CSV form.
    Own,
    /// Anything else: a list of bad sectors or columns of another program, which the caller must describe.
    Other,
}

impl Format {
    /// Tells the own form by its first line.
    #[must_use]
    pub fn of(text: &str) -> Self {
        if text.lines().next().is_some_and(|line| line.trim_end() == HEADING) { Self::Own } else { Self::Other }
    }
}

/// An error in a map file, with its line.
pub(super) fn wrong(line: usize, what: impl std::fmt::Display) -> Error {
    Error::Usage(format!("line {} of the sector map: {what}", line.saturating_add(1)))
}

pub(super) fn too_many_rows() -> Error {
    Error::Limit {
        what: "rows in one sector map".to_string(),
        limit: crate::bytes::to_u64(MAX_ROWS),
        next: "join neighbouring ranges first",
    }
}

/// Makes the map, turning the index of a bad range into its line. `asserted` is the user's word for what isn't listed:
/// if that is `read`, it is the basis from here on.
pub(super) fn build(
    length: u64,
    (basis, rest): (Basis, ByteState),
    asserted: Option<ByteState>,
    ranges: &[Segment],
    line_of: impl Fn(usize) -> usize,
) -> Result<SectorMap> {
    let basis = if asserted == Some(ByteState::Read) { Basis::Asserted } else { basis };
    let rest = asserted.unwrap_or(rest);
    SectorMap::from_ranges(length, basis, rest, ranges).map_err(|index| {
        wrong(line_of(index), format!("the range is empty, out of order, overlaps or ends after byte {length}"))
    })
}

impl SectorMap {
    /// Reads the own form. `rest` is the user's word for bytes that the file doesn't list; `None` leaves the file's.
    ///
    /// # Errors
    /// [`Error::Usage`] with the line for anything that is not exactly the form.
    pub fn from_csv(text: &str, rest: Option<ByteState>) -> Result<Self> {
        let asserted = rest;
        let mut lines = text.lines().enumerate();
        match lines.next() {
            Some((_, line)) if line.trim_end() == HEADING => {}
            _ => return Err(wrong(0, format!("`{HEADING}` must stand here"))),
        }
        let (mut length, mut basis, mut rest) = (None, None, None);
        let mut seen_columns = false;
        let mut ranges = Vec::new();
        let mut rows = Vec::new();
        for (number, line) in lines {
            let line = line.trim_end_matches('\r');
            if line.is_empty() {
                continue;
            }
            if let Some(key) = line.strip_prefix('#') {
                if seen_columns {
                    return Err(wrong(number, "keys stand before the rows"));
                }
                read_key(number, key, &mut length, &mut basis, &mut rest)?;
            } else if !seen_columns {
                if line != COLUMNS {
                    return Err(wrong(number, format!("`{COLUMNS}` must stand before the rows")));
                }
                seen_columns = true;
            } else {
                if ranges.len() >= MAX_ROWS {
                    return Err(too_many_rows());
                }
                ranges.push(read_row(number, line)?);
                rows.push(number);
            }
        }
        let length = length.ok_or_else(|| wrong(0, "the key `image-length` is missing"))?;
        if !seen_columns {
            return Err(wrong(
                text.lines().count().saturating_sub(1),
                format!("`{COLUMNS}` is missing: was the file cut short?"),
            ));
        }
        let basis = basis.unwrap_or(Basis::Full);
        // What says only which sectors are bad says nothing of the others.
        let says_bad_only = matches!(basis, Basis::BadList | Basis::Marker);
        let said = (basis, rest.unwrap_or(if says_bad_only { ByteState::Unknown } else { ByteState::Unreached }));
        if says_bad_only {
            let row = ranges.iter().position(|segment| segment.state == ByteState::Read);
            let line = row.and_then(|index| rows.get(index).copied());
            if rest == Some(ByteState::Read) || row.is_some() {
                return Err(wrong(
                    line.unwrap_or(0),
                    format!("a map of basis `{basis}` can't say `read`; if it is your own word, write `asserted`"),
                ));
            }
        }
        build(length, said, asserted, &ranges, |index| rows.get(index).copied().unwrap_or(0))
    }

    /// Writes the own form, with LF line ends. Every range is listed but those of which nobody says anything, and
    /// `rest` is never `read`: a file that was cut short must not say more than the whole one.
    #[must_use]
    pub fn to_csv(&self) -> String {
        // A map that nobody gave speaks of nothing: a list of bad sectors without a sector.
        let basis = self.basis().unwrap_or(Basis::BadList);
        let rest = if self.rest() == ByteState::Unknown { ByteState::Unknown } else { ByteState::Unreached };
        let mut text =
            format!("{HEADING}\n# image-length: {}\n# basis: {basis}\n# rest: {}\n{COLUMNS}\n", self.length(), rest);
        let listed = |segment: &Segment| segment.state != ByteState::Unknown || rest != ByteState::Unknown;
        for Segment { range, state } in self.segments(0..self.length()).filter(listed) {
            // Writing to a String can't fail.
            let _ = writeln!(text, "{},{},{state}", range.start, range.end.saturating_sub(range.start));
        }
        text
    }

    /// Reads a plain list of bad sectors: numbers of sectors of `sector_size` bytes, decimal or `0x…`, separated by
    /// blanks, commas or line ends; `12-15` is a range with both ends; `#` starts a comment. Order is free.
    ///
    /// The result says what is bad and nothing of the rest: basis `bad-list`, rest `unknown`, unless `rest` is the
    /// user's word for it.
    ///
    /// # Errors
    /// [`Error::Usage`] with the line for anything else, or a sector outside `image_length`.
    pub fn from_bad_sectors(text: &str, sector_size: u64, image_length: u64, rest: Option<ByteState>) -> Result<Self> {
        let mut ranges: Vec<(Segment, usize)> = Vec::new();
        for (number, line) in text.lines().enumerate() {
            let line = line.split('#').next().unwrap_or_default();
            for word in line.split(|mark: char| mark.is_whitespace() || mark == ',').filter(|word| !word.is_empty()) {
                let (first, last) = word.split_once('-').unwrap_or((word, word));
                let both = parse_number(first).zip(parse_number(last)).filter(|(first, last)| first <= last);
                let Some((first, last)) = both else {
                    return Err(wrong(number, format!("`{word}` is not a sector number or a range of them")));
                };
                let start = first.checked_mul(sector_size).filter(|start| *start < image_length);
                let end = last.checked_add(1).and_then(|end| end.checked_mul(sector_size));
                let Some((start, end)) = start.zip(end) else {
                    return Err(wrong(
                        number,
                        format!("sector {last} lies after the image's end at byte {image_length}"),
                    ));
                };
                // The image's last sector may be cut short.
                if end.saturating_sub(sector_size) >= image_length {
                    return Err(wrong(
                        number,
                        format!("sector {last} lies after the image's end at byte {image_length}"),
                    ));
                }
                if ranges.len() >= MAX_ROWS {
                    return Err(too_many_rows());
                }
                ranges.push((Segment { range: start..end.min(image_length), state: ByteState::Unread }, number));
            }
        }
        ranges.sort_by_key(|(segment, _)| segment.range.start);
        let mut joined: Vec<Segment> = Vec::with_capacity(ranges.len());
        for (segment, _) in ranges {
            match joined.last_mut() {
                Some(last) if segment.range.start <= last.range.end => {
                    last.range.end = last.range.end.max(segment.range.end);
                }
                _ => joined.push(segment),
            }
        }
        build(image_length, (Basis::BadList, ByteState::Unknown), rest, &joined, |_| 0)
    }
}

/// Decimal, or hexadecimal after `0x`.
pub(super) fn parse_number(text: &str) -> Option<u64> {
    match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(hex) => u64::from_str_radix(hex, 16).ok(),
        None => text.parse().ok(),
    }
}

fn read_key(
    number: usize,
    key: &str,
    length: &mut Option<u64>,
    basis: &mut Option<Basis>,
    rest: &mut Option<ByteState>,
) -> Result<()> {
    // A comment that is no `key: value` is a comment.
    let Some((key, value)) = key.split_once(':') else { return Ok(()) };
    let value = value.trim();
    let twice = match key.trim() {
        "image-length" => {
            let parsed = value.parse().map_err(|_| wrong(number, format!("`{value}` is not a length in bytes")))?;
            length.replace(parsed).is_some()
        }
        "basis" => {
            let parsed = Basis::from_word(value).ok_or_else(|| wrong(number, format!("`{value}` is no basis")))?;
            basis.replace(parsed).is_some()
        }
        "rest" => {
            let parsed = ByteState::from_word(value).ok_or_else(|| wrong(number, format!("`{value}` is no state")))?;
            rest.replace(parsed).is_some()
        }
        _ => false,
    };
    if twice { Err(wrong(number, format!("the key `{}` stands twice", key.trim()))) } else { Ok(()) }
}

fn read_row(number: usize, line: &str) -> Result<Segment> {
    let mut fields = line.split(',');
    let (Some(start), Some(length), Some(state), None) = (fields.next(), fields.next(), fields.next(), fields.next())
    else {
        return Err(wrong(number, "a row has three fields"));
    };
    let parse =
        |field: &str| field.parse::<u64>().map_err(|_| wrong(number, format!("`{field}` is not a number of bytes")));
    let (start, length) = (parse(start)?, parse(length)?);
    let end = start.checked_add(length).ok_or_else(|| wrong(number, "the range ends past 2^64"))?;
    let state = ByteState::from_word(state).ok_or_else(|| wrong(number, format!("`{state}` is no state")))?;
    Ok(Segment { range: start..end, state })
}
