//! Whether files open, on screen.

use super::output::{Align, Printer, Table};
use super::{escape, size};
use crate::content::contents::{Contents, Fault};
use crate::content::{Opens, Strength};
use crate::error::Result;

/// How many files that don't open are listed on screen; JSON has more.
const SHOWN: usize = 30;

/// What each result is called above its column.
const COLUMNS: [(Opens, &str); 6] = [
    (Opens::Sound, "sound"),
    (Opens::Protected, "protected"),
    (Opens::Mislabelled, "mislabelled"),
    (Opens::Unchecked, "unchecked"),
    (Opens::Blank, "blank"),
    (Opens::Broken, "broken"),
];

/// Prints the table of state and result, the formats, and the files that don't open.
pub(super) fn print(contents: &Contents, printer: &mut Printer<'_>) -> Result<()> {
    let columns: Vec<_> = COLUMNS.into_iter().filter(|(opens, _)| contents.count(*opens) > 0).collect();
    if columns.is_empty() {
        return Ok(());
    }
    let head = |first| -> Vec<(&'static str, Align)> {
        let rest = columns.iter().map(|(_, word)| (*word, Align::Right));
        std::iter::once((first, Align::Left)).chain(rest).collect()
    };
    printer.line("Do they open? By what was read of them (down) and by what their formats can show (across):")?;
    let mut rows = Table::new(&head("read"));
    for (state, results) in contents.table.iter().rev() {
        let cells = columns.iter().map(|(opens, _)| number(results.get(opens).map_or(0, |count| count.files)));
        rows.row(std::iter::once(state.word().to_string()).chain(cells).collect());
    }
    printer.table(rows)?;
    if !contents.formats.is_empty() {
        printer.line("")?;
        formats(contents, head("format"), &columns, printer)?;
    }
    faults(contents, printer)
}

fn formats(
    contents: &Contents,
    mut head: Vec<(&'static str, Align)>,
    columns: &[(Opens, &str)],
    printer: &mut Printer<'_>,
) -> Result<()> {
    head.push(("sound by", Align::Left));
    let mut rows = Table::new(&head);
    for (format, found) in &contents.formats {
        let cells = columns.iter().map(|(opens, _)| number(found.results.get(opens).copied().unwrap_or(0)));
        let strengths: Vec<&str> = Strength::ALL
            .into_iter()
            .rev()
            .filter(|one| found.strengths.contains_key(one))
            .map(Strength::word)
            .collect();
        rows.row(std::iter::once((*format).to_string()).chain(cells).chain([strengths.join(", ")]).collect());
    }
    printer.table(rows)
}

fn number(count: u64) -> String {
    if count == 0 { String::new() } else { size::grouped(count) }
}

fn faults(contents: &Contents, printer: &mut Printer<'_>) -> Result<()> {
    let (news, known): (Vec<&Fault>, Vec<&Fault>) = contents.faults.iter().partition(|fault| !fault.state.is_loss());
    let mut left = SHOWN;
    for (title, faults) in [
        ("Read without a hole, and do not open all the same (most were broken before the drive was imaged):", news),
        ("Do not open, and have holes or are in doubt:", known),
    ] {
        if faults.is_empty() || left == 0 {
            continue;
        }
        printer.line("")?;
        printer.line(title)?;
        for fault in faults.into_iter().take(left) {
            printer.line(&format!("  {}: {}", escape::for_terminal(&fault.source_path), why(fault)))?;
            left -= 1;
        }
    }
    let more = contents.fault_count - (SHOWN - left) as u64;
    if contents.fault_count > 0 && more > 0 {
        printer.line(&format!("  … and {} more; `--json` lists up to 1,000", size::grouped(more)))?;
    }
    Ok(())
}

/// What is wrong with a file, as a clause.
fn why(fault: &Fault) -> String {
    let verdict = &fault.verdict;
    let format = verdict.format.map(|format| format!("{format}, ")).unwrap_or_default();
    let at = verdict.at.map(|at| format!(" at byte {}", size::grouped(at))).unwrap_or_default();
    format!("{format}{}{at}: {}", verdict.opens.word(), escape::for_terminal(&verdict.why))
}
