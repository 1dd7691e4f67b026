//! Copying: files in the order of the image, each read once, hashed and written in one pass, then read back.

use std::collections::HashSet;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use sha2::{Digest, Sha256};

use super::digests::Hasher;
use super::job::Job;
use super::journal::Journal;
use super::locate::Located;
use super::output::OutputFile;
use super::place::{BlankWatch, Reading, Tree, merged};
use super::plan::Plan;
use super::session::Session;
use crate::catalog::Timestamp;
use crate::content;
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};

/// More threads than this only make a drive seek.
const MOST_WORKERS: usize = 8;

/// Bytes in which written files are read back. With the pieces of [`content::read`] (1 MiB) a worker holds 2 MiB, all
/// of them 16 MiB, whatever the files' sizes: below the 64 MiB that may be in flight.
const READ_BACK: usize = 1 << 20;

/// A checkpoint is made when one of these is reached since the last: what is lost by a kill, and has to be done again,
/// is never more. Few files in tests, so that they see many checkpoints.
const CHECKPOINT_FILES: usize = if cfg!(test) { 4 } else { 2000 };
const CHECKPOINT_BYTES: u64 = 1 << 30;
const CHECKPOINT_TIME: Duration = Duration::from_secs(20);

/// Locks, also after another thread panicked: what is inside is whole after every single step.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Files that are written and not yet flushed.
struct Batch {
    done: Vec<(usize, Reading)>,
    bytes: u64,
    since: Instant,
}

impl Batch {
    fn new() -> Self {
        Self { done: Vec::new(), bytes: 0, since: Instant::now() }
    }

    fn is_due(&self) -> bool {
        self.done.len() >= CHECKPOINT_FILES
            || self.bytes >= CHECKPOINT_BYTES
            || (!self.done.is_empty() && self.since.elapsed() >= CHECKPOINT_TIME)
    }
}

struct Copier<'c> {
    job: &'c Job<'c>,
    plan: &'c Plan,
    session: &'c Session<'c>,
    progress: &'c dyn Progress,
    tasks: Vec<usize>,
    next: AtomicUsize,
    stop: AtomicBool,
    folders: Mutex<HashSet<PathBuf>>,
    batch: Mutex<Batch>,
    journal: Mutex<Journal<'c>>,
    done: Mutex<&'c mut Vec<Option<Reading>>>,
    error: Mutex<Option<Error>>,
}

/// Copies what is not done yet. On an error everything that is written and flushed is noted before it is returned.
pub(crate) fn run(
    job: &Job<'_>,
    plan: &Plan,
    session: &Session<'_>,
    journal: Journal<'_>,
    located: &Located,
    done: &mut Vec<Option<Reading>>,
    progress: &dyn Progress,
) -> Result<()> {
    let tasks: Vec<usize> = located.tasks.iter().copied().filter(|index| done[*index].is_none()).collect();
    let size = |index: &usize| {
        let entry = &plan.entries[*index];
        job.volumes[entry.volume].catalog.object(entry.object).size
    };
    let total = tasks.iter().map(size).fold(0, u64::saturating_add);
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(MOST_WORKERS).min(tasks.len());
    let copier = Copier {
        job,
        plan,
        session,
        progress,
        tasks,
        next: AtomicUsize::new(0),
        stop: AtomicBool::new(false),
        folders: Mutex::default(),
        batch: Mutex::new(Batch::new()),
        journal: Mutex::new(journal),
        done: Mutex::new(done),
        error: Mutex::new(None),
    };
    progress.begin("copying", total, Unit::Bytes);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| copier.work());
        }
    });
    progress.end();
    let last = copier.checkpoint();
    match copier.error.into_inner().unwrap_or_else(PoisonError::into_inner) {
        Some(error) => Err(error),
        None => last,
    }
}

impl Copier<'_> {
    fn work(&self) {
        while !self.stop.load(Ordering::Relaxed) {
            let Some(&index) = self.tasks.get(self.next.fetch_add(1, Ordering::Relaxed)) else { return };
            if let Err(error) = self.copy(index).and_then(|()| self.checkpoint_if_due()) {
                // The first error counts; what follows are other threads being stopped.
                if !self.stop.swap(true, Ordering::Relaxed) {
                    *lock(&self.error) = Some(error);
                }
                return;
            }
        }
    }

    fn checkpoint_if_due(&self) -> Result<()> {
        if lock(&self.batch).is_due() { self.checkpoint() } else { Ok(()) }
    }

    fn checkpoint(&self) -> Result<()> {
        let mut journal = lock(&self.journal);
        let batch = std::mem::replace(&mut *lock(&self.batch), Batch::new());
        if batch.done.is_empty() {
            return Ok(());
        }
        journal.checkpoint(&batch.done)?;
        let mut done = lock(&self.done);
        for (index, reading) in batch.done {
            done[index] = Some(reading);
        }
        Ok(())
    }

    fn copy(&self, index: usize) -> Result<()> {
        let entry = &self.plan.entries[index];
        let catalog = self.job.volumes[entry.volume].catalog;
        let object = catalog.object(entry.object);
        let temporary = self.session.temporary(&format!("{index}.part"));
        let reading = self.write(index, &temporary)?;
        let output = self.session.output;
        match Tree::of(&merged(&object.facts, Some(&reading), true), reading.size) {
            Some(tree) => {
                if self.job.options.read_back {
                    self.read_back(&temporary, &reading)?;
                }
                let path = self.session.path(&format!("{}/{}", tree.folder(), entry.path));
                self.make_folder(path.parent().unwrap_or(&path))?;
                output.publish(&temporary, &path).map_err(|source| match source.kind() {
                    std::io::ErrorKind::NotFound => vanished(&path),
                    _ => Error::Io { action: "give its name to", path: path.clone(), source },
                })?;
            }
            // Only reading showed that nothing of it is here.
            None => output.remove(&temporary).map_err(|source| Error::Io {
                action: "remove",
                path: temporary.clone(),
                source,
            })?,
        }
        let mut batch = lock(&self.batch);
        batch.bytes = batch.bytes.saturating_add(reading.size);
        batch.done.push((index, reading));
        Ok(())
    }

    fn make_folder(&self, folder: &Path) -> Result<()> {
        if lock(&self.folders).contains(folder) {
            return Ok(());
        }
        self.session.output.create_folder(folder).map_err(|source| Error::Io {
            action: "make the folder",
            path: folder.to_path_buf(),
            source,
        })?;
        lock(&self.folders).insert(folder.to_path_buf());
        Ok(())
    }

    fn write(&self, index: usize, temporary: &Path) -> Result<Reading> {
        let entry = &self.plan.entries[index];
        let volume = &self.job.volumes[entry.volume];
        let object = volume.catalog.object(entry.object);
        let extents = volume.filesystem.extents(volume.catalog, entry.object)?;
        let failed = |source| Error::Io {
            action: "write",
            path: self.session.path(&format!("{UNNAMED}/{}", entry.path)),
            source,
        };
        let mut file: Box<dyn OutputFile> = self.session.output.create(temporary).map_err(failed)?;
        let (mut hash, mut blank) = (Sha256::new(), BlankWatch::default());
        let mut also = Hasher::new(self.job.options.also());
        let outcome = content::read(volume.filesystem.source(), &extents, &mut |piece| {
            if self.stop.load(Ordering::Relaxed) {
                return Err(Error::Usage("stopped because of another file".to_string()));
            }
            hash.update(piece);
            also.update(piece);
            blank.see(piece);
            file.write_all(piece).map_err(failed)?;
            self.progress.advance(piece.len() as u64);
            Ok(())
        })?;
        let time = |time: Option<Timestamp>| time.and_then(|time| time.system_time(&self.job.time_zone));
        file.set_times(time(object.created()), time(object.modified()));
        Ok(Reading {
            sha256: hash.finalize().into(),
            also: also.finish(),
            size: outcome.length,
            gaps: outcome.gaps,
            unknown: outcome.unknown,
            blank: blank.is_blank(),
        })
    }

    fn read_back(&self, path: &Path, reading: &Reading) -> Result<()> {
        /// Windows' answer where a virus scanner stands in the way: ERROR_VIRUS_INFECTED (Microsoft, "System Error
        /// Codes").
        const VIRUS_INFECTED: i32 = 225;
        let failed = |source: std::io::Error| {
            let taken = cfg!(windows) && source.raw_os_error() == Some(VIRUS_INFECTED);
            match source.kind() {
                std::io::ErrorKind::NotFound => vanished(path),
                _ if taken => vanished(path),
                _ => Error::Io { action: "read back", path: path.to_path_buf(), source },
            }
        };
        if digest(self.session, path, reading.size).map_err(failed)? == reading.sha256 {
            return Ok(());
        }
        Err(Error::Destination {
            path: path.to_path_buf(),
            why: "it does not read back as it was written: the disk may be failing; use another one".to_string(),
        })
    }
}

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
    let (next, error) = (AtomicUsize::new(0), Mutex::new(None));
    let work = || {
        while let Some(path) = files.get(next.fetch_add(1, Ordering::Relaxed)) {
            if let Err(source) = output.flush_file(path) {
                *lock(&error) = Some(failed(path)(source));
                return;
            }
            progress.advance(1);
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..MOST_WORKERS.min(files.len()) {
            scope.spawn(work);
        }
    });
    progress.end();
    error.into_inner().unwrap_or_else(PoisonError::into_inner).map_or(Ok(()), Err)
}

/// The SHA-256 of a file of the bag.
pub(crate) fn digest(session: &Session<'_>, path: &Path, size: u64) -> std::io::Result<[u8; 32]> {
    let mut file = session.output.open(path)?;
    let mut buffer = vec![0; READ_BACK.min(usize::try_from(size).unwrap_or(READ_BACK).max(1))];
    let mut hash = Sha256::new();
    loop {
        match file.read(&mut buffer) {
            Ok(0) => return Ok(hash.finalize().into()),
            Ok(count) => hash.update(&buffer[..count]),
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

/// Stands in a message for the part of the payload that is only known once a file is read.
const UNNAMED: &str = "data/…";

/// The error for a written file that somebody took away.
pub(crate) fn vanished(path: &Path) -> Error {
    Error::Destination {
        path: path.to_path_buf(),
        why: "this file was written and then vanished: a virus scanner may have taken it away. Look into its \
              quarantine, let it leave this folder alone, and run the same command again"
            .to_string(),
    }
}
