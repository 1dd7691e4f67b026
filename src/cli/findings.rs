//! Findings for people: what was found, how often, and where first.

use super::output::Printer;
use super::size;
use crate::catalog::Findings;
use crate::error::Result;

/// How many places of one kind are shown; JSON has more.
const SHOWN: usize = 3;

/// Prints findings, if there are any.
///
/// # Errors
/// As [`Printer::line`].
pub(super) fn print(printer: &mut Printer<'_>, findings: &Findings) -> Result<()> {
    if findings.is_empty() {
        return Ok(());
    }
    printer.line("")?;
    printer.line("Found on the way:")?;
    for (kind, kept) in findings.kinds() {
        let times = if kept.count == 1 { String::new() } else { format!(" ({} times)", size::grouped(kept.count)) };
        printer.line(&format!("  {}{times}", kind.sentence()))?;
        for finding in kept.first.iter().take(SHOWN) {
            let number = finding.number.map(|number| format!("number {number}"));
            let offset = finding.offset.map(|offset| format!("at {offset:#x}"));
            let detail = Some(finding.detail.clone()).filter(|detail| !detail.is_empty());
            let parts: Vec<String> = [number, offset, detail].into_iter().flatten().collect();
            if !parts.is_empty() {
                printer.line(&format!("    {}", parts.join(", ")))?;
            }
        }
        if kept.first.len() > SHOWN {
            printer.line("    …")?;
        }
    }
    Ok(())
}
