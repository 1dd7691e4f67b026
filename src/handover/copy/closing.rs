//! When all is copied: the last look at what was written.

use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::{MOST_WORKERS, lock, vanished};
use crate::error::{Error, Result};
use crate::handover::session::Session;
use crate::progress::{Progress, Unit};
use std::sync::PoisonError;

/// Makes written files safe on the disk before the bag is closed, with one call if the host has one.
pub(crate) fn flush(session: &Session<'_>, files: &[PathBuf], progress: &dyn Progress) -> Result<()> {
    let output = session.output;
    let failed = |path: &Path| {
        let path = path.to_path_buf();
        move |source| Error::Io { action: "flush", path, source }
    };
    if output.flush(&session.folder).map_err(failed(&session.folder))? {
        return Ok(());
    }
    progress.begin("flushing", files.len() as u64, Unit::Files);
    let outcome = for_each(files, |path| {
        progress.advance(1);
        output.flush_file(path).map_err(failed(path))
    });
    progress.end();
    outcome
}

/// Whether all written files are still there: a virus scanner may also come later.
pub(crate) fn look_for(files: &[PathBuf]) -> Result<()> {
    for_each(files, |path| std::fs::symlink_metadata(path).map(drop).map_err(|_| vanished(path)))
}

/// Asks about many files at once, until one of them is wrong.
fn for_each(files: &[PathBuf], ask: impl Fn(&PathBuf) -> Result<()> + Sync) -> Result<()> {
    let (next, error) = (AtomicUsize::new(0), Mutex::new(None));
    let work = || {
        while let Some(path) = files.get(next.fetch_add(1, Ordering::Relaxed)) {
            if let Err(wrong) = ask(path) {
                next.store(files.len(), Ordering::Relaxed);
                lock(&error).get_or_insert(wrong);
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..MOST_WORKERS.min(files.len()) {
            scope.spawn(work);
        }
    });
    error.into_inner().unwrap_or_else(PoisonError::into_inner).map_or(Ok(()), Err)
}
