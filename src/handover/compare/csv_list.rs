//! `manifest.csv`, row by row (RFC 4180).

use std::collections::HashMap;
use std::io::BufRead;
use std::path::Path;

use enumset::EnumSet;

use super::list::{Line, SourceOf, bad};
use crate::catalog::{Distrust, State};
use crate::error::{Error, Result};
use crate::handover::csv::plain;
use crate::handover::digests::Algorithm;
use crate::handover::hex;

/// How the heading begins.
const HEADING: &str = "path,source_path,volume,address,";

/// Longest row that is read, in bytes: two paths of the longest kind that Windows makes, quoted.
const LONGEST_ROW: usize = 1 << 20;

/// The kinds of digest that the heading names, if it is one.
pub(super) fn algorithms(start: &str) -> Option<EnumSet<Algorithm>> {
    let heading = start.lines().next().filter(|heading| heading.starts_with(HEADING))?;
    Some(heading.split(',').filter_map(Algorithm::from_word).collect())
}

/// Calls `visit` with each file.
pub(super) fn read(
    mut file: impl BufRead,
    path: &Path,
    algorithm: Algorithm,
    visit: &mut dyn FnMut(Line) -> Result<()>,
) -> Result<()> {
    let mut columns: Option<HashMap<String, usize>> = None;
    let mut row = Row::default();
    let failed = |source| Error::Io { action: "read", path: path.to_path_buf(), source };
    loop {
        let buffer = file.fill_buf().map_err(failed)?;
        let count = buffer.len();
        for byte in buffer {
            row.see(*byte).map_err(|why| bad(path, row.line, why))?;
            if !row.is_done {
                continue;
            }
            let cells = row.take().map_err(|why| bad(path, row.line, why))?;
            match &columns {
                None => {
                    let cells = cells.into_iter().enumerate();
                    columns = Some(
                        cells.map(|(index, name)| (name.trim_start_matches('\u{FEFF}').to_string(), index)).collect(),
                    );
                }
                Some(columns) if cells.len() != columns.len() => {
                    return Err(bad(path, row.line, "it has not as many cells as the heading"));
                }
                Some(columns) => {
                    if let Some(line) = line(&cells, columns, algorithm).map_err(|why| bad(path, row.line, why))? {
                        visit(line)?;
                    }
                }
            }
        }
        file.consume(count);
        if count == 0 {
            return match row.is_empty() {
                true => Ok(()),
                false => Err(bad(path, row.line, "the file ends in the middle of it")),
            };
        }
    }
}

/// A row being read.
#[derive(Default)]
struct Row {
    cells: Vec<Vec<u8>>,
    cell: Vec<u8>,
    length: usize,
    quoted: bool,
    /// The last byte was a quote that ended a quoted part, or the first of two.
    after_quote: bool,
    is_done: bool,
    /// Line ends seen so far, those in cells too.
    line: u64,
}

impl Row {
    fn see(&mut self, byte: u8) -> Result<(), &'static str> {
        self.line += u64::from(byte == b'\n');
        self.length += 1;
        if self.length > LONGEST_ROW {
            return Err("the row is too long");
        }
        let doubled = std::mem::take(&mut self.after_quote);
        match byte {
            b'"' if self.quoted => {
                self.quoted = false;
                self.after_quote = true;
            }
            b'"' => {
                if doubled {
                    self.cell.push(b'"');
                }
                self.quoted = true;
            }
            b',' if !self.quoted => self.cells.push(std::mem::take(&mut self.cell)),
            b'\n' if !self.quoted => {
                if self.cell.last() == Some(&b'\r') {
                    self.cell.pop();
                }
                self.cells.push(std::mem::take(&mut self.cell));
                self.is_done = true;
            }
            byte => self.cell.push(byte),
        }
        Ok(())
    }

    fn take(&mut self) -> Result<Vec<String>, &'static str> {
        (self.is_done, self.length) = (false, 0);
        let cells = std::mem::take(&mut self.cells);
        cells.into_iter().map(|cell| String::from_utf8(cell).map_err(|_| "it is not UTF-8")).collect()
    }

    fn is_empty(&self) -> bool {
        self.cells.is_empty() && self.cell.is_empty() && !self.quoted
    }
}

fn line(
    cells: &[String],
    columns: &HashMap<String, usize>,
    algorithm: Algorithm,
) -> Result<Option<Line>, &'static str> {
    let cell = |name: &str| columns.get(name).and_then(|index| cells.get(*index)).map_or("", String::as_str);
    if cell("kind") == "folder" {
        return Ok(None);
    }
    let digest = match cell(algorithm.word()) {
        "" => None,
        digest if algorithm.is_digest(digest) => hex::bytes(&digest.to_ascii_lowercase()).map(Into::into),
        _ => return Err("what stands for the digest is none"),
    };
    let volume = cell("volume").parse().map_err(|_| "the volume is no number")?;
    Ok(Some(Line {
        path: Some(plain(cell("path")).to_string()),
        source: Some(SourceOf {
            volume,
            path: plain(cell("source_path")).to_string(),
            address: plain(cell("address")).to_string(),
        }),
        digest,
        size: cell("size").parse().ok(),
        state: State::from_word(cell("state")),
        has_gaps: cell("gap_bytes").parse().ok().map(|bytes: u64| bytes > 0 || cell("state") == State::Damaged.word()),
        is_deleted: cell("reasons").split(' ').any(|reason| reason == Distrust::Deleted.word()),
    }))
}
