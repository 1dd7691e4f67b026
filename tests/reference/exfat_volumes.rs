//! exFAT volumes with 500 random files and more, written through exfat-fuse, long and odd names, deep folders and files in
//! many pieces: every file comes out. Truth: the source files.

use std::collections::HashSet;
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use crate::bag::Bag;
use crate::common::Bench;
use crate::fat_volumes::{name, put};
use crate::mounts::{Loop, Mounted, blank};
use crate::random::Random;
use crate::sealed::{Sealed, hash_of, text};
use crate::tools;
use crate::tree::{Truth, Truths};

/// Writes as much of `bytes` as there is room for; answers whether that was all.
fn write(path: &Path, bytes: &[u8]) -> bool {
    match fs::write(path, bytes) {
        Ok(()) => true,
        Err(error) if error.kind() == ErrorKind::StorageFull => false,
        Err(error) => panic!("{}: {error}", path.display()),
    }
}

/// Fills a mounted volume, deletes every other file, and fills it again.
fn fill(mount: &Path, length: usize, random: &mut Random) -> Truths {
    let (mut truths, mut used) = (Truths::new(), HashSet::new());
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
        put(mount, &path, &random.content(length), &mut truths);
        paths.push(path);
    }
    // It takes all that is left; what did not fit is cut.
    let filler = mount.join("filler.bin");
    let rest = random.noise(length);
    assert!(!write(&filler, &rest), "it is longer than the volume");
    let filled = fs::read(&filler).expect("own file");
    let whole = Truth { kind: "file", size: filled.len() as u64, sha256: hash_of(&filled), compressed: false };
    assert!(rest.starts_with(&filled) && !filled.is_empty());
    truths.insert("/filler.bin".to_string(), whole);
    for path in paths.iter().step_by(2) {
        fs::remove_file(mount.join(&path[1..])).expect("own file");
        truths.remove(path);
    }
    for at in 0..200 {
        let path = format!("/late piece {at}.bin");
        let length = random.between(1_000, 60_000);
        let bytes = random.noise(length);
        if !write(&mount.join(&path[1..]), &bytes) {
            fs::remove_file(mount.join(&path[1..])).expect("own file");
            break;
        }
        truths.insert(path, Truth { kind: "file", size: length as u64, sha256: hash_of(&bytes), compressed: false });
    }
    truths
}

fn check(mebibytes: usize, cluster: &str, sector: u32) {
    let mut random = Random::announced(&format!("exFAT {cluster} {sector}"));
    let bench = Bench::new();
    let path = bench.path("card.img");
    let length = mebibytes << 20;
    blank(&path, length as u64);
    let truths = {
        let device = Loop::new(&path, sector);
        tools::run("mkfs.exfat", &["-c", cluster, device.device()]);
        let mounted = Mounted::exfat(&device, &bench.path("card"));
        let truths = fill(mounted.folder(), length, &mut random);
        mounted.unmount();
        truths
    };
    let files = truths.values().filter(|truth| truth.kind == "file").count();
    assert!(files >= 500, "{files} files");
    let image = Sealed::new(&path);
    image.run(&bench, "layout", &[]).code(0).out_has("exFAT");
    let to = bench.path("handover");
    image.run(&bench, "extract", &["/", "--to", text(&to)]).code(0);
    let bag = Bag::at(&to);
    bag.holds_all(&truths);
    assert!(bag.rows().values().all(|row| row["state"] == "unproven" && row["path"].starts_with("data/recovered")));
    let survey = image.run(&bench, "survey", &[]).code(0);
    assert!(!survey.out.contains("that no file we found explains"), "{}", survey.out);
    image.check();
}

#[test]
fn exfat_with_small_clusters() {
    check(24, "4K", 512);
}

#[test]
fn exfat_with_clusters_as_on_cards() {
    check(64, "32K", 512);
}

#[test]
fn exfat_with_sectors_of_4096_bytes() {
    check(24, "4K", 4096);
}
