//! Drives the built program in a folder of its own and looks at everything it leaves: both streams, the exit status
//! and the files.

#![allow(dead_code, reason = "each test file uses its part")]

pub(crate) mod bag;
pub(crate) mod counting;
pub(crate) mod edit;
pub(crate) mod exfat;
pub(crate) mod fat_edit;
pub(crate) mod fixture;
pub(crate) mod harness;
pub(crate) mod headless;
pub(crate) mod headless_fat;
pub(crate) mod memory;
pub(crate) mod rounds;
pub(crate) mod ways;

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime};

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
        self.read_only(name, vec![0; length])
    }

    /// A file of the test that nobody may write.
    pub(crate) fn read_only(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.file(name, bytes);
        let mut permissions = std::fs::metadata(&path).expect("just written").permissions();
        permissions.set_readonly(true);
        std::fs::set_permissions(&path, permissions).expect("own file");
        path
    }

    /// The test image `NAME` as `NAME.img`, which nobody may write.
    pub(crate) fn fixture(&self, name: &str) -> PathBuf {
        self.read_only(&format!("{name}.img"), fixture::image(name))
    }

    /// A map beside the test image `NAME` under which all was read but `holes`, ranges of bytes of the image.
    pub(crate) fn map_beside(&self, name: &str, holes: &[Range<u64>]) {
        let length = std::fs::metadata(self.path(&format!("{name}.img"))).expect("the image is there").len();
        self.file(&format!("{name}.map.csv"), full_map(length, holes));
    }

    /// Takes a file of the test away.
    #[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
    pub(crate) fn remove(&self, name: &str) {
        std::fs::remove_file(self.path(name)).expect("own file");
    }

    /// Makes a file `length` bytes long; what is added is a hole of the file.
    #[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
    pub(crate) fn stretch(&self, name: &str, length: u64) {
        let file = std::fs::File::options().append(true).open(self.path(name)).expect("own file");
        file.set_len(length).expect("own file");
    }

    /// Makes a file look as if it had been changed that long before now.
    #[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
    pub(crate) fn age(&self, name: &str, by: Duration) {
        let file = std::fs::File::options().append(true).open(self.path(name)).expect("own file");
        file.set_modified(SystemTime::now() - by).expect("own file");
    }

    /// Everything in a folder of the bench, see [`bag::tree`].
    pub(crate) fn tree(&self, name: &str) -> BTreeMap<String, Option<Vec<u8>>> {
        bag::tree(&self.path(name))
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

    /// Starts the program and leaves it to the caller.
    pub(crate) fn start(&self, words: &[&str]) -> Child {
        let mut command = program(self.folder.path());
        command.args(words).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the program starts")
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
    pub(crate) fn out_lacks(self, text: &str) -> Self {
        assert!(!self.out.contains(text), "`{}` should not print {text:?}:\n{}", self.line, self.out);
        self
    }

    /// The lines of standard output in which all of `words` stand; at least one is expected.
    #[track_caller]
    pub(crate) fn lines_with(&self, words: &[&str]) -> Vec<&str> {
        let lines: Vec<&str> = self.out.lines().filter(|line| words.iter().all(|word| line.contains(word))).collect();
        assert!(!lines.is_empty(), "`{}` should print a line with {words:?}:\n{}", self.line, self.out);
        lines
    }

    /// Nothing in either stream steers a terminal, hides or turns the direction of writing.
    #[track_caller]
    pub(crate) fn harmless(self) -> Self {
        let steers = |c: char| {
            (c.is_control() && c != '\n')
                || matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}')
        };
        for text in [&self.out, &self.err] {
            assert!(!text.contains(steers), "`{}`: {:?}", self.line, text.lines().find(|line| line.contains(steers)));
        }
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

    /// Standard output as JSON documents of `command`, one a line.
    #[track_caller]
    pub(crate) fn json_lines(&self, command: &str) -> Vec<serde_json::Value> {
        let lines = self.out.lines().map(|line| {
            assert!(line.starts_with("{\"handback_json\":1,"), "it opens with it: {line}");
            let value: serde_json::Value = serde_json::from_str(line).unwrap_or_else(|e| panic!("{e} in {line}"));
            assert_eq!(value["command"], command, "{line}");
            value
        });
        lines.collect()
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

/// A map in handback's own form under which all of `length` bytes was read but `holes`.
pub(crate) fn full_map(length: u64, holes: &[Range<u64>]) -> String {
    let mut text = format!("# handback sector map 1\n# image-length: {length}\n# basis: full\nstart,length,state\n");
    let mut at = 0;
    let mut row = |start: u64, end: u64, state: &str| {
        if start < end {
            text.push_str(&format!("{start},{},{state}\n", end - start));
        }
    };
    for hole in holes {
        row(at, hole.start, "read");
        row(hole.start, hole.end, "unread");
        at = hole.end;
    }
    row(at, length, "read");
    text
}
