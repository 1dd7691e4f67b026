//! Destinations in FAT, with Linux's own driver.

use std::fs;

use crate::bag::Bag;
use crate::common::Bench;
use crate::guest::{self, Ran};
use crate::random::Random;
use crate::sealed::{Sealed, text};
use crate::tree::{self, Amount};

const MIB: u64 = 1 << 20;
const GIB: u64 = 1 << 30;
const PROGRAM: &str = env!("CARGO_BIN_EXE_handback");

#[track_caller]
fn code(ran: &Ran, code: i32) {
    assert_eq!(ran.code, code, "{}{}", ran.out, ran.err);
}

#[test]
fn a_file_that_fat_cannot_hold_is_refused_before_anything_is_copied() {
    let bench = Bench::new();
    let path = bench.path("choir.img");
    tree::ntfs_with(&path, 32 * MIB, &bench.path("mount"), |writer| {
        writer.file("/small.txt", b"a small file");
        writer.huge("/the whole concert.mp4", 5 * GIB);
    });
    let image = Sealed::new(&path);
    // There is room for it: only the format is in the way.
    let disk = guest::fat(&bench, "disk", 8 * GIB, &["-F", "32"]);
    let mount = bench.path("usb");
    let to = mount.join("bag");
    let extract = [PROGRAM, "extract", image.text(), "/", "--to", text(&to)];
    let small = [PROGRAM, "extract", image.text(), "/small.txt", "--to", text(&to)];
    let ran = guest::run(&bench, &disk, &mount, &[&extract, &["ls", "-A", text(&mount)], &small]);
    image.check();
    code(&ran[0], 3);
    for word in ["the whole concert.mp4", "FAT", "4294967295", "exFAT"] {
        assert!(ran[0].err.contains(word), "{word}: {}", ran[0].err);
    }
    assert_eq!(ran[1].out, "", "nothing was written");
    code(&ran[2], 0);
}

#[test]
fn odd_names_go_to_fat_and_are_all_there() {
    let mut random = Random::announced("FAT, odd names");
    let bench = Bench::new();
    let path = bench.path("choir.img");
    let amount = Amount { files: 400, largest: 40_000, odd: true };
    // Truth: the source files.
    let truths = tree::ntfs(&path, 256 * MIB, amount, &mut random, &bench.path("mount"));
    let image = Sealed::new(&path);
    let disk = guest::fat(&bench, "disk", 512 * MIB, &["-F", "32"]);
    let (mount, copy) = (bench.path("usb"), bench.path("copy"));
    let to = mount.join("bag");
    let extract = [PROGRAM, "extract", image.text(), "/", "--to", text(&to), "--streams"];
    let verify = [PROGRAM, "verify", text(&to)];
    let sums = format!("cd '{}' && sha256sum --check --strict --quiet manifest-sha256.txt", text(&to));
    let commands: [&[&str]; 4] = [&extract, &verify, &["sh", "-c", &sums], &["cp", "-r", text(&to), text(&copy)]];
    let ran = guest::run(&bench, &disk, &mount, &commands);
    image.check();
    for one in &ran {
        code(one, 0);
    }
    let bag = Bag::at(&copy);
    bag.holds_all(&truths);
    bag.is_valid();
}

#[test]
fn many_tiny_files_need_their_clusters() {
    let mut random = Random::announced("FAT, clusters");
    let bench = Bench::new();
    let path = bench.path("choir.img");
    tree::ntfs_with(&path, 32 * MIB, &bench.path("mount"), |writer| {
        for at in 0..700 {
            let length = random.between(1, 3000);
            writer.file(&format!("/{at}.txt"), &random.prose(length));
        }
    });
    let image = Sealed::new(&path);
    let mount = bench.path("usb");
    let to = mount.join("bag");
    let extract = [PROGRAM, "extract", image.text(), "/", "--to", text(&to)];
    // In clusters of 8 KiB they fit into 20 MiB, in clusters of 32 KiB they don't.
    let narrow = guest::fat(&bench, "narrow", 20 * MIB, &["-F", "12", "-s", "16"]);
    code(&guest::run(&bench, &narrow, &mount, &[&extract])[0], 0);
    let wide = guest::fat(&bench, "wide", 20 * MIB, &["-F", "12", "-s", "64"]);
    let ran = guest::run(&bench, &wide, &mount, &[&extract, &["ls", "-A", text(&mount)]]);
    code(&ran[0], 3);
    assert!(ran[0].err.contains("bytes are needed"), "{}", ran[0].err);
    assert_eq!(ran[1].out, "", "nothing was written");
    image.check();
    assert_eq!(fs::read_dir(&mount).expect("the mount point").count(), 0, "the guest's mount is the guest's");
}
