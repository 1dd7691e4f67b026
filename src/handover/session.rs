//! The bag's folder from its first mark to its last: begun, continued, locked, closed.

use std::any::Any;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use unicode_normalization::UnicodeNormalization;

use super::added;
use super::bag;
use super::copy;
use super::destination::{BAGIT, Destination, NOT_FINISHED, PROGRESS, RECORDS, UNFINISHED};
use super::journal::{self, Earlier, Header, now};
use super::output::{LOCKED, Output, below};
use super::place::{Reading, Tree};
use super::plan::Plan;
#[cfg(feature = "report")]
use super::report;
use crate::catalog::ObjectKind;
use crate::error::{Error, Result};

/// What people find in the folder until it is done.
const NOT_FINISHED_TEXT: &str = "\
This handover is NOT FINISHED. Do not give it to anyone and do not rely on it.\r
\r
The program that makes it was stopped, or is still at work. Run the same command again:\r
it goes on where it was stopped. Leave the folders \"records\" and \"unfinished\" alone until then.\r
";

/// A process that was killed a moment ago may still hold its lock: hosts free locks a little later, and a program that
/// it was just starting may hold it until then.
const LOCK_TRIES: u32 = 10;
const LOCK_PAUSE: Duration = Duration::from_millis(50);

/// An open bag, ours alone while this lives.
pub(crate) struct Session<'o> {
    pub(crate) output: &'o dyn Output,
    pub(crate) folder: PathBuf,
    lock: Option<Box<dyn Any + Send + Sync>>,
}

fn failed(action: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Error {
    let path = path.to_path_buf();
    move |source| Error::Io { action, path, source }
}

impl<'o> Session<'o> {
    /// Begins a bag, or takes an unfinished one up again. What `earlier` says of files that are gone is struck out.
    pub(crate) fn open(
        output: &'o dyn Output,
        destination: &Destination,
        header: &Header,
        earlier: &mut Earlier,
        place: impl Fn(usize, &Reading) -> Option<Tree>,
        plan: &Plan,
    ) -> Result<Self> {
        // What a finished bag holds to which is added, by entry.
        let kept = std::mem::take(&mut earlier.done);
        let folder = &destination.folder;
        let unfinished = folder.join(UNFINISHED);
        output.create_folder(folder).map_err(failed("make the folder", folder))?;
        let folder = std::fs::canonicalize(folder).map_err(failed("look at", folder))?;
        output.create_folder(&unfinished).map_err(failed("make the folder", &unfinished))?;
        let lock = unfinished.join("lock");
        let mut tries = LOCK_TRIES;
        let lock = loop {
            match output.lock(&lock) {
                Ok(held) => break held,
                Err(source) if source.kind() != LOCKED => return Err(failed("write", &lock)(source)),
                Err(_) if tries > 0 => std::thread::sleep(LOCK_PAUSE),
                Err(_) => {
                    return Err(Error::Destination {
                        path: destination.folder.clone(),
                        why: "another handback is writing there; wait until it is done".to_string(),
                    });
                }
            }
            tries -= 1;
        };
        let session = Self { output, folder, lock: Some(lock) };
        // Another run may have done something between the first look and the lock.
        let is_begun = session.path(PROGRESS).is_file();
        let is_finished = !is_begun && session.path(BAGIT).is_file();
        let examined =
            if is_finished && destination.finished { Some(added::tags_digest(output, &session.folder)?) } else { None };
        let is_same = (is_begun, is_finished) == (destination.begun, destination.finished);
        if !is_same || examined != earlier.examined {
            return Err(Error::Destination {
                path: destination.folder.clone(),
                why: "another handback has just written there; look at what it did before you start again".to_string(),
            });
        }
        if destination.begun {
            *earlier = Earlier::read(output, &session.folder, header, plan.entries.len())?;
            let again = session.sort_out(earlier, place, plan)?;
            session.mark()?;
            session.unfinish()?;
            session.remove_all(&again)?;
            session.log(&format!(
                "continued: {} of {} entries were safe",
                earlier.done.iter().flatten().count(),
                earlier.done.len()
            ))?;
        } else {
            session.begin(header, &kept)?;
            *earlier = Earlier::read(output, &session.folder, header, plan.entries.len())?;
            if destination.finished {
                session.unfinish()?;
                session.log(&format!("adding to a finished handover of {} files", kept.iter().flatten().count()))?;
            } else {
                session.log("begun")?;
            }
        }
        Ok(session)
    }

    /// A path of the bag.
    pub(crate) fn path(&self, relative: &str) -> PathBuf {
        below(&self.folder, relative)
    }

    /// Where a folder of the plan stands.
    pub(crate) fn folder_path(&self, planned: &str) -> PathBuf {
        match planned {
            "" => self.path(Tree::Recovered.folder()),
            planned => self.path(&[Tree::Recovered.folder(), "/", planned].concat()),
        }
    }

    /// Where a file is written before it has its name.
    pub(crate) fn temporary(&self, name: &str) -> PathBuf {
        self.folder.join(UNFINISHED).join(name)
    }

    fn mark(&self) -> Result<()> {
        let mark = self.path(NOT_FINISHED);
        if mark.exists() {
            return Ok(());
        }
        let write = || self.output.create(&mark)?.write_all(NOT_FINISHED_TEXT.as_bytes());
        write().map_err(failed("write", &mark))
    }

    /// Marks the bag as unfinished and begins its record of progress, which alone makes it one that is continued.
    fn begin(&self, header: &Header, kept: &[Option<Reading>]) -> Result<()> {
        self.mark()?;
        let records = self.path(RECORDS);
        self.output.create_folder(&records).map_err(failed("make the folder", &records))?;
        self.clear_temporary()?;
        let first = journal::begin(header, kept).map_err(failed("write", &records))?;
        self.write_file("progress", PROGRESS, &first)
    }

    /// Writes a file of the bag under a temporary name, safely, and gives it its own.
    pub(crate) fn write_file(&self, temporary: &str, relative: &str, bytes: &[u8]) -> Result<()> {
        let (temporary, path) = (self.temporary(temporary), self.path(relative));
        let write = || {
            let mut file = self.output.create(&temporary)?;
            file.write_all(bytes)?;
            file.sync()?;
            drop(file);
            self.output.publish(&temporary, &path)
        };
        write().map_err(failed("write", &path))
    }

    /// Adds a line to the log, which alone with Bagging-Date and the job's times tells when something happened.
    pub(crate) fn log(&self, what: &str) -> Result<()> {
        self.log_lines(&[what])
    }

    /// Adds lines to the log at once.
    pub(crate) fn log_lines(&self, lines: &[impl AsRef<str>]) -> Result<()> {
        let path = self.path("records/log.txt");
        let length = std::fs::metadata(&path).map_or(0, |metadata| metadata.len());
        let now = now();
        let text: String = lines.iter().map(|line| format!("{now} {}\n", line.as_ref())).collect();
        let write = || self.output.append(&path, length)?.write_all(text.as_bytes());
        write().map_err(failed("write", &path))
    }

    /// Logs what stopped it, if that can be: the error that matters is the one at hand.
    pub(crate) fn log_stop(&self, error: &Error) {
        let _ = self.log(&format!("stopped: {error}"));
    }

    /// Takes away what an earlier run wrote when it thought it was done.
    fn unfinish(&self) -> Result<()> {
        for name in std::iter::once(BAGIT).chain(bag::CLOSING_FILES) {
            let path = self.path(name);
            if path.exists() {
                self.remove_all(&[path])?;
            }
        }
        #[cfg(feature = "report")]
        self.remove_sheets()?;
        self.clear_temporary()
    }

    /// The sheets of pictures are as many as there are pictures. What is none of them is left alone.
    #[cfg(feature = "report")]
    fn remove_sheets(&self) -> Result<()> {
        let folder = self.path(report::SHEETS);
        // A link could lead anywhere.
        if !folder.symlink_metadata().is_ok_and(|metadata| metadata.is_dir()) {
            return Ok(());
        }
        for entry in std::fs::read_dir(&folder).map_err(failed("list", &folder))? {
            let entry = entry.map_err(failed("list", &folder))?;
            if entry.file_name().to_str().is_some_and(report::is_sheet) {
                self.remove_all(&[entry.path()])?;
            }
        }
        Ok(())
    }

    fn remove_all(&self, paths: &[PathBuf]) -> Result<()> {
        paths.iter().try_for_each(|path| self.output.remove(path).map_err(failed("remove", path)))
    }

    fn clear_temporary(&self) -> Result<()> {
        let folder = self.path(UNFINISHED);
        let entries = std::fs::read_dir(&folder).map_err(failed("list", &folder))?;
        for entry in entries {
            let entry = entry.map_err(failed("list", &folder))?;
            if entry.file_name() != "lock" {
                self.output.remove(&entry.path()).map_err(failed("remove", &entry.path()))?;
            }
        }
        Ok(())
    }

    /// Compares the payload with the record of progress: gives the files without a line, which are to be removed and
    /// done again. What is not ours stops everything before anything is touched.
    fn sort_out(
        &self,
        earlier: &mut Earlier,
        place: impl Fn(usize, &Reading) -> Option<Tree>,
        plan: &Plan,
    ) -> Result<Vec<PathBuf>> {
        let mut again = Vec::new();
        // Some disks of macOS give names back in another Unicode form; no two planned paths differ only in that.
        let composed = |path: &str| path.nfc().collect::<String>();
        let planned: HashMap<String, usize> =
            plan.entries.iter().enumerate().map(|(index, entry)| (composed(&entry.path), index)).collect();
        let mut found = vec![false; plan.entries.len()];
        for tree in Tree::ALL {
            for (path, relative, length) in self.files_below(tree.folder())? {
                let foreign = |why: &str| Error::Destination {
                    path: path.clone(),
                    why: format!("{why}; move it away and run the same command again"),
                };
                let index = planned
                    .get(&composed(&relative))
                    .copied()
                    .filter(|index| plan.entries[*index].kind != ObjectKind::Folder)
                    .ok_or_else(|| foreign("it is not a part of this unfinished handover"))?;
                match &earlier.done[index] {
                    Some(reading) if place(index, reading) == Some(tree) => {
                        found[index] = match earlier.safe[index] {
                            true if reading.size != length || self.was_changed(earlier, index, reading, &path)? => {
                                return Err(foreign("it was changed since it was written"));
                            }
                            true => true,
                            // The power may have failed before it was on the disk.
                            false if reading.size != length => false,
                            false => {
                                let digest = copy::digest(self, &path, length).map_err(failed("read", &path))?;
                                digest == reading.sha256
                            }
                        };
                        if !found[index] {
                            again.push(path);
                        }
                    }
                    Some(_) => return Err(foreign("it is not a part of this unfinished handover")),
                    // Written after the last flushed checkpoint.
                    None => again.push(path),
                }
            }
        }
        for (index, slot) in earlier.done.iter_mut().enumerate() {
            let is_copied = slot.as_ref().is_some_and(|reading| place(index, reading).is_some());
            if is_copied && !found[index] {
                if earlier.kept[index] {
                    return Err(Error::Destination {
                        path: self.path(&plan.entries[index].path),
                        why: "it belongs to the handover to which is added, and is not there any more".to_string(),
                    });
                }
                *slot = None;
            }
        }
        Ok(again)
    }

    /// Whether a file of the finished bag to which is added is not what it was; others are not read for that.
    fn was_changed(&self, earlier: &Earlier, index: usize, reading: &Reading, path: &Path) -> Result<bool> {
        if !earlier.kept[index] {
            return Ok(false);
        }
        let digest = copy::digest(self, path, reading.size).map_err(failed("read", path))?;
        Ok(digest != reading.sha256)
    }

    /// The files below a folder of the bag: path, path below the folder with `/`, length.
    fn files_below(&self, relative: &str) -> Result<Vec<(PathBuf, String, u64)>> {
        let mut files = Vec::new();
        let mut folders = vec![(self.path(relative), String::new())];
        while let Some((folder, prefix)) = folders.pop() {
            let entries = match std::fs::read_dir(&folder) {
                Ok(entries) => entries,
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
                Err(error) => return Err(failed("list", &folder)(error)),
            };
            for entry in entries {
                let entry = entry.map_err(failed("list", &folder))?;
                let metadata = entry.metadata().map_err(failed("look at", &entry.path()))?;
                let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
                if metadata.is_dir() {
                    folders.push((entry.path(), format!("{name}/")));
                } else {
                    files.push((entry.path(), name, metadata.len()));
                }
            }
        }
        Ok(files)
    }

    /// Closes the bag: from here on it is finished. `bagit` is what makes it one.
    pub(crate) fn close(mut self, bagit: &[u8]) -> Result<()> {
        let (temporary, path, mark) = (self.temporary(BAGIT), self.path(BAGIT), self.path(NOT_FINISHED));
        let write = || {
            let mut file = self.output.create(&temporary)?;
            file.write_all(bagit)?;
            file.sync()?;
            drop(file);
            self.output.flush(&self.folder)?;
            // In this order the folder is never without either of the two.
            self.output.publish(&temporary, &path)?;
            self.output.remove(&mark)?;
            // If the power fails from here on, a disk that keeps no order must not bring the mark back beside a whole bag
            // of which nothing else says that it can be taken up.
            self.output.flush(&self.folder)
        };
        write().map_err(failed("write", &path))?;
        self.lock = None;
        let (lock, unfinished, progress) = (self.temporary("lock"), self.path(UNFINISHED), self.path(PROGRESS));
        // The record of progress goes last: as long as it is there, a run that was stopped here can be taken up.
        let tidy = || {
            self.output.remove(&lock)?;
            self.output.remove_folder(&unfinished)?;
            self.output.remove(&progress)
        };
        tidy().map_err(failed("remove", &unfinished))
    }
}
