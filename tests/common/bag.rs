//! What a handover left in its folder.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// SHA-256 in hexadecimal.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A text for people without its mark and its line ends.
pub(crate) fn prose(text: &str) -> String {
    text.trim_start_matches('\u{feff}').split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Everything below `folder`: paths with `/` and, of files, the bytes.
pub(crate) fn tree(folder: &Path) -> BTreeMap<String, Option<Vec<u8>>> {
    let mut all = BTreeMap::new();
    let mut open = vec![(folder.to_path_buf(), String::new())];
    while let Some((folder, prefix)) = open.pop() {
        for entry in std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
            let entry = entry.expect("own folder");
            let name = entry.file_name().into_string().expect("names in a bag are text");
            let path = format!("{prefix}{name}");
            if entry.file_type().expect("own folder").is_dir() {
                open.push((entry.path(), format!("{path}/")));
                all.insert(path, None);
            } else {
                all.insert(path, Some(std::fs::read(entry.path()).expect("own file")));
            }
        }
    }
    all
}

/// A row of a table, by the heading of its cells.
pub(crate) type Row = BTreeMap<String, String>;

/// The rows of a table as RFC 4180 has them.
pub(crate) fn rows(text: &str) -> Vec<Row> {
    let mut lines = vec![Vec::new()];
    let (mut cell, mut quoted) = (String::new(), false);
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        match character {
            '"' if quoted && characters.peek() == Some(&'"') => {
                characters.next();
                cell.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => lines.last_mut().expect("one").push(std::mem::take(&mut cell)),
            '\r' if !quoted => assert_eq!(characters.peek(), Some(&'\n'), "a bare CR"),
            '\n' if !quoted => {
                lines.last_mut().expect("one").push(std::mem::take(&mut cell));
                lines.push(Vec::new());
            }
            other => cell.push(other),
        }
    }
    assert!(!quoted && cell.is_empty() && lines.pop().is_some_and(|line| line.is_empty()), "the last line ends");
    let headings = lines.remove(0);
    let row = |line: Vec<String>| {
        assert_eq!(line.len(), headings.len(), "{line:?}");
        headings.iter().cloned().zip(line).collect()
    };
    lines.into_iter().map(row).collect()
}

/// A finished bag.
pub(crate) struct Bag {
    folder: PathBuf,
}

impl Bag {
    pub(crate) fn at(folder: PathBuf) -> Self {
        assert!(folder.join("bagit.txt").is_file(), "{} is a bag", folder.display());
        Self { folder }
    }

    pub(crate) fn text(&self, path: &str) -> String {
        let path = self.folder.join(path);
        std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    }

    pub(crate) fn json(&self, path: &str) -> serde_json::Value {
        serde_json::from_str(&self.text(path)).expect("JSON")
    }

    /// The rows of `records/NAME.csv`.
    pub(crate) fn records(&self, name: &str) -> Vec<Row> {
        rows(&self.text(&format!("records/{name}.csv")))
    }

    /// The row of `records/manifest.csv` for what stood at `source_path`.
    #[track_caller]
    pub(crate) fn manifest_row(&self, source_path: &str) -> Row {
        self.records("manifest")
            .into_iter()
            .find(|row| row["source_path"] == source_path)
            .unwrap_or_else(|| panic!("the manifest should name {source_path}"))
    }

    /// The files of the payload by path, `data/` left out.
    pub(crate) fn payload(&self) -> BTreeMap<String, Vec<u8>> {
        tree(&self.folder.join("data")).into_iter().filter_map(|(path, bytes)| Some((path, bytes?))).collect()
    }

    /// Whether nothing at all stands at `path`.
    pub(crate) fn lacks(&self, path: &str) -> bool {
        !self.folder.join(path).exists()
    }
}
