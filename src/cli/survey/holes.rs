//! What the holes are for and what they cost, on the screen: in words that can be read aloud to the customer.

use super::super::output::{Align, Printer, Table};
use super::super::{escape, size};
use super::VolumeSurvey;
use crate::error::Result;
use crate::filesystem::Use;
use crate::survey::{Account, Cost, Costs, DiskHoles};

/// How many folders are shown; all are in the JSON.
const SHOWN_FOLDERS: usize = 15;

/// A line of the table: what it counts, as it is said, and where the number stands.
type Line = (&'static str, fn(&Account) -> u64);

/// What may lie in a hole, what matters most first.
const LINES: [Line; 11] = [
    ("files", |one| one.uses.of(Use::Files)),
    ("the filesystem's own lists and tables", |one| one.uses.of(Use::Metadata)),
    ("in use, but no file that was found explains it", |one| one.uses.of(Use::Unexplained)),
    ("nobody can say: what would say it was not read, either", |one| one.uses.of(Use::Undecided)),
    ("free space, but what says so can't be relied on", |one| one.uses.of(Use::FreeUnproven)),
    ("free space", |one| one.uses.of(Use::Free)),
    ("set aside as bad by the computer itself, long before", |one| one.uses.of(Use::SetAside)),
    ("places that the filesystem does not use", |one| one.uses.of(Use::Unused)),
    ("volumes that were not looked into", |one| one.not_surveyed),
    ("places that two volumes claim", |one| one.contested),
    ("outside of every volume", |one| one.outside),
];

/// Prints the account; `has_map` is whether anybody speaks for the image.
pub(super) fn print(
    holes: &DiskHoles,
    volumes: &[VolumeSurvey<'_>],
    has_map: bool,
    printer: &mut Printer<'_>,
) -> Result<()> {
    printer.line("")?;
    printer.line("What the holes cost")?;
    if holes.unread.total == 0 && holes.unreached.total == 0 {
        return printer.line(if has_map {
            "  The map knows of no hole."
        } else {
            "  No map speaks for this image, so nobody knows of a hole in it or that there is none."
        });
    }
    table(holes, printer)?;
    for (account, state) in [(&holes.unread, "could not be read"), (&holes.unreached, "were not tried")] {
        for sentence in sentences(account, state) {
            printer.prose(2, &sentence)?;
        }
    }
    let several = volumes.len() > 1;
    for volume in volumes {
        let Some(costs) = &volume.costs else { continue };
        printer.line("")?;
        let which = if several { format!(" on volume {}", volume.number) } else { String::new() };
        if costs.total.lost_files() == 0 {
            printer.line(&format!("No file that was found{which} has lost anything."))?;
            continue;
        }
        printer.line(&format!("Of the files that were found{which}"))?;
        kinds(costs, printer)?;
        printer.line("")?;
        folders(costs, printer)?;
    }
    Ok(())
}

fn table(holes: &DiskHoles, printer: &mut Printer<'_>) -> Result<()> {
    let mut columns = vec![("what lies there", Align::Left)];
    let accounts: Vec<&Account> = [(&holes.unread, "could not be read"), (&holes.unreached, "was not tried")]
        .into_iter()
        .filter(|(account, _)| account.total > 0)
        .map(|(account, heading)| {
            columns.extend([(heading, Align::Right), ("bytes", Align::Right), ("share", Align::Right)]);
            account
        })
        .collect();
    let mut rows = Table::new(&columns);
    let all: Line = ("all of it", |one| one.total);
    for (what, of) in LINES.into_iter().chain([all]) {
        if accounts.iter().all(|account| of(account) == 0) {
            continue;
        }
        let cells = accounts.iter().flat_map(|account| {
            let bytes = of(account);
            [size::human(bytes), size::grouped(bytes), size::share(bytes, account.total)]
        });
        rows.row([what.to_string()].into_iter().chain(cells).collect());
    }
    printer.table(rows.without_empty_columns().fitted(&[]))
}

/// What it means to the customer.
fn sentences(account: &Account, state: &str) -> Vec<String> {
    let mut all = Vec::new();
    if account.total == 0 {
        return all;
    }
    let uses = account.uses;
    let total = size::human(account.total);
    match (uses.of(Use::Free), uses.of(Use::Files)) {
        (free, 0) if free == account.total => all.push(format!(
            "All of the {total} that {state} are free space: nothing of the customer's, unless it was deleted before."
        )),
        (free @ 1.., files) => all.push(format!(
            "Of {total} that {state}, {} are free space: nothing of the customer's, unless it was deleted before. {} lie \
             in files; what of that stands behind their last bytes costs nothing.",
            size::human(free),
            size::human(files)
        )),
        (0, 0) => all.push(format!("Of {total} that {state}, nothing lies in a file that was found.")),
        (0, files) => all.push(format!("Of {total} that {state}, {} lie in files.", size::human(files))),
    }
    if uses.of(Use::Metadata) > 0 {
        all.push(format!(
            "{} lie in what the filesystem keeps for itself, its lists of names among it: names may be missing.",
            size::human(uses.of(Use::Metadata))
        ));
    }
    let unsure = uses.of(Use::Undecided) + uses.of(Use::Unexplained) + account.not_surveyed + account.contested;
    if unsure > 0 {
        all.push(format!("Of {} nobody can say what lay there; take it for the customer's.", size::human(unsure)));
    }
    if uses.of(Use::FreeUnproven) > 0 {
        all.push(format!(
            "{} are called free by an allocation bitmap that other findings contradict or that no map speaks for; files \
             may lie there.",
            size::human(uses.of(Use::FreeUnproven))
        ));
    }
    all
}

fn headings(first: &'static str) -> Table {
    Table::new(&[
        (first, Align::Left),
        ("files", Align::Right),
        ("damaged", Align::Right),
        ("not found", Align::Right),
        ("doubtful", Align::Right),
        ("lost", Align::Right),
        ("share", Align::Right),
    ])
}

fn row(name: &str, cost: &Cost) -> Vec<String> {
    let number = |count: u64| if count == 0 { String::new() } else { size::grouped(count) };
    vec![
        name.to_string(),
        size::grouped(cost.files.count),
        number(cost.damaged),
        number(cost.unlocated),
        number(cost.doubtful),
        size::human(cost.lost_bytes),
        size::share(cost.lost_bytes, cost.files.bytes),
    ]
}

fn kinds(costs: &Costs, printer: &mut Printer<'_>) -> Result<()> {
    let mut rows = headings("kind");
    for one in &costs.kinds {
        rows.row(row(one.kind.words(), &one.cost));
    }
    rows.row(row("all files", &costs.total));
    printer.table(rows.without_empty_columns().fitted(&[]))
}

fn folders(costs: &Costs, printer: &mut Printer<'_>) -> Result<()> {
    let mut rows = headings("folder, without those in it");
    for one in costs.folders.iter().take(SHOWN_FOLDERS) {
        let more = if one.incomplete { "  (may have lost names, too)" } else { "" };
        rows.row(row(&format!("{}{more}", escape::for_terminal(&one.path)), &one.cost));
    }
    printer.table(rows.without_empty_columns().fitted(&["share"]))?;
    let shown = costs.folders.len().min(SHOWN_FOLDERS) as u64;
    if costs.folders_with_losses > shown {
        let more = size::counted(costs.folders_with_losses - shown, "more folder");
        printer.line(&format!("  … and {more}; `--json` has the first {}", crate::survey::MOST_FOLDERS))?;
    }
    Ok(())
}
