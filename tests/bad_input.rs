//! Input that is no image, or one that lies: each gives a clear message or a finding and an exit status of the design,
//! without a panic and in bounded time and memory.
//!
//! The images are the fixtures, changed in memory; where the fields stand is from "NTFS Documentation" (Richard Russon,
//! Yuval Fledel): boot sector, FILE record, attribute header.

mod common;

use std::fs::File;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use common::{Bench, fixture};
use handback::catalog::{AddressKind, CatalogBuilder, Lookup, Object, ObjectKind};

/// Far more than any of these may take, even on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);
/// Bytes; the images have 8 MiB at most.
const MOST_MEMORY: u64 = 512 << 20;

struct Ran {
    line: String,
    code: Option<i32>,
    out: String,
    err: String,
}

/// Runs the program under a clock. `OUT` stands for a folder of its own that isn't there yet.
fn run(bench: &Bench, line: &str) -> Ran {
    let (out, err) = (bench.path("stdout"), bench.path("stderr"));
    #[expect(clippy::disallowed_methods, reason = "a test's own temporary file")]
    let create = |path: &Path| File::create(path).expect("own folder");
    let to = bench.path("handover");
    let _ = std::fs::remove_dir_all(&to);
    let words = line.split(' ').map(|word| if word == "OUT" { to.as_os_str() } else { word.as_ref() });
    let mut child = Command::new(env!("CARGO_BIN_EXE_handback"))
        .args(words)
        .current_dir(bench.path("."))
        .stdin(Stdio::null())
        .stdout(create(&out))
        .stderr(create(&err))
        .spawn()
        .expect("the program starts");
    let (start, mut most) = (Instant::now(), 0);
    let status = loop {
        if let Some(status) = child.try_wait().expect("own process") {
            break status;
        }
        most = memory(child.id()).max(most);
        if start.elapsed() > PATIENCE {
            child.kill().expect("own process");
            panic!("`{line}` takes more than {PATIENCE:?}");
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert!(most < MOST_MEMORY, "`{line}` took {most} bytes of memory");
    let text = |path: &Path| String::from_utf8(std::fs::read(path).expect("own file")).expect("text");
    Ran { line: line.to_string(), code: status.code(), out: text(&out), err: text(&err) }
}

/// The most memory that a process had so far, in bytes, where the host tells.
fn memory(id: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().strip_suffix(" kB")?.trim().parse::<u64>().ok()).unwrap_or(0) * 1024
}

impl Ran {
    #[track_caller]
    fn ends(&self, codes: &[i32]) -> &Self {
        let good = self.code.is_some_and(|code| codes.contains(&code));
        let beginning: String = self.out.chars().take(2000).collect();
        assert!(good, "`{}` ended with {:?}\n{beginning}\n{}", self.line, self.code, self.err);
        assert!(!self.err.contains("panicked"), "`{}`\n{}", self.line, self.err);
        for text in [&self.out, &self.err] {
            let steers = |c: char| c != '\n' && (c.is_control() || ('\u{202A}'..='\u{202E}').contains(&c));
            assert!(!text.contains(steers), "`{}` prints what steers a terminal: {text:?}", self.line);
        }
        self
    }

    #[track_caller]
    fn says(&self, text: &str) -> &Self {
        assert!(self.err.contains(text), "`{}` should say {text:?}:\n{}", self.line, self.err);
        self
    }
}

/// What `layout`, `list`, `survey` and `extract` end with, in this order.
#[track_caller]
fn all_end(image: &[u8], codes: [&[i32]; 4]) {
    let bench = Bench::new();
    bench.file("disk.img", image);
    for (command, codes) in COMMANDS.into_iter().zip(codes) {
        run(&bench, command).ends(codes);
    }
    assert!(bench.contents()["disk.img"] == image, "the image is never written to");
}

const COMMANDS: [&str; 4] = [
    "layout disk.img",
    "list disk.img / --recursive --json",
    "survey disk.img --json",
    "extract disk.img / --to OUT --streams --second-reader",
];

/// Noise from a seed: SplitMix64 (constants from memory).
fn noise(seed: u64, length: usize) -> Vec<u8> {
    let mut state = seed;
    let mut bytes = Vec::with_capacity(length + 8);
    while bytes.len() < length {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        bytes.extend_from_slice(&(z ^ (z >> 31)).to_le_bytes());
    }
    bytes.truncate(length);
    bytes
}

fn u16_at(bytes: &[u8], at: usize) -> usize {
    usize::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]))
}

fn u32_at(bytes: &[u8], at: usize) -> usize {
    usize::try_from(u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four"))).expect("32 bits")
}

/// Bytes in a cluster (boot sector 0x0B, 0x0D), and where $MFT begins (0x30).
fn geometry(image: &[u8]) -> (usize, usize) {
    let cluster = u16_at(image, 0x0B) * usize::from(image[0x0D]);
    (cluster, u32_at(image, 0x30) * cluster)
}

const RECORD: usize = 1024;
/// Records below are the filesystem's own.
const FIRST_USER_RECORD: usize = 24;

/// Where the records of the table's first piece stand, up to the first that isn't one.
fn records(image: &[u8]) -> Vec<usize> {
    let start = geometry(image).1;
    (start..image.len() - RECORD).step_by(RECORD).take_while(|at| &image[*at..*at + 4] == b"FILE").collect()
}

/// Takes the fixups out of a record, or puts them in again (update sequence: 0x04 offset, then number and originals).
fn fixups(record: &mut [u8], take_out: bool) {
    let sequence = u16_at(record, 0x04);
    for sector in 1..=RECORD / 512 {
        let (end, original) = (sector * 512 - 2, sequence + sector * 2);
        if !take_out {
            record.copy_within(end..end + 2, original);
        }
        let from = if take_out { original } else { sequence };
        record.copy_within(from..from + 2, end);
    }
}

/// Calls `edit` with every non-resident content attribute (type 0x80) of the users' records; their fixups are right
/// again afterwards. Returns how many there were.
fn edit_contents(image: &mut [u8], mut edit: impl FnMut(&mut [u8])) -> usize {
    let mut edited = 0;
    for at in records(image).into_iter().skip(FIRST_USER_RECORD) {
        let record = &mut image[at..at + RECORD];
        fixups(record, true);
        let mut attribute = u16_at(record, 0x14);
        while attribute + 8 < RECORD && u32_at(record, attribute) != 0xFFFF_FFFF {
            let length = u32_at(record, attribute + 4);
            if u32_at(record, attribute) == 0x80 && record[attribute + 8] == 1 {
                edit(&mut record[attribute..attribute + length]);
                edited += 1;
            }
            attribute += length.max(8);
        }
        fixups(record, false);
    }
    edited
}

/// The cluster where a content attribute begins; `None` if it begins with a hole. Runs stand at the offset in 0x20; the
/// first byte has the widths of length (low half) and place (high half).
fn first_place(attribute: &[u8]) -> Option<usize> {
    let runs = &attribute[u16_at(attribute, 0x20)..];
    let (length, place) = (usize::from(runs[0] & 15), usize::from(runs[0] >> 4));
    let bytes = &runs[1 + length..1 + length + place];
    (place > 0).then(|| bytes.iter().rev().fold(0, |all, byte| all << 8 | usize::from(*byte)))
}

#[test]
fn what_is_no_image_is_said() {
    let bench = Bench::new();
    bench.folder("folder");
    bench.file("empty.img", "");
    bench.file("noise.img", noise(1, 1 << 20));
    bench.file("short.img", noise(2, 100));
    bench.file("zeros.img", vec![0; 1 << 20]);
    for command in COMMANDS {
        let on = |name: &str| run(&bench, &command.replace("disk.img", name));
        on("missing.img").ends(&[3]).says("missing.img");
        on("folder").ends(&[2]).says("is a folder");
        on("empty.img").ends(&[3]).says("an empty file");
        for name in ["noise.img", "short.img", "zeros.img"] {
            on(name).ends(&[3]).says("error: ");
        }
        assert!(!bench.path("handover").exists(), "no handover folder is made for nothing");
    }
}

#[test]
fn a_truncated_image_loses_what_is_cut_off_and_says_so() {
    let whole = fixture::image("ntfs-c4k");
    let cluster = geometry(&whole).0;
    let mut starts = Vec::new();
    edit_contents(&mut whole.clone(), |attribute| starts.extend(first_place(attribute)));
    // In the middle of what the file that lies last has.
    let last = starts.into_iter().max().expect("files") * cluster;
    all_end(&whole[..last + cluster / 2], [&[0], &[1], &[1], &[1]]);
    // Behind all files: nothing of them is cut off, and that something is missing is a finding.
    let bench = Bench::new();
    bench.file("disk.img", &whole[..whole.len() / 2]);
    let said = run(&bench, "layout disk.img");
    assert!(said.ends(&[0]).out.contains("reaches past the image's end"), "{}", said.out);
    run(&bench, "extract disk.img / --to OUT").ends(&[0]);
    // Only the boot sector, and a little more.
    for length in [512, 1000, 4096, 65_536] {
        all_end(&whole[..length], [&[0, 1, 3], &[1, 3], &[0, 1, 3], &[1, 3]]);
    }
}

#[test]
fn a_volume_whose_every_record_is_garbage_ends_in_findings() {
    for seed in 0..4 {
        let mut image = fixture::image("ntfs-c4k");
        let places = records(&image);
        assert!(places.len() > 100, "{} records", places.len());
        for at in places {
            let garbage = noise(seed * 1_000_003 + u64::try_from(at).expect("64 bits"), RECORD);
            let record = &mut image[at..at + RECORD];
            match seed {
                // Nothing of it is left.
                0 | 1 => record.copy_from_slice(&garbage),
                // The header and the fixups are right, all else is garbage.
                2 => record[0x38..].copy_from_slice(&garbage[0x38..]),
                // Every attribute begins as it should and holds garbage.
                _ => record[0x60..].copy_from_slice(&garbage[0x60..]),
            }
            if seed >= 2 {
                fixups(record, false);
            }
        }
        all_end(&image, [&[0, 1, 3], &[1, 3], &[0, 1, 3], &[1, 3]]);
    }
}

#[test]
fn impossible_sizes_are_not_believed() {
    // Allocated 0x28, real 0x30, valid 0x38; the last cluster's number 0x18.
    const FIELDS: [&[usize]; 5] = [&[0x30], &[0x28, 0x30, 0x38], &[0x38], &[0x28], &[0x18]];
    for fields in FIELDS {
        for value in [1_u64 << 63, u64::MAX] {
            let mut image = fixture::image("ntfs-c4k");
            let edited = edit_contents(&mut image, |attribute| {
                for field in fields {
                    attribute[*field..field + 8].copy_from_slice(&value.to_le_bytes());
                }
            });
            assert!(edited > 10, "{edited} files");
            all_end(&image, [&[0], &[1], &[0, 1], &[1]]);
        }
    }
}

#[test]
fn runs_that_lead_nowhere_are_gaps() {
    type Edit = fn(&mut [u8]);
    let edits: [(&str, Edit); 4] = [
        ("past the end", |runs| {
            let (length, place) = (usize::from(runs[0] & 15), usize::from(runs[0] >> 4));
            runs[1 + length..1 + length + place].fill(0x7F);
        }),
        ("before the start", |runs| {
            let (length, place) = (usize::from(runs[0] & 15), usize::from(runs[0] >> 4));
            runs[1 + length..1 + length + place].fill(0x80);
        }),
        ("of no width", |runs| runs[0] = 0xFF),
        ("without an end", |runs| runs.fill(0x11)),
    ];
    for (what, edit) in edits {
        let mut image = fixture::image("ntfs-c4k");
        let edited = edit_contents(&mut image, |attribute| {
            let at = u16_at(attribute, 0x20);
            edit(&mut attribute[at..]);
        });
        assert!(edited > 10, "{what}: {edited} files");
        all_end(&image, [&[0], &[1], &[0, 1], &[1]]);
    }
}

#[test]
fn compressed_units_that_lie_are_gaps() {
    // A chunk of three bytes ([MS-XCA] 2.5: header, flags, one back-reference) that copies from before its start.
    const LIE: [u8; 5] = [0x02, 0xB0, 0x01, 0xFF, 0xFF];
    let mut image = fixture::image("ntfs-compressed");
    let cluster = geometry(&image).0;
    let mut starts = Vec::new();
    edit_contents(&mut image, |attribute| {
        // Only streams with the compressed flag (0x0C), and of these the first run.
        if attribute[0x0C] & 1 == 1 {
            starts.extend(first_place(attribute).map(|number| number * cluster));
        }
    });
    assert!(starts.len() > 5, "{} compressed streams", starts.len());
    for start in starts {
        image[start..start + LIE.len()].copy_from_slice(&LIE);
    }
    let bench = Bench::new();
    bench.file("disk.img", &image);
    for command in COMMANDS {
        // A sweep decodes nothing, so only `extract` can know.
        let codes: &[i32] = if command.starts_with("extract") { &[1] } else { &[0] };
        run(&bench, command).ends(codes);
    }
    let lost = std::fs::read_to_string(bench.path("handover/records/lost.csv")).expect("it is written");
    assert!(lost.matches("undecodable").count() > 5, "{lost}");
}

#[test]
fn names_that_want_to_climb_stay_inside() {
    let bench = Bench::new();
    bench.file("disk.img", fixture::image("ntfs-hostile"));
    let before = bench.names();
    for command in COMMANDS {
        run(&bench, command).ends(&[0, 1]);
    }
    let mut names = bench.names();
    names.retain(|name| !["stdout", "stderr"].contains(&name.as_str()));
    assert_eq!(names, before, "nothing was written beside the handover folder");
    run(&bench, "list disk.img / --recursive").ends(&[0, 1]);
}

#[test]
fn a_hundred_thousand_names_in_one_folder_take_little_time() {
    const NAMES: u32 = 100_000;
    let start = Instant::now();
    let mut builder = CatalogBuilder::new(AddressKind::Record);
    let root = builder.object(Object::new(ObjectKind::Folder, 5)).expect("room");
    for number in 0..NAMES {
        let object = builder.object(Object::new(ObjectKind::File, u64::from(number) + 64)).expect("room");
        // Every second name is there twice, as no sound folder has it.
        builder.name(root, object, format!("IMG_{}.jpg", number / 2).encode_utf16()).expect("room");
    }
    let catalog = builder.finish(root).expect("room");
    assert_eq!(catalog.children(root).count(), 100_000);
    for number in (0..NAMES / 2).step_by(97) {
        let found = catalog.find(&format!("/img_{number}.JPG"));
        assert!(!matches!(found, Lookup::Missing { .. }), "{number}: {found:?}");
    }
    assert!(start.elapsed() < PATIENCE, "it takes {:?}", start.elapsed());
}
