//! A volume of several thousand files with a file table in pieces, of which the head is lost.
//!
//! Truth: the source files, written through ntfs-3g; `ntfscluster` (ntfs-3g) says in how many pieces the table is.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

use std::fs::File;
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::Path;

use crate::bag::Bag;
use crate::common::{Bench, full_map};
use crate::random::Random;
use crate::sealed::{Sealed, text};
use crate::tools;
use crate::tree::{self, Truths};

const MIB: u64 = 1 << 20;

/// A nearly full volume in which every third file was deleted, so that the table grew in pieces.
fn volume(path: &Path, bench: &Bench, random: &mut Random) -> Truths {
    let truths = tree::ntfs_with(path, 48 * MIB, &bench.path("mount"), |writer| {
        writer.folder("/Choir");
        let paths = writer.fill_up("/Choir", 12_000, random);
        for path in paths.iter().step_by(3) {
            writer.remove(path);
        }
        for folder in 0..40 {
            writer.folder(&format!("/Choir/{folder} songs"));
            for at in 0..100 {
                let length = random.below(500);
                writer.file(&format!("/Choir/{folder} songs/{at}.txt"), &random.content(length));
            }
        }
    });
    assert!(truths.values().filter(|truth| truth.kind == "file").count() > 5000);
    let said = tools::text("ntfscluster", &["--force", "--inode", "0", text(path)]);
    let content = said.split("0x80 - non-resident").nth(1).expect("the table has runs");
    let is_run = |line: &&str| line.split_whitespace().next().is_some_and(|word| word.parse::<u64>().is_ok());
    let pieces = content.lines().skip(1).take_while(|line| !line.contains("0xb0")).filter(is_run).count();
    println!("a table in {pieces} pieces");
    assert!(pieces > 3, "the table is in pieces:\n{said}");
    truths
}

/// Boot sectors, the table's first four records, and the copies of them; by the boot sector.
fn head(path: &Path) -> [Vec<Range<u64>>; 2] {
    let mut boot = [0; 512];
    File::open(path).and_then(|file| file.read_exact_at(&mut boot, 0)).expect("a boot sector");
    let number =
        |at: usize, width: usize| boot[at..at + width].iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte));
    let cluster = number(0x0b, 2) * number(0x0d, 1);
    let end = number(0x28, 8) * number(0x0b, 2);
    let four = |place: u64| place * cluster..place * cluster + 4096;
    [vec![0..512, four(number(0x30, 8)), end..end + 512], vec![four(number(0x38, 8))]]
}

fn zero(path: &Path, ranges: &[Range<u64>]) {
    let file = File::options().write(true).open(path).expect("own image");
    for range in ranges {
        let zeros = vec![0; usize::try_from(range.end - range.start).expect("small")];
        file.write_all_at(&zeros, range.start).expect("inside the image");
    }
}

#[test]
fn a_volume_that_lost_its_head_comes_out_whole() {
    let mut random = Random::announced("headless");
    let bench = Bench::new();
    let path = bench.path("choir.img");
    let truths = volume(&path, &bench, &mut random);
    let [head, mirror] = head(&path);
    let length = std::fs::metadata(&path).expect("own image").len();
    zero(&path, &head);
    let map = bench.file("head.csv", full_map(length, &head));
    let image = Sealed::new(&path);

    let to = bench.path("unread");
    // The drive did not give its first sector, so there may have been a table of further volumes.
    let outcome = image.run(&bench, "extract", &["/", "--to", text(&to), "--map", text(&map), "--streams"]).code(1);
    outcome.err_has("the list of volumes may be incomplete");
    let bag = Bag::at(&to);
    bag.holds_all(&truths);
    assert!(bag.rows().values().all(|row| row["path"].starts_with("data/recovered")));
    bag.is_valid();

    // Zeros, and nobody says that they are none of the drive's.
    let to = bench.path("zeroed");
    let outcome = image.run(&bench, "extract", &["/", "--to", text(&to), "--streams"]).code(0);
    outcome.err_has("no map speaks for");
    Bag::at(&to).holds_all(&truths);
    image.check();

    // The copies of the first records are lost as well: every file is there, and where one is not shown to be in force
    // it lies apart.
    let all: Vec<Range<u64>> = head.iter().chain(&mirror).cloned().collect();
    let path = bench.path("copy.img");
    std::fs::copy(image.path(), &path).expect("the temporary folder takes files");
    let mut permissions = std::fs::metadata(&path).expect("own file").permissions();
    #[expect(clippy::permissions_set_readonly_false, reason = "a test's own file")]
    permissions.set_readonly(false);
    std::fs::set_permissions(&path, permissions).expect("own file");
    zero(&path, &mirror);
    let mut sorted = all;
    sorted.sort_by_key(|range| range.start);
    let map = bench.file("all.csv", full_map(length, &sorted));
    let image = Sealed::new(&path);
    let to = bench.path("mirror");
    let outcome = image.run(&bench, "extract", &["/", "--to", text(&to), "--map", text(&map), "--streams"]).code(1);
    outcome.err_lacks("panicked");
    let bag = Bag::at(&to);
    bag.holds_all(&truths);
    let files = |state: &str| bag.rows().values().filter(|row| row["kind"] == "file" && row["state"] == state).count();
    let (whole, doubtful) = (files("whole"), files("doubtful"));
    let all = truths.values().filter(|truth| truth.kind == "file").count();
    assert_eq!(whole + doubtful, all, "{whole} whole, {doubtful} doubtful");
    println!("without boot sectors, first records and mirror: {all} files right, {whole} whole, {doubtful} doubtful");
    assert!(whole * 100 >= all * 99, "{whole} whole, {doubtful} doubtful");
}
