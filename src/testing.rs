//! Helpers of the unit tests: the only other place that may write files.

use std::io::Read as _;
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

/// A test image, unpacked.
pub(crate) fn fixture(name: &str) -> Vec<u8> {
    let path = format!("{}/test-images/{name}.img.zst", env!("CARGO_MANIFEST_DIR"));
    let packed = std::fs::read(path).expect("a test image");
    let mut bytes = Vec::new();
    let mut unpacked = ruzstd::decoding::StreamingDecoder::new(&packed[..]).expect("a test image");
    unpacked.read_to_end(&mut bytes).expect("a test image");
    bytes
}
