//! How fast the main job is, beside the outside way in the same run: a volume of many files, listed and copied out.
//!
//! `cargo bench --bench main_job`, as root, with ntfs-3g. The volume is filled through ntfs-3g; the outside way is a
//! read-only mount of it, `find` for the list, `cp -a` and `sha256sum` for the copy. Medians of several runs in turn.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Files on the volume.
const FILES: usize = 20_000;
/// How often each way is run.
const RUNS: usize = 5;

struct Mounted(PathBuf);

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

fn sh(script: &str) {
    let status = Command::new("sh").args(["-ec", script]).stdout(Stdio::null()).status().expect("a shell");
    assert!(status.success(), "failed: {script}");
}

fn mount(image: &Path, at: &Path, options: &str) -> Mounted {
    std::fs::create_dir_all(at).expect("a folder to mount on");
    sh(&format!("ntfs-3g -o {options} {} {}", image.display(), at.display()));
    Mounted(at.to_path_buf())
}

fn timed(run: impl FnOnce()) -> Duration {
    let start = Instant::now();
    run();
    start.elapsed()
}

fn median(mut times: Vec<Duration>) -> f64 {
    times.sort();
    times[times.len() / 2].as_secs_f64()
}

fn fill(folder: &Path) {
    let mut noise = 7_u64;
    let mut piece = vec![0_u8; 64 << 10];
    for number in 0..FILES {
        let folder = folder.join(format!("folder {:03}", number / 200));
        if number % 200 == 0 {
            std::fs::create_dir_all(&folder).expect("the volume takes folders");
        }
        for word in piece.chunks_exact_mut(8) {
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            word.copy_from_slice(&noise.to_le_bytes());
        }
        let length = 200 + (noise >> 40) as usize % 30_000;
        #[expect(clippy::disallowed_methods, reason = "filling the bench's own volume")]
        std::fs::write(folder.join(format!("file {number:06}.bin")), &piece[..length]).expect("the volume takes files");
    }
}

fn main() {
    let work = tempfile::tempdir().expect("a temporary folder");
    let image = work.path().join("bench.img");
    sh(&format!("truncate -s 2G {0} && mkntfs -qFQ {0} 2>/dev/null", image.display()));
    let mounted = mount(&image, &work.path().join("mount"), "big_writes");
    fill(&mounted.0);
    drop(mounted);
    sh(&format!("cat {} > /dev/null", image.display()));

    let program = env!("CARGO_BIN_EXE_handback");
    let quoted = image.display();
    let (mut list, mut find, mut extract, mut copy) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for run in 0..RUNS {
        list.push(timed(|| sh(&format!("{program} list {quoted} / --recursive --json --no-map"))));
        let out = work.path().join(format!("bag {run}"));
        extract.push(timed(|| sh(&format!("{program} extract {quoted} / --no-map --to '{}'", out.display()))));
        std::fs::remove_dir_all(&out).expect("own folder");
        let mounted = mount(&image, &work.path().join("read"), "ro");
        let at = mounted.0.display();
        find.push(timed(|| sh(&format!("find {at} -printf '%s %p\\n'"))));
        let out = work.path().join(format!("copy {run}"));
        let out = out.display();
        copy.push(timed(|| sh(&format!("cp -a {at} '{out}' && find '{out}' -type f -exec sha256sum {{}} +"))));
        sh(&format!("rm -rf '{out}'"));
    }
    #[expect(clippy::print_stdout, reason = "a bench prints its figures")]
    for (what, ours, theirs, name) in
        [("list", list, find, "find -printf on a mount"), ("extract", extract, copy, "cp -a and sha256sum")]
    {
        let (ours, theirs) = (median(ours), median(theirs));
        println!("{what:<8} {FILES} files: {ours:.2} s; {name}: {theirs:.2} s; ratio {:.2}", ours / theirs);
    }
}
