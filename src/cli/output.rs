//! Where everything that is printed goes: data to standard output, the rest to standard error.
//!
//! Whatever passes through here is free of control characters, also where a caller forgot to escape a name. Nothing
//! is said by colour alone.

use std::borrow::Cow;
use std::io::{self, Write};

use comfy_table::{Attribute, Cell, CellAlignment, ColumnConstraint, ContentArrangement};
use unicode_width::UnicodeWidthStr;

use super::escape;
use crate::error::{Error, Result};

/// A terminal that says it is narrower than this, in columns, doesn't know its width; cells broken to fit it could not
/// be read.
const NARROWEST: u16 = 40;

/// Blanks behind each column.
const BETWEEN: u16 = 2;

/// What the program was started on.
#[derive(Debug, Clone, Copy, Default)]
pub struct Terminal {
    /// Standard output is a terminal.
    pub out: bool,
    /// Standard error is a terminal.
    pub err: bool,
    /// Bold and colour are wanted (`NO_COLOR` is not set).
    pub colour: bool,
}

/// The side on which a column's cells stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Align {
    /// Words and names.
    Left,
    /// Numbers.
    Right,
}

/// A column of a table that is printed row by row.
pub(super) struct Column {
    name: &'static str,
    align: Align,
    width: usize,
}

impl Column {
    pub(super) fn new(name: &'static str, align: Align) -> Self {
        Self { name, align, width: name.len() }
    }

    /// Makes room for a cell of that many characters.
    pub(super) fn fit(&mut self, width: usize) {
        self.width = self.width.max(width);
    }

    /// Gives the cell that stands from `start` to the end of the text the width of the column.
    fn fill(&self, text: &mut String, start: usize) {
        let blanks = self.width.saturating_sub(width(&text[start..]));
        match self.align {
            Align::Right => {
                insert_blanks(text, start, blanks);
                insert_blanks(text, text.len(), usize::from(BETWEEN));
            }
            Align::Left => insert_blanks(text, text.len(), blanks + usize::from(BETWEEN)),
        }
    }
}

fn insert_blanks(text: &mut String, at: usize, mut count: usize) {
    const BLANKS: &str = "                                ";
    while count > 0 {
        let some = BLANKS.get(..count).unwrap_or(BLANKS);
        text.insert_str(at, some);
        count -= some.len();
    }
}

/// How many characters of a terminal a text takes.
pub(super) fn width(text: &str) -> usize {
    if text.is_ascii() { text.len() } else { text.width() }
}

/// One line of a table that is printed row by row, written straight onto a text that may hold many: there may be
/// millions.
pub(super) struct Row<'a> {
    text: &'a mut String,
    start: usize,
    /// Those whose cells are still to come.
    columns: &'a [Column],
}

impl<'a> Row<'a> {
    pub(super) fn new(columns: &'a [Column], text: &'a mut String) -> Self {
        Self { start: text.len(), text, columns }
    }

    /// Adds what `write` adds as the next cell. Names must have gone through [`escape::for_terminal`].
    pub(super) fn cell<T>(&mut self, write: impl FnOnce(&mut String) -> T) -> T {
        let start = self.text.len();
        let written = write(self.text);
        if let Cow::Owned(safe) = escape::line(&self.text[start..]) {
            self.text.replace_range(start.., &safe);
        }
        if let Some((column, others)) = self.columns.split_first() {
            // Blanks at the end of the line would be taken away again.
            if !others.is_empty() || column.align == Align::Right {
                column.fill(self.text, start);
            }
            self.columns = others;
        }
        written
    }

    pub(super) fn end(self) {
        let end = self.start + self.text[self.start..].trim_end().len();
        self.text.truncate(end);
        self.text.push('\n');
    }
}

/// Rows under headings.
pub(super) struct Table {
    columns: Vec<(&'static str, Align)>,
    rows: Vec<Vec<String>>,
    fitted: Option<&'static [&'static str]>,
}

impl Table {
    pub(super) fn new(columns: &[(&'static str, Align)]) -> Self {
        Self { columns: columns.to_vec(), rows: Vec::new(), fitted: None }
    }

    /// Adds a row, one cell a column. Names must have gone through [`escape::for_terminal`].
    pub(super) fn row(&mut self, cells: Vec<String>) {
        debug_assert_eq!(cells.len(), self.columns.len(), "one cell a column");
        self.rows.push(cells);
    }

    /// Whether there is nothing under the headings.
    pub(super) fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Without the columns in which nothing stands; the first one stays.
    pub(super) fn without_empty_columns(mut self) -> Self {
        let used: Vec<bool> = (0..self.columns.len())
            .map(|column| {
                column == 0 || self.rows.iter().any(|row| row.get(column).is_some_and(|cell| !cell.is_empty()))
            })
            .collect();
        let mut kept = used.iter();
        self.columns.retain(|_| kept.next().is_none_or(|kept| *kept));
        for row in &mut self.rows {
            let mut kept = used.iter();
            row.retain(|_| kept.next().is_none_or(|kept| *kept));
        }
        self
    }

    /// Is kept as narrow as the screen, also where there is none. What doesn't fit loses the columns with these headings,
    /// one after the other, and then the cells of its first column are broken into lines.
    pub(super) fn fitted(mut self, dispensable: &'static [&'static str]) -> Self {
        self.fitted = Some(dispensable);
        self
    }

    /// Takes away what may be taken until it fits.
    fn fit(&mut self, width: usize) {
        for heading in self.fitted.unwrap_or_default() {
            let Some(column) = self.columns.iter().position(|(name, _)| name == heading) else { continue };
            if self.width() > width {
                self.columns.remove(column);
                self.rows.iter_mut().for_each(|row| drop(row.remove(column)));
            }
        }
    }

    /// How many characters a line takes.
    fn width(&self) -> usize {
        let widest = |column: usize, name: &str| {
            let cells =
                self.rows.iter().filter_map(|row| row.get(column)).map(|cell| escape::line(cell).chars().count());
            cells.max().unwrap_or(0).max(name.chars().count())
        };
        self.columns.iter().enumerate().map(|(column, (name, _))| widest(column, name) + usize::from(BETWEEN)).sum()
    }

    fn draw(mut self, terminal: Terminal, width: usize) -> Vec<String> {
        let mut table = comfy_table::Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        if !terminal.out {
            table.force_no_tty();
        }
        let knows_width = terminal.out && table.width().is_some_and(|width| width >= NARROWEST);
        if self.fitted.is_some() {
            self.fit(width);
            table.set_width(u16::try_from(width).unwrap_or(u16::MAX));
        }
        if self.fitted.is_some() || knows_width {
            table.set_content_arrangement(ContentArrangement::Dynamic);
        }
        let bold = terminal.out && terminal.colour;
        table.set_header(self.columns.iter().map(|(name, _)| {
            let cell = Cell::new(name);
            if bold { cell.add_attribute(Attribute::Bold) } else { cell }
        }));
        for row in self.rows {
            table.add_row(row.iter().map(|cell| escape::line(cell).into_owned()).collect::<Vec<_>>());
        }
        for (column, (_, align)) in table.column_iter_mut().zip(&self.columns) {
            column.set_padding((0, BETWEEN));
            if self.fitted.is_some() && column.index > 0 {
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
            column.set_cell_alignment(match align {
                Align::Left => CellAlignment::Left,
                Align::Right => CellAlignment::Right,
            });
        }
        table.lines().map(|line| line.trim_end().to_string()).collect()
    }
}

/// Owns both streams.
pub(super) struct Printer<'a> {
    out: &'a mut dyn Write,
    err: &'a mut dyn Write,
    terminal: Terminal,
    closed: bool,
}

impl<'a> Printer<'a> {
    pub(super) fn new(out: &'a mut dyn Write, err: &'a mut dyn Write, terminal: Terminal) -> Self {
        Self { out, err, terminal, closed: false }
    }

    /// Whether whoever read standard output has gone away: what comes after is dropped without a word, and a long
    /// listing may end.
    pub(super) fn is_closed(&self) -> bool {
        self.closed
    }

    /// How many characters a line takes: the terminal's width; 80 if there is none, or it doesn't know.
    pub(super) fn width(&self) -> usize {
        let asked = if self.terminal.out { comfy_table::Table::new().width() } else { None };
        asked.filter(|width| *width >= NARROWEST).map_or(80, usize::from)
    }

    /// Prints one line of data.
    ///
    /// # Errors
    /// [`Error::Io`] if standard output can't be written; that nobody reads it any more is none.
    pub(super) fn line(&mut self, text: &str) -> Result<()> {
        let line = format!("{}\n", escape::line(text));
        self.raw(line.as_bytes())
    }

    /// Prints a paragraph, `indent` blanks before each line, broken at blanks to the width of the screen. Names in it
    /// must have gone through [`escape::for_terminal`].
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub(super) fn prose(&mut self, indent: usize, text: &str) -> Result<()> {
        let text = escape::line(text);
        for line in broken(&text, self.width().saturating_sub(indent)) {
            self.line(&format!("{:indent$}{line}", ""))?;
        }
        Ok(())
    }

    /// Prints a table.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub(super) fn table(&mut self, table: Table) -> Result<()> {
        for line in table.draw(self.terminal, self.width()) {
            // Already escaped, and bold headings must stay.
            self.raw(format!("{line}\n").as_bytes())?;
        }
        Ok(())
    }

    /// Prints the headings of a table whose rows follow one by one.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub(super) fn headings(&mut self, columns: &[Column]) -> Result<()> {
        let mut line = String::new();
        let mut row = Row::new(columns, &mut line);
        columns.iter().for_each(|column| row.cell(|text| text.push_str(column.name)));
        row.end();
        let line = line.trim_end();
        // ECMA-48: 1 is bold, 0 ends it.
        let line =
            if self.terminal.out && self.terminal.colour { format!("\x1B[1m{line}\x1B[0m") } else { line.to_string() };
        self.raw(format!("{line}\n").as_bytes())
    }

    /// Writes data that is meant for programs as it is.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub(super) fn raw(&mut self, bytes: &[u8]) -> Result<()> {
        if self.closed {
            return Ok(());
        }
        let written = self.out.write_all(bytes);
        self.settle(written)
    }

    /// Says something that is no data, on standard error. Nobody can be told if that fails.
    pub(super) fn note(&mut self, text: &str) {
        // What was printed before stands before.
        let _ = self.out.flush();
        let _ = writeln!(self.err, "{}", escape::line(text));
    }

    /// Says why the work can't go on.
    pub(super) fn error(&mut self, error: &Error) {
        self.note(&format!("error: {error}"));
    }

    /// Prints text of several lines, such as help, to standard output or standard error.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub(super) fn help(&mut self, text: &str, to_err: bool) -> Result<()> {
        for line in text.lines() {
            if to_err { self.note(line) } else { self.line(line)? }
        }
        Ok(())
    }

    /// Everything printed has arrived.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub(super) fn finish(&mut self) -> Result<()> {
        if self.closed {
            return Ok(());
        }
        let flushed = self.out.flush();
        self.settle(flushed)
    }

    fn settle(&mut self, result: io::Result<()>) -> Result<()> {
        match result {
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {
                self.closed = true;
                Ok(())
            }
            Err(source) => Err(Error::Io { action: "write to", path: "standard output".into(), source }),
            Ok(()) => Ok(()),
        }
    }
}

/// `text` in lines of at most `width` characters, if its words are no longer. Blanks between words stay as many as they
/// are, but where a line ends.
fn broken(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let (mut line, mut length) = (String::new(), 0);
    for (at, word) in text.split(' ').enumerate() {
        let own = word.chars().count();
        if length > 0 && length + 1 + own > width {
            lines.push(std::mem::take(&mut line));
            length = 0;
        } else if at > 0 {
            line.push(' ');
            length += 1;
        }
        line.push_str(word);
        length += own;
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A stream that fails with one kind of error.
    struct Failing(io::ErrorKind);

    impl Write for Failing {
        fn write(&mut self, _: &[u8]) -> io::Result<usize> {
            Err(self.0.into())
        }

        fn flush(&mut self) -> io::Result<()> {
            Err(self.0.into())
        }
    }

    fn printed(terminal: Terminal, print: impl FnOnce(&mut Printer<'_>)) -> (String, String) {
        let (mut out, mut err) = (Vec::new(), Vec::new());
        print(&mut Printer::new(&mut out, &mut err, terminal));
        (String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
    }

    fn sizes() -> Table {
        let mut table = Table::new(&[("name", Align::Left), ("bytes", Align::Right)]);
        table.row(vec!["Noten".to_string(), "7".to_string()]);
        table.row(vec!["a\x1B[31m".to_string(), "12345".to_string()]);
        table
    }

    #[test]
    fn data_and_the_rest_go_apart() {
        let (out, err) = printed(Terminal::default(), |printer| {
            printer.line("a file").unwrap();
            printer.note("a remark");
            printer.error(&Error::Usage("no such `x`".to_string()));
        });
        assert_eq!(out, "a file\n");
        assert_eq!(err, "a remark\nerror: no such `x`\n");
    }

    #[test]
    fn nothing_that_steers_a_terminal_passes() {
        let (out, err) = printed(Terminal::default(), |printer| {
            printer.line("a\nb\x1B[2J").unwrap();
            printer.note("c\rd\u{202E}");
        });
        assert_eq!(out, "a\\u{000A}b\\u{001B}[2J\n");
        assert_eq!(err, "c\\u{000D}d\\u{202E}\n");
    }

    #[test]
    fn a_piped_table_is_plain_and_aligned() {
        let (out, _) = printed(Terminal { colour: true, ..Terminal::default() }, |printer| {
            printer.table(sizes()).unwrap();
        });
        assert_eq!(out, "name           bytes\nNoten              7\na\\u{001B}[31m  12345\n");
    }

    #[test]
    fn prose_is_broken_at_blanks_and_long_words_are_not() {
        assert_eq!(broken("the choir's old computer", 12), ["the choir's", "old computer"]);
        assert_eq!(broken("a  b", 80), ["a  b"], "a name may hold two blanks");
        assert_eq!(broken("x unbreakable y", 5), ["x", "unbreakable", "y"]);
        assert_eq!(broken("", 5), [""]);
        let (out, _) = printed(Terminal::default(), |printer| printer.prose(70, "one two\x1B three").unwrap());
        let indent = " ".repeat(70);
        assert_eq!(out, format!("{indent}one\n{indent}two\\u{{001B}}\n{indent}three\n"));
    }

    #[test]
    fn a_fitted_table_breaks_its_first_column_and_drops_what_is_empty() {
        let columns =
            [("folder", Align::Left), ("none", Align::Right), ("oldest", Align::Left), ("bytes", Align::Right)];
        let drawn = |folder: &str| {
            let mut table = Table::new(&columns);
            table.row([folder, "", "2009-03-14", "1,234,567"].map(str::to_string).to_vec());
            let (out, _) = printed(Terminal::default(), |printer| {
                printer.table(table.without_empty_columns().fitted(&["oldest"])).unwrap();
            });
            assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");
            assert!(out.contains("1,234,567") && !out.contains("none"), "{out}");
            (out.lines().count(), out.contains("2009"))
        };
        assert_eq!(drawn("Scores"), (2, true));
        assert_eq!(drawn(&"a".repeat(65)), (2, false));
        assert_eq!(drawn("very long name ".repeat(10).trim()), (4, false));
    }

    #[test]
    fn a_reader_that_went_away_is_no_error_and_a_full_disk_is() {
        let mut err = Vec::new();
        let mut gone = Failing(io::ErrorKind::BrokenPipe);
        let mut printer = Printer::new(&mut gone, &mut err, Terminal::default());
        assert!(!printer.is_closed());
        printer.line("x").unwrap();
        printer.line("y").unwrap();
        printer.finish().unwrap();
        assert!(printer.is_closed());
        assert_eq!(err, b"");
        let mut full = Failing(io::ErrorKind::StorageFull);
        let mut printer = Printer::new(&mut full, &mut err, Terminal::default());
        assert!(matches!(printer.line("x"), Err(Error::Io { .. })));
    }
}
