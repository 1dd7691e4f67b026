//! The don't-forget list on the screen.

use jiff::tz::TimeZone;

use super::super::output::Printer;
use super::super::{escape, size};
use super::rows;
use crate::error::Result;
use crate::survey::Hit;

/// How many places of one rule are named on the screen; all are in the JSON.
const SHOWN_PLACES: usize = 4;

pub(super) fn print(hits: &[Hit], zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    if hits.is_empty() {
        return Ok(());
    }
    printer.line("")?;
    printer.line("Don't forget")?;
    let mut topic = None;
    for places in hits.chunk_by(|one, next| one.rule == next.rule) {
        let Some(rule) = places.first() else { continue };
        if topic != Some(rule.topic) {
            topic = Some(rule.topic);
            printer.line("")?;
            printer.line(&format!("  {}", rule.topic.words()))?;
        }
        let what_to_do = rule.hand_over.sentence();
        let space = if what_to_do.is_empty() { "" } else { " " };
        printer.prose(4, &format!("{}: {}{space}{what_to_do}", rule.what, rule.say))?;
        for hit in places.iter().take(SHOWN_PLACES) {
            place(hit, zone, printer)?;
        }
        if let Some(more) = places.get(SHOWN_PLACES..).filter(|more| !more.is_empty()) {
            let bytes = more.iter().fold(0, |sum: u64, hit| sum.saturating_add(hit.tally.files.bytes));
            let lost: u64 = more.iter().map(|hit| hit.tally.lost_files()).sum();
            let lost =
                if lost > 0 { format!(", {} damaged or lost", size::counted(lost, "file")) } else { String::new() };
            let count = size::counted(more.len() as u64, "more place");
            printer.prose(6, &format!("and {count}, {}{lost}; `--json` has them", size::human(bytes)))?;
        }
    }
    Ok(())
}

fn place(hit: &Hit, zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    let tally = &hit.tally;
    let mut parts = vec![size::counted(tally.files.count, "file"), size::human(tally.files.bytes)];
    if tally.files.count == 1 {
        parts.remove(0);
    }
    let newest = rows::day(tally.newest(), zone);
    if !newest.is_empty() {
        parts.push(format!("newest {newest}"));
    }
    if hit.folders > 1 {
        parts.push(format!("in {} folders below it", size::grouped(hit.folders)));
    }
    parts.extend(rows::troubles(tally));
    for lacking in &hit.lacking {
        parts.push(format!("`{lacking}` should stand with it and is not there"));
    }
    let only =
        if tally.files.count > 1 && !hit.only.is_empty() { format!(" {}", hit.only.join(" ")) } else { String::new() };
    let path = format!("{}{only}", escape::for_terminal(&hit.path));
    let details = parts.join(", ");
    let indent = 6;
    if indent + path.chars().count() + 2 + details.chars().count() <= printer.width() {
        return printer.line(&format!("{:indent$}{path}: {details}", ""));
    }
    printer.line(&format!("{:indent$}{path}:", ""))?;
    printer.prose(indent + 2, &details)
}
