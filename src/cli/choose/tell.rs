//! What was left out by choice, for the screen.

use crate::cli::output::Printer;
use crate::cli::size;
use crate::error::Result;
use crate::handover::LeftOut;

/// One line a reason, and one for what was kept for want of a date.
pub(in crate::cli) fn left_out(left: &LeftOut, undated: u64, printer: &mut Printer<'_>) -> Result<()> {
    for (reason, amount) in left {
        printer.line(&format!(
            "Left out: {}, {}, {}",
            size::counted(amount.paths, "file"),
            size::human(amount.bytes),
            reason.words()
        ))?;
    }
    if undated > 0 {
        printer.line(&format!("Kept without a date: {}", size::counted(undated, "file")))?;
    }
    Ok(())
}
