//! Tables as RFC 4180 has them: UTF-8, CRLF, cells quoted where they must be.

use std::borrow::Cow;
use std::io::{self, Write};

/// Writes one row.
pub(crate) fn row(out: &mut dyn Write, cells: &[&str]) -> io::Result<()> {
    let mut line = String::with_capacity(cells.iter().map(|cell| cell.len() + 1).sum());
    for (index, cell) in cells.iter().enumerate() {
        if index > 0 {
            line.push(',');
        }
        line.push_str(&quoted(cell));
    }
    line.push_str("\r\n");
    out.write_all(line.as_bytes())
}

fn quoted(cell: &str) -> Cow<'_, str> {
    let must = cell.contains(['"', ',', '\r', '\n']) || cell.starts_with(' ') || cell.ends_with(' ');
    if must { format!("\"{}\"", cell.replace('"', "\"\"")).into() } else { cell.into() }
}

/// A text of the image's as a cell that no spreadsheet takes for a formula: `'` stands before a text that begins with
/// a sign which starts one (in full width, too, and after a line end or a tab), or with `'`. Taking one `'` from the
/// front gives the text back: see [`plain`].
pub(crate) fn harmless(text: &str) -> Cow<'_, str> {
    match text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠', '\'']) {
        true => format!("'{text}").into(),
        false => text.into(),
    }
}

/// The text of a cell that [`harmless`] made.
pub(crate) fn plain(cell: &str) -> &str {
    cell.strip_prefix('\'').unwrap_or(cell)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4180, section 2, rules 5 to 7.
    #[test]
    fn cells_are_quoted_where_they_must_be() {
        let mut out = Vec::new();
        row(&mut out, &["plain", "", "a,b", "say \"la\"", "two\r\nlines", " edge"]).unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "plain,,\"a,b\",\"say \"\"la\"\"\",\"two\r\nlines\",\" edge\"\r\n");
    }

    #[test]
    fn a_formula_is_disarmed_and_comes_back() {
        for text in ["=1+1", "-x", "'quoted", "''twice", "@here", "+49", "plain", "", "\tx", "\r\n=1", "\n=1", "＝1+1"]
        {
            let cell = harmless(text);
            assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝']), "{text:?}");
            assert_eq!(plain(&cell), text);
        }
    }
}
