//! How fast a search for volumes is, beside the least that any program does that looks at the whole image: reading it.
//!
//! `cargo bench --bench search`, with mkntfs, mkfs.fat and mkfs.exfat, and 4 GB of room in the temporary folder. The image
//! of 3 GB has no table, a few volumes, and data that can't be compressed in between. Both ways run in turn in the same
//! run, after the image was read once (its pages stay in memory if there is room for them), and each starts a process;
//! `--no-map` and a fresh search each time, so that nothing that is kept helps. The medians and their ratio are printed.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// How often each way is run.
const RUNS: usize = 7;
/// Bytes of the image.
const LENGTH: u64 = 3_000_000_000;
/// What the ratio may be at most.
const MOST: f64 = 1.5;

fn sh(script: &str) {
    let status = Command::new("sh").args(["-ec", script]).stdout(Stdio::null()).stderr(Stdio::null()).status();
    assert!(status.expect("a shell").success(), "failed: {script}");
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

/// Fills the image with numbers that nobody can foresee the bytes of, and puts volumes into it.
fn build(image: &Path) {
    #[expect(clippy::disallowed_methods, reason = "the bench's own image")]
    let mut file = std::fs::File::create_new(image).expect("a temporary folder");
    let mut noise = 7_u64;
    let mut piece = vec![0_u8; 1 << 20];
    let mut left = LENGTH;
    while left > 0 {
        for word in piece.chunks_exact_mut(8) {
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            word.copy_from_slice(&(noise ^ noise >> 31).to_le_bytes());
        }
        let count = usize::try_from(left.min(1 << 20)).expect("a piece");
        file.write_all(&piece[..count]).expect("room for the image");
        left -= u64::try_from(count).expect("a piece");
    }
    drop(file);
    let image = image.display();
    // The table: gone.
    sh(&format!("dd if=/dev/zero of={image} bs=1M count=1 conv=notrunc"));
    for (at, size, make) in
        [(1, 500, "mkntfs -qFQ"), (501, 400, "mkfs.fat -F 32"), (1000, 300, "mkfs.exfat"), (2000, 64, "mkfs.fat -F 16")]
    {
        sh(&format!(
            "truncate -s {size}M {image}.part && {make} {image}.part && \
             dd if={image}.part of={image} bs=1M seek={at} conv=notrunc && rm {image}.part"
        ));
    }
}

fn main() {
    let work = tempfile::tempdir().expect("a temporary folder");
    let image = work.path().join("bench.img");
    build(&image);
    let program = env!("CARGO_BIN_EXE_handback");
    let quoted = image.display();
    let (cat, search) = (format!("cat {quoted} > /dev/null"), format!("{program} layout {quoted} --search --no-map"));
    sh(&cat);
    let (mut theirs, mut ours) = (Vec::new(), Vec::new());
    for _ in 0..RUNS {
        theirs.push(timed(|| sh(&cat)));
        ours.push(timed(|| sh(&search)));
    }
    let (ours, theirs) = (median(ours), median(theirs));
    let ratio = ours / theirs;
    #[expect(clippy::print_stdout, reason = "a bench prints its figures")]
    {
        println!("search   {LENGTH} bytes: {ours:.3} s; cat: {theirs:.3} s; ratio {ratio:.2} (at most {MOST})");
    }
    assert!(ratio <= MOST, "{ratio:.2}");
}
