//! The lists of a handover: further digests, tables that no spreadsheet runs, the published schema, and lists compared
//! with the volume they were made of.

use std::collections::BTreeSet;
use std::path::Path;

use enumset::EnumSet;
use serde_json::Value;

use super::choir::{Builder, Choir, everything, job, noise};
use super::{contents, extract};
use crate::catalog::{Distrust, Unlocated};
use crate::handover::compare::{Comparison, ImageVolume, List, compare, compare_with_image};
use crate::handover::csv::plain;
use crate::handover::digests::Hasher;
use crate::handover::{Algorithm, Options, Selected, verify};
use crate::progress::Silent;
use crate::sector_map::ByteState;
use crate::testing::write_file;

fn also(kinds: EnumSet<Algorithm>) -> Options {
    Options { streams: true, deleted: true, also: kinds, ..Options::default() }
}

fn json(folder: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join("records/manifest.json")).unwrap()).unwrap()
}

/// The rows of a table, simply read: what stands in quotes is what it is.
fn rows(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        match character {
            '"' if quoted && characters.peek() == Some(&'"') => cell.extend(characters.next()),
            '"' => quoted = !quoted,
            ',' if !quoted => row.push(std::mem::take(&mut cell)),
            '\r' if !quoted => {}
            '\n' if !quoted => {
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            other => cell.push(other),
        }
    }
    rows
}

#[test]
fn further_digests_are_those_of_the_files() {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let choir = everything(Some(ByteState::Read));
    let kinds = Algorithm::Sha256 | Algorithm::Sha512 | Algorithm::Blake3 | Algorithm::Md5;
    extract(&job(&choir, vec![Selected::Root], also(kinds)), &to).unwrap();
    let found = contents(&to);
    for kind in Algorithm::ALL {
        let digest = |bytes: &[u8]| {
            let mut hasher = Hasher::new(EnumSet::only(kind));
            hasher.update(bytes);
            hasher.finish().remove(0).1
        };
        let files = found.iter().filter(|(path, _)| path.starts_with("data/") && !path.ends_with('/'));
        let mut expected: Vec<(String, String)> = files.map(|(path, bytes)| (path.clone(), digest(bytes))).collect();
        expected.sort();
        let listed: String = expected.iter().map(|(path, digest)| format!("{digest}  {path}\n")).collect();
        assert_eq!(String::from_utf8_lossy(&found[kind.manifest()]), listed, "{kind:?}");
        let json = json(&to);
        let in_json = json["files"].as_array().unwrap().iter().filter(|file| file["path"].is_string());
        let mut in_json: Vec<(String, String)> = in_json
            .filter(|file| file["kind"] != "folder")
            .map(|file| (file["path"].as_str().unwrap().into(), file[kind.word()].as_str().unwrap().into()))
            .collect();
        in_json.sort();
        assert_eq!(in_json, expected, "{kind:?}");
        let table = rows(&String::from_utf8_lossy(&found["records/manifest.csv"]));
        let column = table[0].iter().position(|name| name == kind.word()).unwrap();
        let in_table: Vec<_> = table[1..].iter().filter(|row| !row[column].is_empty()).collect();
        let in_table: Vec<_> = in_table.iter().map(|row| (row[0].clone(), row[column].clone())).collect();
        assert_eq!(in_table, expected, "{kind:?}");
    }
    let tags = String::from_utf8_lossy(&found["tagmanifest-sha256.txt"]);
    assert!(Algorithm::ALL.iter().all(|kind| tags.contains(kind.manifest())), "each payload manifest is listed");
    let checked = verify(&to, &Silent).unwrap();
    assert!(checked.is_valid(), "{:?}", checked.problems);
    assert_eq!(checked.algorithms, ["sha256", "sha512", "blake3", "md5"]);
}

#[test]
fn a_wrong_digest_of_any_kind_is_noticed() {
    for kind in [Algorithm::Sha512, Algorithm::Blake3, Algorithm::Md5] {
        let folder = tempfile::tempdir().unwrap();
        let to = folder.path().join("bag");
        let choir = everything(Some(ByteState::Read));
        extract(&job(&choir, vec![Selected::Root], also(kind.into())), &to).unwrap();
        let path = to.join(kind.manifest());
        let mut list = std::fs::read(&path).unwrap();
        list[0] = if list[0] == b'0' { b'1' } else { b'0' };
        write_file(&path, &list);
        let checked = verify(&to, &Silent).unwrap();
        // The file's digest, and the list's own in the tag manifest.
        assert_eq!(checked.problem_count, 2, "{kind:?}: {:?}", checked.problems);
    }
}

/// A volume on which everything is meant to be run by a spreadsheet, and names that text can't hold.
fn hostile() -> Choir {
    let (mut choir, root) = Builder::new();
    for name in
        ["=HYPERLINK(0)", "+1", "-1", "@SUM(1)", "\t=1", "\r\n=1", "say \"la\", la", "'=1", "＝1", "\u{202E}gnp.exe"]
    {
        choir.file(root, name, name.as_bytes());
        choir.link(root, &format!("to {name}"), name);
        choir.stream(root, name, name.as_bytes());
        let lost = choir.file(root, &format!("lost {name}"), b"");
        choir.facts(lost, |facts| facts.unlocated = Some(Unlocated::RecordLost));
    }
    choir.finish(root, Some(ByteState::Read), &[])
}

#[test]
fn no_cell_is_a_formula_and_every_name_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let choir = hostile();
    extract(&job(&choir, vec![Selected::Root], also(EnumSet::empty())), &to).unwrap();
    for table in ["manifest.csv", "lost.csv", "links.csv"] {
        let rows = rows(&std::fs::read_to_string(to.join("records").join(table)).unwrap());
        assert!(rows.len() > 10, "{table}");
        for (row, cell) in rows.iter().flat_map(|row| row.iter().map(move |cell| (row, cell))) {
            assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝']), "{table}: {cell:?} in {row:?}");
            assert_eq!(row.len(), rows[0].len(), "{table}: {row:?}");
        }
    }
    let table = rows(&std::fs::read_to_string(to.join("records/manifest.csv")).unwrap());
    let in_table: BTreeSet<String> = table[1..].iter().map(|row| plain(&row[1]).to_string()).collect();
    let json = json(&to);
    let written = json["files"].as_array().unwrap().iter().filter(|file| file["path"].is_string());
    let in_json: BTreeSet<String> = written.map(|file| file["source_path"].as_str().unwrap().to_string()).collect();
    assert_eq!(in_table, in_json);
    let links = rows(&std::fs::read_to_string(to.join("records/links.csv")).unwrap());
    assert!(links.iter().any(|row| plain(&row[3]) == "=HYPERLINK(0)"), "{links:?}");
}

/// Adds the keys of every entry of every manifest, as `folder.KEY`, `file.KEY`, `gap.KEY`, `second_reader.KEY`.
fn keys(manifest: &Value, found: &mut BTreeSet<String>) {
    let mut add = |place: &str, object: &Value| {
        found.extend(object.as_object().unwrap().keys().map(|key| format!("{place}.{key}")));
    };
    add("document", manifest);
    for entry in manifest["files"].as_array().unwrap() {
        add(if entry["kind"] == "folder" { "folder" } else { "file" }, entry);
        for gap in entry["gaps"].as_array().into_iter().flatten() {
            add("gap", gap);
        }
        for part in ["second_reader", "opens"].into_iter().filter(|part| entry[*part].is_object()) {
            add(part, &entry[part]);
        }
    }
}

/// Truth of the schema itself: the reference suite asks PyPI's jsonschema.
#[test]
fn the_published_schema_has_every_key_and_no_other() {
    let schema: Value = serde_json::from_str(include_str!("../../../docs/manifest.schema.json")).unwrap();
    let mut expected = BTreeSet::new();
    let mut add = |place: &str, schema: &Value| {
        expected.extend(schema["properties"].as_object().unwrap().keys().map(|key| format!("{place}.{key}")));
    };
    let parts = &schema["$defs"];
    add("document", &schema);
    for place in ["folder", "file"] {
        add(place, &parts["entry"]);
        add(place, &parts[place]);
    }
    add("gap", &parts["gap"]);
    add("second_reader", &parts["file"]["properties"]["second_reader"]);
    add("opens", &parts["file"]["properties"]["opens"]);
    // A folder's name can't be held by text either, and no folder of these tests has such a name.
    assert!(expected.remove("folder.name_raw"));

    let mut found = BTreeSet::new();
    let folder = tempfile::tempdir().unwrap();
    for (index, choir) in [everything(Some(ByteState::Read)), odd()].iter().enumerate() {
        let to = folder.path().join(index.to_string());
        let kinds = Algorithm::Sha512 | Algorithm::Blake3 | Algorithm::Md5;
        let options = Options { second_reader: true, check: true, ..also(kinds) };
        extract(&job(choir, vec![Selected::Root], options), &to).unwrap();
        keys(&json(&to), &mut found);
    }
    assert_eq!(found, expected);
}

/// A file whose name no text holds.
fn odd() -> Choir {
    let (mut choir, root) = Builder::new();
    let file = choir.file(root, "plain.txt", b"la");
    choir.named_units(root, file, &[0x41, 0xD800]);
    choir.finish(root, Some(ByteState::Read), &[])
}

fn against(list: &Path, choir: &Choir) -> Comparison {
    let list = List::open(list).unwrap().unwrap();
    let volume = ImageVolume { number: 2, filesystem: choir, catalog: &choir.catalog };
    assert_eq!(list.volumes().unwrap(), [2]);
    compare_with_image(&list, &[volume], &Silent).unwrap()
}

#[test]
fn a_handover_is_what_the_image_holds() {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let choir = everything(Some(ByteState::Read));
    let summary = extract(&job(&choir, vec![Selected::Root], also(EnumSet::empty())), &to).unwrap();
    for list in ["", "records/manifest.csv", "records/manifest.json"] {
        let list = to.join(list);
        let found = against(&list, &choir);
        assert!(!found.differs(), "{found:#?}");
        assert_eq!((found.same, found.a.files), (summary.written_files, summary.written_files));
        assert_eq!(found.same_with_gaps, 1, "the concert");
        assert!(List::open(&list).unwrap().unwrap().has_deleted().unwrap());
    }
    let sums = List::open(&to.join("manifest-sha256.txt")).unwrap().unwrap();
    assert!(sums.volumes().unwrap_err().to_string().contains("does not say where on the drive"));
    // The lists of one handover say the same, whichever is asked.
    let [csv, json] = ["records/manifest.csv", "records/manifest.json"].map(|list| to.join(list));
    for (a, b) in [(&csv, &json), (&json, &csv), (&to, &to.join("manifest-sha256.txt"))] {
        let found = compare(&List::open(a).unwrap().unwrap(), &List::open(b).unwrap().unwrap()).unwrap();
        assert!(!found.differs(), "{found:#?}");
        assert_eq!((found.same, found.same_with_gaps), (summary.written_files, 1));
    }
    assert!(compare(&List::open(&csv).unwrap().unwrap(), &sums).unwrap().a.without_digest == 0);
}

/// The same volume later, or another one: a changed file, one with another name, one that is gone, one whose record
/// another file has.
#[test]
fn what_is_not_as_it_was_is_told() {
    let build = |change: bool| {
        let (mut choir, root) = Builder::new();
        choir.file(root, "same.txt", b"la la");
        choir.file(root, "changed.txt", if change { b"lo" } else { b"la" });
        choir.file(root, if change { "renamed.txt" } else { "name.txt" }, &noise(700, 1));
        choir.file(root, if change { "another.txt" } else { "gone.txt" }, &noise(600, if change { 3 } else { 2 }));
        if !change {
            choir.file(root, "last.txt", b"last");
        }
        choir.finish(root, Some(ByteState::Read), &[])
    };
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let before = build(false);
    extract(&job(&before, vec![Selected::Root], also(EnumSet::empty())), &to).unwrap();
    let found = against(&to, &build(true));
    assert_eq!((found.same, found.new.is_none()), (1, true));
    let a = |differences: &crate::handover::compare::Differences| {
        assert_eq!(differences.count, differences.first.len() as u64);
        differences.first.iter().map(|one| one.a.clone().unwrap().path).collect::<Vec<_>>()
    };
    assert_eq!(a(&found.changed), ["/changed.txt"]);
    assert_eq!(a(&found.missing), ["/gone.txt", "/last.txt"]);
    assert_eq!(a(&found.moved), ["/name.txt"]);
    assert_eq!(found.moved.first[0].b.clone().unwrap().path, "/renamed.txt");
    assert!(found.missing.first[0].why.as_ref().unwrap().contains("another file"), "{found:#?}");
    let other_volume = compare_with_image(&List::open(&to).unwrap().unwrap(), &[], &Silent).unwrap();
    assert_eq!((other_volume.missing.count, other_volume.same), (5, 0));
}

#[test]
fn deleted_files_are_found_again() {
    let (mut choir, root) = Builder::new();
    let old = choir.file(root, "old.txt", b"deleted");
    choir.facts(old, |facts| {
        facts.distrust.insert(Distrust::Deleted);
    });
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    extract(&job(&choir, vec![Selected::Root], also(EnumSet::empty())), &to).unwrap();
    assert!(List::open(&to).unwrap().unwrap().has_deleted().unwrap());
    assert_eq!(against(&to, &choir).same, 1);
}
