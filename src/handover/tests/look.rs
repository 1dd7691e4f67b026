//! Files to be looked at although nothing of them is known to be missing: they are named.

use std::path::Path;

use super::choir::{Builder, Choir, job, noise};
use super::{contents, extract, prose};
use crate::catalog::{Distrust, ObjectId};
use crate::handover::{Options, Selected, verify};
use crate::progress::Silent;
use crate::sector_map::ByteState;

/// The report without its marks.
fn words(page: &str) -> String {
    let mut text = String::new();
    for piece in page.split('<').skip(1) {
        text.push_str(piece.split_once('>').map_or("", |(_, text)| text));
        text.push('\u{1}');
    }
    text.replace('\u{1}', "")
}

/// A part of the report, from its `id` to the next heading.
fn section<'p>(page: &'p str, id: &str) -> &'p str {
    let rest = page.split_once(&format!("<section id=\"{id}\">")).expect("the section").1;
    rest.split_once("</section>").expect("its end").0
}

fn handed_over(choir: &Choir, to: &Path) -> (String, String) {
    extract(&job(choir, vec![Selected::Root], Options::default()), to).unwrap();
    assert!(verify(to, &Silent).unwrap().is_valid());
    let found = contents(to);
    (String::from_utf8(found["report.html"].clone()).unwrap(), prose(&to.join("READ ME FIRST.txt")))
}

/// Each link of a part of the page leads to a file.
fn lead_somewhere(part: &str, to: &Path) -> usize {
    let links = part.split(" href=\"").skip(1).map(|rest| rest.split('"').next().unwrap().to_string());
    let links: Vec<String> = links.collect();
    for link in &links {
        let mut bytes = Vec::new();
        let mut rest = link.as_bytes();
        while let Some((first, after)) = rest.split_first() {
            rest = after;
            if *first == b'%' {
                bytes.push(u8::from_str_radix(std::str::from_utf8(&rest[..2]).unwrap(), 16).unwrap());
                rest = &rest[2..];
            } else {
                bytes.push(*first);
            }
        }
        assert!(to.join(String::from_utf8(bytes).unwrap()).is_file(), "{link}");
    }
    links.len()
}

fn many(choir: &mut Builder, root: ObjectId, count: usize, content: &[u8]) {
    for number in 0..count {
        choir.file(root, &format!("p {number:04}.jpg"), content);
    }
}

#[test]
fn pictures_that_do_not_open_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    let album = choir.folder(root, "<i>album & more");
    choir.file(album, "torn <b>\u{202E}.jpg", &noise(900, 1));
    choir.file(album, "second.jpg", &noise(900, 2));
    // Named among the files in doubt.
    let claimed = choir.file(album, "third.jpg", &noise(900, 3));
    choir.facts(claimed, |facts| {
        facts.distrust.insert(Distrust::ClaimedTwice);
    });
    let to = folder.path().join("bag");
    let (report, text) = handed_over(&choir.finish(root, Some(ByteState::Read), &[]), &to);
    let part = section(&report, "unopened");
    assert_eq!(lead_somewhere(part, &to), 4, "two files, each with its sheet: {part}");
    let said = words(part);
    assert!(said.contains("2 pictures could not be opened, although no part of them is known"), "{said}");
    assert!(said.contains(r"/&lt;i&gt;album &amp; more/torn &lt;b&gt;\u{202E}.jpg"), "{said}");
    assert!(!part.contains("third.jpg") && !part.contains("<b>") && part.contains("page 1</a>"), "{part}");
    assert!(report.contains("<a href=\"#unopened\">2 pictures that do not open</a>"), "{report}");
    assert!(text.contains("2 pictures could not be opened"), "{text}");
    assert!(text.contains("They are named in report.html, under \"Pictures that do not open\"."), "{text}");
}

#[test]
fn of_many_pictures_that_do_not_open_the_first_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    many(&mut choir, root, 503, b"no picture");
    let to = folder.path().join("bag");
    let (report, text) = handed_over(&choir.finish(root, Some(ByteState::Read), &[]), &to);
    let part = section(&report, "unopened");
    assert_eq!(lead_somewhere(part, &to), 1000);
    assert!(part.contains("… and 3 more; on the pages of small pictures each has a red frame"), "{part}");
    assert!(text.contains("503 pictures could not be opened") && !text.contains("p 0001.jpg"), "{text}");
}

#[test]
fn blank_files_that_no_map_speaks_for_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    choir.file(root, "letter.txt", b"Dear choir");
    many(&mut choir, root, 62, &[0; 700]);
    let to = folder.path().join("bag");
    let (report, text) = handed_over(&choir.finish(root, None, &[]), &to);
    let part = section(&report, "blank");
    assert_eq!(lead_somewhere(part, &to), 62);
    assert!(part.contains("62 files are blank or end in long blanks."), "{part}");
    assert!(report.contains("<a href=\"#blank\">Their names stand below.</a>"));
    assert!(
        text.contains("- /p 0059.jpg - … and 2 more; in records/manifest.json all are marked \"blank\"."),
        "{text}"
    );
    assert!(text.contains("They may have been damaged before the drive failed, or have lost a part"), "{text}");
    let json: serde_json::Value = serde_json::from_slice(&contents(&to)["records/manifest.json"]).unwrap();
    let files = json["files"].as_array().unwrap();
    let blank = |file: &&serde_json::Value| file.get("blank") == Some(&serde_json::Value::Bool(true));
    assert_eq!(files.iter().filter(blank).count(), 62);
}

#[test]
fn nothing_is_called_as_it_was_that_nobody_speaks_for() {
    let folder = tempfile::tempdir().unwrap();
    let nothing = "Nothing: every file that has a name came back as the drive held it, as far as is known.";
    let known = "No part of any file that has a name is known to be missing. But ";
    let letters = |first: Option<ByteState>, broken: bool| {
        let (mut choir, root) = Builder::new();
        choir.file(root, "letter.txt", b"Dear choir");
        choir.file(root, "answer.txt", b"Dear Clara");
        if broken {
            choir.file(root, "torn.jpg", &noise(900, 1));
        }
        choir.finish(root, first, &[])
    };
    let (sound, _) = handed_over(&letters(Some(ByteState::Read), false), &folder.path().join("sound"));
    assert!(sound.contains(nothing) && !sound.contains("Look here, too"));
    let (torn, _) = handed_over(&letters(Some(ByteState::Read), true), &folder.path().join("torn"));
    assert!(torn.contains(nothing));
    let after = torn.split_once(nothing).unwrap().1;
    assert!(
        words(after)
            .starts_with("Look here, too, although nothing is known to be missing: 1 picture that does not open.")
    );
    let (all, _) = handed_over(&letters(None, false), &folder.path().join("all"));
    let sentence = format!("{known}nobody recorded what could be read, so something may be missing all the same.");
    assert!(all.contains(&sentence) && !all.contains(nothing), "{all}");

    let (mut choir, root) = Builder::new();
    choir.file(root, "letter.txt", b"Dear choir");
    let open = choir.file(root, "answer.txt", b"Dear Clara");
    choir.facts(open, |facts| facts.unknown = true);
    let (some, _) = handed_over(&choir.finish(root, Some(ByteState::Read), &[]), &folder.path().join("some"));
    let sentence = format!("{known}for 1 file nobody recorded whether all of it could be read; the others came back");
    assert!(some.contains(&sentence) && !some.contains(nothing), "{some}");
}

#[test]
fn each_folder_is_listed_with_its_pages() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    let (large, small) = (choir.folder(root, "A large & <b>"), choir.folder(root, "B small"));
    many(&mut choir, large, 250, b"no picture");
    many(&mut choir, small, 3, b"no picture");
    many(&mut choir, root, 1, b"no picture");
    let to = folder.path().join("bag");
    let (report, _) = handed_over(&choir.finish(root, Some(ByteState::Read), &[]), &to);
    let list = report.split_once("<ul class=\"pages\">").unwrap().1.split_once("</ul>").unwrap().0;
    assert_eq!(lead_somewhere(list, &to), 5);
    let lines: Vec<String> = list.split("<li>").skip(1).map(|line| words(&format!("<li>{line}"))).collect();
    assert_eq!(
        lines.iter().map(|line| line.trim()).collect::<Vec<_>>(),
        ["In no folder: page 1", "A large &amp; (u+003C)b(u+003E): pages 1 2 3", "B small: page 3"]
    );
    assert!(!report.contains("<details>"));
    // The picture is in the link, too, and there is one link a picture.
    let sheet = String::from_utf8(contents(&to)["contact sheets/page 003.html"].clone()).unwrap();
    assert_eq!((sheet.matches("<figure ").count(), sheet.matches("<a href=\"../data/").count()), (14, 14));
}

#[test]
fn a_list_of_thousands_of_folders_is_folded_up_and_ends() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    for number in 0..1010 {
        let album = choir.folder(root, &format!("album {number:04}"));
        choir.file(album, "1.jpg", b"no picture");
    }
    let to = folder.path().join("bag");
    let (report, _) = handed_over(&choir.finish(root, Some(ByteState::Read), &[]), &to);
    let details = report.split_once("<details>").unwrap().1.split_once("</details>").unwrap().0;
    let said = words(details);
    assert!(said.starts_with("Which folder is on which page (1,010 folders and 9 pages)"), "{said}");
    assert!(said.contains("album 0299: page 3") && !said.contains("album 0300"), "{said}");
    assert!(said.contains("… and 710 further folders, in this order, on the pages from 3 to 9"), "{said}");
    assert_eq!(lead_somewhere(details, &to), 302);
    assert!(words(&report).contains("Begin with page 1"));
}
