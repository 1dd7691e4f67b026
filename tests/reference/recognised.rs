//! What is not read is recognised at once, with what to do.
//!
//! Truth: the `mkfs` tool that made the volume a moment ago.

use std::path::Path;

use crate::common::Bench;
use crate::mounts::blank;
use crate::sealed::{Sealed, text};
use crate::tools;

const MIB: u64 = 1 << 20;

/// Makes a volume with a tool, and asks what it is.
#[track_caller]
fn recognised(word: &str, class: &str, length: u64, make: impl FnOnce(&Path)) {
    let bench = Bench::new();
    let path = bench.path("volume.img");
    blank(&path, length);
    make(&path);
    let image = Sealed::new(&path);
    let outcome = image.run(&bench, "layout", &["--json"]).code(0);
    let document = outcome.json("layout");
    let volumes = document["volumes"].as_array().expect("volumes");
    assert_eq!(volumes.len(), 1, "{word}: {volumes:?}");
    let said = &volumes[0]["recognised"];
    assert_eq!((&said["kind"], &said["class"]), (&word.into(), &class.into()), "{word}: {document}");
    let sentence = said["sentence"].as_str().expect("a sentence");
    image.run(&bench, "layout", &[]).code(0).out_has(sentence);
    // There is nothing to read in it: said, and 3.
    image.run(&bench, "list", &[]).code(3);
    image.run(&bench, "survey", &[]).code(3);
}

fn tool(name: &'static str, words: &'static [&'static str]) -> impl FnOnce(&Path) {
    move |path| {
        let mut all = words.to_vec();
        all.push(text(path));
        tools::run(name, &all);
    }
}

#[test]
fn ext4() {
    recognised("ext4", "filesystem", 16 * MIB, tool("mkfs.ext4", &["-q", "-F"]));
}

#[test]
fn ext2() {
    recognised("ext2", "filesystem", 4 * MIB, tool("mkfs.ext2", &["-q", "-F"]));
}

#[test]
fn xfs() {
    recognised("xfs", "filesystem", 320 * MIB, tool("mkfs.xfs", &["-q"]));
}

#[test]
fn btrfs() {
    recognised("btrfs", "filesystem", 128 * MIB, tool("mkfs.btrfs", &["-q"]));
}

#[test]
fn swap() {
    recognised("swap", "no_files", 8 * MIB, tool("mkswap", &[]));
}

/// What has a reader is read, and not only recognised.
#[track_caller]
fn is_read(filesystem: &str, length: u64, make: impl FnOnce(&Path)) {
    let bench = Bench::new();
    let path = bench.path("volume.img");
    blank(&path, length);
    make(&path);
    let document = Sealed::new(&path).run(&bench, "layout", &["--json"]).code(0).json("layout");
    let volume = &document["volumes"][0];
    assert_eq!((&volume["readable"], &volume["facts"]["filesystem"]), (&true.into(), &filesystem.into()), "{document}");
}

#[test]
fn fat() {
    for (filesystem, bits, length) in [("FAT12", "12", 4 * MIB), ("FAT16", "16", 32 * MIB), ("FAT32", "32", 80 * MIB)] {
        is_read(filesystem, length, |path| {
            tools::run("mkfs.vfat", &["-F", bits, text(path)]);
        });
    }
}

#[test]
fn exfat() {
    is_read("exFAT", 16 * MIB, tool("mkfs.exfat", &[]));
}

#[test]
fn luks() {
    for (word, version) in [("luks1", "luks1"), ("luks2", "luks2")] {
        recognised(word, "locked", 32 * MIB, |path| {
            let words = [
                "--batch-mode",
                "luksFormat",
                "--type",
                version,
                "--pbkdf",
                "pbkdf2",
                "--pbkdf-force-iterations",
                "1000",
                text(path),
                "-",
            ];
            tools::run_with("cryptsetup", &words, Some("a passphrase of the choir"));
        });
    }
}
