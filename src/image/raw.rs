//! A raw image: one file, or several that stand one after another.

use std::fs::{File, Metadata};
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use super::Image;
use crate::bytes::{at_most, to_u64};
use crate::error::{Error, Result};

/// Most parts of a split image; a 20 TB drive in FAT-sized parts of 2 GB has about 10,000.
const MAX_PARTS: usize = 100_000;

struct Part {
    file: File,
    start: u64,
    length: u64,
    modified: Option<SystemTime>,
}

/// Raw bytes from one or more files opened for reading.
pub(super) struct RawImage {
    parts: Vec<Part>,
    paths: Vec<PathBuf>,
    length: u64,
}

impl RawImage {
    pub(super) fn open(paths: Vec<PathBuf>) -> Result<Self> {
        if paths.len() > MAX_PARTS {
            return Err(Error::Limit {
                what: "parts of one image".to_string(),
                limit: to_u64(MAX_PARTS),
                next: "join the parts into fewer files first",
            });
        }
        let mut parts = Vec::with_capacity(paths.len());
        let mut length = 0_u64;
        for path in &paths {
            let (file, metadata) = open_read_only(path)?;
            let part = Part { file, start: length, length: metadata.len(), modified: metadata.modified().ok() };
            if part.length == 0 {
                return Err(Error::Unsupported {
                    what: format!("an empty file, `{}`", path.display()),
                    next: "look for the image that was meant; an imaging that ended at once leaves such a file"
                        .to_string(),
                });
            }
            length = length.checked_add(part.length).ok_or_else(|| Error::Limit {
                what: "bytes in one image".to_string(),
                limit: u64::MAX,
                next: "check the list of parts",
            })?;
            parts.push(part);
        }
        Ok(Self { parts, paths, length })
    }

    fn failure(&self, part: usize, offset: u64, source: io::Error) -> Error {
        let path = self.paths.get(part).cloned().unwrap_or_default();
        Error::ImageIo { path, offset: Some(offset), source }
    }
}

/// The only call in the library that opens an image.
fn open_read_only(path: &Path) -> Result<(File, Metadata)> {
    let failed = |source| Error::ImageIo { path: path.to_path_buf(), offset: None, source };
    let metadata = std::fs::metadata(path).map_err(failed)?;
    if metadata.is_dir() {
        return Err(Error::Usage(format!("`{}` is a folder; name the image file in it", path.display())));
    }
    if !metadata.is_file() {
        return Err(Error::Usage(format!(
            "`{}` is not an ordinary file; work on an image of the drive and never on the drive itself",
            path.display()
        )));
    }
    #[expect(clippy::disallowed_types, reason = "the image opener: reading only, and on Windows sharing reading only")]
    let mut options = std::fs::OpenOptions::new();
    options.read(true);
    #[cfg(windows)]
    {
        // Nobody else may write while we read: FILE_SHARE_READ (1) and nothing more.
        std::os::windows::fs::OpenOptionsExt::share_mode(&mut options, 1);
    }
    let file = options.open(path).map_err(failed)?;
    Ok((file, metadata))
}

#[cfg(unix)]
fn read_some(file: &File, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
    std::os::unix::fs::FileExt::read_at(file, buffer, offset)
}

#[cfg(windows)]
fn read_some(file: &File, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
    std::os::windows::fs::FileExt::seek_read(file, buffer, offset)
}

fn read_exactly(file: &File, mut offset: u64, mut buffer: &mut [u8]) -> io::Result<()> {
    while !buffer.is_empty() {
        match read_some(file, offset, buffer) {
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(count) => {
                buffer = buffer.get_mut(count..).unwrap_or_default();
                offset = offset.saturating_add(to_u64(count));
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

impl Image for RawImage {
    fn length(&self) -> u64 {
        self.length
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        let mut index = self.parts.partition_point(|part| part.start.saturating_add(part.length) <= offset);
        let mut at = offset;
        let mut rest = buffer;
        while !rest.is_empty() {
            let part = self.parts.get(index).ok_or_else(|| {
                self.failure(self.paths.len().saturating_sub(1), at, io::ErrorKind::UnexpectedEof.into())
            })?;
            let inside = at.saturating_sub(part.start);
            let count = at_most(part.length.saturating_sub(inside), rest.len());
            let (now, later) = rest.split_at_mut_checked(count).unwrap_or_default();
            read_exactly(&part.file, inside, now).map_err(|source| self.failure(index, at, source))?;
            rest = later;
            at = at.saturating_add(to_u64(count));
            index = index.saturating_add(1);
        }
        Ok(())
    }

    fn parts(&self) -> &[PathBuf] {
        &self.paths
    }

    #[cfg(target_os = "linux")]
    fn next_file_hole(&self, from: u64) -> Option<std::ops::Range<u64>> {
        let first = self.parts.partition_point(|part| part.start.saturating_add(part.length) <= from);
        for part in self.parts.get(first..).unwrap_or_default() {
            let inside = from.saturating_sub(part.start);
            if let Some(hole) = super::file_holes::next(&part.file, inside, part.length)? {
                return Some(part.start.saturating_add(hole.start)..part.start.saturating_add(hole.end));
            }
        }
        Some(self.length..self.length)
    }

    fn modified(&self) -> Option<SystemTime> {
        self.parts.iter().filter_map(|part| part.modified).max()
    }

    fn check_unchanged(&self) -> Result<()> {
        for (part, path) in self.parts.iter().zip(&self.paths) {
            // Asked by path, not by handle: a file that was replaced has changed too.
            let now = std::fs::metadata(path).map_err(|source| Error::ImageIo {
                path: path.clone(),
                offset: None,
                source,
            })?;
            let changed = |what: String| Err(Error::ImageChanged { path: path.clone(), what });
            if now.len() != part.length {
                return changed(format!("its length was {} bytes and is {}", part.length, now.len()));
            }
            if now.modified().ok() != part.modified {
                return changed("its modification time is another".to_string());
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(path: &Path, bytes: &[u8]) {
        crate::testing::write_file(path, bytes);
    }

    #[test]
    fn parts_read_as_one() {
        let folder = tempfile::tempdir().unwrap();
        let paths: Vec<PathBuf> = (0..3).map(|n| folder.path().join(format!("part{n}"))).collect();
        write(&paths[0], b"abc");
        write(&paths[1], b"defgh");
        write(&paths[2], b"i");
        let image = RawImage::open(paths).unwrap();
        assert_eq!(image.length(), 9);
        for start in 0..9_usize {
            for end in start..=9 {
                let mut buffer = vec![0; end - start];
                image.read_at(start as u64, &mut buffer).unwrap();
                assert_eq!(buffer, b"abcdefghi"[start..end]);
            }
        }
        let error = image.read_at(8, &mut [0; 2]).unwrap_err();
        assert!(matches!(error, Error::ImageIo { .. }), "{error}");
    }

    /// On Windows nobody can write while the image is open.
    #[cfg(windows)]
    #[test]
    fn nobody_writes_while_the_image_is_open() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("disk.img");
        write(&path, b"abc");
        let image = RawImage::open(vec![path.clone()]).unwrap();
        #[expect(clippy::disallowed_types, reason = "a test's own temporary file")]
        let writer = std::fs::OpenOptions::new().write(true).open(&path);
        assert!(writer.is_err());
        image.check_unchanged().unwrap();
    }

    #[cfg(unix)]
    #[test]
    fn a_change_is_seen_by_length_and_by_time() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("disk.img");
        write(&path, b"abc");
        let image = RawImage::open(vec![path.clone()]).unwrap();
        image.check_unchanged().unwrap();
        write(&path, b"abcd");
        assert!(matches!(image.check_unchanged(), Err(Error::ImageChanged { .. })));
        let again = RawImage::open(vec![path.clone()]).unwrap();
        crate::testing::set_modified(&path, SystemTime::UNIX_EPOCH);
        assert!(matches!(again.check_unchanged(), Err(Error::ImageChanged { .. })));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn holes_of_sparse_parts_are_told() {
        use std::io::{Seek, SeekFrom, Write};

        let folder = tempfile::tempdir().unwrap();
        let mut paths = Vec::new();
        for name in ["one", "two"] {
            let path = folder.path().join(name);
            write(&path, &[7; 65536]);
            #[expect(clippy::disallowed_types, reason = "a test's own temporary file")]
            let mut file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
            file.set_len(1 << 20).unwrap();
            file.seek(SeekFrom::Start(512 << 10)).unwrap();
            file.write_all(&[7; 65536]).unwrap();
            paths.push(path);
        }
        let image = RawImage::open(paths).unwrap();
        let part = 1_u64 << 20;
        let (first, second) = (65536..512 << 10, (512 << 10) + 65536..part);
        // A filesystem that keeps no holes has none to tell; those that tests run on do.
        assert_eq!(image.next_file_hole(0), Some(first.clone()));
        assert_eq!(image.next_file_hole(100_000), Some(100_000..first.end));
        assert_eq!(image.next_file_hole(first.end), Some(second.clone()));
        assert_eq!(image.next_file_hole(part), Some(part + first.start..part + first.end));
        assert_eq!(image.next_file_hole(2 * part - 1), Some(2 * part - 1..2 * part));
        assert_eq!(image.next_file_hole(2 * part), Some(2 * part..2 * part));
        assert_eq!(image.next_file_hole(u64::MAX), Some(2 * part..2 * part));
        // Positioned reads are not moved by asking.
        let mut bytes = [0; 2];
        image.read_at(65535, &mut bytes).unwrap();
        assert_eq!(bytes, [7, 0]);
    }

    #[test]
    fn folders_empty_and_missing_files_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        assert!(matches!(RawImage::open(vec![folder.path().to_path_buf()]), Err(Error::Usage(_))));
        assert!(matches!(RawImage::open(vec![folder.path().join("none")]), Err(Error::ImageIo { .. })));
        let empty = folder.path().join("empty.img");
        write(&empty, b"");
        assert!(matches!(RawImage::open(vec![empty]), Err(Error::Unsupported { .. })));
    }
}
