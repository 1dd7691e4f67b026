//! Destinations that are full, read-only, unplugged, or not for us: stopped cleanly, and continued once the cause is
//! gone.
//!
//! Truth: the source files, `sha256sum -c` and PyPI's bagit for what is continued.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Child;

use crate::bag::Bag;
use crate::common::Bench;
use crate::kill::start;
use crate::mounts::{Mounted, blank};
use crate::random::Random;
use crate::sealed::{Sealed, text};
use crate::tools;
use crate::tree::{self, Amount, Truths};

const MIB: u64 = 1 << 20;

struct Case {
    bench: Bench,
    image: Sealed,
    truths: Truths,
}

fn case(test: &str, files: usize) -> Case {
    let mut random = Random::announced(test);
    let bench = Bench::new();
    let path = bench.path("choir.img");
    let amount = Amount { files, largest: 250_000, odd: false };
    let truths = tree::ntfs(&path, 128 * MIB, amount, &mut random, &bench.path("mount"));
    Case { image: Sealed::new(&path), bench, truths }
}

impl Case {
    /// A new filesystem in a file, mounted.
    fn disk(&self, kind: &str, length: u64, options: &str) -> Mounted {
        let path = self.disk_file();
        blank(&path, length);
        tools::run(&format!("mkfs.{kind}"), &["-q", text(&path)]);
        self.mount(options)
    }

    fn disk_file(&self) -> PathBuf {
        self.bench.path("disk")
    }

    fn mount(&self, options: &str) -> Mounted {
        Mounted::with(&["-o", options, text(&self.disk_file())], &self.bench.path("usb"))
    }

    #[track_caller]
    fn extract(&self, to: &Path, code: i32) -> crate::common::Outcome {
        self.image.run(&self.bench, "extract", &["/", "--to", text(to), "--streams"]).code(code)
    }

    /// The bag at `to` is begun and says so.
    #[track_caller]
    fn is_unfinished(&self, to: &Path) {
        assert!(to.join("NOT FINISHED.txt").is_file() && to.join("records/progress").is_file());
        assert!(!to.join("bagit.txt").exists() && !to.join("manifest-sha256.txt").exists());
        self.bench.run_words(&["verify", text(to)]).code(3).err_has("not finished");
    }

    /// The same command makes everything good.
    #[track_caller]
    fn is_continued(&self, to: &Path) {
        self.extract(to, 0);
        assert!(!to.join("NOT FINISHED.txt").exists());
        let bag = Bag::at(to);
        bag.holds_all(&self.truths);
        bag.is_valid();
        self.bench.run_words(&["verify", text(to)]).code(0);
    }

    /// A run to `to` that stands still in the middle of its copying.
    fn halted(&self, to: &Path) -> Child {
        for _ in 0..20 {
            let mut child = start(&self.image, to);
            let copies = to.join("data/recovered/Users/Anna");
            while child.try_wait().expect("own process").is_none() {
                if fs::read_dir(&copies).is_ok_and(|mut names| names.next().is_some()) {
                    signal(&child, "STOP");
                    if !to.join("manifest-sha256.txt").exists() && child.try_wait().expect("own process").is_none() {
                        return child;
                    }
                    signal(&child, "CONT");
                }
            }
            fs::remove_dir_all(to).expect("own folder");
        }
        panic!("the run can't be halted in its middle");
    }
}

fn signal(child: &Child, name: &str) {
    tools::run("sh", &["-c", &format!("kill -{name} {}", child.id())]);
}

#[test]
fn a_disk_that_is_too_small_is_refused_before_anything_is_written() {
    let case = case("destinations, too small", 150);
    let disk = Mounted::with(&["-t", "tmpfs", "-o", "size=2M", "handback"], &case.bench.path("usb"));
    let to = disk.folder().join("bag");
    case.extract(&to, 3).err_has("bytes are needed").err_has("are free");
    assert_eq!(fs::read_dir(disk.folder()).expect("it is mounted").count(), 0, "nothing was written");
    tools::run("mount", &["-o", "remount,size=400M", text(disk.folder())]);
    case.is_continued(&to);
    disk.unmount();
}

#[test]
fn a_disk_without_room_for_more_names_stops_the_run_and_it_goes_on_later() {
    let case = case("destinations, names", 150);
    // The free bytes would do; that there is no place for more files shows only in mid-run.
    let disk = Mounted::with(&["-t", "tmpfs", "-o", "size=400M,nr_inodes=60", "handback"], &case.bench.path("usb"));
    let to = disk.folder().join("bag");
    case.extract(&to, 3).err_has("bag");
    case.is_unfinished(&to);
    case.extract(&to, 3);
    case.is_unfinished(&to);
    tools::run("mount", &["-o", "remount,nr_inodes=0", text(disk.folder())]);
    case.is_continued(&to);
    disk.unmount();
}

#[test]
fn a_disk_that_fills_up_in_mid_run_stops_the_run_and_it_goes_on_later() {
    let case = case("destinations, full", 400);
    let disk = case.disk("ext2", 256 * MIB, "loop");
    let to = disk.folder().join("bag");
    let mut child = case.halted(&to);
    let filler = disk.folder().join("somebody else's");
    let mut file = fs::File::create(&filler).expect("there is room");
    for piece in [MIB, 1024] {
        let piece = vec![0; usize::try_from(piece).expect("small")];
        while file.write_all(&piece).is_ok() {}
    }
    let _ = file.sync_all();
    drop(file);
    signal(&child, "CONT");
    assert_eq!(child.wait().expect("own process").code(), Some(3));
    case.is_unfinished(&to);
    case.extract(&to, 3).err_has("are free");
    case.is_unfinished(&to);
    fs::remove_file(&filler).expect("it was ours");
    case.is_continued(&to);
    disk.unmount();
}

#[test]
fn a_disk_that_is_unplugged_in_mid_run_is_continued_when_it_is_back() {
    let case = case("destinations, unplugged", 400);
    let disk = case.disk("xfs", 400 * MIB, "loop");
    let to = disk.folder().join("bag");
    let mut child = case.halted(&to);
    // xfs_io(8): `shutdown` without -f drops everything that is not on the disk yet, as pulling the plug does.
    tools::run("xfs_io", &["-x", "-c", "shutdown", text(disk.folder())]);
    signal(&child, "CONT");
    assert_eq!(child.wait().expect("own process").code(), Some(3));
    case.extract(&to, 3);
    disk.unmount();
    let disk = case.mount("loop");
    assert!(!to.join("bagit.txt").exists());
    case.is_continued(&to);
    disk.unmount();
}

#[test]
fn a_read_only_disk_is_refused() {
    let case = case("destinations, read-only", 40);
    case.disk("ext2", 64 * MIB, "loop").unmount();
    let disk = case.mount("loop,ro");
    case.extract(&disk.folder().join("bag"), 3).err_has("bag");
    case.extract(disk.folder(), 3).err_has("recovered from choir.img");
    disk.unmount();
}

#[test]
fn the_root_of_a_disk_gets_a_folder_and_verify_finds_it() {
    let case = case("destinations, root", 40);
    let disk = case.disk("ext2", 64 * MIB, "loop");
    case.extract(disk.folder(), 0);
    let to = disk.folder().join("recovered from choir.img");
    let bag = Bag::at(&to);
    bag.holds_all(&case.truths);
    bag.is_valid();
    assert_eq!(fs::read_dir(disk.folder()).expect("it is mounted").count(), 2, "the bag and lost+found");
    case.bench.run_words(&["verify", text(disk.folder())]).code(0);
    case.extract(disk.folder(), 3).err_has("finished handover");
    disk.unmount();
}

#[test]
fn what_is_somebody_elses_is_refused_and_left_alone() {
    let case = case("destinations, somebody else's", 40);
    let other = case.bench.folder("other");
    fs::write(other.join("songs.txt"), "la la la").expect("own folder");
    case.extract(&other, 3).err_has("songs.txt");
    assert_eq!(crate::bag::contents(&other).len(), 1);
    case.extract(&other.join("songs.txt"), 3);
    case.extract(&other.join("no/where"), 3);
    let image = case.image.path();
    case.extract(image, 3);
    case.extract(&image.join("inside"), 3);

    // An unfinished bag of another image.
    let to = case.bench.path("bag");
    let mut child = case.halted(&to);
    child.kill().expect("own process");
    child.wait().expect("own process");
    let before = crate::bag::contents(&to);
    let another = case.bench.path("another.img");
    let mut random = Random::announced("destinations, another image");
    let amount = Amount { files: 40, largest: 100_000, odd: false };
    tree::ntfs(&another, 32 * MIB, amount, &mut random, &case.bench.path("mount"));
    let another = Sealed::new(&another);
    another.run(&case.bench, "extract", &["/", "--to", text(&to), "--streams"]).code(3);
    assert!(crate::bag::contents(&to) == before, "nothing in it was touched");
    case.is_continued(&to);
}
