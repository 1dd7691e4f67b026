//! Checking many files of a volume at once.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use super::content::{Content, RandomRead};
use super::subject::Siblings;
use super::{Opens, Verdict, examine};
use crate::catalog::{Catalog, Facts, Lookup, NameId, ObjectId, ObjectKind};
use crate::error::Result;
use crate::filesystem::Filesystem;
use crate::progress::{Progress, Unit};
use crate::source::fence::THREAD_NAME;

/// More threads than this only make a drive seek.
const MOST_WORKERS: usize = 8;

/// Checks files and tells of each what came of it, in the order of `objects`; they are best in the order of the image.
/// `None` for streams, links and folders, which no rule is for.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn examine_all(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    objects: &[ObjectId],
    progress: &dyn Progress,
) -> Result<Vec<Option<Verdict>>> {
    let total = objects.iter().map(|object| catalog.object(*object).size).fold(0, u64::saturating_add);
    progress.begin("checking content", total, Unit::Bytes);
    let next = AtomicUsize::new(0);
    let stop = AtomicBool::new(false);
    let done = Mutex::new(Vec::with_capacity(objects.len()));
    let error = Mutex::new(None);
    let work = || {
        let mut own = Vec::new();
        while !stop.load(Ordering::Relaxed) {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(object) = objects.get(index) else { break };
            match examine_object(filesystem, catalog, *object) {
                Ok(verdict) => own.push((index, verdict)),
                Err(failed) => {
                    stop.store(true, Ordering::Relaxed);
                    *error.lock().unwrap_or_else(PoisonError::into_inner) = Some(failed);
                }
            }
            progress.advance(catalog.object(*object).size);
        }
        done.lock().unwrap_or_else(PoisonError::into_inner).extend(own);
    };
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(MOST_WORKERS).min(objects.len());
    std::thread::scope(|scope| {
        for _ in 0..workers {
            // Its name keeps a decoder's panic, which costs one file, from being shown.
            let thread = std::thread::Builder::new().name(THREAD_NAME.to_string());
            if thread.spawn_scoped(scope, work).is_err() {
                work();
            }
        }
    });
    progress.end();
    if let Some(failed) = error.into_inner().unwrap_or_else(PoisonError::into_inner) {
        return Err(failed);
    }
    let mut done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
    done.sort_unstable_by_key(|(index, _)| *index);
    Ok(done.into_iter().map(|(_, verdict)| verdict).collect())
}

/// Checks one file.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub fn examine_object(filesystem: &dyn Filesystem, catalog: &Catalog, id: ObjectId) -> Result<Option<Verdict>> {
    let object = catalog.object(id);
    if object.kind != ObjectKind::File {
        return Ok(None);
    }
    if let Some(why) = out_of_reach(&object.facts) {
        return Ok(Some(Verdict::new(Opens::Unchecked, None, why)));
    }
    let Some(content) = Content::of(filesystem, catalog, id)? else {
        return Ok(Some(Verdict::new(Opens::Unchecked, None, "its content can't be found")));
    };
    let name = catalog.names_of(id).next();
    let text = name.map(|name| catalog.name(name).text()).unwrap_or_default();
    let siblings = Folder { filesystem, catalog, name };
    // Decoders are other people's code: one that panics is no verdict of the file's.
    let examined = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| examine(&text, &content, &siblings)));
    match examined {
        Ok(verdict) => verdict.map(Some),
        Err(_) => Ok(Some(Verdict::new(Opens::Unchecked, None, "the decoder gave up on it"))),
    }
}

/// Why there is nothing to be checked.
fn out_of_reach(facts: &Facts) -> Option<&'static str> {
    if facts.unlocated.is_some() {
        Some("its content can't be found")
    } else if facts.encrypted {
        Some("it is encrypted by the filesystem")
    } else if facts.never_here_bytes > 0 {
        Some("its content was kept by a cloud service and not here")
    } else {
        None
    }
}

/// The folder in which a file has its first name.
struct Folder<'a> {
    filesystem: &'a dyn Filesystem,
    catalog: &'a Catalog,
    name: Option<NameId>,
}

impl Siblings for Folder<'_> {
    fn file(&self, name: &str) -> Result<Option<Box<dyn RandomRead + '_>>> {
        let Some(own) = self.name else { return Ok(None) };
        let Lookup::Found(object, _) = self.catalog.find_in(self.catalog.parent(own), name) else { return Ok(None) };
        let found = self.catalog.object(object);
        if found.kind != ObjectKind::File || out_of_reach(&found.facts).is_some() {
            return Ok(None);
        }
        let content = Content::of(self.filesystem, self.catalog, object)?;
        Ok(content.map(|content| -> Box<dyn RandomRead + '_> { Box::new(content) }))
    }
}
