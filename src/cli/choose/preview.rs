//! A dry run on screen: what would be copied, in what state, and whether it fits.

use super::tell;
use crate::catalog::State;
use crate::cli::output::{Align, Printer, Table};
use crate::cli::{escape, size};
use crate::error::Result;
use crate::handover::{Examples, LONGEST_PATH, Preview, Room, Sample};

/// How many files, and how many folders of a plan, are listed.
const SHOWN: usize = 20;
/// How many examples of changed names and long paths.
const EXAMPLES: usize = 5;

/// Prints a preview.
pub(in crate::cli) fn print(preview: &Preview, printer: &mut Printer<'_>) -> Result<()> {
    printer.line("Dry run: nothing is written.")?;
    printer.line(&format!(
        "To be copied: {}, {}, in {}",
        size::counted(preview.files, "file"),
        size::both(preview.bytes),
        size::counted(preview.folders, "folder")
    ))?;
    states(preview, printer)?;
    tops(preview, printer)?;
    losses(preview, printer)?;
    for (count, what) in [
        (preview.not_copied, "paths would not be copied and stand in records/lost.csv"),
        (preview.lost_records, "file records are lost: what they described is missing without a name"),
        (preview.incomplete_folders, "folders may have held more files than are listed"),
        (preview.links, "links would be recorded and not followed"),
        (preview.streams_left, "alternate streams would be left out (`--streams` writes them beside their files)"),
        (preview.special_files, "devices and their like have no content"),
        (preview.deleted_left, "deleted files would be left out"),
    ] {
        if count > 0 {
            printer.line(&format!("{} {what}", size::grouped(count)))?;
        }
    }
    tell::left_out(&preview.left_out, preview.undated, printer)?;
    if preview.renamed.count > 0 {
        printer.line("")?;
        printer.line(&format!(
            "Names that would be changed so that every computer takes them: {}",
            size::grouped(preview.renamed.count)
        ))?;
        examples(&preview.renamed, true, printer)?;
    }
    printer.line("")?;
    time(preview.sample, printer)?;
    match &preview.room {
        Some(room) => destination(room, preview, printer),
        None => printer.line("Whether it fits: name the destination with `--to` and it is looked at"),
    }
}

fn states(preview: &Preview, printer: &mut Printer<'_>) -> Result<()> {
    let mut rows =
        Table::new(&[("state", Align::Left), ("files", Align::Right), ("size", Align::Right), ("where", Align::Left)]);
    for (state, count) in preview.states.iter().rev() {
        let files = match count.paths == count.objects {
            true => size::grouped(count.objects),
            false => format!("{} ({} names)", size::grouped(count.objects), size::grouped(count.paths)),
        };
        rows.row(vec![state.word().to_string(), files, size::human(count.bytes), place(*state).to_string()]);
    }
    printer.line("")?;
    printer.table(rows)
}

/// Where files of a state stand in the handover folder.
pub(in crate::cli) fn place(state: State) -> &'static str {
    match state {
        State::Whole | State::NotDecoded | State::Unproven => "data/recovered",
        State::Doubtful => "data/doubtful",
        State::Damaged => "data/damaged, gaps filled with zeros",
        State::Absent => "data/damaged if a part is here, else records/lost.csv",
        State::Locked | State::Unlocated => "not copied, records/lost.csv",
    }
}

fn tops(preview: &Preview, printer: &mut Printer<'_>) -> Result<()> {
    let mut rows =
        Table::new(&[("from", Align::Left), ("files", Align::Right), ("size", Align::Right), ("lost", Align::Right)]);
    for (label, top) in preview.tops.iter().take(SHOWN) {
        let losses = if top.losses > 0 { size::grouped(top.losses) } else { String::new() };
        rows.row(vec![
            escape::for_terminal(label).into_owned(),
            size::grouped(top.amount.paths),
            size::human(top.amount.bytes),
            losses,
        ]);
    }
    printer.line("")?;
    printer.table(rows)?;
    match preview.tops.len().checked_sub(SHOWN) {
        None | Some(0) => Ok(()),
        Some(more) => printer.line(&format!("… and {} more folders", size::grouped(more as u64))),
    }
}

fn losses(preview: &Preview, printer: &mut Printer<'_>) -> Result<()> {
    if preview.lost.is_empty() {
        return Ok(());
    }
    printer.line("")?;
    printer.line("Would not be handed over as they were:")?;
    for lost in preview.lost.iter().take(SHOWN) {
        let missing = match lost.gap_bytes {
            0 => String::new(),
            bytes => format!(", {} of {} missing", size::human(bytes), size::human(lost.size)),
        };
        let path = escape::for_terminal(&lost.source_path);
        printer.line(&format!("  {path}: {} ({}){missing}", lost.state.word(), lost.why))?;
    }
    let more = preview.lost_count - preview.lost.len().min(SHOWN) as u64;
    if more > 0 {
        printer.line(&format!("  … and {} more", size::grouped(more)))?;
    }
    Ok(())
}

fn examples(examples: &Examples, with_source: bool, printer: &mut Printer<'_>) -> Result<()> {
    for one in examples.first.iter().take(EXAMPLES) {
        let (source, path) = (escape::for_terminal(&one.source_path), escape::for_terminal(&one.path));
        let line = if with_source { format!("  {source} becomes {path}") } else { format!("  {path}") };
        printer.line(&line)?;
    }
    let more = examples.count - examples.first.len().min(EXAMPLES) as u64;
    if more > 0 {
        printer.line(&format!("  … and {} more", size::grouped(more)))?;
    }
    Ok(())
}

fn time(sample: Option<Sample>, printer: &mut Printer<'_>) -> Result<()> {
    let Some(Sample { bytes, milliseconds, seconds_for_all }) = sample else {
        return printer.line("Time: there is nothing to read");
    };
    let rate = u128::from(bytes) * 1000 / u128::from(milliseconds.max(1));
    let rate = size::human(u64::try_from(rate).unwrap_or(u64::MAX));
    let all = seconds_for_all.map_or_else(|| "a time that can't be told".to_string(), duration);
    printer.line(&format!(
        "Time: about {all} to read, at {rate} a second (measured now on the first {}); writing and reading back may take \
         longer",
        size::human(bytes)
    ))
}

/// A time as people say it, rounded up to what matters.
fn duration(seconds: u64) -> String {
    match seconds {
        0..=119 => size::counted(seconds.max(1), "second"),
        120..=7199 => size::counted(seconds.div_ceil(60), "minute"),
        _ => format!("{} and {}", size::counted(seconds / 3600, "hour"), size::counted(seconds % 3600 / 60, "minute")),
    }
}

fn destination(room: &Room, preview: &Preview, printer: &mut Printer<'_>) -> Result<()> {
    let begun = if room.begun { " (goes on with the handover there)" } else { "" };
    printer.line(&format!("Destination: {}{begun}", room.folder.display()))?;
    let verdict = if room.needed <= room.available { "it fits" } else { "it does not fit" };
    printer.line(&format!(
        "  needed: {} in clusters of {} bytes, records included; free: {}: {verdict}",
        size::both(room.needed),
        size::grouped(room.cluster),
        size::both(room.available)
    ))?;
    if let (Some(limit), Some((path, bytes))) = (room.largest_file, &preview.largest) {
        let path = escape::for_terminal(path);
        printer.line(&format!(
            "  the disk's format takes files of at most {}; the largest is {path} with {}",
            size::both(limit),
            size::both(*bytes)
        ))?;
    }
    if room.too_large.count > 0 {
        printer.line(&format!(
            "  too large for this disk: {}; use one formatted as exFAT, NTFS or the like",
            size::counted(room.too_large.count, "file")
        ))?;
        examples(&room.too_large, false, printer)?;
    }
    if room.long_paths.count > 0 {
        printer.line(&format!(
            "  longer than {LONGEST_PATH} characters there, which many programs of Windows can't open: {}",
            size::counted(room.long_paths.count, "path")
        ))?;
        examples(&room.long_paths, false, printer)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_rounded_up_to_what_matters() {
        for (seconds, text) in [
            (0, "1 second"),
            (119, "119 seconds"),
            (120, "2 minutes"),
            (121, "3 minutes"),
            (7200, "2 hours and 0 minutes"),
            (10_000, "2 hours and 46 minutes"),
        ] {
            assert_eq!(duration(seconds), text);
        }
    }
}
