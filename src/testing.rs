//! Helpers of the unit tests: the only other place that may write files.

use std::path::Path;

/// Writes a file of a test's own folder.
#[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
pub(crate) fn write_file(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).expect("a temporary folder takes files");
}

/// Sets a file's modification time.
#[expect(clippy::disallowed_types, reason = "a test's own temporary file")]
pub(crate) fn set_modified(path: &Path, time: std::time::SystemTime) {
    let file = std::fs::OpenOptions::new().write(true).open(path).expect("the file was just written");
    file.set_modified(time).expect("the time of an own file can be set");
}
