//! How the sweep grows: with the files of a volume, with the holes of its map, with the files of a folder.
//!
//! `cargo bench --bench growth`, with GNU time, and 3 GB of room in the temporary folder. Each line is the median of three
//! runs of `handback list IMAGE /`, which reads the whole file table, compares it with the bitmaps and the map, and
//! prints little. Time per record should stay as it is from line to line.

mod volume;

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

const RUNS: usize = 3;
const SECTOR: u64 = 512;

/// A map with holes of a sector, evenly in the content of the files.
fn map(path: &Path, content: &volume::Content, holes: u64) {
    let mut text = format!(
        "# handback sector map 1\n# image-length: {}\n# basis: full\n# rest: read\nstart,length,state\n",
        content.image
    );
    let step = content.length / holes.max(1) / SECTOR * SECTOR;
    for hole in 0..holes {
        text.push_str(&format!("{},{SECTOR},unread\n", content.start + hole * step));
    }
    #[expect(clippy::disallowed_methods, reason = "the bench's own map")]
    let mut file = std::fs::File::create(path).expect("room");
    file.write_all(text.as_bytes()).expect("room");
}

/// Median seconds, and the most memory in MB that a run took.
fn measure(image: &Path, map: &Path, work: &Path) -> (f64, u64) {
    let (mut times, mut most) = (Vec::new(), 0);
    let memory = work.join("memory");
    for _ in 0..RUNS {
        let start = Instant::now();
        let status = Command::new("time")
            .args(["-f", "%M", "-o"])
            .arg(&memory)
            .args([env!("CARGO_BIN_EXE_handback"), "list"])
            .arg(image)
            .args(["/", "--map"])
            .arg(map)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .expect("GNU time");
        times.push(start.elapsed().as_secs_f64());
        // 1: files are damaged, as the map has holes.
        assert!(matches!(status.code(), Some(0 | 1)), "{status}");
        let text = std::fs::read_to_string(&memory).expect("time says how much");
        let kilobytes: u64 = text.lines().last().and_then(|line| line.trim().parse().ok()).expect("a number");
        most = most.max(kilobytes / 1000);
    }
    times.sort_by(f64::total_cmp);
    (times[RUNS / 2], most)
}

fn main() {
    let work = tempfile::tempdir().expect("a temporary folder");
    let (image, holes_map) = (work.path().join("volume.img"), work.path().join("holes.csv"));
    let mut lines = vec![
        "| files | in a folder | holes | seconds | µs a file | peak MB |".to_string(),
        "| --: | --: | --: | --: | --: | --: |".to_string(),
    ];
    for (files, each, holes) in [
        (10_000, 200, vec![0]),
        (100_000, 200, vec![0]),
        (1_000_000, 200, vec![0, 1_000, 10_000, 100_000]),
        (1_000_000, 1_000_000, vec![0]),
        (1_000_000, 20, vec![0]),
    ] {
        let content = volume::make(&image, files, each);
        for holes in holes {
            map(&holes_map, &content, holes);
            let (seconds, peak) = measure(&image, &holes_map, work.path());
            let each_file = seconds * 1e6 / files as f64;
            lines.push(format!("| {files} | {each} | {holes} | {seconds:.2} | {each_file:.2} | {peak} |"));
        }
        #[expect(clippy::disallowed_methods, reason = "the bench's own image")]
        std::fs::remove_file(&image).expect("its own image");
    }
    #[expect(clippy::print_stdout, reason = "a bench prints its figures")]
    lines.iter().for_each(|line| println!("{line}"));
}
