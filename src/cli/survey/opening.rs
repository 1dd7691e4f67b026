//! Files by state and by whether they open, on the screen.

use super::super::output::{Align, Printer, Table};
use super::super::size;
use crate::catalog::State;
use crate::content::Opens;
use crate::content::contents::Contents;
use crate::error::Result;

/// States as the columns say them, best first.
const STATES: [(State, &str); 8] = [
    (State::Whole, "whole"),
    (State::NotDecoded, "whole, packed"),
    (State::Unproven, "unproven"),
    (State::Absent, "absent"),
    (State::Locked, "locked"),
    (State::Doubtful, "doubtful"),
    (State::Damaged, "damaged"),
    (State::Unlocated, "not found"),
];

pub(super) fn print(contents: &Contents, printer: &mut Printer<'_>) -> Result<()> {
    if contents.table.is_empty() {
        return Ok(());
    }
    let columns: Vec<(&str, Align)> =
        [("does it open?", Align::Left)].into_iter().chain(STATES.map(|(_, name)| (name, Align::Right))).collect();
    let mut rows = Table::new(&columns);
    for opens in Opens::ALL {
        let counts = STATES.map(|(state, _)| contents.get(state, opens).files);
        if counts.iter().any(|count| *count > 0) {
            let cells = counts.map(|count| if count == 0 { String::new() } else { size::grouped(count) });
            rows.row([words(opens).to_string()].into_iter().chain(cells).collect());
        }
    }
    printer.line("")?;
    printer.line("Do the people's files open?")?;
    printer.table(rows.without_empty_columns().fitted(&[]))?;
    for sentence in sentences(contents) {
        printer.prose(2, &sentence)?;
    }
    Ok(())
}

/// What a result means to people.
fn words(opens: Opens) -> &'static str {
    match opens {
        Opens::Sound => "yes",
        Opens::Unchecked => "nobody can say",
        Opens::Protected => "with its own password",
        Opens::Mislabelled => "as something else",
        Opens::Blank => "no: it is blank",
        Opens::Broken => "no: it is broken",
    }
}

/// What nobody would see in the two words apart.
fn sentences(contents: &Contents) -> Vec<String> {
    let count = |states: &[State], opens: &[Opens]| -> u64 {
        states.iter().flat_map(|state| opens.iter().map(|opens| contents.get(*state, *opens).files)).sum()
    };
    let read = [State::Whole, State::NotDecoded];
    let mut all = Vec::new();
    for (number, one, many) in [
        (
            count(&read, &[Opens::Broken, Opens::Blank]),
            "was read without a hole and does not open: it was broken before, or the drive gave wrong bytes for it.",
            "were read without a hole and do not open: they were broken before, or the drive gave wrong bytes for them.",
        ),
        (
            count(&[State::Unproven], &[Opens::Broken, Opens::Blank]),
            "that no map speaks for does not open: there may be a hole in it.",
            "that no map speaks for do not open: there may be holes in them.",
        ),
        (
            count(&[State::Damaged, State::Doubtful], &[Opens::Sound]),
            "is damaged or doubtful and opens all the same: look at it before it is given up.",
            "are damaged or doubtful and open all the same: look at them before they are given up.",
        ),
    ] {
        if number > 0 {
            all.push(format!("{} {}", size::counted(number, "file"), if number == 1 { one } else { many }));
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::super::super::output::Terminal;
    use super::*;
    use crate::content::Verdict;

    #[test]
    fn what_was_read_and_does_not_open_is_said() {
        let mut contents = Contents::default();
        for (state, opens, count) in [
            (State::Whole, Opens::Sound, 1200),
            (State::Whole, Opens::Broken, 1),
            (State::Damaged, Opens::Broken, 3),
            (State::Damaged, Opens::Sound, 2),
        ] {
            let verdict = Verdict::new(opens, Some("PNG"), "");
            (0..count).for_each(|_| contents.add(state, 10, &verdict, Default::default));
        }
        let (mut out, mut err) = (Vec::new(), Vec::new());
        print(&contents, &mut Printer::new(&mut out, &mut err, Terminal::default())).unwrap();
        let text = String::from_utf8(out).unwrap();
        let expected = "
Do the people's files open?
does it open?     whole  damaged
yes               1,200        2
no: it is broken      1        3
  1 file was read without a hole and does not open: it was broken before, or the
  drive gave wrong bytes for it.
  2 files are damaged or doubtful and open all the same: look at them before
  they are given up.
";
        assert_eq!(text, expected);
    }
}
