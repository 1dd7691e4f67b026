//! What the second reader said, on screen.

use super::output::Printer;
use super::{escape, size};
use crate::content::second::Report;
use crate::error::Result;

/// How many differing files are listed on screen.
const SHOWN: usize = 20;

/// Prints the totals, why files could not be compared, and the first that differ.
pub(super) fn print(second: &Report, printer: &mut Printer<'_>) -> Result<()> {
    let totals = &second.totals;
    printer.line(&format!(
        "Second reader: an independent program read {} and got the same bytes",
        size::counted(totals.agrees, "file")
    ))?;
    if totals.not_checkable > 0 {
        printer.line(&format!("Not compared: {}", size::counted(totals.not_checkable, "file")))?;
        for (limit, count) in &totals.limits {
            printer.line(&format!("  {}: {}", size::grouped(*count), limit.sentence()))?;
        }
    }
    if totals.differs > 0 {
        printer.line(&format!("IT DIFFERS on {}:", size::counted(totals.differs, "file")))?;
        for one in second.differing.iter().take(SHOWN) {
            let detail = escape::for_terminal(&one.detail);
            printer.line(&format!("  {} ({}): {detail}", escape::for_terminal(&one.source_path), one.address))?;
        }
        let more = totals.differs - second.differing.len().min(SHOWN) as u64;
        if more > 0 {
            printer.line(&format!("  … and {} more", size::grouped(more)))?;
        }
    }
    Ok(())
}
