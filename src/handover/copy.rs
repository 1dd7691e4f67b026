//! Copying: files in the order of the image, each read once, hashed and written in one pass; then flushed, and read back
//! while the next ones are copied.

mod batch;
mod closing;
mod portions;
mod read_back;

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

pub(crate) use closing::settle;
pub(crate) use read_back::digest;
use sha2::{Digest, Sha256};

use self::batch::{Batch, Flushed};
use self::read_back::Reader;
use super::digests::Hasher;
use super::job::Job;
use super::journal::Journal;
use super::locate::Located;
use super::output::{OutputFile, ReadBack};
use super::place::{BlankWatch, Reading, Tree, merged};
use super::plan::Plan;
use super::session::Session;
use crate::catalog::{Extents, Timestamp};
use crate::content;
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};

/// More threads than this only make a drive seek.
const MOST_WORKERS: usize = 8;

/// A file of up to so many bytes is hashed before it is made, and then written in one go under its own name. With the
/// pieces of [`content::read`] and those in which files are read back a worker holds 3 MiB, all of them 24 MiB, whatever
/// the files' sizes: below the 64 MiB that may be in flight.
const AT_ONCE: u64 = 1 << 20;

/// Locks, also after another thread panicked: what is inside is whole after every single step.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Copier<'c> {
    job: &'c Job<'c>,
    plan: &'c Plan,
    session: &'c Session<'c>,
    progress: &'c dyn Progress,
    located: &'c Located,
    portions: Vec<Vec<usize>>,
    /// The next portion.
    next: AtomicUsize,
    stop: AtomicBool,
    folders: Mutex<HashSet<PathBuf>>,
    batch: Mutex<Batch>,
    flushed: Mutex<Flushed>,
    journal: Mutex<Journal>,
    done: Mutex<&'c mut Vec<Option<Reading>>>,
    /// How many threads read back while there is something to copy: copying waits for the cores and reading back for the
    /// disk, so that neither waits if both go on.
    readers: usize,
    /// Whether a thread flushes.
    flushing: AtomicBool,
    /// Whether nothing is left but to read back.
    finishing: AtomicBool,
    /// Whether a file was read back that may not have come off the disk.
    from_memory: AtomicBool,
    error: Mutex<Option<Error>>,
}

/// What a thread holds for itself.
#[derive(Default)]
struct Worker {
    /// The content of a small file.
    small: Vec<u8>,
    reader: Reader,
    /// The folder it wrote into last, which is there: files that lie together mostly stand together.
    folder: PathBuf,
}

/// Copies what is not done yet, and says where it was read back from, if it was. On an error everything that is written
/// and flushed is noted before it is returned.
pub(crate) fn run(
    job: &Job<'_>,
    plan: &Plan,
    session: &Session<'_>,
    journal: Journal,
    located: &Located,
    done: &mut Vec<Option<Reading>>,
    progress: &dyn Progress,
) -> Result<Option<ReadBack>> {
    let tasks: Vec<usize> = located.tasks.iter().copied().filter(|index| done[*index].is_none()).collect();
    let size = |index: &usize| {
        let entry = &plan.entries[*index];
        job.volumes[entry.volume].catalog.object(entry.object).size
    };
    let total = tasks.iter().map(size).fold(0, u64::saturating_add);
    // More than the machine has cores: who flushes or reads back waits for the disk.
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let each = if job.options.read_back { 4 } else { 2 };
    let workers = cores.saturating_mul(each).min(MOST_WORKERS).min(tasks.len());
    let copier = Copier {
        job,
        plan,
        session,
        progress,
        located,
        portions: portions::of(&tasks, |index| {
            let entry = &plan.entries[index];
            ((entry.volume, entry.path.rsplit_once('/').map(|(folder, _)| folder)), size(&index))
        }),
        next: AtomicUsize::new(0),
        stop: AtomicBool::new(false),
        folders: Mutex::default(),
        batch: Mutex::new(Batch::new()),
        flushed: Mutex::default(),
        journal: Mutex::new(journal),
        done: Mutex::new(done),
        readers: workers.div_ceil(2),
        flushing: AtomicBool::new(false),
        finishing: AtomicBool::new(false),
        from_memory: AtomicBool::new(false),
        error: Mutex::new(None),
    };
    progress.begin("copying", total, Unit::Bytes);
    copier.work_together(workers);
    progress.end();
    copier.finish(workers);
    if lock(&copier.error).is_none() {
        copier.note_error(copier.make_other_folders());
    }
    let from = if copier.from_memory.into_inner() { ReadBack::Memory } else { ReadBack::Disk };
    match copier.error.into_inner().unwrap_or_else(PoisonError::into_inner) {
        Some(error) => Err(error),
        None => Ok(job.options.read_back.then_some(from)),
    }
}

impl Copier<'_> {
    fn work_together(&self, workers: usize) {
        std::thread::scope(|scope| {
            for _ in 0..workers {
                scope.spawn(|| self.work());
            }
        });
    }

    fn work(&self) {
        let mut worker = Worker::default();
        while !self.stop.load(Ordering::Relaxed) {
            let most = if self.next.load(Ordering::Relaxed) < self.portions.len() { self.readers } else { usize::MAX };
            // By itself: the lock would be held as long as the file is read.
            let task = lock(&self.flushed).next(most);
            let outcome = if let Some(task) = task {
                let outcome = self.read_back(&task, &mut worker.reader);
                lock(&self.flushed).was_read();
                outcome
            } else if let Some(portion) = self.portions.get(self.next.fetch_add(1, Ordering::Relaxed)) {
                let mut copy = |index: &usize| self.copy(*index, &mut worker).and_then(|()| self.flush_if_due());
                portion.iter().try_for_each(&mut copy)
            } else {
                return;
            };
            self.note_error(outcome);
        }
    }

    /// The first error counts; what follows are other threads being stopped.
    fn note_error(&self, outcome: Result<()>) {
        if let Err(error) = outcome {
            self.stop.store(true, Ordering::Relaxed);
            lock(&self.error).get_or_insert(error);
        }
    }

    /// Flushes and reads back what is left, after an error too. What is neither read back nor followed by anything that
    /// takes long is made safe by [`settle`], while the records are written.
    fn finish(&self, workers: usize) {
        self.next.store(self.portions.len(), Ordering::Relaxed);
        self.stop.store(false, Ordering::Relaxed);
        let options = self.job.options;
        if !options.read_back && !options.second_reader && !options.check && lock(&self.error).is_none() {
            let batch = std::mem::replace(&mut *lock(&self.batch), Batch::new());
            return self.take(batch.done);
        }
        self.note_error(self.flush());
        let (is_empty, bytes) = {
            let flushed = lock(&self.flushed);
            (flushed.is_empty(), flushed.bytes())
        };
        if !is_empty {
            self.finishing.store(true, Ordering::Relaxed);
            self.progress.begin("reading back", bytes, Unit::Bytes);
            self.work_together(workers);
            self.progress.end();
        }
    }

    fn flush_if_due(&self) -> Result<()> {
        // While one thread waits for the disk the others go on, and what they write is flushed together.
        if !lock(&self.batch).is_due() || self.flushing.swap(true, Ordering::Acquire) {
            return Ok(());
        }
        let outcome = self.flush();
        self.flushing.store(false, Ordering::Release);
        outcome
    }

    /// Makes what was written safe on the disk, if the host can, and hands it on.
    fn flush(&self) -> Result<()> {
        let batch = std::mem::replace(&mut *lock(&self.batch), Batch::new());
        if batch.is_empty() {
            return Ok(());
        }
        let folder = &self.session.folder;
        let safe = self.session.output.flush(folder).map_err(|source| Error::Io {
            action: "flush",
            path: folder.clone(),
            source,
        })?;
        match self.job.options.read_back {
            true => lock(&self.flushed).add(batch, safe),
            false => self.note(&batch.done, safe)?,
        }
        Ok(())
    }

    /// Notes what is done, on the disk and here.
    fn note(&self, files: &[(usize, Reading)], safe: bool) -> Result<()> {
        lock(&self.journal).note(files, safe)?;
        self.take(files.iter().cloned());
        Ok(())
    }

    fn take(&self, files: impl IntoIterator<Item = (usize, Reading)>) {
        let mut done = lock(&self.done);
        for (index, reading) in files {
            done[index] = Some(reading);
        }
    }

    fn copy(&self, index: usize, worker: &mut Worker) -> Result<()> {
        let extents = self.located.extents(self.job, self.plan, index)?;
        let reading = match extents.size() <= AT_ONCE {
            true => self.copy_small(index, &extents, worker)?,
            false => self.copy_large(index, &extents, &mut worker.folder)?,
        };
        lock(&self.batch).add(index, reading);
        Ok(())
    }

    /// Where a file goes in the bag; `None` if reading showed that nothing of it is here.
    fn place(&self, index: usize, reading: &Reading) -> Option<PathBuf> {
        let entry = &self.plan.entries[index];
        let object = self.job.volumes[entry.volume].catalog.object(entry.object);
        let tree = Tree::of(&merged(&object.facts, Some(reading), true), reading.size)?;
        Some(self.session.path(&format!("{}/{}", tree.folder(), entry.path)))
    }

    /// A half-written file never stands under its name for longer than one call takes: its bytes are all there before.
    fn copy_small(&self, index: usize, extents: &Extents, worker: &mut Worker) -> Result<Reading> {
        let Worker { small: content, folder, .. } = worker;
        content.clear();
        let reading = self.read(index, extents, &mut |piece| {
            content.extend_from_slice(piece);
            Ok(())
        })?;
        let Some(path) = self.place(index, &reading) else { return Ok(reading) };
        self.make_folder_of(&path, folder)?;
        let output = self.session.output;
        let failed = |source| Error::Io { action: "write", path: path.clone(), source };
        let mut file = output.create(&path).map_err(failed)?;
        if let Err(source) = file.write_all(content) {
            drop(file);
            // The error that matters is the one at hand; what can't be removed now is when the bag is continued.
            let _ = output.remove(&path);
            return Err(failed(source));
        }
        self.set_times(index, file.as_mut());
        Ok(reading)
    }

    /// A large file has another name until it is all there.
    fn copy_large(&self, index: usize, extents: &Extents, folder: &mut PathBuf) -> Result<Reading> {
        let output = self.session.output;
        let temporary = self.session.temporary(&format!("{index}.part"));
        let failed = |source| Error::Io {
            action: "write",
            path: self.session.path(&format!("{UNNAMED}/{}", self.plan.entries[index].path)),
            source,
        };
        let mut file = output.create(&temporary).map_err(failed)?;
        let reading = self.read(index, extents, &mut |piece| file.write_all(piece).map_err(failed))?;
        self.set_times(index, file.as_mut());
        drop(file);
        let Some(path) = self.place(index, &reading) else {
            output.remove(&temporary).map_err(|source| Error::Io { action: "remove", path: temporary, source })?;
            return Ok(reading);
        };
        self.make_folder_of(&path, folder)?;
        output.publish(&temporary, &path).map_err(|source| match source.kind() {
            std::io::ErrorKind::NotFound => vanished(&path),
            _ => Error::Io { action: "give its name to", path: path.clone(), source },
        })?;
        Ok(reading)
    }

    fn set_times(&self, index: usize, file: &mut dyn OutputFile) {
        let entry = &self.plan.entries[index];
        let object = self.job.volumes[entry.volume].catalog.object(entry.object);
        let time = |time: Option<Timestamp>| time.and_then(|time| time.system_time(&self.job.time_zone));
        file.set_times(time(object.created()), time(object.modified()));
    }

    /// Makes the folder of a file, unless it is the `last` one.
    fn make_folder_of(&self, path: &Path, last: &mut PathBuf) -> Result<()> {
        let folder = path.parent().unwrap_or(path);
        // Letter by letter: comparing paths by their parts takes longer, and is no safer here.
        if last.as_os_str() != folder.as_os_str() {
            self.make_folder(folder)?;
            last.clear();
            last.push(folder);
        }
        Ok(())
    }

    /// Makes the folders of the plan that no file was written into. A bag has a payload, if only an empty one.
    fn make_other_folders(&self) -> Result<()> {
        let planned = self.plan.folders().map(|entry| self.session.folder_path(&entry.path));
        std::iter::once(self.session.folder_path("")).chain(planned).try_for_each(|folder| self.make_folder(&folder))
    }

    /// Those above it come first, so that each is asked for once.
    fn make_folder(&self, folder: &Path) -> Result<()> {
        if lock(&self.folders).contains(folder) {
            return Ok(());
        }
        if let Some(above) = folder.parent().filter(|_| folder != self.session.folder) {
            self.make_folder(above)?;
        }
        self.session.output.create_folder(folder).map_err(|source| Error::Io {
            action: "make the folder",
            path: folder.to_path_buf(),
            source,
        })?;
        lock(&self.folders).insert(folder.to_path_buf());
        Ok(())
    }

    /// Reads a file, hashes it and hands it to `sink`.
    fn read(&self, index: usize, extents: &Extents, sink: &mut dyn FnMut(&[u8]) -> Result<()>) -> Result<Reading> {
        let volume = &self.job.volumes[self.plan.entries[index].volume];
        let (mut hash, mut blank) = (Sha256::new(), BlankWatch::default());
        let mut also = Hasher::new(self.job.options.also());
        let outcome = content::read(volume.filesystem.source(), extents, &mut |piece| {
            if self.stop.load(Ordering::Relaxed) {
                return Err(Error::Usage("stopped because of another file".to_string()));
            }
            hash.update(piece);
            also.update(piece);
            blank.see(piece);
            sink(piece)?;
            self.progress.advance(piece.len() as u64);
            Ok(())
        })?;
        Ok(Reading {
            sha256: hash.finalize().into(),
            also: also.finish(),
            size: outcome.length,
            gaps: outcome.gaps,
            unknown: outcome.unknown,
            blank: blank.is_blank(),
        })
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
