//! The page and the sheets, whatever names and pictures the image holds.

use std::collections::BTreeMap;

use super::choir::{Builder, everything, job, noise};
use super::{contents, extract, prose};
use crate::catalog::{Distrust, Unlocated};
use crate::handover::{JobDetails, Options, Selected, verify};
use crate::hidden::{is_hidden, visible};
use crate::progress::Silent;
use crate::sector_map::ByteState;

/// Names that attack a page, a terminal or a reader. Two differ only in what can't be seen.
const HOSTILE: [&str; 14] = [
    "<script>alert(1)</script>.jpg",
    "\"><img src=x onerror=alert(1)>.jpg",
    "' onmouseover='alert(1).png",
    "photo\u{202E}gpj.exe",
    "isolate\u{2066}\u{2069}.jpg",
    "two\nlines.jpg",
    "carriage\rreturn.txt",
    "zero\u{200B}width.jpg",
    "zerowidth.jpg",
    "&amp;&#60;script&#62;.gif",
    "]]><!--.jpg",
    "javascript:alert(1).jpg",
    "no\u{FFFE}character\u{1}.bmp",
    "=cmd|'x'!A1.jpg",
];

/// All pages of a bag.
fn pages(found: &BTreeMap<String, Vec<u8>>) -> Vec<(&String, String)> {
    let pages = found.iter().filter(|(path, _)| path.ends_with(".html") && !path.starts_with("data/"));
    pages.map(|(path, bytes)| (path, String::from_utf8(bytes.clone()).expect("UTF-8"))).collect()
}

fn parsed(text: &str) -> roxmltree::Document<'_> {
    let options = roxmltree::ParsingOptions { allow_dtd: true, ..roxmltree::ParsingOptions::default() };
    roxmltree::Document::parse_with_options(text, options).expect("well-formed")
}

/// What no page may hold, whatever stands in the image; the texts of its `bdi` elements.
fn harmless(path: &str, text: &str) -> Vec<String> {
    let document = parsed(text);
    let elements = "a b bdi body caption code dd desc defs details div dl dt figcaption figure footer h1 h2 h3 head header html img li \
                    line main meta nav p path pattern pre rect section span strong style summary svg table tbody td text tfoot th \
                    thead time title tr ul wbr";
    for node in document.descendants() {
        let name = node.tag_name().name();
        assert!(!node.is_element() || elements.split(' ').any(|known| known == name), "{path}: <{name}>");
        assert!(!node.is_comment() && !node.is_pi(), "{path}");
        for attribute in node.attributes() {
            let (key, value) = (attribute.name(), attribute.value());
            assert!(!key.starts_with("on") && key != "style", "{path}: {key}");
            assert!(!value.chars().any(is_hidden), "{path}: {key}={value:?}");
            match key {
                "src" => assert!(value.starts_with("data:image/jpeg;base64,"), "{path}: {value}"),
                "href" => {
                    assert!(!value.contains([':', '\\', '"', '<']) && !value.starts_with("//"), "{path}: {value}");
                }
                _ => {}
            }
        }
        if node.is_text()
            && node.parent().is_none_or(|parent| !parent.has_tag_name(("http://www.w3.org/1999/xhtml", "style")))
        {
            let shown = node.text().unwrap_or_default();
            assert!(!shown.chars().any(|c| is_hidden(c) && c != '\n'), "{path}: {shown:?}");
        }
    }
    let head: Vec<_> = document.descendants().filter(|node| node.attribute("http-equiv").is_some()).collect();
    assert_eq!(head.len(), 1, "{path}");
    assert_eq!(head[0].attribute("http-equiv"), Some("Content-Security-Policy"));
    assert!(head[0].attribute("content").is_some_and(|policy| policy.starts_with("default-src 'none';")), "{path}");
    let names = document.descendants().filter(|node| node.tag_name().name() == "bdi");
    names
        .map(|name| name.descendants().filter(|node| node.is_text()).filter_map(|node| node.text()).collect())
        .collect()
}

#[test]
fn hostile_names_are_harmless_and_to_be_seen() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    let pictures = choir.folder(root, "<b onclick='x'>\u{202E}folder");
    for name in HOSTILE {
        let file = choir.file(pictures, name, &noise(300, 1));
        choir.facts(file, |facts| {
            facts.distrust.insert(Distrust::ClaimedTwice);
        });
    }
    let named_only = choir.file(root, "gone <script>\u{200F}.jpg", b"");
    choir.facts(named_only, |facts| facts.unlocated = Some(Unlocated::RecordLost));
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let to = folder.path().join("bag");
    let mut job = job(&choir, vec![Selected::Root], Options::default());
    job.image_name = "<script>\u{202E}.img".to_string();
    job.details = JobDetails {
        ticket: Some("</title><script>".to_string()),
        notes: Some("one\ntwo <script>\u{202E}\nthree".to_string()),
        ..JobDetails::default()
    };
    extract(&job, &to).unwrap();
    let found = contents(&to);
    let pages = pages(&found);
    assert_eq!(
        pages.iter().map(|(path, _)| path.as_str()).collect::<Vec<_>>(),
        ["contact sheets/page 001.html", "report.html"]
    );
    for (path, text) in &pages {
        let names = harmless(path, text);
        let is_sheet = path.starts_with("contact");
        for name in HOSTILE.into_iter().filter(|name| !is_sheet || name.ends_with("jpg")) {
            let shown = visible(name).into_owned();
            let is_there = |text: &String| text == &shown || text.ends_with(&format!("/{shown}"));
            assert!(names.iter().any(is_there), "{path}: {shown} in {names:#?}");
        }
    }
    let text = prose(&to.join("READ ME FIRST.txt"));
    assert!(!text.chars().any(is_hidden), "{text}");
    assert!(text.contains(r"photo\u{202E}gpj.exe") && text.contains(r"two <script>\u{202E}"), "{text}");
    assert!(verify(&to, &Silent).unwrap().is_valid());
}

/// A picture in some form.
fn picture(form: ::image::ImageFormat) -> Vec<u8> {
    let picture = ::image::RgbImage::from_fn(320, 240, |x, y| {
        ::image::Rgb([(x % 251) as u8, (y * 2 % 251) as u8, (x * y % 239) as u8])
    });
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut bytes, form).unwrap();
    bytes.into_inner()
}

#[test]
fn each_picture_has_a_tile_that_says_how_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    let jpeg = picture(::image::ImageFormat::Jpeg);
    choir.file(root, "a sound.jpg", &jpeg);
    let holed = choir.file(root, "b holed.jpg", &jpeg);
    choir.file(root, "c sound.png", &picture(::image::ImageFormat::Png));
    choir.file(root, "d phone.heic", &noise(900, 2));
    choir.file(root, "e broken.jpg", &noise(900, 3));
    let locked = choir.file(root, "f locked.jpg", &jpeg);
    choir.facts(locked, |facts| facts.encrypted = true);
    choir.file(root, "g letter.txt", b"no picture");
    let doubtful = choir.file(root, "h claimed.jpg", &jpeg);
    choir.facts(doubtful, |facts| {
        facts.distrust.insert(Distrust::ClaimedTwice);
    });
    let hole = choir.place(holed) + 4096..choir.place(holed) + 4608;
    assert!(jpeg.len() > 8000, "{}", jpeg.len());
    let choir = choir.finish(root, Some(ByteState::Read), std::slice::from_ref(&hole));
    let to = folder.path().join("bag");
    extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();
    let found = contents(&to);
    let text = String::from_utf8(found["contact sheets/page 001.html"].clone()).unwrap();
    harmless("sheet", &text);
    let document = parsed(&text);
    let tiles: Vec<(String, bool, bool)> = document
        .descendants()
        .filter(|node| node.has_tag_name(("http://www.w3.org/1999/xhtml", "figure")))
        .map(|tile| {
            let words: Vec<&str> =
                tile.descendants().filter_map(|node| node.text().filter(|_| node.is_text())).collect();
            let has = |name: &str| tile.descendants().any(|node| node.tag_name().name() == name);
            (words.join("|"), has("img"), has("a"))
        })
        .collect();
    let words: Vec<&str> = tiles.iter().map(|(words, ..)| words.as_str()).collect();
    let date = |words: &str| words.contains("|2009-03-");
    assert!(words.iter().all(|words| date(words)), "{words:#?}");
    for (at, (name, mark, is_shown, is_linked)) in [
        ("a sound.jpg", None, true, true),
        ("b holed.jpg", Some("parts missing"), true, true),
        ("c sound.png", None, true, true),
        ("d phone.heic", None, false, true),
        ("e broken.jpg", Some("does not open"), false, true),
        ("f locked.jpg", Some("not brought back"), false, false),
        ("h claimed.jpg", Some("in doubt: is it this picture?"), true, true),
    ]
    .into_iter()
    .enumerate()
    {
        let (words, has_picture, has_link) = &tiles[at];
        assert!(words.contains(name), "{words}");
        assert_eq!(words.rsplit('|').next().filter(|last| !last.starts_with("2009")), mark, "{words}");
        assert_eq!((*has_picture, *has_link), (is_shown, is_linked), "{name}");
    }
    assert_eq!(tiles.len(), 7);
    let report = String::from_utf8(found["report.html"].clone()).unwrap();
    for words in [
        "Each of the 7 pictures",
        "1 picture can't be shown small",
        "1 picture could not be opened, although no part of it is known to be missing. It may have been damaged before the \
         drive failed. Try another program before you give it up.",
        "A red frame marks a picture that is not as it should be",
        "A picture without a red frame that is grey in part was so on the drive, as far as is known.",
    ] {
        assert!(report.contains(words), "{words}");
    }
}

#[test]
fn without_sheets_or_pictures_there_is_no_folder_for_them() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let to = folder.path().join("bag");
    extract(&job(&choir, vec![Selected::Root], Options { sheets: false, ..Options::default() }), &to).unwrap();
    assert!(!to.join("contact sheets").exists() && to.join("report.html").is_file());
    let (mut choir, root) = Builder::new();
    choir.file(root, "letter.txt", b"la");
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let to = folder.path().join("other");
    extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();
    assert!(!to.join("contact sheets").exists());
}

#[test]
fn sheets_of_an_earlier_run_are_made_again_and_nothing_else_is_touched() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let job = job(&choir, vec![Selected::Root], Options::default());
    let to = folder.path().join("bag");
    let disk = super::disk::FaultyDisk::new(super::disk::Plan::default());
    super::extract_onto(&job, &to, &disk).unwrap();
    let finished = contents(&to);
    // As if it had been stopped when all but the mark was written: what stands there is of an earlier run.
    let begun = folder.path().join("begun");
    let faulty =
        super::disk::FaultyDisk::new(super::disk::Plan { fail_at: Some(disk.operations() - 8), ..Default::default() });
    assert!(super::extract_onto(&job, &begun, &faulty).is_err());
    assert!(begun.join("contact sheets/page 001.html").is_file());
    crate::testing::write_file(&begun.join("contact sheets/page 002.html"), b"an old page");
    crate::testing::write_file(&begun.join("contact sheets/notes.txt"), b"somebody's");
    extract(&job, &begun).unwrap();
    let found = contents(&begun);
    assert!(!found.contains_key("contact sheets/page 002.html"));
    assert_eq!(found["contact sheets/notes.txt"], b"somebody's");
    assert_eq!(found["contact sheets/page 001.html"].len(), finished["contact sheets/page 001.html"].len());
}
