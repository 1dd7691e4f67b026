//! A bag from outside: its tables read by a small reader of RFC 4180, its digests by `sha256sum` (coreutils), its form
//! by `bagit` (PyPI, the Library of Congress's validator).

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::sealed::{hash, text};
use crate::tools;
use crate::tree::Truths;

/// A row of a table, by column.
pub(crate) type Row = BTreeMap<String, String>;

/// A handover folder.
pub(crate) struct Bag {
    pub(crate) folder: PathBuf,
}

impl Bag {
    pub(crate) fn at(folder: &Path) -> Self {
        assert!(folder.join("bagit.txt").is_file(), "{} is a finished bag", folder.display());
        Self { folder: folder.to_path_buf() }
    }

    pub(crate) fn table(&self, name: &str) -> Vec<Row> {
        csv(&fs::read_to_string(self.folder.join("records").join(name)).expect("the table is there"))
    }

    pub(crate) fn job(&self) -> Value {
        let bytes = fs::read(self.folder.join("records/job.json")).expect("job.json is there");
        serde_json::from_slice(&bytes).expect("job.json is JSON")
    }

    /// The rows of the manifest by source path.
    #[track_caller]
    pub(crate) fn rows(&self) -> BTreeMap<String, Row> {
        let mut rows = BTreeMap::new();
        for row in self.table("manifest.csv") {
            let earlier = rows.insert(row["source_path"].clone(), row);
            assert!(earlier.is_none(), "{:?} twice", earlier.map(|row| row["source_path"].clone()));
        }
        rows
    }

    /// Truth: the source files. All of them are there, nothing else is, and what was written has their SHA-256.
    #[track_caller]
    pub(crate) fn holds_all(&self, truths: &Truths) {
        let mut rows = self.rows();
        if let Some(root) = rows.remove("/") {
            assert_eq!(root["kind"], "folder");
        }
        let missing: Vec<_> = truths.keys().filter(|path| !rows.contains_key(*path)).collect();
        let more: Vec<_> = rows.keys().filter(|path| !truths.contains_key(*path)).collect();
        assert!(missing.is_empty() && more.is_empty(), "missing {missing:?}, too many {more:?}");
        let mut wrong = Vec::new();
        for (path, truth) in truths {
            let row = &rows[path];
            let written = self.folder.join(&row["path"]);
            let good = match truth.kind {
                "folder" => row["kind"] == "folder" && written.is_dir(),
                kind => {
                    row["kind"] == kind
                        && row["size"] == truth.size.to_string()
                        && row["sha256"] == truth.sha256
                        && hash(&written) == truth.sha256
                }
            };
            if !good {
                wrong.push((path, truth, row));
            }
        }
        assert!(wrong.is_empty(), "{} differ: {:#?}", wrong.len(), &wrong[..wrong.len().min(5)]);
    }

    /// Truth: `sha256sum -c` and PyPI's bagit.
    #[track_caller]
    pub(crate) fn is_valid(&self) {
        for manifest in ["manifest-sha256.txt", "tagmanifest-sha256.txt"] {
            // `sha256sum` calls an empty list an error, and no list that is checked here is.
            let mut command = tools::command("sha256sum");
            command.args(["--check", "--strict", "--quiet", manifest]).current_dir(&self.folder);
            let output = command.output().unwrap_or_else(|error| tools::not_started("sha256sum", &error));
            assert!(output.status.success(), "{manifest}: {}", String::from_utf8_lossy(&output.stdout));
        }
        tools::run("bagit.py", &["--validate", text(&self.folder)]);
    }
}

/// RFC 4180: fields in quotes may hold anything, a quote in them is doubled.
pub(crate) fn csv(text: &str) -> Vec<Row> {
    let (mut records, mut fields, mut field, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut rest = text.chars().peekable();
    while let Some(c) = rest.next() {
        match c {
            '"' if quoted && rest.peek() == Some(&'"') => {
                rest.next();
                field.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(std::mem::take(&mut field)),
            '\r' if !quoted && rest.peek() == Some(&'\n') => {}
            '\n' if !quoted => {
                fields.push(std::mem::take(&mut field));
                records.push(std::mem::take(&mut fields));
            }
            c => field.push(c),
        }
    }
    assert!(!quoted && field.is_empty() && fields.is_empty(), "the table ends with a line end");
    let mut records = records.into_iter();
    let heading = records.next().expect("a heading");
    records
        .map(|record| {
            assert_eq!(record.len(), heading.len(), "{record:?}");
            heading.iter().cloned().zip(record).collect()
        })
        .collect()
}

/// Every file and folder below `folder`, by path: files with their bytes.
pub(crate) fn contents(folder: &Path) -> BTreeMap<String, Option<Vec<u8>>> {
    fn collect(folder: &Path, root: &Path, all: &mut BTreeMap<String, Option<Vec<u8>>>) {
        for entry in fs::read_dir(folder).expect("the folder can be listed") {
            let path = entry.expect("the folder can be listed").path();
            let relative = text(path.strip_prefix(root).expect("below it")).to_string();
            if path.is_dir() {
                all.insert(relative, None);
                collect(&path, root, all);
            } else {
                all.insert(relative, Some(fs::read(&path).expect("the file can be read")));
            }
        }
    }
    let mut all = BTreeMap::new();
    collect(folder, folder, &mut all);
    all
}
