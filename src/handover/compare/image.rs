//! A handover's list against the image: every file is read again where it lies, and hashed.

use enumset::EnumSet;

use super::list::{Line, List, SourceOf};
use super::pair::Item;
use super::{Comparison, Differences, MatchedBy, Side, counted};
use crate::catalog::{Catalog, Lookup, ObjectId, ObjectKind};
use crate::content::{self, claims_too_much};
use crate::error::{Error, Result};
use crate::filesystem::Filesystem;
use crate::handover::digests::{Algorithm, Hasher};
use crate::handover::hex;
use crate::handover::place::{Reading, merged};
use crate::progress::{Progress, Unit};

/// A volume of the image, swept.
#[derive(Clone, Copy)]
pub struct ImageVolume<'v> {
    /// Its number.
    pub number: u32,
    /// Its reader.
    pub filesystem: &'v dyn Filesystem,
    /// What its sweep brought.
    pub catalog: &'v Catalog,
}

/// A file that is to be read again.
struct Task<'v> {
    first_place: u64,
    volume: ImageVolume<'v>,
    object: ObjectId,
    /// Where it stands now, if that is another place than the list says.
    moved_to: Option<String>,
    item: Item,
}

impl List {
    /// Whether deleted files stand in it, which a sweep has to look for.
    ///
    /// # Errors
    /// As [`super::compare`].
    pub fn has_deleted(&self) -> Result<bool> {
        let mut found = false;
        self.read(Algorithm::Sha256, &mut |line| {
            found |= line.is_deleted;
            Ok(())
        })?;
        Ok(found)
    }

    /// The volumes on which its files stood, sorted.
    ///
    /// # Errors
    /// As [`super::compare`]; [`Error::Usage`] if it does not know.
    pub fn volumes(&self) -> Result<Vec<u32>> {
        if !self.knows_source {
            return Err(Error::Usage(format!(
                "`{}` does not say where on the drive its files stood, so it can't be compared with an image; name the \
                 handover folder, or its records/manifest.csv or manifest.json",
                self.file.display()
            )));
        }
        let mut volumes = std::collections::BTreeSet::new();
        self.read(Algorithm::Sha256, &mut |line| {
            volumes.extend(line.source.map(|source| source.volume));
            Ok(())
        })?;
        Ok(volumes.into_iter().collect())
    }
}

/// Compares a list with the image that it was made of: each of its files is looked up by its address, or where another
/// file has that now by its path, read again and hashed; gaps are zeros, as in a handover.
///
/// # Errors
/// As [`super::compare`]; [`Error::ImageIo`] if the image can't be read.
pub fn compare_with_image(list: &List, volumes: &[ImageVolume<'_>], progress: &dyn Progress) -> Result<Comparison> {
    let algorithm = Algorithm::ALL.into_iter().find(|one| list.algorithms.contains(*one)).unwrap_or(Algorithm::Sha256);
    let mut side = Side { path: list.path.clone(), form: list.form, files: 0, without_digest: 0 };
    let (mut tasks, mut missing) = (Vec::new(), Vec::new());
    let mut total = 0_u64;
    list.read(algorithm, &mut |line: Line| {
        let source = line.source.clone();
        let Some(item) = counted(line, MatchedBy::SourcePath, &mut side)? else { return Ok(()) };
        match source.ok_or_else(|| "the list does not say where it stood".to_string()).and_then(|at| find(&at, volumes))
        {
            Err(why) => missing.push((item, why)),
            Ok((volume, object, moved_to)) => match place(volume, object)? {
                Err(why) => missing.push((item, why)),
                Ok((first_place, size)) => {
                    total = total.saturating_add(size);
                    tasks.push(Task { first_place, volume, object, moved_to, item });
                }
            },
        }
        Ok(())
    })?;
    tasks.sort_by_key(|task| (task.volume.number, task.first_place, task.object));
    let mut comparison = Comparison {
        a: side,
        b: None,
        algorithm,
        matched_by: MatchedBy::SourcePath,
        same: 0,
        same_with_gaps: 0,
        changed: Differences::default(),
        missing: Differences::default(),
        new: None,
        moved: Differences::default(),
    };
    let (mut changed, mut moved) = (Vec::new(), Vec::new());
    progress.begin("reading again", total, Unit::Bytes);
    for task in tasks {
        let now = match read(&task, algorithm, progress) {
            Ok(now) => now,
            Err(error) => {
                progress.end();
                return Err(error);
            }
        };
        let is_same = now.digest == task.item.digest;
        match (is_same, task.moved_to.is_some()) {
            (true, false) => {
                comparison.same += 1;
                let gaps = [now.has_gaps, task.item.has_gaps].contains(&Some(true));
                comparison.same_with_gaps += u64::from(gaps);
            }
            (true, true) => moved.push((task.item, now)),
            (false, false) => changed.push((task.item, now)),
            (false, true) => missing.push((task.item, "another file has its address now".to_string())),
        }
    }
    progress.end();
    for (pairs, differences) in [(changed, &mut comparison.changed), (moved, &mut comparison.moved)] {
        let mut pairs = pairs;
        pairs.sort_by(|one, two| (one.0.volume, &one.0.path).cmp(&(two.0.volume, &two.0.path)));
        for (was, now) in pairs {
            differences.add(Some(was.known()), Some(now.known()), None);
        }
    }
    missing.sort_by(|one, two| (one.0.volume, &one.0.path).cmp(&(two.0.volume, &two.0.path)));
    for (was, why) in missing {
        comparison.missing.add(Some(was.known()), None, Some(why));
    }
    Ok(comparison)
}

type Place<'v> = (ImageVolume<'v>, ObjectId, Option<String>);

/// Where a file is now, and under which path if that is another; or why it is nowhere.
fn find<'v>(source: &SourceOf, volumes: &[ImageVolume<'v>]) -> Result<Place<'v>, String> {
    let volume = volumes.iter().find(|volume| volume.number == source.volume);
    let volume = *volume.ok_or_else(|| format!("volume {} is not there or can't be read", source.volume))?;
    let catalog = volume.catalog;
    let by_address = match catalog.find_address(&source.address) {
        Lookup::Found(object, _) => Some(object),
        Lookup::Ambiguous(_) | Lookup::Missing { .. } => None,
    };
    let is_content = |object: &ObjectId| matches!(catalog.object(*object).kind, ObjectKind::File | ObjectKind::Stream);
    if let Some(object) = by_address.filter(is_content) {
        // The name of a stream is a part of its address.
        let is_stream = catalog.object(object).kind == ObjectKind::Stream;
        if is_stream || catalog.names_of(object).any(|name| catalog.path(name) == source.path) {
            return Ok((volume, object, None));
        }
    }
    match (by_path(catalog, &source.path).filter(is_content), by_address.filter(is_content)) {
        (Some(object), _) => Ok((volume, object, None)),
        (None, Some(object)) => Ok((volume, object, Some(catalog.first_path(object)))),
        (None, None) => Err("neither its address nor its path is on the image".to_string()),
    }
}

/// What stands at a path of a list; the name of a stream follows its file's after `:`.
fn by_path(catalog: &Catalog, path: &str) -> Option<ObjectId> {
    let find = |path: &str| match catalog.find(path) {
        Lookup::Found(object, _) => Some(object),
        Lookup::Ambiguous(names) => names.first().map(|name| catalog.named_object(*name)),
        Lookup::Missing { .. } => None,
    };
    find(path).or_else(|| {
        let (owner, stream) = path.rsplit_once(':')?;
        let mut streams = catalog.streams(find(owner)?);
        streams.find(|name| catalog.name(*name).text() == stream).map(|name| catalog.named_object(name))
    })
}

/// Where the file's bytes begin and how many there are; or why they can't be had.
fn place(volume: ImageVolume<'_>, object: ObjectId) -> Result<Result<(u64, u64), String>> {
    match volume.filesystem.extents(volume.catalog, object) {
        Ok(extents) if claims_too_much(extents.size(), volume.filesystem.source().length()) => {
            Ok(Err("it claims more bytes than its whole volume has".to_string()))
        }
        Ok(extents) => Ok(Ok((extents.first_place(), extents.size()))),
        Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => Err(error),
        Err(error) => Ok(Err(error.to_string())),
    }
}

/// What the file is now.
fn read(task: &Task<'_>, algorithm: Algorithm, progress: &dyn Progress) -> Result<Item> {
    let volume = task.volume;
    let extents = volume.filesystem.extents(volume.catalog, task.object)?;
    let mut hasher = Hasher::new(EnumSet::only(algorithm));
    let outcome = content::read(volume.filesystem.source(), &extents, &mut |piece| {
        hasher.update(piece);
        progress.advance(piece.len() as u64);
        Ok(())
    })?;
    let digest = hasher.finish().pop().and_then(|(_, digest)| hex::bytes(&digest)).unwrap_or_default();
    let has_gaps = !outcome.gaps.is_empty();
    let reading = Reading {
        sha256: [0; 32],
        also: Vec::new(),
        size: outcome.length,
        gaps: outcome.gaps,
        unknown: outcome.unknown,
        blank: false,
    };
    let facts = merged(&volume.catalog.object(task.object).facts, Some(&reading), true);
    let state = facts.state();
    Ok(Item {
        volume: Some(volume.number),
        path: task.moved_to.as_deref().unwrap_or(&task.item.path).into(),
        digest: digest.into(),
        size: Some(reading.size),
        state: Some(state),
        has_gaps: Some(has_gaps || facts.gap_bytes > 0),
    })
}
