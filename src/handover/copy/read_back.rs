//! Reading back what was written.

use std::io::{self, Read};
use std::path::Path;
use std::sync::atomic::Ordering;

use sha2::{Digest, Sha256};

use super::batch::Task;
use super::{Copier, vanished};
use crate::bytes::at_most;
use crate::error::{Error, Result};
use crate::handover::output::{ALIGNMENT, ReadBack};
use crate::handover::session::Session;

/// Bytes read at a time.
const PIECE: usize = 1 << 20;

/// Memory that lies as reading past the host's memory wants it, made when it is first asked for.
#[derive(Default)]
pub(super) struct Reader {
    memory: Vec<u8>,
}

impl Reader {
    /// Room for a file of `size` bytes, or for a piece of it.
    fn buffer(&mut self, size: u64) -> &mut [u8] {
        // One more than the file has shows that it has no more.
        let length = at_most(size.saturating_add(1), PIECE).next_multiple_of(ALIGNMENT);
        if self.memory.len() < length + ALIGNMENT {
            self.memory.resize(length + ALIGNMENT, 0);
        }
        let start = self.memory.as_ptr().align_offset(ALIGNMENT).min(ALIGNMENT);
        &mut self.memory[start..start + length]
    }

    fn digest(&mut self, file: &mut dyn Read, size: u64, progress: &dyn Fn(u64)) -> io::Result<[u8; 32]> {
        let buffer = self.buffer(size);
        let mut hash = Sha256::new();
        let mut total = 0;
        loop {
            match file.read(buffer) {
                Ok(0) => return Ok(hash.finalize().into()),
                Ok(count) => {
                    hash.update(&buffer[..count]);
                    progress(count as u64);
                    total += count as u64;
                    // Past the host's memory nothing can be read from here on, not even that nothing follows.
                    if total == size && !count.is_multiple_of(ALIGNMENT) {
                        return Ok(hash.finalize().into());
                    }
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }
}

impl Copier<'_> {
    /// Reads one file back, and notes its batch when that was the last one.
    pub(super) fn read_back(&self, task: &Task, reader: &mut Reader) -> Result<()> {
        let Some((index, reading)) = task.file() else { return Ok(()) };
        if let Some(path) = self.place(*index, reading) {
            let found = self.digest_on_disk(&path, reading.size, reader).map_err(|source| explained(source, &path))?;
            if found != reading.sha256 {
                return Err(Error::Destination {
                    path,
                    why: "it does not read back as it was written: the disk may be failing; use another one"
                        .to_string(),
                });
            }
        }
        if task.is_last() { self.note(&task.batch.files, task.batch.safe) } else { Ok(()) }
    }

    fn digest_on_disk(&self, path: &Path, size: u64, reader: &mut Reader) -> io::Result<[u8; 32]> {
        let output = self.session.output;
        let count = |bytes| {
            if self.finishing.load(Ordering::Relaxed) {
                self.progress.advance(bytes);
            }
        };
        let (mut file, from) = output.reopen(path)?;
        let found = match reader.digest(file.as_mut(), size, &count) {
            // A disk that can't be read past the host's memory after all.
            Err(error) if from == ReadBack::Disk && error.kind() == io::ErrorKind::InvalidInput => {
                self.from_memory.store(true, Ordering::Relaxed);
                reader.digest(output.open(path)?.as_mut(), size, &count)
            }
            found => found,
        }?;
        if from == ReadBack::Memory {
            self.from_memory.store(true, Ordering::Relaxed);
        }
        Ok(found)
    }
}

fn explained(source: io::Error, path: &Path) -> Error {
    /// Windows' answer where a virus scanner stands in the way: ERROR_VIRUS_INFECTED (Microsoft, "System Error Codes").
    const VIRUS_INFECTED: i32 = 225;
    let taken = cfg!(windows) && source.raw_os_error() == Some(VIRUS_INFECTED);
    if taken || source.kind() == io::ErrorKind::NotFound {
        return vanished(path);
    }
    Error::Io { action: "read back", path: path.to_path_buf(), source }
}

/// The SHA-256 of a file of the bag, which is said to have `size` bytes.
pub(crate) fn digest(session: &Session<'_>, path: &Path, size: u64) -> io::Result<[u8; 32]> {
    Reader::default().digest(session.output.open(path)?.as_mut(), size, &|_| ())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::handover::output::{Disk, Output};

    #[test]
    fn memory_is_aligned() {
        let mut reader = Reader::default();
        for (size, length) in
            [(0, 4096), (4095, 4096), (4096, 8192), (PIECE as u64, PIECE), (u64::MAX, PIECE), (7, 4096)]
        {
            let buffer = reader.buffer(size);
            assert_eq!((buffer.as_ptr().align_offset(ALIGNMENT), buffer.len()), (0, length));
        }
    }

    /// Past the host's memory reading ends where a file does, wherever that is; one that has become longer or shorter is not
    /// what was written.
    #[test]
    fn files_of_any_length_are_read_off_the_disk() {
        let folder = tempfile::tempdir().unwrap();
        let mut reader = Reader::default();
        for length in [0, 1, 511, 512, 4095, 4096, 4097, PIECE - 1, PIECE, PIECE + 1, PIECE + 4096, 2 * PIECE + 513] {
            let bytes: Vec<u8> = (0..length).map(|at| (at * 7 + at / 251) as u8).collect();
            let path = folder.path().join(length.to_string());
            let mut written = Disk.create(&path).unwrap();
            written.write_all(&bytes).unwrap();
            written.sync().unwrap();
            let mut digest = |size: usize| {
                let (mut file, from) = Disk.reopen(&path).unwrap();
                match reader.digest(file.as_mut(), size as u64, &|_| ()) {
                    // It ends elsewhere than it was said to: the caller reads it in the ordinary way then.
                    Err(error) if from == ReadBack::Disk && error.kind() == io::ErrorKind::InvalidInput => None,
                    found => Some(found.unwrap()),
                }
            };
            let right: [u8; 32] = Sha256::digest(&bytes).into();
            assert_eq!(digest(length), Some(right), "{length}");
            for other in [length + 1, length + 5000, length.saturating_sub(1)] {
                assert!(digest(other).is_none_or(|found| found == right), "{length} taken for {other}");
            }
        }
    }

    /// "abc" by FIPS 180-4's example.
    #[test]
    fn a_file_is_hashed() {
        let found = Reader::default().digest(&mut &b"abc"[..], 3, &|_| ()).unwrap();
        assert_eq!(found[..4], [0xba, 0x78, 0x16, 0xbf]);
    }
}
