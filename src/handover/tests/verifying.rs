//! Checking bags: sound ones, ones that were tampered with, and hostile ones.

use std::path::Path;

use sha2::{Digest, Sha256};

use super::choir::{everything, job};
use super::{contents, extract};
use crate::error::Error;
use crate::handover::output::{Disk, Output};
use crate::handover::{Options, ProblemKind, Selected, Verification, hex, verify};
use crate::progress::Silent;
use crate::sector_map::ByteState;
use crate::testing::write_file;

const DECLARATION: &[u8] = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";

/// Digests of the public bag conformance suite (Library of Congress, public domain), `v1.0/valid/basicBag`.
const HELLO_512: &str = "e7c22b994c59d9cf2b48e549b1e24666636045930d3da7c1acb299d1c3b7f931f94aae41edda2c2b207a36e10f8bcb8d45223e54878f5b316e7ce3b6bc019629";
const BAGIT_512: &str = "1d73ae108d4109b61f56698a5e19ee1f8947bdf8940bbce6adbe5e0940c2363caace6a547b4f1b3ec6a4fd2b7fa845e9cb9d28823bc72c59971718bb26f2fbd8";
const HELLO_256: &str = "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03";
const BAGIT_256: &str = "1712ecfb074bf29c4188ad3421032509159a09739fd604f8fe57038b4ddefcc9";

/// A bag of these files and these lines of `manifest-sha256.txt`.
fn bag(files: &[(&str, &[u8])], manifest: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    write_file(&folder.path().join("bagit.txt"), DECLARATION);
    write_file(&folder.path().join("manifest-sha256.txt"), manifest.as_bytes());
    std::fs::create_dir(folder.path().join("data")).unwrap();
    for (path, bytes) in files {
        let path = folder.path().join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        write_file(&path, bytes);
    }
    folder
}

fn check(folder: &Path) -> Verification {
    verify(folder, &Silent).unwrap()
}

fn kinds(folder: &Path) -> Vec<(ProblemKind, String)> {
    let checked = check(folder);
    assert_eq!(checked.problem_count, checked.problems.len() as u64);
    checked.problems.into_iter().map(|problem| (problem.kind, problem.path)).collect()
}

fn of(problems: &[(ProblemKind, &str)]) -> Vec<(ProblemKind, String)> {
    problems.iter().map(|(kind, path)| (*kind, path.to_string())).collect()
}

fn line(bytes: &[u8], path: &str) -> String {
    format!("{}  {path}\n", hex::of(&Sha256::digest(bytes)))
}

#[test]
fn the_basic_bag_of_the_conformance_suite() {
    let bag = bag(&[("data/hello.txt", b"hello\n")], &format!("{HELLO_256}  data/hello.txt\n"));
    let path = |name: &str| bag.path().join(name);
    assert_eq!(check(bag.path()).algorithms, ["sha256"]);
    write_file(&path("manifest-sha512.txt"), format!("{HELLO_512}  data/hello.txt\n").as_bytes());
    write_file(&path("tagmanifest-sha512.txt"), format!("{BAGIT_512}  bagit.txt\n").as_bytes());
    // RFC 8493, 2.2.1: a tag manifest lists every payload manifest.
    assert_eq!(
        kinds(bag.path()),
        of(&[(ProblemKind::Extra, "manifest-sha256.txt"), (ProblemKind::Extra, "manifest-sha512.txt")])
    );
    Disk.remove(&path("tagmanifest-sha512.txt")).unwrap();
    let manifest = |name: &str| line(&std::fs::read(path(name)).unwrap(), name);
    let tags = [format!("{BAGIT_256} bagit.txt\r\n"), manifest("manifest-sha256.txt"), manifest("manifest-sha512.txt")];
    write_file(&path("tagmanifest-sha256.txt"), tags.concat().as_bytes());
    let checked = check(bag.path());
    assert!(checked.is_valid(), "{:?}", checked.problems);
    assert_eq!((checked.version.as_str(), checked.payload_files, checked.payload_bytes), ("1.0", 1, 6));
    assert_eq!(checked.algorithms, ["sha256", "sha512"]);
    write_file(&path("manifest-sha512.txt"), format!("{}  data/hello.txt\n", HELLO_512.replace("e7", "e8")).as_bytes());
    assert_eq!(
        kinds(bag.path()),
        of(&[(ProblemKind::Changed, "data/hello.txt"), (ProblemKind::Changed, "manifest-sha512.txt")])
    );
}

#[test]
fn changed_missing_and_extra_files() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let to = folder.path().join("bag");
    extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();
    let clara = "data/recovered/Users/Clara";
    let [changed, missing, extra] = ["photo (2).jpg", "letter.doc", "new.txt"].map(|name| format!("{clara}/{name}"));
    let mut bytes = std::fs::read(to.join(&changed)).unwrap();
    bytes[700] ^= 1;
    write_file(&to.join(&changed), &bytes);
    Disk.remove(&to.join(&missing)).unwrap();
    write_file(&to.join(&extra), b"new");
    write_file(&to.join("records/lost.csv"), b"nothing was lost\n");
    let before = contents(&to);
    // The bag is taken from the folder above it.
    assert_eq!(
        kinds(folder.path()),
        of(&[
            (ProblemKind::Count, "bag-info.txt"),
            (ProblemKind::Missing, &missing),
            (ProblemKind::Extra, &extra),
            (ProblemKind::Changed, &changed),
            (ProblemKind::Changed, "records/lost.csv"),
        ])
    );
    assert_eq!(contents(&to), before);
}

#[test]
fn percent_is_taken_decoded_then_literal() {
    // RFC way, and the way of common programs, in one bag: neither is a problem.
    let files: [(&str, &[u8]); 3] =
        [("data/100% sure.txt", b"a"), ("data/lit%0Aeral.txt", b"b"), ("data/plain%25.txt", b"c")];
    let manifest =
        [line(b"a", "data/100%25 sure.txt"), line(b"b", "data/lit%0Aeral.txt"), line(b"c", "data/plain%25.txt")];
    assert_eq!(kinds(bag(&files, &manifest.concat()).path()), []);
    #[cfg(unix)]
    {
        let files: [(&str, &[u8]); 1] = [("data/new\nline.txt", b"a")];
        assert_eq!(kinds(bag(&files, &line(b"a", "data/new%0Aline.txt")).path()), []);
    }
}

#[test]
fn old_bags_other_line_ends_and_other_spellings() {
    let manifest =
        [line(b"a", "./data/a.txt"), line(b"b", "*data/b.txt"), line(b"c", "data/Mu\u{308}ller.txt")].concat();
    let manifest = manifest.to_uppercase().replace("DATA", "data").replace("TXT", "txt").replace('\n', "\r\n");
    let manifest = manifest.replace("/A.", "/a.").replace("/B.", "/b.").replace("MU\u{308}LLER", "Mu\u{308}ller");
    let files: [(&str, &[u8]); 3] = [("data/a.txt", b"a"), ("data/b.txt", b"b"), ("data/Müller.txt", b"c")];
    let bag = bag(&files, &manifest);
    let old = "BagIt-Version: 0.97\r\nTag-File-Character-Encoding: UTF-8\r\n";
    write_file(&bag.path().join("bagit.txt"), old.as_bytes());
    write_file(&bag.path().join("manifest-sha1.txt"), b"");
    let checked = check(bag.path());
    assert!(checked.is_valid(), "{:?}", checked.problems);
    assert_eq!((checked.version.as_str(), checked.not_checked), ("0.97", vec!["sha1".to_string()]));
}

#[test]
fn lists_that_lie() {
    let manifest = [
        line(b"a", "data/a.txt"),
        line(b"a", "data/a.txt"),
        line(b"x", "data/../../etc/passwd"),
        line(b"x", "/etc/passwd"),
        line(b"x", "bagit.txt"),
        "not a digest  data/a.txt\n".to_string(),
        "abc\n".to_string(),
    ];
    let bag = bag(&[("data/a.txt", b"a")], &manifest.concat());
    write_file(
        &bag.path().join("fetch.txt"),
        b"https://example.org/b 1 data/b.txt\nhttps://example.org/c - data/../c\nnonsense\n",
    );
    write_file(&bag.path().join("bag-info.txt"), b"payload-oxum: 1.1\nPayload-Oxum: 2.1\n");
    assert_eq!(
        kinds(bag.path()),
        of(&[
            (ProblemKind::UnsafePath, "/etc/passwd"),
            (ProblemKind::Duplicate, "bag-info.txt"),
            (ProblemKind::Count, "bag-info.txt"),
            (ProblemKind::UnsafePath, "data/../../etc/passwd"),
            (ProblemKind::UnsafePath, "data/../c"),
            (ProblemKind::Duplicate, "data/a.txt"),
            (ProblemKind::NotFetched, "data/b.txt"),
            (ProblemKind::BadLine, "fetch.txt"),
            (ProblemKind::BadLine, "manifest-sha256.txt"),
            (ProblemKind::BadLine, "manifest-sha256.txt"),
            (ProblemKind::BadLine, "manifest-sha256.txt"),
        ])
    );
}

#[test]
fn a_file_is_listed_in_every_manifest_since_version_1() {
    let files: [(&str, &[u8]); 2] = [("data/hello.txt", b"hello\n"), ("data/b.txt", b"b")];
    let bag = bag(&files, &[line(b"hello\n", "data/hello.txt"), line(b"b", "data/b.txt")].concat());
    write_file(&bag.path().join("manifest-sha512.txt"), format!("{HELLO_512}  data/hello.txt\n").as_bytes());
    assert_eq!(kinds(bag.path()), of(&[(ProblemKind::NotInEveryManifest, "data/b.txt")]));
    let old = "BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n";
    write_file(&bag.path().join("bagit.txt"), old.as_bytes());
    assert_eq!(kinds(bag.path()), []);
}

/// `v1.0/invalid` of the conformance suite has such declarations.
#[test]
fn declarations_that_are_none() {
    for text in ["", "BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n", "\u{feff}BagIt-Version: 1.0\n"] {
        let bag = bag(&[("data/a.txt", b"a")], &line(b"a", "data/a.txt"));
        write_file(&bag.path().join("bagit.txt"), text.as_bytes());
        let found = kinds(bag.path());
        assert!(found.iter().any(|(kind, path)| *kind == ProblemKind::Declaration && path == "bagit.txt"), "{found:?}");
    }
    let bag = bag(&[("data/a.txt", b"a")], &line(b"a", "data/a.txt"));
    write_file(&bag.path().join("bagit.txt"), &[DECLARATION, b"More: lines\n"].concat());
    assert_eq!(kinds(bag.path()), of(&[(ProblemKind::Declaration, "bagit.txt")]));
}

#[cfg(unix)]
#[test]
fn links_are_not_followed() {
    use std::os::unix::fs::symlink;
    let outside = tempfile::tempdir().unwrap();
    write_file(&outside.path().join("a.txt"), b"a");
    let manifest = [line(b"a", "data/a.txt"), line(b"a", "data/folder/a.txt")].concat();
    let bag = bag(&[], &manifest);
    symlink(outside.path().join("a.txt"), bag.path().join("data/a.txt")).unwrap();
    symlink(outside.path(), bag.path().join("data/folder")).unwrap();
    symlink(outside.path().join("a.txt"), bag.path().join("tag.txt")).unwrap();
    let tags = [line(manifest.as_bytes(), "manifest-sha256.txt"), line(b"a", "tag.txt")].concat();
    write_file(&bag.path().join("tagmanifest-sha256.txt"), tags.as_bytes());
    assert_eq!(
        kinds(bag.path()),
        of(&[
            (ProblemKind::Missing, "data/a.txt"),
            (ProblemKind::Link, "data/a.txt"),
            (ProblemKind::Link, "data/folder"),
            (ProblemKind::Missing, "data/folder/a.txt"),
            (ProblemKind::Missing, "tag.txt"),
            (ProblemKind::Link, "tag.txt"),
        ])
    );
}

#[test]
fn what_is_no_bag_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    assert!(matches!(verify(&path("nowhere"), &Silent), Err(Error::Io { .. })));
    let why = || verify(folder.path(), &Silent).unwrap_err().to_string();
    assert!(why().contains("no bag lies there"));
    for name in ["one", "two"] {
        std::fs::create_dir(path(name)).unwrap();
        write_file(&path(name).join("bagit.txt"), DECLARATION);
    }
    assert!(why().contains("several bags"));
    assert!(matches!(verify(&path("one"), &Silent), Err(Error::Unsupported { .. })));
    Disk.remove(&path("one/bagit.txt")).unwrap();
    Disk.remove(&path("two/bagit.txt")).unwrap();
    write_file(&path("one/NOT FINISHED.txt"), b"");
    assert!(why().contains("not finished"), "{}", why());
}
