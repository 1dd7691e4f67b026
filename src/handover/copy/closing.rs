//! When all is copied: the last look at what was written.

use std::collections::{HashMap, HashSet};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use super::{MOST_WORKERS, lock, vanished};
use crate::catalog::{ObjectKind, Timestamp};
use crate::error::{Error, Result};
use crate::handover::job::Job;
use crate::handover::output::below;
use crate::handover::plan::Entry;
use crate::handover::results::Results;
use crate::handover::session::Session;
use crate::progress::{Progress, Unit};
use crate::threads;

/// For fewer folders than this a thread of their own is not worth while.
const LEAST_FOLDERS: usize = 1000;

/// Makes sure that what was copied is still there and safe on the disk, and gives the folders their times.
pub(crate) fn settle(results: &Results<'_>, session: &Session<'_>, progress: &dyn Progress) -> Result<()> {
    let files: Vec<String> =
        results.rows().filter(|row| row.entry.kind != ObjectKind::Folder).filter_map(|row| row.path()).collect();
    look_for(&session.folder, &files)?;
    flush(session, &files, progress)?;
    // Their times change while they are filled.
    let folders: Vec<_> = results.plan.folders().collect();
    let set_times = |folder: &&Entry| set_times(results.job, session, folder);
    threads::in_parts(&folders, LEAST_FOLDERS, |part| part.iter().for_each(set_times));
    Ok(())
}

/// Gives a folder of the plan its times.
fn set_times(job: &Job<'_>, session: &Session<'_>, folder: &Entry) {
    let object = job.volumes[folder.volume].catalog.object(folder.object);
    let system_time = |time: Option<Timestamp>| time.and_then(|time| time.system_time(&job.time_zone));
    let (created, modified) = (system_time(object.created()), system_time(object.modified()));
    session.output.set_folder_times(&session.folder_path(&folder.path), created, modified);
}

/// Makes written files safe on the disk before the bag is closed, with one call if the host has one.
fn flush(session: &Session<'_>, files: &[String], progress: &dyn Progress) -> Result<()> {
    let output = session.output;
    let failed = |path: &Path| {
        let path = path.to_path_buf();
        move |source| Error::Io { action: "flush", path, source }
    };
    if output.flush(&session.folder).map_err(failed(&session.folder))? {
        return Ok(());
    }
    progress.begin("flushing", files.len() as u64, Unit::Files);
    let outcome = for_each(files, |file| {
        progress.advance(1);
        let path = session.path(file);
        output.flush_file(&path).map_err(failed(&path))
    });
    progress.end();
    outcome
}

/// Whether all written files are still there: a virus scanner may also come later. Their folders are listed; a file that
/// is not listed by its name, as some disks of macOS give names back in another Unicode form, is asked for by itself.
fn look_for(root: &Path, files: &[String]) -> Result<()> {
    let mut folders: HashMap<&str, Vec<&str>> = HashMap::new();
    for file in files {
        let (folder, name) = file.rsplit_once('/').unwrap_or(("", file));
        folders.entry(folder).or_default().push(name);
    }
    let folders: Vec<(&str, Vec<&str>)> = folders.into_iter().collect();
    for_each(&folders, |(folder, names)| {
        let folder = below(root, folder);
        let mut unseen: HashSet<&OsStr> = names.iter().map(OsStr::new).collect();
        for entry in std::fs::read_dir(&folder).into_iter().flatten().map_while(std::io::Result::ok) {
            unseen.remove(entry.file_name().as_os_str());
        }
        unseen
            .into_iter()
            .map(|name| folder.join(name))
            .try_for_each(|path: PathBuf| std::fs::symlink_metadata(&path).map(drop).map_err(|_| vanished(&path)))
    })
}

/// Asks about many things at once, until one of them is wrong.
fn for_each<T: Sync>(things: &[T], ask: impl Fn(&T) -> Result<()> + Sync) -> Result<()> {
    let (next, error) = (AtomicUsize::new(0), Mutex::new(None));
    let work = || {
        while let Some(thing) = things.get(next.fetch_add(1, Ordering::Relaxed)) {
            if let Err(wrong) = ask(thing) {
                next.store(things.len(), Ordering::Relaxed);
                lock(&error).get_or_insert(wrong);
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..MOST_WORKERS.min(things.len()) {
            scope.spawn(work);
        }
    });
    error.into_inner().unwrap_or_else(PoisonError::into_inner).map_or(Ok(()), Err)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::handover::output::{Disk, Output};
    use crate::testing::write_file;

    #[test]
    fn one_file_of_many_that_is_gone_is_missed() {
        let folder = tempfile::tempdir().unwrap();
        let names = ["data/recovered/a.txt", "data/recovered/b/c.txt", "data/recovered/b/d.txt", "data/damaged/a.txt"];
        let files = names.map(str::to_string);
        for name in names {
            let path = below(folder.path(), name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            write_file(&path, b"la");
        }
        look_for(folder.path(), &files).unwrap();
        for name in names {
            let (path, away) = (below(folder.path(), name), folder.path().join("away"));
            Disk.publish(&path, &away).unwrap();
            let error = look_for(folder.path(), &files).unwrap_err().to_string();
            assert!(error.contains("vanished") && error.contains(&path.display().to_string()), "{error}");
            Disk.publish(&away, &path).unwrap();
        }
        std::fs::remove_dir_all(folder.path().join("data")).unwrap();
        assert!(look_for(folder.path(), &files).is_err());
    }
}
