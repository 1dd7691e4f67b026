//! Which destinations are accepted, and whether they have room.

use std::path::{Path, PathBuf};

use super::job::Job;
use super::meaning::Kind;
use super::names::safe_component;
use super::output::{Output, Space, without_prefix};
use crate::bytes::round_up;
use crate::error::{Error, Result};

/// The visible mark of an unfinished bag.
pub(crate) const NOT_FINISHED: &str = "NOT FINISHED.txt";
/// Our own records.
pub(crate) const RECORDS: &str = "records";
/// What is done so far.
pub(crate) const PROGRESS: &str = "records/progress";
/// Files being written.
pub(crate) const UNFINISHED: &str = "unfinished";
/// What makes a folder a bag.
pub(crate) const BAGIT: &str = "bagit.txt";

/// Bytes that records, lists and the report take for each path, generously.
const RECORDS_PER_PATH: u64 = 4096;
/// What a picture takes on a sheet, in bytes: itself, its name and its link.
const SHEET_PER_PICTURE: u64 = 8192;
/// And for the bag as a whole.
const RECORDS_AT_ALL: u64 = 1 << 20;

/// A destination that may be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Destination {
    /// The folder of the bag. It may not be there yet.
    pub(crate) folder: PathBuf,
    /// Whether it holds an unfinished bag.
    pub(crate) begun: bool,
    /// Whether it holds a finished bag, to which is added.
    pub(crate) finished: bool,
}

/// Decides where a job's bag is to be: as [`choose`], or the bag there to which is added.
pub(crate) fn of(job: &Job<'_>, to: &Path, add: bool) -> Result<Destination> {
    let choose = if add { choose_bag } else { choose };
    choose(to, &job.image_name, job.details.ticket.as_deref(), job.image.parts())
}

fn refused(path: &Path, why: impl Into<String>) -> Error {
    Error::Destination { path: path.to_path_buf(), why: why.into() }
}

fn failed(action: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Error {
    let path = path.to_path_buf();
    move |source| Error::Io { action, path, source }
}

/// Decides whether and where below `to` a bag may be made. Only looks.
pub(crate) fn choose(to: &Path, image_name: &str, ticket: Option<&str>, parts: &[PathBuf]) -> Result<Destination> {
    not_inside(to, parts)?;
    if !is_there(to)? {
        let parent = match to.parent() {
            Some(parent) if parent.as_os_str().is_empty() => Path::new("."),
            Some(parent) => parent,
            None => return Err(refused(to, "there is no such disk")),
        };
        if !is_there(parent)? {
            return Err(refused(to, "the folder above it is not there; is the disk connected?"));
        }
        return Ok(Destination::new(to.to_path_buf()));
    }
    if !is_root_of_disk(to)? {
        return accept(to);
    }
    let folder = own_folder(to, image_name, ticket);
    if is_there(&folder)? { accept(&folder) } else { Ok(Destination::new(folder)) }
}

/// The folder that is made in the root of a disk.
fn own_folder(disk: &Path, image_name: &str, ticket: Option<&str>) -> PathBuf {
    let ticket = ticket.map(|ticket| format!(" ({ticket})")).unwrap_or_default();
    let name: Vec<u16> = format!("recovered from {image_name}{ticket}").encode_utf16().collect();
    disk.join(safe_component(&name).name)
}

/// The finished bag at `to` to which is to be added, or one that was not finished while that was done. Only looks.
pub(crate) fn choose_bag(to: &Path, image_name: &str, ticket: Option<&str>, parts: &[PathBuf]) -> Result<Destination> {
    not_inside(to, parts)?;
    let mut folder = to.to_path_buf();
    if is_there(to)? && !to.join(BAGIT).is_file() && is_root_of_disk(to)? {
        folder = own_folder(to, image_name, ticket);
    }
    if folder.join(PROGRESS).is_file() {
        return Ok(Destination { begun: true, ..Destination::new(folder) });
    }
    if folder.join(BAGIT).is_file() {
        return Ok(Destination { finished: true, ..Destination::new(folder) });
    }
    Err(refused(&folder, "there is no handover to add to; leave `--add` away to begin one"))
}

impl Destination {
    fn new(folder: PathBuf) -> Self {
        Self { folder, begun: false, finished: false }
    }
}

/// Whether something is there; a link that leads nowhere is.
fn is_there(path: &Path) -> Result<bool> {
    match std::fs::symlink_metadata(path) {
        Ok(_) => Ok(true),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(failed("look at", path)(error)),
    }
}

/// Decides about a folder that is there.
fn accept(folder: &Path) -> Result<Destination> {
    let metadata = std::fs::metadata(folder).map_err(failed("look at", folder))?;
    if !metadata.is_dir() {
        return Err(refused(folder, "it is not a folder; name a new or an empty one"));
    }
    let begun = |begun| Ok(Destination { begun, ..Destination::new(folder.to_path_buf()) });
    if folder.join(PROGRESS).is_file() {
        return begun(true);
    }
    let names = entries(folder)?;
    if names.iter().any(|name| name == BAGIT) {
        return Err(refused(
            folder,
            "it already holds a finished handover; name a new or an empty folder, or add to it with `--add`",
        ));
    }
    // Stopped before the first line of progress was written: nothing in there but what marks it.
    let ours = |name: &String| match name.as_str() {
        NOT_FINISHED => true,
        RECORDS | UNFINISHED => entries(&folder.join(name)).is_ok_and(|names| match name.as_str() {
            RECORDS => names.is_empty(),
            _ => names.iter().all(|name| name == "lock" || name == "progress"),
        }),
        _ => false,
    };
    match names.iter().find(|name| !ours(name)) {
        None => begun(false),
        Some(other) => Err(refused(
            folder,
            format!(
                "it holds other files (`{other}`), and nothing is ever mixed with them; name a new or an empty folder"
            ),
        )),
    }
}

fn entries(folder: &Path) -> Result<Vec<String>> {
    let read = || -> std::io::Result<Vec<String>> {
        std::fs::read_dir(folder)?
            .map(|entry| entry.map(|entry| entry.file_name().to_string_lossy().into_owned()))
            .collect()
    };
    let mut names = read().map_err(failed("list", folder))?;
    names.sort();
    Ok(names)
}

/// Refuses a destination that is part of the image, or on the disk the image is read from.
pub(crate) fn not_inside(to: &Path, parts: &[PathBuf]) -> Result<()> {
    let canonical = |path: &Path| std::fs::canonicalize(path).ok();
    let existing = to.ancestors().find_map(canonical);
    for part in parts {
        let same = canonical(part).zip(existing.as_ref()).is_some_and(|(part, to)| to.starts_with(&part));
        if same || to.starts_with(part) {
            return Err(refused(to, "it is a part of the image itself; name a folder on another disk"));
        }
        #[cfg(unix)]
        {
            use std::os::unix::fs::{FileTypeExt, MetadataExt};
            let lies_on = |part: std::fs::Metadata, to: std::fs::Metadata| {
                part.file_type().is_block_device() && part.rdev() == to.dev()
            };
            let to = existing.as_ref().and_then(|path| std::fs::metadata(path).ok());
            if std::fs::metadata(part).ok().zip(to).is_some_and(|(part, to)| lies_on(part, to)) {
                return Err(refused(part, "the destination lies on the drive that is read; name another disk"));
            }
        }
    }
    Ok(())
}

/// Whether a folder is where a disk begins.
fn is_root_of_disk(folder: &Path) -> Result<bool> {
    let canonical = std::fs::canonicalize(folder).map_err(failed("look at", folder))?;
    let plain = without_prefix(&canonical);
    let Some(parent) = plain.parent().filter(|parent| !parent.as_os_str().is_empty()) else { return Ok(true) };
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let device =
            |path: &Path| std::fs::metadata(path).map(|metadata| metadata.dev()).map_err(failed("look at", path));
        Ok(device(&plain)? != device(parent)?)
    }
    #[cfg(not(unix))]
    {
        let _ = parent;
        Ok(false)
    }
}

/// What the disk that will hold `folder` can take.
pub(crate) fn space(output: &dyn Output, folder: &Path) -> Result<Space> {
    let existing = folder.ancestors().find(|path| path.is_dir()).unwrap_or_else(|| Path::new("."));
    output.space(existing).map_err(failed("ask for the free space of", existing))
}

/// What files take on a disk, the records counted.
pub(crate) struct Need {
    cluster: u64,
    bytes: u64,
}

impl Need {
    pub(crate) fn new(cluster: u64) -> Self {
        Self { cluster, bytes: RECORDS_AT_ALL }
    }

    /// The file in whole clusters, its share of a folder and of the records, and a picture's place on a sheet.
    pub(crate) fn add(&mut self, size: u64, path: &str) {
        let sheet = if Kind::of(path) == Kind::Picture { SHEET_PER_PICTURE } else { 0 };
        let beside = RECORDS_PER_PATH.saturating_add(sheet);
        self.bytes = self.bytes.saturating_add(round_up(size, self.cluster)).saturating_add(beside);
    }

    pub(crate) fn bytes(&self) -> u64 {
        self.bytes
    }
}

/// Checks that files of these sizes fit on the disk that will hold `folder`.
pub(crate) fn check_space<'p>(
    output: &dyn Output,
    folder: &Path,
    sizes: impl Iterator<Item = (u64, &'p str)>,
) -> Result<()> {
    let space = space(output, folder)?;
    let mut need = Need::new(space.cluster);
    let mut largest_path = (0, "");
    for (size, path) in sizes {
        if let Some(largest) = space.largest_file.filter(|largest| size > *largest) {
            return Err(refused(
                folder,
                format!(
                    "`{path}` has {size} bytes and the disk's format (FAT) takes files of at most {largest}; \
                     use a disk formatted as exFAT, NTFS or the like"
                ),
            ));
        }
        need.add(size, path);
        if size > largest_path.0 {
            largest_path = (size, path);
        }
    }
    let needed = need.bytes();
    if needed > space.available {
        return Err(refused(
            folder,
            format!(
                "{needed} bytes are needed and {} are free; make room, use a larger disk or select less (the largest file \
                 is `{}` with {} bytes)",
                space.available, largest_path.1, largest_path.0
            ),
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::handover::tests::disk::{FaultyDisk, Plan};
    use crate::testing::write_file;

    fn why(result: Result<Destination>) -> String {
        result.unwrap_err().to_string()
    }

    #[test]
    fn new_and_empty_folders_are_taken() {
        let folder = tempfile::tempdir().unwrap();
        let new = folder.path().join("choir");
        assert_eq!(choose(&new, "old.img", None, &[]).unwrap(), Destination::new(new.clone()));
        assert!(!new.exists(), "deciding makes nothing");
        std::fs::create_dir(&new).unwrap();
        assert!(choose(&new, "old.img", None, &[]).is_ok());
    }

    #[test]
    fn everything_else_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        assert!(why(choose(&path("no/where"), "old.img", None, &[])).contains("is the disk connected?"));
        write_file(&path("songs.txt"), b"la");
        assert!(why(choose(folder.path(), "old.img", None, &[])).contains("`songs.txt`"));
        assert!(why(choose(&path("songs.txt"), "old.img", None, &[])).contains("not a folder"));
        std::fs::create_dir(path("bag")).unwrap();
        write_file(&path("bag/bagit.txt"), b"");
        assert!(why(choose(&path("bag"), "old.img", None, &[])).contains("finished handover"));
        write_file(&path("old.img"), b"0");
        let parts = [path("old.img")];
        for inside in ["old.img", "old.img/x"] {
            assert!(why(choose(&path(inside), "old.img", None, &parts)).contains("part of the image"), "{inside}");
        }
    }

    #[test]
    fn a_bag_that_had_only_just_begun_is_ours() {
        let folder = tempfile::tempdir().unwrap();
        write_file(&folder.path().join(NOT_FINISHED), b"");
        std::fs::create_dir(folder.path().join(RECORDS)).unwrap();
        assert!(!choose(folder.path(), "old.img", None, &[]).unwrap().begun);
        write_file(&folder.path().join("records/songs.txt"), b"");
        assert!(why(choose(folder.path(), "old.img", None, &[])).contains("`records`"));
        write_file(&folder.path().join(PROGRESS), b"");
        assert!(choose(folder.path(), "old.img", None, &[]).unwrap().begun);
    }

    #[cfg(unix)]
    #[test]
    fn the_root_of_a_disk_gets_a_folder() {
        // Nothing is made: this only looks. `/` is the root of a disk on every Unix.
        let chosen = choose(Path::new("/"), "choir:2009.img", Some("T-17"), &[]).unwrap();
        assert_eq!(chosen.folder, Path::new("/recovered from choir(u+003A)2009.img (T-17)"));
    }

    #[test]
    fn room_is_counted_in_clusters_and_large_files_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let new = folder.path().join("new");
        let check = |available, largest_file, sizes: &[u64]| {
            let space = Space { available, cluster: 32768, largest_file };
            let disk = FaultyDisk::new(Plan { space: Some(space), ..Plan::default() });
            let names: Vec<String> = sizes.iter().map(|size| format!("{size}.mp4")).collect();
            check_space(&disk, &new, sizes.iter().copied().zip(names.iter().map(String::as_str)))
        };
        let needed = RECORDS_AT_ALL + 2 * (32768 + RECORDS_PER_PATH);
        assert!(check(needed, None, &[1, 32768]).is_ok());
        assert!(check(needed - 1, None, &[1, 32768]).unwrap_err().to_string().contains("are free"));
        let limit = u64::from(u32::MAX);
        assert!(check(u64::MAX, Some(limit), &[limit]).is_ok());
        let error = check(u64::MAX, Some(limit), &[limit + 1]).unwrap_err().to_string();
        assert!(error.contains("`4294967296.mp4`") && error.contains("exFAT"), "{error}");
    }
}
