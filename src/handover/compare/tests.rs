//! Lists compared: what is the same, and what became of the rest.

use std::path::Path;

use proptest::prelude::*;

use super::*;
use crate::testing::write_file;

fn digest(content: u8) -> String {
    format!("{content:02x}").repeat(32)
}

/// SHA-256 of nothing (FIPS 180-4's algorithm; the value is in every tool's manual).
const EMPTY: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

fn sums(files: &[(&str, u8)]) -> String {
    files.iter().map(|(path, content)| format!("{}  {path}\n", digest(*content))).collect()
}

fn written(folder: &Path, name: &str, text: &str) -> List {
    let path = folder.join(name);
    write_file(&path, text.as_bytes());
    List::open(&path).unwrap().unwrap()
}

fn compared(a: &str, b: &str) -> Comparison {
    let folder = tempfile::tempdir().unwrap();
    compare(&written(folder.path(), "a.sha256", a), &written(folder.path(), "b.sha256", b)).unwrap()
}

fn paths(differences: &Differences) -> Vec<(String, String)> {
    let path = |known: &Option<Known>| known.as_ref().map(|known| known.path.clone()).unwrap_or_default();
    differences.first.iter().map(|one| (path(&one.a), path(&one.b))).collect()
}

fn pairs(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
    pairs.iter().map(|(a, b)| (a.to_string(), b.to_string())).collect()
}

#[test]
fn same_changed_missing_new_and_moved() {
    let found = compared(
        &sums(&[("same", 1), ("changed", 2), ("gone", 3), ("old/place", 4)]),
        &sums(&[("new", 9), ("changed", 8), ("same", 1), ("new/place", 4)]),
    );
    assert_eq!((found.same, found.differs()), (1, true));
    assert_eq!(paths(&found.changed), pairs(&[("changed", "changed")]));
    assert_eq!(paths(&found.missing), pairs(&[("gone", "")]));
    assert_eq!(paths(found.new.as_ref().unwrap()), pairs(&[("", "new")]));
    assert_eq!(paths(&found.moved), pairs(&[("old/place", "new/place")]));
    assert_eq!((found.algorithm, found.matched_by), (Algorithm::Sha256, MatchedBy::Path));
    assert!(!compared(&sums(&[("a", 1), ("b", 1)]), &sums(&[("b", 1), ("a", 1)])).differs());
}

#[test]
fn equal_files_move_one_to_one() {
    // Three copies became two: one of them is missing, and the one with the same name is the same one.
    let found = compared(
        &sums(&[("x/one.jpg", 1), ("x/two.jpg", 1), ("x/three.jpg", 1)]),
        &sums(&[("y/two.jpg", 1), ("y/four.jpg", 1)]),
    );
    assert_eq!(paths(&found.moved), pairs(&[("x/one.jpg", "y/four.jpg"), ("x/two.jpg", "y/two.jpg")]));
    assert_eq!(paths(&found.missing), pairs(&[("x/three.jpg", "")]));
    assert_eq!(found.new.as_ref().unwrap().count, 0);
    // A copy that was added is new, and nothing moved.
    let found = compared(&sums(&[("a", 1)]), &sums(&[("a", 1), ("b", 1)]));
    assert_eq!((found.same, found.moved.count, paths(found.new.as_ref().unwrap())), (1, 0, pairs(&[("", "b")])));
    // What was changed at its place and stands elsewhere as it was: changed, and new.
    let found = compared(&sums(&[("a", 1)]), &sums(&[("a", 2), ("b", 1)]));
    assert_eq!((found.changed.count, found.moved.count, found.new.as_ref().unwrap().count), (1, 0, 1));
}

#[test]
fn an_empty_file_is_never_moved() {
    let found = compared(&format!("{EMPTY}  a\n"), &format!("{EMPTY}  b\n"));
    assert_eq!((found.moved.count, found.missing.count, found.new.as_ref().unwrap().count), (0, 1, 1));
    assert_eq!(compared(&format!("{EMPTY}  a\n"), &format!("{EMPTY}  a\n")).same, 1);
}

#[test]
fn a_path_that_stands_twice_is_two_files() {
    let found = compared(&sums(&[("a", 1), ("a", 2)]), &sums(&[("a", 2), ("a", 1)]));
    assert_eq!((found.same, found.differs()), (2, false));
    let found = compared(&sums(&[("a", 1), ("a", 2)]), &sums(&[("a", 2), ("a", 3)]));
    assert_eq!((found.same, found.changed.count), (1, 1));
}

#[test]
fn lines_as_several_programs_write_them() {
    let plain = sums(&[("a b", 1), ("data/damaged/c", 2)]);
    for other in [
        plain.replace('\n', "\r\n"),
        plain.replace("  ", " *"),
        plain.replace("  ", "  ./"),
        format!("# a comment\n\n{plain}"),
        format!("\u{FEFF}{plain}"),
        format!("{}  a b\n{}  data/damaged/c", digest(1).to_uppercase(), digest(2)),
    ] {
        let found = compared(&plain, &other);
        assert_eq!((found.same, found.same_with_gaps, found.differs()), (2, 1, false), "{other}");
    }
    let escaped = format!("\\{}  new\\nline\\\\\n", digest(1));
    let found = compared(&escaped, &sums(&[("other", 2)]));
    assert_eq!(paths(&found.missing), pairs(&[("new\nline\\", "")]));
}

#[test]
fn kinds_of_digest_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let list = |name: &str, digits: usize| {
        written(folder.path(), name, &format!("{}  song\n", "0".repeat(digits))).algorithms.iter().collect::<Vec<_>>()
    };
    assert_eq!(list("SHA256SUMS", 64), [Algorithm::Sha256]);
    assert_eq!(list("list.txt", 128), [Algorithm::Sha512]);
    assert_eq!(list("list2.txt", 32), [Algorithm::Md5]);
    assert_eq!(list("manifest-blake3.txt", 64), [Algorithm::Blake3]);
    assert_eq!(list("b3sums.txt", 64), [Algorithm::Blake3]);
    assert_eq!(written(folder.path(), "manifest-md5.txt", "").algorithms, Algorithm::Md5);
    let [a, b] = ["SHA256SUMS", "list2.txt"].map(|name| List::open(&folder.path().join(name)).unwrap().unwrap());
    let error = compare(&a, &b).unwrap_err().to_string();
    assert!(error.contains("has sha256") && error.contains("has md5"), "{error}");
}

#[test]
fn what_is_no_list_is_none_and_what_is_a_bad_one_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x");
    for text in ["song", "0123  song", "{\"a\": 1}", "path,size\n", "# only a comment\n", "\0\0\0\0"] {
        write_file(&path, text.as_bytes());
        assert!(List::open(&path).unwrap().is_none(), "{text:?}");
    }
    assert!(List::open(folder.path()).unwrap_err().to_string().contains("no list stands in the folder"));
    assert!(matches!(List::open(&folder.path().join("none")), Err(Error::Io { .. })));
    let heading = "path,source_path,volume,address,kind,state,reasons,size,gap_bytes,sha256\r\n";
    for (text, why) in [
        (format!("{}song\n", sums(&[("a", 1)])), "line 2 "),
        (format!("{}{}  \n", sums(&[("a", 1)]), digest(1)), "line 2 "),
        (format!("{}{}\n", sums(&[("a", 1)]), "x".repeat(70_000)), "too long"),
        (format!("{heading}a,b\r\n"), "line 2 "),
        (format!("{heading}data/a,/a,2,record:1,file,whole,,1,0,nonsense\r\n"), "the digest"),
        (format!("{heading}data/a,/a,two,record:1,file,whole,,1,0,\r\n"), "no number"),
        (format!("{heading}\"data/a,/a"), "ends in the middle"),
        (format!("{heading}\"{}", "x".repeat(2 << 20)), "too long"),
        ("{\"handback_json\":1,\"files\":[{}]}".to_string(), "no manifest"),
        ("{\"handback_json\":1,\"files\":[".to_string(), "no manifest"),
        ("{\"handback_json\":1,\"files\":3}".to_string(), "no manifest"),
    ] {
        let list = written(folder.path(), "x", &text);
        let error = compare(&list, &list).unwrap_err();
        assert!(matches!(error, Error::Usage(_)) && error.to_string().contains(why), "{why}: {error}");
    }
}

#[test]
fn a_million_lines_are_compared() {
    let folder = tempfile::tempdir().unwrap();
    let lines = if cfg!(debug_assertions) { 20_000 } else { 1_000_000_u32 };
    let list = |skip: u32| -> String {
        (0..lines).filter(|at| *at != skip).map(|at| format!("{at:064x}  data/recovered/song {at}.mp3\n")).collect()
    };
    let a = written(folder.path(), "a.sha256", &list(17));
    let b = written(folder.path(), "b.sha256", &list(lines - 1));
    let found = compare(&a, &b).unwrap();
    assert_eq!((found.same, found.missing.count), (u64::from(lines) - 2, 1));
}

proptest! {
    /// Every file of either list is in exactly one class.
    #[test]
    fn everything_is_counted_once(
        a in prop::collection::vec((0_u8..12, 1_u8..6), 0..30),
        b in prop::collection::vec((0_u8..12, 1_u8..6), 0..30),
    ) {
        let text = |files: &[(u8, u8)]| -> String {
            files.iter().map(|(name, content)| format!("{}  {}/{}\n", digest(*content), name / 3, name % 3)).collect()
        };
        let found = {
            let folder = tempfile::tempdir().unwrap();
            let [a, b] = [("manifest-sha256.txt", &a), ("b-sha256.txt", &b)]
                .map(|(name, files)| written(folder.path(), name, &text(files)));
            compare(&a, &b).unwrap()
        };
        let both = found.same + found.changed.count + found.moved.count;
        prop_assert_eq!(both + found.missing.count, a.len() as u64);
        prop_assert_eq!(both + found.new.as_ref().unwrap().count, b.len() as u64);
        for one in &found.changed.first {
            let (a, b) = (one.a.as_ref().unwrap(), one.b.as_ref().unwrap());
            prop_assert!(a.path == b.path && a.digest != b.digest);
        }
        for one in &found.moved.first {
            let (a, b) = (one.a.as_ref().unwrap(), one.b.as_ref().unwrap());
            prop_assert!(a.path != b.path && a.digest == b.digest);
        }
        // What is missing and what is new have no content in common: it would have moved.
        for missing in &found.missing.first {
            for new in &found.new.as_ref().unwrap().first {
                prop_assert!(missing.a.as_ref().unwrap().digest != new.b.as_ref().unwrap().digest);
            }
        }
    }
}
