//! An image that must not change, and a program that is watched while it reads it.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use sha2::{Digest, Sha256};

use crate::common::{Bench, Outcome};

/// An image with mode 0444 whose bytes, modification time and mode are compared after every command.
pub(crate) struct Sealed {
    path: PathBuf,
    sha256: String,
    modified: SystemTime,
}

impl Sealed {
    pub(crate) fn new(path: &Path) -> Self {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o444)).expect("own file");
        let modified = std::fs::metadata(path).and_then(|metadata| metadata.modified()).expect("own file");
        Self { path: path.to_path_buf(), sha256: hash(path), modified }
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    pub(crate) fn text(&self) -> &str {
        text(&self.path)
    }

    pub(crate) fn modified(&self) -> SystemTime {
        self.modified
    }

    /// The image's bytes, its modification time and its mode are what they were.
    #[track_caller]
    pub(crate) fn check(&self) {
        let metadata = std::fs::metadata(&self.path).expect("the image is still there");
        assert_eq!(metadata.permissions().mode() & 0o7777, 0o444, "the image's mode");
        assert_eq!(metadata.modified().expect("Linux has it"), self.modified, "the image's modification time");
        assert_eq!(hash(&self.path), self.sha256, "the image's bytes");
    }

    /// Runs `COMMAND IMAGE WORDS…` and checks the image.
    #[track_caller]
    pub(crate) fn run(&self, bench: &Bench, command: &str, words: &[&str]) -> Outcome {
        let mut all: Vec<&str> = command.split(' ').collect();
        all.push(self.text());
        all.extend(words);
        let outcome = bench.run_words(&all);
        self.check();
        outcome
    }
}

/// The path as text.
pub(crate) fn text(path: &Path) -> &str {
    path.to_str().expect("paths of tests are text")
}

/// SHA-256 of a file, in hexadecimal.
#[track_caller]
pub(crate) fn hash(path: &Path) -> String {
    use std::io::Read;
    let mut file = std::fs::File::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let (mut hash, mut buffer) = (Sha256::new(), vec![0; 1 << 20]);
    loop {
        match file.read(&mut buffer).unwrap_or_else(|error| panic!("{}: {error}", path.display())) {
            0 => return hex(&hash.finalize()),
            count => hash.update(&buffer[..count]),
        }
    }
}

/// SHA-256 of bytes, in hexadecimal.
pub(crate) fn hash_of(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
