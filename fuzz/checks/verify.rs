//! A bag that somebody changed: its lists and one file of the payload, separated by 0xFF.

use std::path::Path;

use handback::handover;
use handback::progress::Silent;

const FILES: [&str; 6] =
    ["bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt", "fetch.txt", "bag-info.txt", "data/choir/a.txt"];

pub(super) fn check(data: &[u8]) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::create_dir_all(folder.path().join("data/choir")).expect("an empty folder");
    let parts = || FILES.into_iter().zip(data.split(|byte| *byte == 0xff));
    for (name, bytes) in parts() {
        write(&folder.path().join(name), bytes);
    }
    if let Ok(verification) = handover::verify(folder.path(), &Silent) {
        assert_eq!(verification.is_valid(), verification.problem_count == 0);
        assert_eq!(verification.is_valid(), verification.problems.is_empty());
        assert!(verification.problems.len() as u64 <= verification.problem_count);
    }
    for (name, bytes) in parts() {
        assert_eq!(std::fs::read(folder.path().join(name)).expect("it is still there"), bytes, "nothing is changed");
    }
}

#[expect(clippy::disallowed_methods, reason = "a temporary folder of the check's own")]
fn write(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).expect("a temporary folder");
}
