//! What a search found, as a table.

use crate::cli::output::{Align, Printer, Table};
use crate::cli::size;
use crate::error::Result;
use crate::filesystem::{Evidence, Structure, Verdict};
use crate::volumes::Search;
use crate::volumes::search::{Located, Place, Proof, Standing};

/// Prints all places, and how much of the image was looked at.
pub(super) fn print(search: &Search, printer: &mut Printer<'_>) -> Result<()> {
    printer.line("")?;
    let unread = match search.bytes_not_read {
        0 => String::new(),
        bytes => format!("; {} were not read, and more may begin there", size::both(bytes)),
    };
    printer.line(&format!("Searched for volumes: {}{unread}.", size::both(search.bytes_read)))?;
    if search.left_out > 0 {
        printer.line(&format!(
            "{} that look like the beginning of a volume were left out: there are too many of one kind.",
            size::counted(search.left_out, "sector")
        ))?;
    }
    if search.places.is_empty() {
        return printer.line("Nothing that we know begins anywhere.");
    }
    let mut rows = Table::new(&[
        ("starts at", Align::Right),
        ("size", Align::Right),
        ("what", Align::Left),
        ("place", Align::Left),
        ("evidence", Align::Left),
    ]);
    for place in &search.places {
        let candidate = &place.candidate;
        rows.row(vec![
            size::grouped(candidate.place.start()),
            candidate.place.length().map(size::human).unwrap_or_default(),
            candidate.kind.name().to_string(),
            standing(place.standing),
            evidence(place),
        ]);
    }
    printer.table(rows)?;
    if search.places.iter().any(|place| matches!(place.standing, Standing::Inside { .. })) {
        printer.line("")?;
        printer.line(
            "What lies inside a volume is an image stored as a file, or a leftover of an earlier time; `--at OFFSET` \
             opens it all the same.",
        )?;
    }
    if search.places.iter().any(|place| place.standing.is_contested(&place.contested)) {
        printer.line("")?;
        printer.line(
            "Volumes overlap: what of one hangs on bytes that another claims is shown as `doubtful` (`volume-overlaps`).",
        )?;
    }
    Ok(())
}

fn standing(standing: Standing) -> String {
    match standing {
        Standing::Named { volume } => format!("volume {volume}, by the table"),
        Standing::Volume { volume } => format!("volume {volume}, not in the table"),
        Standing::Inside { volume } => format!("inside volume {volume}"),
        Standing::Leftover => "a leftover".to_string(),
        Standing::LeftOut => "one too many".to_string(),
    }
}

/// What was seen, in words.
fn evidence(place: &Located) -> String {
    let of = |verdict: Verdict| {
        let with = |one: &&Evidence| one.verdict == verdict;
        let mut words: Vec<&str> =
            place.candidate.evidence.iter().filter(with).map(|one| Structure::words(one.structure)).collect();
        words.dedup();
        words.join(", ")
    };
    let mut parts = Vec::new();
    let in_place = match &place.candidate.place {
        Place::BootSector { .. } | Place::Superblock { .. } => None,
        Place::NtfsHeadless(geometry) => Some(size::counted(geometry.evidence.records, "file record")),
        Place::FatHeadless { geometry, .. } => Some(size::counted(geometry.evidence.folders, "folder")),
        Place::ExFatHeadless { geometry, .. } => Some(size::counted(geometry.evidence.folders, "folder")),
    };
    if let Some(in_place) = in_place {
        parts.push(format!("every boot sector is lost; {in_place} in place"));
    }
    if place.candidate.place.is_proven_without_head() == Some(false) {
        parts.push("not proven".to_string());
    }
    for (verdict, prefix) in [(Verdict::Stands, ""), (Verdict::Absent, "not there: "), (Verdict::Unread, "not read: ")]
    {
        let words = of(verdict);
        if !words.is_empty() {
            parts.push(format!("{prefix}{words}"));
        }
    }
    if place.candidate.formatted_over {
        parts.push("another volume begins there now".to_string());
    } else if place.candidate.proof() == Proof::HeadOnly {
        parts.push("nothing else could be looked at".to_string());
    }
    parts.join("; ")
}
