//! FAT volumes of every width with 500 random files and more, long and odd names, deep folders and files in many pieces:
//! every file comes out, and Linux's own driver sees the same.

use std::collections::{BTreeMap, HashSet};
use std::fs;
use std::path::Path;

use crate::bag::Bag;
use crate::common::Bench;
use crate::guest;
use crate::random::Random;
use crate::sealed::{Sealed, hash_of, text};
use crate::tools;
use crate::tree::{Truth, Truths};

const MIB: u64 = 1 << 20;

/// What FAT and mtools can hold: nothing beyond the basic plane, which mtools cuts.
const WORDS: [&str; 14] = [
    "Noten",
    "Frühjahr",
    "café",
    "smørbrød",
    "хор",
    "Весна",
    "χορωδία",
    "楽譜",
    "نشيد",
    "IMG_0001",
    "a.b.c",
    "100%",
    "semi;colon=+,",
    "it's # more",
];

pub(crate) fn name(random: &mut Random, used: &mut HashSet<String>) -> String {
    loop {
        let mut name = (0..1 + random.below(4)).map(|_| *random.pick(&WORDS)).collect::<Vec<_>>().join(" ");
        match random.below(8) {
            // Of ASCII letters only: mtools writes the others in page 850, and Linux takes them for page 437's.
            0 => name = name.to_ascii_uppercase(),
            1 => name = format!("{}{}", "long ".repeat(30), random.below(1000)),
            2 => name = format!("F{}", random.below(100_000)),
            _ => name.push_str(&format!(" {}", random.below(1000))),
        }
        let endings = ["", ".txt", ".JPG", ".tar.gz", ".jpeg"];
        name.push_str(endings[random.below(endings.len())]);
        // Case does not count there.
        if used.insert(name.to_lowercase()) {
            return name;
        }
    }
}

/// Copies a tree through mtools, as a user would.
fn copy(image: &Path, source: &Path) {
    let tops: Vec<_> = fs::read_dir(source).expect("own folder").map(|entry| entry.expect("own").path()).collect();
    for top in tops {
        tools::run("mcopy", &["-i", text(image), "-s", "-m", "-o", "-Q", text(&top), "::/"]);
    }
    fs::remove_dir_all(source).expect("own folder");
    fs::create_dir(source).expect("own folder");
}

pub(crate) fn put(source: &Path, path: &str, bytes: &[u8], truths: &mut Truths) {
    let to = source.join(&path[1..]);
    fs::create_dir_all(to.parent().expect("a folder")).expect("own folder");
    fs::write(to, bytes).expect("own file");
    let size = u64::try_from(bytes.len()).expect("a length");
    truths.insert(path.to_string(), Truth { kind: "file", size, sha256: hash_of(bytes), compressed: false });
    let mut above = path;
    while let Some((folder, _)) = above.rsplit_once('/').filter(|(folder, _)| !folder.is_empty()) {
        let folder_truth = Truth { kind: "folder", size: 0, sha256: String::new(), compressed: false };
        truths.insert(folder.to_string(), folder_truth);
        above = folder;
    }
}

fn free(image: &Path) -> usize {
    let listing = tools::text("mdir", &["-i", text(image), "::/"]);
    let line = listing.lines().find(|line| line.ends_with("bytes free")).expect("its last line");
    line.chars().filter(char::is_ascii_digit).collect::<String>().parse().expect("a number")
}

/// Fills a volume, deletes every other file, and fills it again. Truth: the source files.
fn fill(bench: &Bench, image: &Path, random: &mut Random) -> Truths {
    let (source, mut truths, mut used) = (bench.folder("source"), Truths::new(), HashSet::new());
    let mut folders = vec![String::new()];
    for _ in 0..25 {
        let above = random.pick(&folders).clone();
        folders.push(format!("{above}/{}", name(random, &mut used)));
    }
    let mut paths = Vec::new();
    for _ in 0..1100 {
        let path = format!("{}/{}", random.pick(&folders).clone(), name(random, &mut used));
        let most = *random.pick(&[1, 600, 5_000, 12_000]);
        let length = random.below(most + 1);
        put(&source, &path, &random.content(length), &mut truths);
        paths.push(path);
    }
    copy(image, &source);
    let rest = free(image);
    put(&source, "/filler.bin", &random.noise(rest), &mut truths);
    copy(image, &source);
    for path in paths.iter().step_by(2) {
        tools::run("mdel", &["-i", text(image), &format!("::{path}")]);
        truths.remove(path);
    }
    for at in 0..280 {
        let most = free(image).saturating_sub(20_000) / 6;
        if most < 2_000 {
            break;
        }
        let length = random.between(1_000, most.max(1_001));
        put(&source, &format!("/late/piece {at}.bin"), &random.noise(length), &mut truths);
        copy(image, &source);
    }
    fs::remove_dir_all(&source).expect("own folder");
    truths
}

fn check(width: &str, length: u64, words: &[&str]) {
    let mut random = Random::announced(&format!("FAT{width}"));
    let bench = Bench::new();
    let path = guest::fat(&bench, "card.img", length, words);
    let truths = fill(&bench, &path, &mut random);
    let files: BTreeMap<&String, &Truth> = truths.iter().filter(|(_, truth)| truth.kind == "file").collect();
    assert!(files.len() >= 500, "{} files", files.len());
    let image = Sealed::new(&path);
    image.run(&bench, "layout", &[]).code(0).out_has(&format!("FAT{width}"));
    let to = bench.path("handover");
    image.run(&bench, "extract", &["/", "--to", text(&to), "--codepage", "850"]).code(0);
    let bag = Bag::at(&to);
    bag.holds_all(&truths);
    assert!(bag.rows().values().all(|row| row["state"] == "unproven" && row["path"].starts_with("data/recovered")));
    // Truth: an independent program, the crate `fatfs`, which must agree on every file.
    let checked = image.run(&bench, "check", &["--second-reader", "--codepage", "850", "--json"]);
    let code = checked.code;
    let checked = checked.json("check");
    let volume = &checked["volumes"][0];
    // Noise under the name of a picture does not open: that alone is a fault here.
    let faults = volume["contents"]["fault_count"].as_u64().expect("a number");
    assert_eq!(code, Some(i32::from(faults > 0)));
    assert_eq!(volume["states"], serde_json::json!({"unproven": files.len()}), "{volume}");
    assert_eq!((&volume["incomplete_folders"], &volume["lost_records"]), (&0.into(), &0.into()));
    let said = &volume["second_reader"];
    assert_eq!((&said["agrees"], &said["differs"]), (&files.len().into(), &0.into()), "{said}");
    let survey = image.run(&bench, "survey", &[]).code(0);
    assert!(!survey.out.contains("that no file we found explains"), "{}", survey.out);
    // Truth: Linux's own driver, which must see what the sources were and what we say.
    // The guest may write to what it mounts.
    let (mount, copy) = (bench.path("card"), bench.path("copy.img"));
    fs::copy(&path, &copy).expect("own copy");
    let sums = format!("cd '{}' && find . -type f -exec sha256sum {{}} +", text(&mount));
    let ran = guest::run(&bench, &copy, &mount, &[&["sh", "-c", &sums]]);
    let seen: BTreeMap<String, String> =
        ran[0].out.lines().map(|line| (line[64 + 3..].to_string(), line[..64].to_string())).collect();
    let ours: BTreeMap<String, String> =
        files.iter().map(|(path, truth)| ((*path).clone(), truth.sha256.clone())).collect();
    let theirs_alone: Vec<_> = seen.iter().filter(|(path, sum)| ours.get(*path) != Some(sum)).collect();
    let ours_alone: Vec<_> = ours.iter().filter(|(path, sum)| seen.get(*path) != Some(sum)).collect();
    assert!(seen == ours, "Linux alone: {theirs_alone:#?}, we alone: {ours_alone:#?}, {}", ran[0].err);
    image.check();
}

#[test]
fn fat12() {
    check("12", 14 * MIB, &["-F", "12", "-s", "8"]);
}

#[test]
fn fat16() {
    check("16", 16 * MIB, &["-F", "16", "-s", "2"]);
}

#[test]
fn fat32() {
    check("32", 36 * MIB, &["-F", "32", "-s", "1"]);
}

#[test]
fn fat32_with_sectors_of_4096_bytes() {
    check("32", 300 * MIB, &["-F", "32", "-S", "4096", "-s", "1"]);
}
