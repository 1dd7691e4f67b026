//! The folders of cameras and phones on the screen.

use jiff::tz::TimeZone;

use super::super::output::{Align, Printer, Table};
use super::super::{escape, size};
use super::rows;
use crate::error::Result;
use crate::survey::{CameraFolder, Gap, Numbers};

/// How many gaps are named on the screen; all are in the JSON.
const SHOWN_GAPS: usize = 8;

pub(super) fn print(folders: &[CameraFolder], zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    if folders.is_empty() {
        return Ok(());
    }
    let mut table = Table::new(&[
        ("folder", Align::Left),
        ("pictures", Align::Right),
        ("films", Align::Right),
        ("size", Align::Right),
        ("oldest", Align::Left),
        ("newest", Align::Left),
        ("not sound", Align::Right),
        ("numbers", Align::Left),
        ("not there", Align::Right),
    ]);
    let number = |count: u64| if count == 0 { String::new() } else { size::grouped(count) };
    for CameraFolder { path, pictures, films, tally, numbers } in folders {
        let (range, missing) = match numbers {
            None => (String::new(), 0),
            Some(numbers) => (span(numbers.first, numbers.last), u64::from(numbers.missing)),
        };
        table.row(vec![
            escape::for_terminal(path).into_owned(),
            number(pictures.count),
            number(films.count),
            size::human(tally.files.bytes),
            rows::day(tally.oldest(), zone),
            rows::day(tally.newest(), zone),
            number(tally.lost_files()),
            range,
            number(missing),
        ]);
    }
    printer.line("")?;
    printer.line("Cameras and phones")?;
    printer.table(table.without_empty_columns().fitted(rows::DISPENSABLE))?;
    let mut any = false;
    for folder in folders {
        let Some(numbers) = folder.numbers.as_ref().filter(|numbers| numbers.missing > 0) else { continue };
        printer.prose(2, &format!("{}: {} not there", escape::for_terminal(&folder.path), gaps(numbers)))?;
        any = true;
    }
    if any {
        printer.prose(
            2,
            "A camera numbers what it takes one by one. Numbers that are not there were deleted by somebody, or are lost.",
        )?;
    }
    Ok(())
}

fn span(first: u16, last: u16) -> String {
    if first == last { format!("{first:04}") } else { format!("{first:04}–{last:04}") }
}

fn gaps(numbers: &Numbers) -> String {
    let mut text: Vec<String> =
        numbers.gaps.iter().take(SHOWN_GAPS).map(|Gap { first, last }| span(*first, *last)).collect();
    if numbers.gaps.len() > SHOWN_GAPS {
        text.push(format!("and more ({} numbers in all)", size::grouped(u64::from(numbers.missing))));
    }
    text.join(", ")
}
