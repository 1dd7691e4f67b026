//! Sector maps: one sector of one file was not read.
//!
//! Truth: `ntfscluster` (ntfs-3g) says where the file lies, the source what it holds.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::bag::{Bag, Row};
use crate::common::{Bench, Outcome};
use crate::random::Random;
use crate::sealed::{Sealed, hash_of, text};
use crate::tools;
use crate::tree::{self, Amount, Truths};

const SECTOR: u64 = 512;

/// A run of a file by an outside tool, in clusters.
struct Run {
    vcn: u64,
    lcn: u64,
    length: u64,
}

/// The runs of a file's content by `ntfscluster`; none if it lies in its record.
fn runs(image: &Path, path: &str) -> Vec<Run> {
    let said = tools::text("ntfscluster", &["--force", "--filename", path, text(image)]);
    let content = said.split("0x80 - non-resident").nth(1).unwrap_or_default();
    let number = |text: &str| text.parse::<u64>().ok();
    content
        .lines()
        .skip(1)
        .filter(|line| !line.contains("VCN"))
        .map_while(|line| match line.split_whitespace().map(number).collect::<Option<Vec<u64>>>()?.as_slice() {
            [vcn, lcn, length] => Some(Run { vcn: *vcn, lcn: *lcn, length: *length }),
            _ => None,
        })
        .collect()
}

/// Bytes in a cluster by the boot sector: bytes in a sector (0x0B) times sectors in a cluster (0x0D).
fn cluster(image: &Path) -> u64 {
    let mut boot = [0; 16];
    File::open(image).and_then(|file| file.read_exact_at(&mut boot, 0)).expect("a boot sector");
    u64::from(u16::from_le_bytes([boot[0x0B], boot[0x0C]])) * u64::from(boot[0x0D])
}

/// A volume with a hole of one sector in one file.
struct Case {
    bench: Bench,
    image: Sealed,
    truths: Truths,
    /// The file.
    path: String,
    /// Where the hole lies in the image, in bytes.
    at: u64,
    /// And in the file.
    in_file: u64,
    /// What the drive held there.
    held: [u8; 512],
    length: u64,
}

fn case(test: &str) -> Case {
    let mut random = Random::announced(test);
    let bench = Bench::new();
    let whole = bench.path("whole.img");
    let amount = Amount { files: 120, largest: 200_000, odd: false };
    let truths = tree::ntfs(&whole, 64 << 20, amount, &mut random, &bench.path("mount"));
    let cluster = cluster(&whole);
    let candidates: Vec<&String> = truths
        .iter()
        .filter(|(_, truth)| truth.kind == "file" && !truth.compressed && truth.size >= 5 * cluster)
        .map(|(path, _)| path)
        .collect();
    let path = (*random.pick(&candidates)).clone();
    let runs = runs(&whole, &path);
    assert!(!runs.is_empty(), "ntfscluster says where {path} lies");
    let run = random.pick(&runs);
    // Not the last sector of the content, which may end inside it.
    let sectors = (run.length * cluster).min(truths[&path].size - run.vcn * cluster) / SECTOR - 1;
    let sector = random.next() % sectors;
    let (at, in_file) = (run.lcn * cluster + sector * SECTOR, run.vcn * cluster + sector * SECTOR);

    // What a drive would not give stands as zeros in the image.
    let hole = File::options().read(true).write(true).open(&whole).expect("own image");
    let mut held = [0; 512];
    hole.read_exact_at(&mut held, at).expect("inside the image");
    hole.write_all_at(&[0; 512], at).expect("inside the image");
    drop(hole);
    let length = fs::metadata(&whole).expect("own image").len();
    Case { image: Sealed::new(&whole), bench, truths, path, at, in_file, held, length }
}

impl Case {
    fn map(&self, name: &str, length: u64, rows: &str) -> PathBuf {
        self.bench.file(name, format!("# handback sector map 1\n# image-length: {length}\nstart,length,state\n{rows}"))
    }

    /// A complete map in which only the hole was not read.
    fn full(&self, name: &str, length: u64) -> PathBuf {
        let after = self.at + SECTOR;
        let rows = format!("0,{},read\n{},512,unread\n{after},{},read\n", self.at, self.at, length - after);
        self.map(name, length, &rows)
    }

    #[track_caller]
    fn extract(&self, name: &str, words: &[&str]) -> (Outcome, Bag) {
        let to = self.bench.path(name);
        let mut all = vec!["/", "--to", text(&to)];
        all.extend(words);
        let outcome = self.image.run(&self.bench, "extract", &all).code(1);
        (outcome, Bag::at(&to))
    }

    /// Exactly the one file is damaged, in exactly these bytes, and lies apart; all others are `others`.
    #[track_caller]
    fn only_the_hole(&self, bag: &Bag, others: &str) {
        let rows = bag.rows();
        for (path, truth) in &self.truths {
            let row = &rows[path];
            if *path == self.path {
                assert_eq!((row["state"].as_str(), row["gap_bytes"].as_str()), ("damaged", "512"), "{path}");
                assert!(row["path"].starts_with("data/damaged/"), "{}", row["path"]);
            } else if truth.kind == "file" {
                assert_eq!((row["state"].as_str(), row["gap_bytes"].as_str()), (others, "0"), "{path}");
                assert!(row["path"].starts_with("data/recovered/"), "{}", row["path"]);
                assert_eq!(row["sha256"], truth.sha256, "{path}");
            }
        }
        let damaged: Vec<Row> = bag.table("lost.csv");
        let gaps: Vec<_> = damaged
            .iter()
            .map(|row| ["source_path", "state", "gap_start", "gap_length", "why"].map(|column| row[column].clone()))
            .collect();
        let expected = [self.path.clone(), "damaged".into(), self.in_file.to_string(), "512".into(), "unread".into()];
        assert_eq!(gaps, [expected]);
        let below = bag.folder.join("data/damaged");
        let apart: Vec<_> = crate::bag::contents(&below).into_iter().filter(|(_, bytes)| bytes.is_some()).collect();
        assert_eq!(apart.len(), 1, "one file lies apart");
        // With what the drive held there it is the source.
        let mut written = fs::read(bag.folder.join(&rows[&self.path]["path"])).expect("it was copied");
        assert_eq!(hash_of(&written), rows[&self.path]["sha256"]);
        let hole =
            usize::try_from(self.in_file).expect("small")..usize::try_from(self.in_file + SECTOR).expect("small");
        assert!(written[hole.clone()].iter().all(|byte| *byte == 0), "gaps are zeros");
        written[hole].copy_from_slice(&self.held);
        assert_eq!(hash_of(&written), self.truths[&self.path].sha256, "all but the gap is the source's");
        bag.is_valid();
    }

    /// On whose word, in job.json.
    #[track_caller]
    fn word(&self, bag: &Bag, basis: &str) {
        let job = bag.job();
        assert_eq!(job["map"]["basis"], basis, "{}", job["map"]);
        assert_eq!(job["map"]["asserted"], basis == "asserted", "{}", job["map"]);
    }
}

#[test]
fn a_full_map_damages_exactly_the_file_with_the_hole() {
    let case = case("maps, full");
    let map = case.full("drive.csv", case.length);
    let (_, bag) = case.extract("handover", &["--map", text(&map)]);
    case.only_the_hole(&bag, "whole");
    case.word(&bag, "full");
    case.bench.run_words(&["verify", text(&bag.folder)]).code(0);
    let listed = case.image.run(&case.bench, "list", &[&case.path, "--json", "--map", text(&map)]).code(1);
    let line = listed.json("list");
    assert_eq!(line["gaps"], serde_json::json!([{"start": case.in_file, "length": 512, "why": "unread"}]));
}

#[test]
fn a_list_of_bad_sectors_says_nothing_good_until_a_person_does() {
    let case = case("maps, bad sectors");
    let list = case.bench.file("bad.txt", format!("{}\n", case.at / SECTOR));
    let form = ["--map", text(&list), "--map-form", "bad-sectors"];
    let (outcome, bag) = case.extract("by the list", &form);
    outcome.err_has("basis bad-list").err_lacks("on whose word").err_has("no map speaks for");
    case.only_the_hole(&bag, "unproven");
    case.word(&bag, "bad-list");

    let mut asserted = form.to_vec();
    asserted.extend(["--map-rest", "read"]);
    let (outcome, bag) = case.extract("on a word", &asserted);
    outcome.err_has("on whose word").err_has("basis asserted").err_lacks("no map speaks for");
    case.only_the_hole(&bag, "whole");
    case.word(&bag, "asserted");

    // A person's word stays one, whatever file it is written to.
    let converted = case.bench.path("converted.csv");
    let mut convert = vec!["map", "convert", text(&list), "--map-form", "bad-sectors", "--map-rest", "read"];
    convert.extend(["--image", case.image.text(), "--to", text(&converted)]);
    case.bench.run_words(&convert).code(0).err_has("on whose word");
    let (outcome, bag) = case.extract("converted", &["--map", text(&converted)]);
    outcome.err_has("on whose word").err_has("basis asserted");
    case.only_the_hole(&bag, "whole");
    case.word(&bag, "asserted");
}

#[test]
fn another_images_map_keeps_its_holes_and_loses_its_good_word() {
    let case = case("maps, another image's");
    let longer = case.full("longer.csv", case.length + (1 << 20));
    let older = case.full("older.csv", case.length);
    let twenty_minutes = case.image.modified() - Duration::from_secs(20 * 60);
    File::options().write(true).open(&older).and_then(|file| file.set_modified(twenty_minutes)).expect("own file");
    for (name, map) in [("by a longer map", &longer), ("by an older map", &older)] {
        let (outcome, bag) = case.extract(name, &["--map", text(map)]);
        outcome.err_has("map doubted").err_has("no map speaks for");
        case.only_the_hole(&bag, "unproven");
        assert_eq!(bag.job()["map"]["doubts"].as_array().map(Vec::len), Some(1), "{}", bag.job()["map"]);
        assert_eq!(bag.job()["map"]["accepted"], false);
    }
    let (outcome, bag) = case.extract("accepted", &["--map", text(&older), "--map-accept"]);
    outcome.err_has("on your word");
    case.only_the_hole(&bag, "whole");
    assert_eq!(bag.job()["map"]["accepted"], true);
}

#[test]
fn holes_full_of_data_make_a_map_doubted() {
    let mut random = Random::announced("maps, holes full of data");
    let bench = Bench::new();
    let path = bench.path("whole.img");
    let noise = random.noise(400_000);
    let truths = tree::ntfs_with(&path, 32 << 20, &bench.path("mount"), |writer| {
        writer.file("/holed.bin", &noise);
        writer.file("/sound.bin", b"a file that no hole touches");
    });
    let (image, cluster) = (Sealed::new(&path), cluster(&path));
    // Every second sector of a run for twenty sectors, all of them with the file's noise in the image.
    let run = runs(&path, "/holed.bin").into_iter().max_by_key(|run| run.length).expect("a run");
    assert!(run.length * cluster >= 40 * SECTOR);
    let holes: BTreeMap<u64, u64> =
        (0..20).map(|at| (run.lcn * cluster + at * 1024, run.vcn * cluster + at * 1024)).collect();
    let mut rows = String::new();
    let mut from = 0;
    for hole in holes.keys() {
        rows.push_str(&format!("{from},{},read\n{hole},512,unread\n", hole - from));
        from = hole + SECTOR;
    }
    let length = fs::metadata(&path).expect("own image").len();
    rows.push_str(&format!("{from},{},read\n", length - from));
    let map = bench.file(
        "another drive.csv",
        format!("# handback sector map 1\n# image-length: {length}\nstart,length,state\n{rows}"),
    );
    let to = bench.path("handover");
    let outcome = image.run(&bench, "extract", &["/", "--to", text(&to), "--map", text(&map)]).code(1);
    outcome.err_has("map doubted");
    let bag = Bag::at(&to);
    let rows = bag.rows();
    assert_eq!(rows["/sound.bin"]["state"], "unproven");
    assert_eq!(rows["/sound.bin"]["sha256"], truths["/sound.bin"].sha256);
    assert_eq!((rows["/holed.bin"]["state"].as_str(), rows["/holed.bin"]["gap_bytes"].as_str()), ("damaged", "10240"));
    let gaps: Vec<u64> = bag.table("lost.csv").iter().map(|row| row["gap_start"].parse().expect("a number")).collect();
    assert_eq!(gaps, holes.into_values().collect::<Vec<u64>>());
    // What the map calls a hole is not content, although the image has something there.
    let written = fs::read(to.join(&rows["/holed.bin"]["path"])).expect("it was copied");
    for gap in gaps {
        let gap = usize::try_from(gap).expect("small");
        assert!(written[gap..gap + 512].iter().all(|byte| *byte == 0), "gap {gap}");
    }
}
