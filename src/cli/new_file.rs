//! Files that a command leaves behind on request: always new ones.

use std::io::Write;
use std::path::Path;

use crate::error::{Error, Result};

/// Writes a new file. One that is there is never touched, and of one that could not be finished nothing stays.
///
/// # Errors
/// [`Error::Io`] if it is there already or can't be written.
pub(super) fn create(path: &Path, bytes: &[u8]) -> Result<()> {
    let failed = |source| Error::Io { action: "write", path: path.to_path_buf(), source };
    #[expect(clippy::disallowed_methods, reason = "creates, and never opens what is there already")]
    let mut file = match std::fs::File::create_new(path) {
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            let why = "it is there already, and nothing is ever overwritten; name a new file";
            return Err(failed(std::io::Error::new(error.kind(), why)));
        }
        created => created.map_err(failed)?,
    };
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(|source| {
        #[expect(clippy::disallowed_methods, reason = "the file that was just created here and can't be finished")]
        let _ = std::fs::remove_file(path);
        failed(source)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

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
