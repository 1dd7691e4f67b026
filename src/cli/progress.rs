//! How far long work is, on standard error: only on a terminal, and only once it has taken a while.

use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::progress::{Progress, Unit};

/// Work that is done by then shows nothing.
const PATIENCE: Duration = Duration::from_secs(1);

struct Stage {
    bar: ProgressBar,
    began: Instant,
    shown: bool,
}

/// Shows stages as bars with rate and remaining time; says nothing where there is no terminal.
pub(super) struct TerminalProgress {
    /// Where bars are drawn; `None` without a terminal.
    target: Option<fn() -> ProgressDrawTarget>,
    patience: Duration,
    stage: Mutex<Option<Stage>>,
}

impl TerminalProgress {
    pub(super) fn new(err_is_terminal: bool) -> Self {
        let target: Option<fn() -> ProgressDrawTarget> = err_is_terminal.then_some(ProgressDrawTarget::stderr);
        Self { target, patience: PATIENCE, stage: Mutex::new(None) }
    }

    fn stage(&self) -> MutexGuard<'_, Option<Stage>> {
        // A thread that panicked while it counted leaves a count that is still good to look at.
        self.stage.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What stands in the line. Of an unknown total there is no bar and no remaining time.
fn template(total: u64, unit: Unit) -> &'static str {
    match (total, unit) {
        (0, Unit::Bytes) => "{msg}: {bytes}, {bytes_per_sec}, {elapsed} so far",
        (0, Unit::Records) => "{msg}: {human_pos} records, {per_sec}, {elapsed} so far",
        (0, Unit::Files) => "{msg}: {human_pos} files, {per_sec}, {elapsed} so far",
        (_, Unit::Bytes) => "{msg} {wide_bar} {bytes} of {total_bytes}, {bytes_per_sec}, {eta} to go",
        (_, Unit::Records) => "{msg} {wide_bar} {human_pos} of {human_len} records, {per_sec}, {eta} to go",
        (_, Unit::Files) => "{msg} {wide_bar} {human_pos} of {human_len} files, {per_sec}, {eta} to go",
    }
}

impl Progress for TerminalProgress {
    fn begin(&self, stage: &'static str, total: u64, unit: Unit) {
        if self.target.is_none() {
            return;
        }
        let bar = ProgressBar::with_draw_target((total > 0).then_some(total), ProgressDrawTarget::hidden());
        if let Ok(style) = ProgressStyle::with_template(template(total, unit)) {
            bar.set_style(style);
        }
        bar.set_message(stage);
        if let Some(earlier) = self.stage().replace(Stage { bar, began: Instant::now(), shown: false }) {
            earlier.bar.finish_and_clear();
        }
    }

    fn advance(&self, steps: u64) {
        let Some(target) = self.target else { return };
        if let Some(stage) = self.stage().as_mut() {
            if !stage.shown && stage.began.elapsed() >= self.patience {
                stage.bar.set_draw_target(target());
                stage.shown = true;
            }
            stage.bar.inc(steps);
        }
    }

    fn end(&self) {
        if let Some(stage) = self.stage().take() {
            stage.bar.finish_and_clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;
    use std::sync::atomic::{AtomicUsize, Ordering};

    static WRITTEN: AtomicUsize = AtomicUsize::new(0);

    /// A terminal that counts what is written to it.
    #[derive(Debug)]
    struct Counting;

    impl indicatif::TermLike for Counting {
        fn width(&self) -> u16 {
            80
        }
        fn move_cursor_up(&self, _: usize) -> io::Result<()> {
            Ok(())
        }
        fn move_cursor_down(&self, _: usize) -> io::Result<()> {
            Ok(())
        }
        fn move_cursor_right(&self, _: usize) -> io::Result<()> {
            Ok(())
        }
        fn move_cursor_left(&self, _: usize) -> io::Result<()> {
            Ok(())
        }
        fn write_line(&self, text: &str) -> io::Result<()> {
            self.write_str(text)
        }
        fn write_str(&self, text: &str) -> io::Result<()> {
            WRITTEN.fetch_add(text.len(), Ordering::Relaxed);
            Ok(())
        }
        fn clear_line(&self) -> io::Result<()> {
            Ok(())
        }
        fn flush(&self) -> io::Result<()> {
            Ok(())
        }
    }

    /// How much a stage of three steps writes.
    fn written(target: Option<fn() -> ProgressDrawTarget>, patience: Duration) -> usize {
        WRITTEN.store(0, Ordering::Relaxed);
        let progress = TerminalProgress { target, patience, stage: Mutex::new(None) };
        progress.begin("reading", 3, Unit::Files);
        for _ in 0..3 {
            progress.advance(1);
        }
        progress.end();
        progress.advance(1);
        progress.end();
        WRITTEN.load(Ordering::Relaxed)
    }

    #[test]
    fn short_work_and_pipes_are_quiet() {
        let counting: fn() -> ProgressDrawTarget = || ProgressDrawTarget::term_like(Box::new(Counting));
        assert!(written(Some(counting), Duration::ZERO) > 0, "long work is shown");
        assert_eq!(written(Some(counting), Duration::from_secs(1000)), 0);
        assert_eq!(written(None, Duration::ZERO), 0);
        assert!(TerminalProgress::new(false).target.is_none());
    }

    #[test]
    fn every_line_can_be_drawn() {
        for total in [0, 5] {
            for unit in [Unit::Bytes, Unit::Records, Unit::Files] {
                assert!(ProgressStyle::with_template(template(total, unit)).is_ok());
            }
        }
    }
}
