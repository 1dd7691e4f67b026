//! What the workshop keeps: the log, the image's digest beside it, its own copy of the lists, further checksums.

mod common;

use std::time::Duration;

use common::bag::{Bag, sha256};
use common::{Bench, fixture};

fn demo() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench
}

/// The folders in the record of the demo's handovers, sorted.
fn records(bench: &Bench, folder: &str) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(bench.path(folder))
        .map(|entries| entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect())
        .unwrap_or_default();
    names.sort();
    names
}

const BESIDE: &str = "demo handback records";

#[test]
fn the_log_says_what_was_done() {
    let bench = demo();
    bench.run_words(&["extract", "demo.img", "/Users/Choir", "/Scores 2009", "--to", "choir", "--hash-image"]).code(1);
    let log = bench.text("choir/records/log.txt");
    let digest = sha256(&fixture::image("demo"));
    let map = sha256(&fixture::file("demo.map.csv"));
    let parts = [
        " begun",
        " image `demo.img`: 100663296 bytes in 1 file",
        &format!(" image: SHA-256 {digest}, computed for this one"),
        " map `demo.map.csv`: basis full",
        &format!(" map: SHA-256 of its file {map}"),
        " chosen on volume 2 (NTFS): `/Scores 2009`",
        " chosen on volume 2 (NTFS): `/Users/Choir`",
        " planned: 242 files and ",
        " written: 242 files with 786824 bytes; not copied: 0",
        " damaged: 3 files, ",
        " whole: 239 files, ",
        " all files are written; closing",
    ];
    let mut rest = log.as_str();
    for part in parts {
        let at = rest.find(part).unwrap_or_else(|| panic!("{part:?} in this order:\n{log}"));
        rest = &rest[at + part.len()..];
    }
    for line in log.lines() {
        assert!(line.as_bytes()[..20].ends_with(b"Z") && line.as_bytes()[20] == b' ', "each line has its time: {line}");
    }
    let job = Bag::at(bench.path("choir")).json("records/job.json");
    assert_eq!((&job["image"]["sha256"], &job["map_file_sha256"]), (&digest.into(), &map.into()));
    assert_eq!(job["image"]["digest"]["parts"][0]["length"], 100_663_296);
    assert_eq!(job["image"]["digest"]["kept"], false);
}

#[test]
fn the_image_digest_is_kept_and_used_while_it_fits() {
    let bench = demo();
    let digest = sha256(&fixture::image("demo"));
    let extract = |to: &str, options: &[&str]| {
        let words = [&["extract", "demo.img", "/Scores 2009", "--to", to], options].concat();
        bench.run_words(&words).code(0)
    };
    extract("none", &[]).err_lacks("SHA-256");
    assert_eq!(Bag::at(bench.path("none")).json("records/job.json")["image"]["sha256"], serde_json::Value::Null);
    extract("first", &["--hash-image"])
        .err_has(&format!("image: SHA-256 {digest}"))
        .err_has("is kept in `demo.img.sha256`");
    let kept = bench.text("demo.img.sha256");
    assert!(kept.ends_with(&format!("\n{digest}  demo.img\n")), "{kept}");

    // Used without being asked for, and not computed twice.
    for (to, options) in [("second", &[][..]), ("third", &["--hash-image"])] {
        extract(to, options).err_has("SHA-256 as kept in `demo.img.sha256`").err_lacks("is kept in");
        let job = Bag::at(bench.path(to)).json("records/job.json");
        assert_eq!((&job["image"]["sha256"], &job["image"]["digest"]["kept"]), (&digest.clone().into(), &true.into()));
    }
    assert_eq!(bench.text("demo.img.sha256"), kept);

    // The image changed since: the digest is left out, and computed anew when asked for.
    bench.file("demo.img.sha256", kept.replace("modified 20", "modified 19"));
    extract("fourth", &[]).err_has("was modified since; `--hash-image` computes it anew");
    assert_eq!(Bag::at(bench.path("fourth")).json("records/job.json")["image"]["sha256"], serde_json::Value::Null);
    extract("fifth", &["--hash-image"]).err_has("is kept in `demo.img.sha256`");
    assert!(bench.text("demo.img.sha256").contains("modified 20"));
    bench.run("verify fifth").code(0);
}

/// Hashing takes as long as reading the whole image.
#[test]
fn a_destination_that_is_refused_is_refused_before_the_image_is_hashed() {
    let bench = demo();
    bench.folder("holiday");
    bench.file("holiday/beach.txt", "sand");
    let outcome = bench.run("extract demo.img /Users/Choir --hash-image --to holiday").code(3).err_has("`beach.txt`");
    outcome.err_lacks("SHA-256");
    assert!(!bench.path("demo.img.sha256").exists());
}

#[test]
fn the_list_of_another_program_is_left_alone_and_asked() {
    let bench = demo();
    let digest = sha256(&fixture::image("demo"));
    let line = "extract demo.img /Users/Choir/Desktop --hash-image --no-record --to";
    let other = format!("{digest} *demo.img\n");
    bench.file("demo.img.sha256", &other);
    bench
        .run(&format!("{line} one"))
        .code(0)
        .err_has("is there and not handback's")
        .err_has("says the same of `demo.img`");
    assert_eq!(bench.text("demo.img.sha256"), other);
    let wrong = other.replace(&digest[..4], if digest.starts_with("0000") { "1111" } else { "0000" });
    bench.file("demo.img.sha256", &wrong);
    bench
        .run(&format!("{line} two"))
        .code(3)
        .err_lacks("says the same")
        .err_has("the image file `demo.img` is not what `demo.img.sha256` says");
    assert!(!bench.path("two").exists(), "nothing is handed over of an image that is another one");
    assert_eq!(bench.text("demo.img.sha256"), wrong);
}

#[test]
fn a_split_image_has_a_line_for_each_part() {
    let bench = Bench::new();
    let bytes = fixture::image("demo");
    let parts: Vec<&[u8]> = bytes.chunks(40 << 20).collect();
    for (index, part) in parts.iter().enumerate() {
        bench.read_only(&format!("disk.{:03}", index + 1), part);
    }
    bench.run_words(&["extract", "disk.001", "/Scores 2009", "--to", "choir", "--hash-image"]).code(0);
    let kept = bench.text("disk.001.sha256");
    assert!(kept.contains(&format!("# sha256 of the parts joined: {}\n", sha256(&bytes))), "{kept}");
    for (index, part) in parts.iter().enumerate() {
        assert!(kept.contains(&format!("\n{}  disk.{:03}\n", sha256(part), index + 1)), "{kept}");
    }
    let job = Bag::at(bench.path("choir")).json("records/job.json");
    assert_eq!(job["image"]["sha256"], sha256(&bytes));
    assert_eq!(job["image"]["digest"]["parts"][2]["name"], "disk.003");
    bench.run_words(&["extract", "disk.001", "/Scores 2009", "--to", "again"]).code(0).err_has("SHA-256 as kept in");
    assert_eq!(records(&bench, "disk handback records").len(), 2);
}

#[test]
fn the_workshop_keeps_its_own_copy_of_the_lists() {
    let bench = demo();
    bench.run("extract demo.img /Users/Choir --to choir").code(1).out_has("The workshop's own copy of its lists: ");
    bench.run("extract demo.img /Users/Choir --to again").code(1);
    let names = records(&bench, BESIDE);
    assert_eq!(names.len(), 2, "one for each handover: {names:?}");
    let date =
        bench.text("choir/bag-info.txt").lines().find_map(|l| l.strip_prefix("Bagging-Date: ").map(str::to_string));
    assert!(names[0].starts_with(&date.unwrap()) && names[1].ends_with(" (2)"), "{names:?}");
    let (record, bag) = (bench.tree(&format!("{BESIDE}/{}", names[0])), bench.tree("choir"));
    assert!(!record.keys().any(|path| path.starts_with("data")), "no file of the customer's");
    for name in [
        "READ ME FIRST.txt",
        "bag-info.txt",
        "manifest-sha256.txt",
        "tagmanifest-sha256.txt",
        "records/job.json",
        "records/links.csv",
        "records/log.txt",
        "records/lost.csv",
        "records/manifest.csv",
        "records/manifest.json",
    ] {
        assert!(record[name].is_some() && record[name] == bag[name], "{name}");
    }
    let sums = String::from_utf8(record["SHA256SUMS"].clone().unwrap()).unwrap();
    let files = record.iter().filter_map(|(path, bytes)| Some((path, bytes.as_ref()?)));
    let expected: String = files
        .filter(|(path, _)| *path != "SHA256SUMS")
        .map(|(path, bytes)| format!("{}  {path}\n", sha256(bytes)))
        .collect();
    assert_eq!(sums, expected);

    // Months later: is what the customer has what was handed over?
    let kept = format!("{BESIDE}/{}", names[0]);
    bench.run_words(&["compare", &kept, "choir"]).code(0).out_has("No difference.");
}

#[test]
fn where_it_is_kept_can_be_said() {
    let bench = demo();
    let value = bench.run("extract demo.img /Users/Choir --to one --record kept --json").code(1).json("extract");
    let record = value["record"].as_str().unwrap();
    assert!(record.starts_with("kept") && bench.path(record).join("SHA256SUMS").is_file(), "{record}");
    let value = bench.run("extract demo.img /Users/Choir --to two --no-record --json").code(1).json("extract");
    assert_eq!(value["record"], serde_json::Value::Null);
    assert!(records(&bench, BESIDE).is_empty());
    bench.run("extract demo.img / --to three --no-record --record kept").code(2);
}

/// One that was asked for and can't be had is a failure, and said before anything is copied where that can be known.
#[test]
fn a_record_that_cannot_be_kept() {
    let bench = demo();
    bench.file("file", "mine");
    for record in ["file", "no/where"] {
        bench
            .run(&format!("extract demo.img /Users/Choir --to one --record {record}"))
            .code(3)
            .err_has("needs a folder");
        assert!(!bench.path("one").exists(), "nothing is copied");
    }
    bench.folder("two");
    let outcome = bench.run("extract demo.img /Users/Choir --to two --record two/kept").code(3);
    outcome.err_has("belongs elsewhere").out_has("Handover folder: two");
    bench.run("verify two").code(0);
    // Nobody asked for the one beside the image: it is said, and the handover is as good.
    bench.file(BESIDE, "mine");
    let outcome = bench.run("extract demo.img /Users/Choir --to three --json").code(1);
    assert_eq!(outcome.json("extract")["record"], serde_json::Value::Null);
    outcome.err_has("the workshop's copy of the lists is not kept").err_has("`--no-record`");
    assert_eq!(bench.text(BESIDE), "mine");
}

#[cfg(unix)]
#[test]
fn a_folder_that_takes_nothing_is_no_failure() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    bench.folder("shelf");
    bench.file("shelf/demo.img", fixture::image("demo"));
    let mode = |mode| std::fs::set_permissions(bench.path("shelf"), std::fs::Permissions::from_mode(mode)).unwrap();
    mode(0o555);
    // Root may write everywhere.
    let is_root = std::fs::create_dir(bench.path("shelf/probe")).is_ok();
    let outcome = bench.run("extract shelf/demo.img /Users/Choir --to choir --hash-image");
    mode(0o755);
    let outcome = outcome.code(0);
    if !is_root {
        outcome.err_has("SHA-256 is not kept beside it").err_has("copy of the lists is not kept");
    }
    assert!(Bag::at(bench.path("choir")).json("records/job.json")["image"]["sha256"].is_string());
}

#[test]
fn further_checksums_stand_in_lists_of_their_own() {
    let bench = demo();
    let line = "extract demo.img /Users/Choir --to choir --also md5 --also sha512 --also blake3";
    bench.run(line).code(1);
    bench.run("verify choir").code(0).out_has("checked with sha256, sha512, blake3 and md5");
    let (all, count) = (bench.tree("choir"), 201);
    for (list, digits) in [("sha256", 64), ("sha512", 128), ("blake3", 64), ("md5", 32)] {
        let text = String::from_utf8(all[&format!("manifest-{list}.txt")].clone().unwrap()).unwrap();
        assert_eq!(text.lines().count(), count);
        assert!(text.lines().all(|line| line.as_bytes()[digits..].starts_with(b"  data/")), "{list}");
    }
    let bag = Bag::at(bench.path("choir"));
    assert!(bag.records("manifest").iter().filter(|row| row["kind"] == "file").all(|row| row["md5"].len() == 32));
    assert_eq!(bag.json("records/job.json")["options"]["also"], serde_json::json!(["sha512", "blake3", "md5"]));

    // One wrong byte is wrong by every one of them, and named once.
    let path = "choir/data/recovered/Users/Choir/NTUSER.DAT";
    let mut bytes = std::fs::read(bench.path(path)).unwrap();
    bytes[100] ^= 1;
    bench.file(path, bytes);
    let value = bench.run("verify choir --json").code(1).json("verify");
    assert_eq!((&value["problem_count"], &value["problems"][0]["kind"]), (&1.into(), &"changed".into()));

    bench.run("extract demo.img / --to x --also sha1").code(2).err_has("sha512, blake3, md5");
    bench.run("extract demo.img / --to x --also sha256").code(2).err_has("always stands in the lists");
}

/// Killed and continued: the digests of files that were safe come from the record of progress.
#[test]
fn a_killed_run_keeps_its_checksums() {
    let bench = Bench::new();
    bench.fixture("ntfs-c512");
    let words = |to: &'static str| ["extract", "ntfs-c512.img", "/", "--to", to, "--also", "md5", "--no-record"];
    bench.run_words(&words("calm"));
    let mut stopped = false;
    for wait in [5, 10, 20, 40, 80] {
        let mut child = bench.start(&words("killed"));
        std::thread::sleep(Duration::from_millis(wait));
        child.kill().expect("own child");
        child.wait().expect("own child");
        if bench.path("killed/bagit.txt").exists() && !bench.path("killed/records/progress").exists() {
            break;
        }
        if bench.path("killed/records/progress").exists() {
            stopped = true;
            let other = ["extract", "ntfs-c512.img", "/", "--to", "killed", "--no-record"];
            bench.run_words(&other).code(3).err_has("with other checksums (`--also`)");
            bench.run_words(&words("killed"));
            break;
        }
    }
    if !bench.path("killed/bagit.txt").exists() {
        bench.run_words(&words("killed"));
    }
    for list in ["manifest-md5.txt", "manifest-sha256.txt"] {
        assert_eq!(bench.text(&format!("killed/{list}")), bench.text(&format!("calm/{list}")), "stopped: {stopped}");
    }
    bench.run("verify killed").code(0).out_has("sha256 and md5");
}
