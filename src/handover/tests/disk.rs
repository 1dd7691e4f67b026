//! A disk that fails as planned.

use std::any::Any;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;

use crate::handover::output::{Disk, Output, OutputFile, ReadBack, Space};
use crate::testing::write_file;

/// How a disk fails. Operations are counted from 1.
#[derive(Debug, Clone, Copy, Default)]
pub(in crate::handover) struct Plan {
    /// From this operation on nothing works any more: the program was killed, or the disk unplugged.
    pub(in crate::handover) stop_at: Option<u64>,
    /// This one operation fails.
    pub(in crate::handover) fail_at: Option<u64>,
    /// The write that stops or fails leaves half of its bytes.
    pub(in crate::handover) tear: bool,
    /// So many bytes fit.
    pub(in crate::handover) room: Option<u64>,
    /// What the disk says of itself.
    pub(in crate::handover) space: Option<Space>,
    /// The disk can't be flushed as a whole.
    pub(in crate::handover) no_flush: bool,
    /// Every file read back has one bit flipped.
    pub(in crate::handover) flips: bool,
    /// Every file vanishes when it is read back.
    pub(in crate::handover) vanishes: bool,
}

#[derive(Debug, Default)]
struct State {
    operations: AtomicU64,
    written: AtomicU64,
    /// Files written since the last flush, which a power cut loses.
    unsafe_files: Mutex<Vec<PathBuf>>,
}

#[derive(Debug, Clone, Default)]
pub(in crate::handover) struct FaultyDisk {
    plan: Plan,
    state: Arc<State>,
}

impl FaultyDisk {
    pub(in crate::handover) fn new(plan: Plan) -> Self {
        Self { plan, state: Arc::default() }
    }

    pub(in crate::handover) fn operations(&self) -> u64 {
        self.state.operations.load(Ordering::SeqCst)
    }

    /// Cuts the power: of what was not flushed only half is there, or only the length and no content.
    pub(in crate::handover) fn cut_power(&self) {
        for (index, path) in self.state.unsafe_files.lock().unwrap().drain(..).enumerate() {
            let Ok(metadata) = std::fs::metadata(&path) else { continue };
            match index % 2 {
                0 => drop(Disk.append(&path, metadata.len() / 2).unwrap()),
                _ => write_file(&path, &vec![0; usize::try_from(metadata.len()).unwrap()]),
            }
        }
    }

    fn step(&self) -> io::Result<()> {
        let now = self.state.operations.fetch_add(1, Ordering::SeqCst) + 1;
        let stopped = self.plan.stop_at.is_some_and(|at| now >= at);
        if stopped || self.plan.fail_at == Some(now) {
            return Err(io::Error::other("planned failure"));
        }
        Ok(())
    }
}

struct FaultyFile {
    file: Box<dyn OutputFile>,
    disk: FaultyDisk,
    path: PathBuf,
}

impl OutputFile for FaultyFile {
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        let half = &bytes[..bytes.len() / 2];
        if let Err(error) = self.disk.step() {
            if self.disk.plan.tear && self.disk.plan.stop_at.is_none_or(|at| self.disk.operations() == at) {
                self.file.write_all(half)?;
            }
            return Err(error);
        }
        let written = self.disk.state.written.fetch_add(bytes.len() as u64, Ordering::SeqCst) + bytes.len() as u64;
        if self.disk.plan.room.is_some_and(|room| written > room) {
            self.file.write_all(half)?;
            return Err(io::ErrorKind::StorageFull.into());
        }
        self.file.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.disk.step()?;
        self.disk.state.unsafe_files.lock().unwrap().retain(|path| *path != self.path);
        self.file.sync()
    }

    fn set_times(&mut self, created: Option<SystemTime>, modified: Option<SystemTime>) {
        self.file.set_times(created, modified);
    }
}

impl Output for FaultyDisk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        self.step()?;
        Disk.create_folder(path)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn OutputFile>> {
        self.step()?;
        let file = Disk.create(path)?;
        self.state.unsafe_files.lock().unwrap().push(path.to_path_buf());
        Ok(Box::new(FaultyFile { file, disk: self.clone(), path: path.to_path_buf() }))
    }

    fn append(&self, path: &Path, length: u64) -> io::Result<Box<dyn OutputFile>> {
        self.step()?;
        Ok(Box::new(FaultyFile { file: Disk.append(path, length)?, disk: self.clone(), path: path.to_path_buf() }))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        self.step()?;
        let mut bytes = Vec::new();
        Disk.open(path)?.read_to_end(&mut bytes)?;
        Ok(Box::new(io::Cursor::new(bytes)))
    }

    fn reopen(&self, path: &Path) -> io::Result<(Box<dyn Read + Send>, ReadBack)> {
        self.step()?;
        if self.plan.vanishes {
            Disk.remove(path)?;
        }
        let mut bytes = Vec::new();
        Disk.open(path)?.read_to_end(&mut bytes)?;
        if let (true, Some(last)) = (self.plan.flips, bytes.last_mut()) {
            *last ^= 0x10;
        }
        Ok((Box::new(io::Cursor::new(bytes)), ReadBack::Disk))
    }

    fn publish(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.step()?;
        Disk.publish(from, to)?;
        for path in self.state.unsafe_files.lock().unwrap().iter_mut().filter(|path| *path == from) {
            *path = to.to_path_buf();
        }
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.step()?;
        Disk.remove(path)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        self.step()?;
        Disk.remove_folder(path)
    }

    fn flush(&self, _root: &Path) -> io::Result<bool> {
        self.step()?;
        if self.plan.no_flush {
            return Ok(false);
        }
        self.state.unsafe_files.lock().unwrap().clear();
        Ok(true)
    }

    fn flush_file(&self, path: &Path) -> io::Result<()> {
        self.step()?;
        self.state.unsafe_files.lock().unwrap().retain(|unsafe_file| unsafe_file != path);
        Ok(())
    }

    fn lock(&self, path: &Path) -> io::Result<Box<dyn Any + Send + Sync>> {
        self.step()?;
        Disk.lock(path)
    }

    fn set_folder_times(&self, path: &Path, created: Option<SystemTime>, modified: Option<SystemTime>) {
        Disk.set_folder_times(path, created, modified);
    }

    fn space(&self, folder: &Path) -> io::Result<Space> {
        self.plan.space.map_or_else(|| Disk.space(folder), Ok)
    }
}
