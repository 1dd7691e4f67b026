//! Drives the built program in a folder of its own and looks at everything it leaves: both streams, the exit status
//! and the files.

#![allow(dead_code, reason = "each test file uses its part")]

pub(crate) mod fixture;
pub(crate) mod harness;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A folder in which the program is run.
pub(crate) struct Bench {
    folder: tempfile::TempDir,
}

/// What a run left.
pub(crate) struct Outcome {
    line: String,
    pub(crate) out: String,
    pub(crate) err: String,
    pub(crate) code: Option<i32>,
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a temporary folder") }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file of the test.
    #[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
    pub(crate) fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, bytes).expect("a temporary folder takes files");
        path
    }

    /// An image of `length` zeros that nobody may write.
    pub(crate) fn image(&self, name: &str, length: usize) -> PathBuf {
        let path = self.file(name, vec![0; length]);
        let mut permissions = std::fs::metadata(&path).expect("just written").permissions();
        permissions.set_readonly(true);
        std::fs::set_permissions(&path, permissions).expect("own file");
        path
    }

    pub(crate) fn folder(&self, name: &str) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir(&path).expect("a temporary folder takes folders");
        path
    }

    pub(crate) fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).expect("the file is there and is text")
    }

    /// The names of all files in the folder, sorted.
    pub(crate) fn names(&self) -> Vec<String> {
        self.contents().into_keys().collect()
    }

    /// Every file directly in the folder with its bytes.
    pub(crate) fn contents(&self) -> BTreeMap<String, Vec<u8>> {
        std::fs::read_dir(self.folder.path())
            .expect("own folder")
            .map(|entry| entry.expect("own folder"))
            .filter(|entry| entry.path().is_file())
            .map(|entry| {
                let bytes = std::fs::read(entry.path()).expect("own file");
                (entry.file_name().into_string().expect("names of tests are text"), bytes)
            })
            .collect()
    }

    /// Runs the program with the words of `line`, in the folder.
    pub(crate) fn run(&self, line: &str) -> Outcome {
        self.run_words(&line.split_whitespace().collect::<Vec<_>>())
    }

    pub(crate) fn run_words(&self, words: &[&str]) -> Outcome {
        let output = program(self.folder.path()).args(words).output().expect("the program starts");
        Outcome {
            line: words.join(" "),
            out: String::from_utf8(output.stdout).expect("text"),
            err: String::from_utf8(output.stderr).expect("text"),
            code: output.status.code(),
        }
    }

    /// Runs the program with standard output that nobody reads.
    pub(crate) fn run_unread(&self, line: &str) -> Outcome {
        let mut child = program(self.folder.path())
            .args(line.split_whitespace())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        drop(child.stdout.take());
        let output = child.wait_with_output().expect("the program ends");
        Outcome {
            line: line.to_string(),
            out: String::new(),
            err: String::from_utf8(output.stderr).expect("text"),
            code: output.status.code(),
        }
    }
}

fn program(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_handback"));
    command.current_dir(folder).stdin(Stdio::null()).env_remove("NO_COLOR");
    command
}

impl Outcome {
    #[track_caller]
    pub(crate) fn code(self, code: i32) -> Self {
        assert_eq!(self.code, Some(code), "`{}`\n{}\n{}", self.line, self.out, self.err);
        self
    }

    #[track_caller]
    pub(crate) fn out_has(self, text: &str) -> Self {
        assert!(self.out.contains(text), "`{}` should print {text:?}:\n{}", self.line, self.out);
        self
    }

    #[track_caller]
    pub(crate) fn err_has(self, text: &str) -> Self {
        assert!(self.err.contains(text), "`{}` should say {text:?}:\n{}", self.line, self.err);
        self
    }

    #[track_caller]
    pub(crate) fn err_lacks(self, text: &str) -> Self {
        assert!(!self.err.contains(text), "`{}` should not say {text:?}:\n{}", self.line, self.err);
        self
    }

    /// Standard output as one JSON document of `command`.
    #[track_caller]
    pub(crate) fn json(&self, command: &str) -> serde_json::Value {
        let value: serde_json::Value =
            serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error} in `{}`:\n{}", self.line, self.out));
        assert_eq!(value["handback_json"], 1, "{}", self.out);
        assert_eq!(value["command"], command, "{}", self.out);
        assert!(self.out.trim_start_matches(['{', '\n', ' ']).starts_with("\"handback_json\""), "it opens with it");
        value
    }
}
