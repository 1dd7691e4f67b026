//! Asking a second reader about many files: sessions, and what becomes of those that are lost.

use std::time::Duration;

use super::Limit;
use super::book::{Answer, Book};
use crate::error::Result;
use crate::progress::Progress;
use crate::source::fence::session::{self, Desk, Ended, Heard};
use crate::source::fence::{Budget, Failure};

/// A reader that was lost this often on one volume is not started again: each time may have left a thread at work behind.
const MOST_LOST: usize = 4;

/// What opening a volume or going through a folder may take: a folder of FAT has at most 65,536 entries (2 MiB), each
/// read in a dozen pieces.
pub(super) const BUDGET_ON_THE_WAY: Budget = Budget { reads: 2_000_000, time: Duration::from_secs(120) };

/// Bytes read at a time.
pub(super) const PIECE: usize = 1 << 20;

/// What the description of a file may take: a few reads, a few thousand in many pieces.
const BUDGET_OF_DESCRIPTION: Budget = Budget { reads: 200_000, time: Duration::from_secs(20) };

/// What a file may take: its description, and a few requests for every 512 bytes of it, the smallest cluster; a second
/// for every mebibyte, as from a slow network.
pub(super) fn budget_of_file(size: u64) -> Budget {
    const PER_SECTOR: u64 = 8;
    let sectors = size.checked_div(512).unwrap_or(0);
    let seconds = size.checked_div(1 << 20).unwrap_or(0);
    Budget {
        reads: sectors.saturating_mul(PER_SECTOR).saturating_add(BUDGET_OF_DESCRIPTION.reads),
        time: BUDGET_OF_DESCRIPTION.time.saturating_add(Duration::from_secs(seconds)),
    }
}

/// Runs sessions of a reader until each of `questions` has its answer. The reader is given the questions still open.
pub(super) fn run<Q, F>(
    book: &mut Book<'_>,
    mut questions: Vec<(usize, Q)>,
    progress: &dyn Progress,
    reader: F,
) -> Result<()>
where
    Q: Clone + Send + 'static,
    F: Fn(&Desk<Answer>, Vec<(usize, Q)>) + Clone + Send + 'static,
{
    let source = book.filesystem.source();
    for _ in 0..MOST_LOST {
        let (work, asked) = (reader.clone(), questions.clone());
        let ended = session::run(source, BUDGET_ON_THE_WAY, move |desk| work(desk, asked), &mut |heard| match heard {
            Heard::Answer(question, answer) => book.note(question, answer),
            Heard::Advanced(steps) => progress.advance(steps),
        })?;
        let Ended::Lost(guilty, failure) = ended else { return Ok(()) };
        // Without a question that is to blame, the next session would end as this one.
        let Some(guilty) = guilty else {
            let timed_out = failure == Failure::TimedOut;
            book.note_rest(if timed_out { Limit::OutOfBudget } else { Limit::NotRun });
            return Ok(());
        };
        let answer = match failure {
            Failure::NoThread => Answer::Limit(Limit::NotRun),
            Failure::TimedOut => Answer::Limit(Limit::OutOfBudget),
            Failure::Panicked(message) => {
                Answer::Failed { message: format!("it panicked ({message})").into(), limit: None }
            }
        };
        book.note(guilty, answer);
        questions.retain(|(question, _)| book.is_open(*question));
    }
    book.note_rest(Limit::OutOfBudget);
    Ok(())
}

/// The answer for a question on which the reader failed.
pub(super) fn failed(desk: &Desk<Answer>, message: &str, limit: Option<Limit>) -> Answer {
    if desk.met_hole() {
        Answer::Limit(Limit::HoleOnItsWay)
    } else if desk.is_over_budget() || desk.is_given_up() {
        Answer::Limit(Limit::OutOfBudget)
    } else {
        Answer::Failed { message: message.into(), limit }
    }
}
