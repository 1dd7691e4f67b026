//! The shape of the house: imports point one way, only the program's face knows a terminal, and no file grows past
//! what one can read.

use std::fs;
use std::path::{Path, PathBuf};

/// From the bytes up to the terminal. A module may import those before it and itself.
const LAYERS: [&str; 11] = [
    "image",
    "sector_map",
    "source",
    "catalog",
    "partition",
    "filesystem",
    "volumes",
    "content",
    "survey",
    "handover",
    "cli",
];

/// Where bytes of an image are interpreted, and the lints that must be denied there.
const HOSTILE: [&str; 8] =
    ["image", "sector_map", "source", "catalog", "partition", "filesystem", "volumes", "content"];
const HOSTILE_LINTS: [&str; 4] =
    ["clippy::expect_used", "clippy::indexing_slicing", "clippy::arithmetic_side_effects", "clippy::as_conversions"];

/// What only the face may name.
const TERMINAL: [&str; 7] = ["clap::", "comfy_table", "indicatif", "print!(", "println!(", "eprint!(", "eprintln!("];

/// Files of more than 400 lines without their tests, each with the reason why it is one file.
const LONG_FILES: [(&str, &str); 0] = [];

struct SourceFile {
    /// Relative to `src`, with `/`.
    path: String,
    text: String,
}

fn source_files() -> Vec<SourceFile> {
    fn collect(folder: &Path, root: &Path, files: &mut Vec<SourceFile>) {
        for entry in fs::read_dir(folder).expect("src is there") {
            let path: PathBuf = entry.expect("src can be listed").path();
            if path.is_dir() {
                collect(&path, root, files);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let relative = path.strip_prefix(root).expect("below src");
                files.push(SourceFile {
                    path: relative.to_string_lossy().replace('\\', "/"),
                    text: fs::read_to_string(&path).expect("source is text"),
                });
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    collect(&root, &root, &mut files);
    files.sort_by(|one, other| one.path.cmp(&other.path));
    assert!(files.len() > 20, "the sources were found");
    files
}

/// The text without comments that fill a line.
fn code(text: &str) -> String {
    text.lines().filter(|line| !line.trim_start().starts_with("//")).map(|line| format!("{line}\n")).collect()
}

/// The module of the crate's root that a file belongs to.
fn module(path: &str) -> &str {
    path.split('/').next().unwrap_or_default().trim_end_matches(".rs")
}

fn level(module: &str) -> Option<usize> {
    LAYERS.iter().position(|layer| *layer == module)
}

/// How many `super::` lead from a file's module to the crate's root.
fn depth(path: &str) -> usize {
    let parts = path.trim_end_matches(".rs").trim_end_matches("/mod").split('/').count();
    if matches!(path, "lib.rs" | "main.rs") { 0 } else { parts }
}

/// The modules of the crate's root that a file names, by `crate::` or by climbing up to the root.
fn root_names(path: &str, text: &str) -> Vec<String> {
    let text = code(text);
    let climb = "super::".repeat(depth(path));
    let mut names = Vec::new();
    for prefix in ["crate::", climb.as_str()] {
        for (at, _) in text.match_indices(prefix) {
            let before = text[..at].chars().next_back();
            if prefix.is_empty() || before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':') {
                continue;
            }
            names.extend(first_names(&text[at + prefix.len()..]));
        }
    }
    names
}

/// The first identifier of a path, or those of a group in braces.
fn first_names(rest: &str) -> Vec<String> {
    let identifier = |text: &str| text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
    let Some(group) = rest.strip_prefix('{') else { return vec![identifier(rest)] };
    let (mut names, mut nested, mut start) = (Vec::new(), 0, 0);
    for (at, c) in group.char_indices() {
        match c {
            '{' => nested += 1,
            '}' | ',' if nested == 0 => {
                names.push(identifier(group[start..at].trim()));
                start = at + 1;
                if c == '}' {
                    break;
                }
            }
            '}' => nested -= 1,
            _ => {}
        }
    }
    names
}

/// Imports that point down.
fn wrong_imports(path: &str, text: &str) -> Vec<String> {
    // What is no layer (`bytes`, `error`, `progress`, `testing`) serves all of them and leans on none.
    let own = match path {
        "lib.rs" | "main.rs" => return Vec::new(),
        _ => level(module(path)),
    };
    root_names(path, text)
        .into_iter()
        .filter(|name| level(name).is_some_and(|used| own.is_none_or(|own| used > own)))
        .map(|name| format!("{path} names {name}"))
        .collect()
}

fn terminal_words(path: &str, text: &str) -> Vec<String> {
    if module(path) == "cli" {
        return Vec::new();
    }
    let text = code(text);
    TERMINAL.iter().filter(|word| text.contains(**word)).map(|word| format!("{path} names {word}")).collect()
}

fn is_test(path: &str) -> bool {
    path.ends_with("tests.rs") || path.contains("/tests/") || path == "testing.rs"
}

/// Lines before the tests that stand in the same file.
fn lines_without_tests(text: &str) -> usize {
    let end = text.find("#[cfg(test)]\nmod tests {").unwrap_or(text.len());
    text[..end].lines().count()
}

#[test]
fn imports_point_up_the_list() {
    let wrong: Vec<String> = source_files().iter().flat_map(|file| wrong_imports(&file.path, &file.text)).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn only_the_face_knows_a_terminal() {
    let wrong: Vec<String> = source_files().iter().flat_map(|file| terminal_words(&file.path, &file.text)).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn every_module_of_the_root_is_known() {
    // A new folder must be given its place in the list, or it would be checked for nothing.
    let known = ["lib", "main", "amount", "bytes", "error", "hidden", "progress", "testing", "threads"];
    for file in source_files() {
        let module = module(&file.path);
        assert!(level(module).is_some() || known.contains(&module), "`{module}` has no place in the list");
    }
}

#[test]
fn hostile_bytes_are_handled_under_strict_lints() {
    let files = source_files();
    for layer in HOSTILE {
        let path = format!("{layer}/mod.rs");
        let Some(root) = files.iter().find(|file| file.path == path) else {
            assert!(!files.iter().any(|file| module(&file.path) == layer), "{layer} has no mod.rs");
            continue;
        };
        for lint in HOSTILE_LINTS {
            assert!(root.text.contains(lint), "{path} must deny {lint}");
        }
    }
}

#[test]
fn files_stay_short() {
    let mut wrong = Vec::new();
    for file in source_files() {
        let lines = file.text.lines().count();
        let own = lines_without_tests(&file.text);
        let excused = LONG_FILES.iter().any(|(path, _)| *path == file.path);
        let limit = match file.path.as_str() {
            "main.rs" => 80,
            "lib.rs" => 120,
            _ => 800,
        };
        if lines > limit || (own > 400 && !excused && !is_test(&file.path)) {
            wrong.push(format!("{}: {lines} lines, {own} without tests", file.path));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn these_checks_can_fail() {
    assert_eq!(wrong_imports("image/raw.rs", "use crate::source::Source;"), ["image/raw.rs names source"]);
    assert_eq!(wrong_imports("source/mod.rs", "use crate::{error::{Error, Result}, handover};").len(), 1);
    assert_eq!(wrong_imports("source/mod.rs", "fn f() { super::cli::run() }").len(), 1);
    assert_eq!(wrong_imports("filesystem/ntfs/mod.rs", "use super::super::{content::x, image};").len(), 1);
    assert_eq!(wrong_imports("bytes.rs", "use crate::image::Image;").len(), 1);
    assert!(wrong_imports("source/mod.rs", "use crate::{image::Image, error::Result};\nuse super::Damage;").is_empty());
    assert!(wrong_imports("filesystem/ntfs/mod.rs", "use super::content;").is_empty());
    assert!(wrong_imports("image/raw.rs", "/// See [`crate::source`].").is_empty());
    assert_eq!(terminal_words("survey/mod.rs", "    println!(\"x\");"), ["survey/mod.rs names println!("]);
    assert!(terminal_words("survey/mod.rs", "    write!(out, \"x\");").is_empty());
    assert_eq!(lines_without_tests("a\nb\n#[cfg(test)]\nmod tests {\n}\n"), 2);
}
