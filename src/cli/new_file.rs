//! Files that a command leaves behind on request: new ones, or in the place of one of its own.

use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};
use std::path::Path;

use crate::error::{Error, Result};

/// Writes a new file. One that is there is never touched, and of one that could not be finished nothing stays.
///
/// # Errors
/// [`Error::Io`] if it is there already or can't be written.
pub(super) fn create(path: &Path, bytes: &[u8]) -> Result<()> {
    create_with(path, |file| file.write_all(bytes))
}

/// Writes a new file from pieces, until one is empty. Pieces of zeros become holes where the disk can keep them.
///
/// # Errors
/// As [`create`]; also if the pieces fail.
pub(super) fn create_sparse(path: &Path, next: &mut dyn FnMut() -> io::Result<Vec<u8>>) -> Result<()> {
    create_with(path, |file| {
        let mut length = 0;
        loop {
            let piece = next()?;
            if piece.is_empty() {
                return file.set_len(length);
            }
            length += piece.len() as u64;
            if piece.iter().all(|byte| *byte == 0) {
                file.seek(SeekFrom::Start(length))?;
            } else {
                file.write_all(&piece)?;
            }
        }
    })
}

/// Puts a new file in the place of one that the caller knows for its own, or of none: written aside first, so that a
/// whole file stands there at any moment.
///
/// # Errors
/// As [`create`].
pub(super) fn replace_own(path: &Path, bytes: &[u8]) -> Result<()> {
    let mut name = path.file_name().unwrap_or_default().to_os_string();
    name.push(".new");
    let aside = path.with_file_name(name);
    create(&aside, bytes)?;
    #[expect(clippy::disallowed_methods, reason = "a file that was just created here takes the place of its own kind")]
    std::fs::rename(&aside, path).map_err(|source| {
        #[expect(clippy::disallowed_methods, reason = "the file that was just created here and can't take its place")]
        let _ = std::fs::remove_file(&aside);
        Error::Io { action: "write", path: path.to_path_buf(), source }
    })
}

fn create_with(path: &Path, fill: impl FnOnce(&mut File) -> io::Result<()>) -> Result<()> {
    let failed = |source| Error::Io { action: "write", path: path.to_path_buf(), source };
    #[expect(clippy::disallowed_methods, reason = "creates, and never opens what is there already")]
    let mut file = match File::create_new(path) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            let why = "it is there already, and nothing is ever overwritten; name a new file";
            return Err(failed(io::Error::new(error.kind(), why)));
        }
        created => created.map_err(failed)?,
    };
    fill(&mut file).and_then(|()| file.sync_all()).map_err(|source| {
        #[expect(clippy::disallowed_methods, reason = "the file that was just created here and can't be finished")]
        let _ = std::fs::remove_file(path);
        failed(source)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zeros_become_holes_and_come_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new.img");
        let mut pieces = vec![vec![0; 512], vec![7; 3], vec![0; 100]].into_iter();
        create_sparse(&path, &mut || Ok(pieces.next().unwrap_or_default())).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        assert_eq!((bytes.len(), &bytes[512..515]), (615, &[7; 3][..]));
        assert!(create_sparse(&folder.path().join("bad.img"), &mut || Err(io::ErrorKind::Other.into())).is_err());
        assert!(!folder.path().join("bad.img").exists());
    }

    #[test]
    fn a_file_is_replaced_whole_and_nothing_stays_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("disk.found.json");
        for text in ["one", "two, longer"] {
            replace_own(&path, text.as_bytes()).unwrap();
            assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
        }
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        assert!(replace_own(&folder.path().join("none/disk.found.json"), b"").is_err());
    }

    #[test]
    fn only_a_new_file_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new.csv");
        create(&path, b"one").unwrap();
        assert!(create(&path, b"two").unwrap_err().to_string().contains("there already"));
        assert_eq!(std::fs::read(&path).unwrap(), b"one");
        assert!(matches!(create(&folder.path().join("none/new.csv"), b""), Err(Error::Io { .. })));
        assert!(matches!(create(folder.path(), b""), Err(Error::Io { .. })));
    }
}
