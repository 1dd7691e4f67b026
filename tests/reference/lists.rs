//! A handover's lists by outside programs: further checksums, the image's own, and the published schema.

use std::path::Path;

use crate::bag::Bag;
use crate::common::{Bench, fixture, full_map};
use crate::sealed::{Sealed, text};
use crate::tools;

const SCHEMA: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/manifest.schema.json");

/// The choir's computer, with the holes of the demo.
fn demo() -> (Bench, Sealed) {
    let bench = Bench::new();
    let image = bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    (bench, Sealed::new(&image))
}

/// Whether `TOOL --check` says that a list in `folder` is right.
#[track_caller]
fn holds(tool: &str, folder: &Path, list: &str) -> bool {
    let strict: &[&str] = if tool == "b3sum" { &[] } else { &["--strict"] };
    let mut command = tools::command(tool);
    command.arg("--check").args(strict).arg(list).current_dir(folder);
    command.output().unwrap_or_else(|error| tools::not_started(tool, &error)).status.success()
}

/// `sha512sum`, `md5sum` (GNU coreutils), `b3sum` (BLAKE3's own program) and PyPI's bagit.
#[test]
fn further_checksums_hold_by_their_own_programs() {
    let (bench, image) = demo();
    let words = ["/Users/Choir", "--to", "choir", "--also", "sha512", "--also", "blake3", "--also", "md5"];
    image.run(&bench, "extract", &words).code(1);
    let folder = bench.path("choir");
    Bag::at(&folder).is_valid();
    let lists = [
        ("sha256sum", "manifest-sha256.txt"),
        ("sha512sum", "manifest-sha512.txt"),
        ("b3sum", "manifest-blake3.txt"),
        ("md5sum", "manifest-md5.txt"),
    ];
    for (tool, list) in lists {
        assert!(holds(tool, &folder, list), "{tool}");
    }
    // Each of them can fail.
    let victim = folder.join("data/recovered/Users/Choir/NTUSER.DAT");
    let mut bytes = std::fs::read(&victim).expect("it was written");
    bytes[0] ^= 1;
    std::fs::write(&victim, bytes).expect("own copy");
    for (tool, list) in lists {
        assert!(!holds(tool, &folder, list), "{tool}");
    }
    bench.run("verify choir").code(1);
}

/// `sha256sum` on what is kept beside the image, and on the workshop's copy of the lists.
#[test]
fn what_is_kept_for_the_workshop_holds() {
    let (bench, image) = demo();
    let folder = bench.path(".");
    image.run(&bench, "extract", &["/Users/Choir", "--to", "choir", "--hash-image", "--record", "kept"]).code(1);
    assert!(holds("sha256sum", &folder, "demo.img.sha256"), "the image's");
    let record = std::fs::read_dir(bench.path("kept")).expect("it is kept").next().expect("one").expect("one").path();
    assert!(holds("sha256sum", &record, "SHA256SUMS"), "the record's");
    for (index, part) in fixture::image("demo").chunks(30 << 20).enumerate() {
        bench.file(&format!("part.{:03}", index + 1), part);
    }
    bench.run("extract part.001 /Users/Choir --to split --hash-image --no-record").code(0);
    assert!(holds("sha256sum", &folder, "part.001.sha256"), "the parts'");
    let last = bench.path("part.004");
    let mut bytes = std::fs::read(&last).expect("own file");
    bytes[0] ^= 1;
    std::fs::write(&last, bytes).expect("own file");
    assert!(!holds("sha256sum", &folder, "part.001.sha256"), "a changed part");
}

/// PyPI's jsonschema on the manifests of the demo, of a damaged volume, and of one with names that no text holds.
#[test]
fn the_manifest_is_as_its_schema_says() {
    let says = |manifest: &Path| tools::ask("jsonschema", &["-i", text(manifest), SCHEMA], None).status.success();
    let (bench, image) = demo();
    let further =
        ["--also", "sha512", "--also", "blake3", "--also", "md5", "--second-reader", "--streams", "--deleted"];
    image.run(&bench, "extract", &[&["/", "--to", "choir"], &further[..]].concat());
    let manifest = bench.path("choir/records/manifest.json");
    assert!(says(&manifest), "the demo's");
    for name in ["ntfs-hostile", "ntfs-streams", "ntfs-compressed", "ntfs-encrypted", "fat16-deleted", "exfat-odd"] {
        let image = bench.fixture(name);
        let length = std::fs::metadata(&image).expect("own file").len();
        // A hole in every eighth part.
        let step = (length / 8).next_multiple_of(512);
        let holes: Vec<_> = (1..8).map(|at| at * step..at * step + 40 * 512).filter(|hole| hole.end < length).collect();
        bench.file(&format!("{name}.map.csv"), full_map(length, &holes));
        let to = format!("{name} handover");
        let words = [&["extract", text(&image), "/", "--to", &to], &further[..]].concat();
        bench.run_words(&words);
        assert!(says(&bench.path(&format!("{to}/records/manifest.json"))), "{name}");
    }
    // The schema can fail.
    let sound = std::fs::read_to_string(&manifest).expect("it is there");
    for (from, to) in [
        ("\"handback_json\":1", "\"handback_json\":2"),
        ("\"state\":\"damaged\"", "\"state\":\"fine\""),
        ("\"kind\":\"file\"", "\"kind\":\"folder\""),
        ("\"gap_bytes\":4096", "\"gap_bytes\":-1"),
        ("\"sha256\":\"", "\"sha256\":\"x"),
        ("\"decoded\":true", "\"decoded\":\"yes\""),
    ] {
        assert!(sound.contains(from), "{from}");
        let bad = bench.file("bad.json", sound.replacen(from, to, 1));
        assert!(!says(&bad), "{to}");
    }
}
