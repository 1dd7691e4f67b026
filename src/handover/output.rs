//! The only place that makes, writes, renames or removes files. Everything else in here asks an [`Output`], so that a
//! test can put a disk in its place that fails at any moment.

use std::any::Any;
use std::fs::{File, FileTimes};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use serde::Serialize;

/// What a file was called when it could not be locked because somebody else holds it.
pub(crate) const LOCKED: io::ErrorKind = io::ErrorKind::WouldBlock;

/// On Windows a virus scanner holds a new file for a moment, and it can't be renamed meanwhile.
const RENAME_TRIES: u32 = 40;
const RENAME_PAUSE: Duration = Duration::from_millis(50);

/// What a destination's disk can take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Space {
    /// Free bytes.
    pub(crate) available: u64,
    /// Bytes in a cluster: every file takes a multiple of it.
    pub(crate) cluster: u64,
    /// The largest file in bytes, where the disk's format has a limit that matters.
    pub(crate) largest_file: Option<u64>,
}

/// What reading past the host's memory is aligned to, in bytes: no disk has larger sectors.
pub(crate) const ALIGNMENT: usize = 4096;

/// Where written files were read back from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ReadBack {
    /// The disk: the system was told to forget what it held of them, or was read past. What the disk itself keeps in its
    /// memory nobody can tell.
    Disk,
    /// Some of them perhaps from the memory of this computer.
    Memory,
}

/// A disk that takes files.
pub(crate) trait Output: Send + Sync {
    /// Makes a folder and those above it; one that is there already is fine.
    fn create_folder(&self, path: &Path) -> io::Result<()>;
    /// Makes a file that is not there yet.
    fn create(&self, path: &Path) -> io::Result<Box<dyn OutputFile>>;
    /// Opens a file, made if need be, cuts it to `length` bytes and writes behind them.
    fn append(&self, path: &Path, length: u64) -> io::Result<Box<dyn OutputFile>>;
    /// Opens a written file.
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>>;
    /// Opens a written file that was flushed, to read it back: off the disk itself if the host can be made to. Reads then
    /// have to go to addresses, and be of lengths, that are multiples of [`ALIGNMENT`].
    fn reopen(&self, path: &Path) -> io::Result<(Box<dyn Read + Send>, ReadBack)>;
    /// Gives a file its name. Nothing is overwritten.
    fn publish(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file of our own.
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Removes an empty folder of our own.
    fn remove_folder(&self, path: &Path) -> io::Result<()>;
    /// Makes all that was written below `root` safe even if the power fails, and returns `true`; or `false` if this host
    /// has no call for that which a plain user may make.
    fn flush(&self, root: &Path) -> io::Result<bool>;
    /// Makes one file safe even if the power fails.
    fn flush_file(&self, path: &Path) -> io::Result<()>;
    /// Locks a file, made if need be, until the answer is dropped. [`LOCKED`] if another holds it.
    fn lock(&self, path: &Path) -> io::Result<Box<dyn Any + Send + Sync>>;
    /// Sets a folder's times, as far as the host can.
    fn set_folder_times(&self, path: &Path, created: Option<SystemTime>, modified: Option<SystemTime>);
    /// What the disk that holds `folder` can take.
    fn space(&self, folder: &Path) -> io::Result<Space>;
}

/// A file being written.
pub(crate) trait OutputFile: Send {
    /// Writes all of `bytes`.
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Returns when all is safe even if the power fails.
    fn sync(&mut self) -> io::Result<()>;
    /// Sets the times, as far as the disk keeps them.
    fn set_times(&mut self, created: Option<SystemTime>, modified: Option<SystemTime>);
}

/// The host's own disks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Disk;

#[expect(clippy::disallowed_types, reason = "the handover's own files: this is the place that writes them")]
type Open = std::fs::OpenOptions;

fn times(created: Option<SystemTime>, modified: Option<SystemTime>) -> FileTimes {
    let mut times = FileTimes::new();
    if let Some(modified) = modified {
        times = times.set_modified(modified);
    }
    #[cfg(windows)]
    if let Some(created) = created {
        times = std::os::windows::fs::FileTimesExt::set_created(times, created);
    }
    #[cfg(target_os = "macos")]
    if let Some(created) = created {
        times = std::os::darwin::fs::FileTimesExt::set_created(times, created);
    }
    #[cfg(not(any(windows, target_os = "macos")))]
    let _ = created;
    times
}

impl OutputFile for File {
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        Write::write_all(self, bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_all()
    }

    fn set_times(&mut self, created: Option<SystemTime>, modified: Option<SystemTime>) {
        // A disk that does not keep such times refuses them; the manifest has them.
        let _ = File::set_times(self, times(created, modified));
    }
}

impl Output for Disk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        std::fs::create_dir_all(path)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn OutputFile>> {
        Ok(Box::new(Open::new().write(true).create_new(true).open(path)?))
    }

    fn append(&self, path: &Path, length: u64) -> io::Result<Box<dyn OutputFile>> {
        let mut file = Open::new().write(true).create(true).truncate(false).open(path)?;
        file.set_len(length)?;
        io::Seek::seek(&mut file, io::SeekFrom::End(0))?;
        Ok(Box::new(file))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        Ok(Box::new(open(path)?))
    }

    fn reopen(&self, path: &Path) -> io::Result<(Box<dyn Read + Send>, ReadBack)> {
        let (file, from) = reopen(path)?;
        Ok((Box::new(file), from))
    }

    #[expect(clippy::disallowed_methods, reason = "the handover's own files: this is the place that renames them")]
    fn publish(&self, from: &Path, to: &Path) -> io::Result<()> {
        // Renaming replaces silently on every host. Nobody else writes into this bag: it is locked.
        if std::fs::symlink_metadata(to).is_ok() {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let mut tries = RENAME_TRIES;
        loop {
            match std::fs::rename(from, to) {
                Err(error) if cfg!(windows) && error.kind() == io::ErrorKind::PermissionDenied && tries > 1 => {
                    tries -= 1;
                    std::thread::sleep(RENAME_PAUSE);
                }
                outcome => return outcome,
            }
        }
    }

    #[expect(clippy::disallowed_methods, reason = "the handover's own files: this is the place that removes them")]
    fn remove(&self, path: &Path) -> io::Result<()> {
        std::fs::remove_file(path)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        std::fs::remove_dir(path)
    }

    fn flush(&self, root: &Path) -> io::Result<bool> {
        flush(root)
    }

    fn flush_file(&self, path: &Path) -> io::Result<()> {
        Open::new().write(true).open(path)?.sync_data()
    }

    fn lock(&self, path: &Path) -> io::Result<Box<dyn Any + Send + Sync>> {
        let file = Open::new().write(true).create(true).truncate(false).open(path)?;
        match file.try_lock() {
            Err(std::fs::TryLockError::WouldBlock) => Err(LOCKED.into()),
            // Some network drives have no locks; going on without one is as good as it gets there.
            Ok(()) | Err(std::fs::TryLockError::Error(_)) => Ok(Box::new(file)),
        }
    }

    fn set_folder_times(&self, path: &Path, created: Option<SystemTime>, modified: Option<SystemTime>) {
        #[cfg(windows)]
        let folder = {
            /// Without it Windows opens no folder (Microsoft, "CreateFileW").
            const FILE_FLAG_BACKUP_SEMANTICS: u32 = 0x0200_0000;
            std::os::windows::fs::OpenOptionsExt::custom_flags(Open::new().write(true), FILE_FLAG_BACKUP_SEMANTICS)
                .open(path)
        };
        #[cfg(not(windows))]
        let folder = Open::new().read(true).open(path);
        if let Ok(folder) = folder {
            let _ = folder.set_times(times(created, modified));
        }
    }

    fn space(&self, folder: &Path) -> io::Result<Space> {
        let stats = fs4::statvfs(folder)?;
        let format = disk_format(folder).unwrap_or_default().to_ascii_lowercase();
        let is_fat = matches!(format.as_str(), "vfat" | "msdos" | "fat" | "fat12" | "fat16" | "fat32");
        Ok(Space {
            available: stats.available_space(),
            cluster: stats.allocation_granularity().max(1),
            // A FAT file's size is a 32-bit number (Microsoft, "FAT: General Overview of On-Disk Format").
            largest_file: is_fat.then_some(u64::from(u32::MAX)),
        })
    }
}

/// Opens a file of a bag for reading.
pub(crate) fn open(path: &Path) -> io::Result<File> {
    Open::new().read(true).open(path)
}

/// Reads past the system's memory. Windows writes what it still holds of a file before that (Microsoft, "File
/// Buffering"); Linux does, too, and here it was flushed.
fn reopen(path: &Path) -> io::Result<(File, ReadBack)> {
    // Not every disk can do that.
    Ok(match open_past_memory(path) {
        Ok(file) => (file, ReadBack::Disk),
        Err(_) => (open(path)?, ReadBack::Memory),
    })
}

#[cfg(target_os = "linux")]
fn open_past_memory(path: &Path) -> io::Result<File> {
    /// Filesystems that answer such reads from a memory all the same (Linux, `include/uapi/linux/magic.h`): drivers
    /// outside the kernel, which read through its memory of the device; the one that is nothing but memory; servers.
    const IN_MEMORY: [u32; 5] = [0x6573_5546, 0x0102_1994, 0x0000_6969, 0xff53_4d42, 0xfe53_4d42];
    let flag = rustix::fs::OFlags::DIRECT.bits().cast_signed();
    let file = std::os::unix::fs::OpenOptionsExt::custom_flags(Open::new().read(true), flag).open(path)?;
    // The numbers have 32 bits, whatever the width of the field.
    let kind = rustix::fs::fstatfs(&file)?.f_type as u32;
    if IN_MEMORY.contains(&kind) { Err(io::ErrorKind::Unsupported.into()) } else { Ok(file) }
}

#[cfg(windows)]
fn open_past_memory(path: &Path) -> io::Result<File> {
    /// Microsoft, "CreateFileW".
    const FILE_FLAG_NO_BUFFERING: u32 = 0x2000_0000;
    std::os::windows::fs::OpenOptionsExt::custom_flags(Open::new().read(true), FILE_FLAG_NO_BUFFERING).open(path)
}

#[cfg(not(any(target_os = "linux", windows)))]
fn open_past_memory(_: &Path) -> io::Result<File> {
    Err(io::ErrorKind::Unsupported.into())
}

/// One call for the whole disk: at every checkpoint a call for each of many small files would take hours.
#[cfg(target_os = "linux")]
fn flush(root: &Path) -> io::Result<bool> {
    rustix::fs::syncfs(open(root)?)?;
    Ok(true)
}

#[cfg(not(target_os = "linux"))]
fn flush(_root: &Path) -> io::Result<bool> {
    Ok(false)
}

/// The format of the disk that holds a folder, as the host calls it.
fn disk_format(folder: &Path) -> Option<String> {
    let folder = without_prefix(&std::fs::canonicalize(folder).ok()?);
    let kind = sysinfo::DiskRefreshKind::nothing();
    let disks = sysinfo::Disks::new_with_refreshed_list_specifics(kind).ok()?;
    disks
        .iter()
        .filter(|disk| folder.starts_with(disk.mount_point()))
        .max_by_key(|disk| disk.mount_point().components().count())
        .map(|disk| disk.file_system().to_string_lossy().into_owned())
}

/// A canonical path as people write it: without the `\\?\` that Windows puts before it.
pub(crate) fn without_prefix(path: &Path) -> PathBuf {
    let text = path.to_string_lossy();
    match text.strip_prefix(r"\\?\") {
        Some(plain) if !plain.starts_with("UNC") => PathBuf::from(plain),
        _ => path.to_path_buf(),
    }
}

/// The path of `relative`, written with `/`, below `root`. On Windows each part is added by itself: a long path takes no
/// `/` there.
pub(crate) fn below(root: &Path, relative: &str) -> PathBuf {
    if !cfg!(windows) {
        return root.join(relative);
    }
    relative.split('/').fold(root.to_path_buf(), |path, part| path.join(part))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let (one, two) = (folder.path().join("one"), folder.path().join("two"));
        for path in [&one, &two] {
            Disk.create(path).unwrap().write_all(path.as_os_str().as_encoded_bytes()).unwrap();
        }
        assert_eq!(Disk.create(&one).err().unwrap().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(Disk.publish(&one, &two).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&two).unwrap(), two.as_os_str().as_encoded_bytes());
        assert!(one.exists());
    }

    #[test]
    fn a_file_is_continued_where_it_was_trusted() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("progress");
        Disk.append(&path, 0).unwrap().write_all(b"sound, torn").unwrap();
        Disk.append(&path, 5).unwrap().write_all(b" again").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"sound again");
    }

    #[test]
    fn a_lock_holds_until_it_is_dropped() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let held = Disk.lock(&path).unwrap();
        assert_eq!(Disk.lock(&path).unwrap_err().kind(), LOCKED);
        drop(held);
        assert!(Disk.lock(&path).is_ok());
    }

    #[test]
    fn a_disk_says_what_it_can_take() {
        let folder = tempfile::tempdir().unwrap();
        let space = Disk.space(folder.path()).unwrap();
        assert!(space.available > 0 && space.cluster >= 512, "{space:?}");
        assert_eq!(Disk.flush(folder.path()).unwrap(), cfg!(target_os = "linux"));
    }
}
