//! What is missing without a name, on the screen.

use super::super::output::Printer;
use super::super::size;
use super::VolumeSurvey;
use crate::error::Result;
use crate::filesystem::ByteRange;

pub(super) fn print(volume: &VolumeSurvey<'_>, printer: &mut Printer<'_>) -> Result<()> {
    let VolumeSurvey { facts, survey, .. } = volume;
    let total = &survey.total;
    let unexplained = facts.unexplained_bytes.filter(|bytes| bytes.at_most > 0);
    printer.line("")?;
    printer.line("Missing without a name")?;
    if survey.lost_records > 0 {
        let records = size::counted(survey.lost_records, "file record");
        printer.prose(2, &format!("{records} lost: what was described there is missing without a name."))?;
    }
    if total.folders_incomplete > 0 {
        let folders = size::counted(total.folders_incomplete, "folder");
        printer.prose(2, &format!("{folders} may have lost names: what stood in them is not counted above."))?;
    }
    if let Some(bytes) = unexplained {
        say_unexplained(bytes, printer)?;
    }
    if survey.lost_records == 0 && total.folders_incomplete == 0 && unexplained.is_none() {
        let sure = match (facts.unexplained_bytes, total.folders_unproven) {
            (Some(_), 0) => "Nothing: every folder's list is all there, and files explain every byte that is in use.",
            (None, 0) => "Nothing is known of: every folder's list is all there.",
            _ => "Nothing is known of, but no map speaks for the folders' own lists: it can't be ruled out.",
        };
        printer.prose(2, sure)?;
    }
    Ok(())
}

/// What is in use by the volume's own account and by nothing that was found.
fn say_unexplained(ByteRange { at_least, at_most }: ByteRange, printer: &mut Printer<'_>) -> Result<()> {
    let amount = match (at_least, at_most) {
        (least, most) if least == most => size::both(most),
        (0, most) => format!("Up to {}", size::both(most)),
        (least, most) => format!("At least {} and at most {}", size::both(least), size::both(most)),
    };
    printer.prose(2, &format!("{amount} are in use that no file we found explains."))?;
    if at_least != at_most {
        printer.prose(2, "It is not known better, as a part of what says so was not read.")?;
    }
    Ok(())
}
