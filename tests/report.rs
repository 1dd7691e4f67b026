//! What the customer reads: the text, the page, the sheets of pictures, and the details of the job in them.

mod common;

use common::Bench;
use common::bag::{Bag, prose, sha256};

/// A bench with the demo on it.
fn demo() -> Bench {
    let bench = Bench::new();
    bench.run("demo try").code(0);
    bench
}

/// Every `ATTRIBUTE="…"` of a page.
fn attributes<'t>(page: &'t str, attribute: &str) -> Vec<&'t str> {
    let opening = format!(" {attribute}=\"");
    page.split(&opening).skip(1).map(|rest| rest.split('"').next().expect("a value ends")).collect()
}

#[test]
fn the_page_and_the_sheets_stand_alone() {
    let bench = demo();
    let bag = Bag::at(bench.path("try/handover"));
    let manifest = bag.text("tagmanifest-sha256.txt");
    for path in ["report.html", "contact sheets/page 001.html"] {
        let page = bag.text(path);
        assert!(manifest.contains(&format!("{}  {path}\n", sha256(page.as_bytes()))), "{path} is listed");
        for word in ["<script", "javascript:", "http-equiv=\"refresh\"", "@import", "<link", "<iframe", "<object"] {
            assert!(!page.contains(word), "{path}: {word}");
        }
        assert_eq!(
            page.matches("url(").count(),
            page.matches("url(#handback-").count(),
            "{path}: only patterns of its own"
        );
        // The one address is the name of the language that the page is written in; it is never asked.
        let addresses: Vec<&str> =
            page.match_indices("http").map(|(at, _)| &page[at..page.len().min(at + 32)]).collect();
        assert!(
            addresses.iter().all(|at| at.starts_with("http-equiv")
                || at.starts_with("http://www.w3.org/1999/xhtml")
                || at.starts_with("http://www.w3.org/2000/svg")),
            "{addresses:?}"
        );
        assert!(attributes(&page, "src").iter().all(|src| src.starts_with("data:image/jpeg;base64,/9j/")), "{path}");
        for link in attributes(&page, "href") {
            assert!(!link.contains(':'), "{link}");
            if let Some(place) = link.strip_prefix('#') {
                assert!(page.contains(&format!(" id=\"{place}\"")), "{path}: {link}");
                continue;
            }
            let plain = link.replace("%20", " ");
            let from = if path.contains('/') { "contact sheets/" } else { "" };
            let target = match plain.strip_prefix("../") {
                Some(above) => above.to_string(),
                None => format!("{from}{plain}"),
            };
            assert!(bench.path("try/handover").join(&target).is_file(), "{path}: {link}");
        }
    }
    let sheet = bag.text("contact sheets/page 001.html");
    assert_eq!(sheet.matches("<figure ").count(), 85);
    assert_eq!(sheet.matches("class=\"mark\">parts missing<").count(), 2);
    let report = bag.text("report.html");
    for words in [
        "Of your 242 files, 239 came back whole and 3 have parts missing.",
        "The picture may show grey or coloured stripes",
        "The drive would not give 81.9 kB in 4 places.",
        "Mill Lane Repairs",
        "<svg ",
        "Each of the 85 pictures",
    ] {
        assert!(report.contains(words), "{words}");
    }
}

#[test]
fn the_text_is_for_every_editor_and_says_the_same() {
    let bench = demo();
    let bag = Bag::at(bench.path("try/handover"));
    let text = bag.text("READ ME FIRST.txt");
    assert!(text.starts_with("\u{feff}WHAT THIS IS\r\n"), "old editors of Windows need the mark");
    assert!(!text.replace("\r\n", "").contains(['\n', '\r']));
    for line in text.split("\r\n") {
        assert!(line.chars().count() <= 100 || line.starts_with("    $all = 0;"), "{line}");
    }
    let prose = prose(&text);
    for words in [
        "Of your 242 files, 239 came back whole and 3 have parts missing.",
        "Handed over by Mill Lane Repairs, Orla on 20",
        "/Users/Choir/Pictures/Concert 2009/IMG_0487.jpg: 4.0 kB of 34.0 kB missing",
        "For a document: The document may not open",
        "OK means \"the same as we wrote\"",
        "two copies of this folder on two different disks",
        "ask a specialist laboratory before anybody tries anything else",
        "report.html what stands here, as a page",
        "contact sheets all pictures, small, on 1 page; report.html leads to them",
        "sha256sum -c manifest-sha256.txt",
        "the last lines then begin with \"sha256sum: WARNING:\"",
        "the last lines then begin with \"shasum: WARNING:\"",
        "gets a line DIFFERENT with its name",
        "shasum -a 256 -c manifest-sha256.txt",
        "-LiteralPath $path",
    ] {
        assert!(prose.contains(words), "{words}: {prose}");
    }
    let day = bag.text("bag-info.txt");
    let day = day.lines().find_map(|line| line.strip_prefix("Bagging-Date: ")).expect("a day");
    assert!(prose.contains(&format!("on {day}.")), "{day}");
}

#[test]
fn the_details_of_the_job_go_where_they_belong() {
    let bench = demo();
    let bag = Bag::at(bench.path("try/handover"));
    let info = bag.text("bag-info.txt");
    for line in [
        "Source-Organization: Mill Lane Repairs",
        "Contact-Name: Orla",
        "External-Identifier: 2012-07",
        "Internal-Sender-Identifier: the choir",
    ] {
        assert!(info.lines().any(|one| one == line), "{line}: {info}");
    }
    let job = bag.json("records/job.json");
    assert_eq!((job["ticket"].as_str(), job["details"]["ticket"].as_str()), (Some("2012-07"), Some("2012-07")));
    assert_eq!(job["details"]["received"], "2012-02-05");
    assert_eq!(job["details"]["drive"]["serial"], "CHOIR-0001");
    assert_eq!(job["options"]["sheets"], true);

    // Another file, and none.
    bench.file("other.toml", "ticket = \"17/b\"\nnotes = \"\"\"\nOne line,\nand another.\"\"\"\n");
    bench
        .run("extract try/choir.img /Users/Choir/Pictures --to other --job other.toml --no-sheets")
        .code(1)
        .err_lacks("what is known of the job");
    let other = Bag::at(bench.path("other"));
    assert!(
        other.text("READ ME FIRST.txt").contains("  Notes:         One line,\r\n                 and another.\r\n")
    );
    assert!(other.lacks("contact sheets") && other.text("report.html").contains("17/b"));
    assert_eq!(other.json("records/job.json")["details"]["customer"], serde_json::Value::Null);
    bench.remove("try/choir.job.toml");
    bench.run("extract try/choir.img /Users/Choir/Music --to none").code(0).err_lacks("what is known of the job");
    assert!(
        Bag::at(bench.path("none")).text("bag-info.txt").lines().all(|line| !line.starts_with("External-Identifier"))
    );
    // Beside the image under its plain name.
    bench.file("try/job.toml", "ticket = \"plain\"\n");
    bench
        .run("extract try/choir.img /Users/Choir/Music --to plain")
        .code(0)
        .err_has("job.toml`")
        .err_has("what is known");
    assert_eq!(Bag::at(bench.path("plain")).json("records/job.json")["ticket"], "plain");
}

#[test]
fn a_wrong_file_is_said_with_line_and_column_before_anything_is_done() {
    let bench = demo();
    for (text, said) in [
        ("ticket = \"1\"\ncolour = \"red\"\n", "line 2, column 1: unknown field `colour`, expected one of `ticket`"),
        ("ticket = 17\n", "line 1, column 10: "),
        ("received = \"2012-02-05\"\n", "a date is written without quotes, as in `received = 2026-03-14`"),
        ("[drive\n", "line 1, column "),
    ] {
        bench.file("wrong.toml", text);
        let run = bench.run("extract try/choir.img /Users/Choir/Music --to new --job wrong.toml").code(2);
        run.err_has("`wrong.toml`, line ").err_has(said);
        assert!(!bench.path("new").exists());
    }
    bench.run("extract try/choir.img / --to new --job none.toml").code(3).err_has("cannot read `none.toml`");
}
