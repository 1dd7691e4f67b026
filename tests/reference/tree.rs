//! Random source files for an NTFS volume, and the truth about them: taken from the bytes as they are written, never
//! from what a reader says.

use std::collections::{BTreeMap, HashSet};
use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::path::Path;

use crate::mounts::{Mounted, blank};
use crate::random::Random;
use crate::sealed::{hash_of, text};
use crate::tools;

/// What stands at a path.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Truth {
    pub(crate) kind: &'static str,
    pub(crate) size: u64,
    /// Empty for folders.
    pub(crate) sha256: String,
    pub(crate) compressed: bool,
}

/// The truth about a volume, by path; a stream's path is `FILE:STREAM`.
pub(crate) type Truths = BTreeMap<String, Truth>;

/// The folder whose contents are compressed.
const COMPRESSED: &str = "/Compressed choir";
/// `system.ntfs_attrib_be` (ntfs-3g, "Extended attributes"): folder 0x10, compressed 0x800.
const COMPRESSED_FOLDER: &str = "0x00000810";

/// Words in six scripts, and two characters outside the basic plane.
const SCRIPTS: [&[&str]; 6] = [
    &["Noten", "Frühjahr", "café", "Kór", "smørbrød", "𝄞 score", "party 🎉"],
    &["хор", "репетиция", "Весна", "йод"],
    &["χορωδία", "Άνοιξη", "φωνή"],
    &["合唱団", "楽譜", "春の歌"],
    &["جوقة", "نشيد", "أغنية"],
    &["गायन", "वसंत", "मंडली"],
];

/// Names that some computer finds hard.
fn odd_names() -> Vec<String> {
    let mut names: Vec<String> = [
        "100%",
        "100%.txt",
        "a%20b.txt",
        "a%0Ab.txt",
        "a%0ab.txt",
        "a%0Db.txt",
        "a%25b.txt",
        "%",
        "%%",
        "%2",
        "dot.",
        "dots...",
        "space ",
        "spaces  ",
        "dot and space. ",
        " leading",
        "...leading",
        "CON",
        "nul.txt",
        "COM1.log",
        "aux",
        "LPT9",
        "quote\".txt",
        "less<more>.txt",
        "pipe|.txt",
        "star*.txt",
        "question?.txt",
        "back\\slash.txt",
        "tab\t.txt",
        "line\nbreak.txt",
        "return\r.txt",
        "escape\x1b[31m.txt",
        "right-to-left \u{202E}txt.exe",
        "zero\u{200B}width",
        "Straße",
        "STRASSE",
        "é (composed)",
        "e\u{301} (composed)",
        "Case",
        "case",
        "CASE",
        "Readme.TXT",
        "readme.txt",
        "İ",
        "ı",
        "K (kelvin)",
        "\u{212A} (kelvin)",
        "~$lock.docx",
        "$RECYCLE.TXT",
        "'apostrophe",
        "-dash",
        "=1+1.csv",
        "a,b;c.csv",
        "two  blanks",
        "(empty)",
        "name (2).txt",
        "name.txt",
        "NAME.txt",
    ]
    .map(String::from)
    .to_vec();
    names.push("漢".repeat(255));
    names.push(format!("{}.txt", "歌".repeat(251)));
    names.push("x".repeat(255));
    names.push("é".repeat(200));
    names
}

/// Sizes at the borders of everything: record, sector, cluster, compression chunk and unit, read buffers.
const BORDERS: [usize; 24] = [
    0, 1, 2, 600, 680, 700, 720, 511, 512, 513, 1023, 1025, 4095, 4096, 4097, 65_535, 65_536, 65_537, 131_072, 262_145,
    1_048_575, 1_048_576, 1_048_577, 4_194_305,
];

/// How much is to be made.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Amount {
    /// Files, without further names and streams.
    pub(crate) files: usize,
    /// The largest ordinary file in bytes.
    pub(crate) largest: usize,
    /// Odd names, sparse files, streams, links, deep folders.
    pub(crate) odd: bool,
}

/// A new NTFS image of `length` bytes in `path`, filled through ntfs-3g. `scratch` becomes a mount point.
pub(crate) fn ntfs(path: &Path, length: u64, amount: Amount, random: &mut Random, scratch: &Path) -> Truths {
    ntfs_with(path, length, scratch, |writer| writer.fill(amount, random))
}

/// As [`ntfs`], filled by the caller.
pub(crate) fn ntfs_with(path: &Path, length: u64, scratch: &Path, fill: impl FnOnce(&mut Writer)) -> Truths {
    blank(path, length);
    tools::run("mkntfs", &["--quick", "--quiet", "--force", "--label", "Choir", text(path)]);
    let mounted = Mounted::ntfs(path, scratch);
    let mut writer = Writer { root: mounted.folder(), truths: Truths::new() };
    fill(&mut writer);
    let truths = writer.truths;
    mounted.unmount();
    truths
}

/// Writes into a mounted volume and remembers.
pub(crate) struct Writer<'m> {
    root: &'m Path,
    truths: Truths,
}

impl Writer<'_> {
    fn on_mount(&self, path: &str) -> std::path::PathBuf {
        self.root.join(path.trim_start_matches('/'))
    }

    fn remember(&mut self, path: String, truth: Truth) {
        let earlier = self.truths.insert(path.clone(), truth);
        assert!(earlier.is_none(), "{path:?} twice");
    }

    pub(crate) fn folder(&mut self, path: &str) {
        let target = self.on_mount(path);
        fs::create_dir(&target).unwrap_or_else(|error| panic!("{path:?}: {error}"));
        self.remember(
            path.to_string(),
            Truth { kind: "folder", size: 0, sha256: String::new(), compressed: path.starts_with(COMPRESSED) },
        );
    }

    pub(crate) fn file(&mut self, path: &str, bytes: &[u8]) {
        self.write("file", path, bytes);
    }

    fn write(&mut self, kind: &'static str, path: &str, bytes: &[u8]) {
        fs::write(self.on_mount(path), bytes).unwrap_or_else(|error| panic!("{path:?}: {error}"));
        let compressed = kind == "file" && path.starts_with(COMPRESSED);
        let size = u64::try_from(bytes.len()).expect("64 bits");
        self.remember(path.to_string(), Truth { kind, size, sha256: hash_of(bytes), compressed });
    }

    /// Files of `length` bytes until no more goes in; their paths.
    pub(crate) fn fill_up(&mut self, folder: &str, length: usize, random: &mut Random) -> Vec<String> {
        let mut paths = Vec::new();
        for at in 0.. {
            let path = format!("{folder}/{at}.bin");
            let bytes = random.noise(length);
            if fs::write(self.on_mount(&path), &bytes).is_err() {
                let _ = fs::remove_file(self.on_mount(&path));
                break;
            }
            let size = u64::try_from(length).expect("64 bits");
            self.remember(path.clone(), Truth { kind: "file", size, sha256: hash_of(&bytes), compressed: false });
            paths.push(path);
        }
        paths
    }

    /// Takes a file away again.
    pub(crate) fn remove(&mut self, path: &str) {
        fs::remove_file(self.on_mount(path)).unwrap_or_else(|error| panic!("{path:?}: {error}"));
        self.truths.remove(path).expect("it was written");
    }

    /// Only the pieces are written; between them are holes.
    pub(crate) fn sparse(&mut self, path: &str, length: usize, pieces: &[(usize, Vec<u8>)]) {
        let file = File::create_new(self.on_mount(path)).unwrap_or_else(|error| panic!("{path:?}: {error}"));
        let mut all = vec![0; length];
        let size = u64::try_from(length).expect("64 bits");
        file.set_len(size).expect("a sparse file");
        for (at, piece) in pieces {
            all[*at..at + piece.len()].copy_from_slice(piece);
            file.write_all_at(piece, u64::try_from(*at).expect("64 bits")).expect("a piece");
        }
        self.remember(path.to_string(), Truth { kind: "file", size, sha256: hash_of(&all), compressed: false });
    }

    /// One hole that ends in a few bytes; what it hashes to is not asked.
    pub(crate) fn huge(&mut self, path: &str, length: u64) {
        let file = File::create_new(self.on_mount(path)).expect("a new file");
        file.set_len(length).expect("a sparse file");
        file.write_all_at(b"the end", length - 7).expect("its last bytes");
    }

    /// Files that are written a piece at a time in turns, so that each lies in many runs.
    pub(crate) fn in_pieces(&mut self, paths: &[String], pieces: usize, length: usize, random: &mut Random) {
        let mut all: Vec<(File, Vec<u8>)> =
            paths.iter().map(|path| (File::create_new(self.on_mount(path)).expect("a new file"), Vec::new())).collect();
        for _ in 0..pieces {
            for (file, bytes) in &mut all {
                let size = 1 + random.below(length);
                let piece = random.noise(size);
                file.write_all_at(&piece, u64::try_from(bytes.len()).expect("64 bits")).expect("a piece");
                bytes.extend_from_slice(&piece);
            }
        }
        for (path, (_, bytes)) in paths.iter().zip(&all) {
            let size = u64::try_from(bytes.len()).expect("64 bits");
            self.remember(path.clone(), Truth { kind: "file", size, sha256: hash_of(bytes), compressed: false });
        }
    }

    pub(crate) fn fill(&mut self, amount: Amount, random: &mut Random) {
        let mut folders: Vec<String> = Vec::new();
        for path in ["/Users", "/Users/Anna", "/Users/Anna/Documents", "/Users/Benno"] {
            self.folder(path);
            folders.push(path.to_string());
        }
        self.folder(COMPRESSED);
        let on_mount = self.on_mount(COMPRESSED);
        tools::run("setfattr", &["-h", "-n", "system.ntfs_attrib_be", "-v", COMPRESSED_FOLDER, text(&on_mount)]);
        self.folder(&format!("{COMPRESSED}/below"));
        for at in 0..amount.files / 40 {
            let parent = random.pick(&folders).clone();
            // Not ever deeper by chance: what a path may be is tried below.
            let parent = if parent.len() > 200 { "/Users".to_string() } else { parent };
            let path = format!("{parent}/{} {at}", name(random));
            self.folder(&path);
            folders.push(path);
        }
        for at in 0..amount.files / 8 {
            let folder = if at % 3 == 0 { format!("{COMPRESSED}/below") } else { COMPRESSED.to_string() };
            let length = size(random, amount.largest);
            let bytes = if at % 4 == 0 { random.noise(length) } else { random.content(length) };
            self.file(&format!("{folder}/{} {at}.txt", name(random)), &bytes);
        }
        let mut made = amount.files / 8;
        if amount.odd {
            made += self.odd(&folders, random);
        }
        let mut plain = Vec::new();
        for at in made..amount.files {
            let path = format!("{}/{} {at}.bin", random.pick(&folders), name(random));
            let length = size(random, amount.largest);
            self.file(&path, &random.content(length));
            plain.push(path);
        }
        if amount.odd {
            self.links_and_streams(&plain, &folders, random);
        }
    }

    /// Returns how many files it made.
    fn odd(&mut self, folders: &[String], random: &mut Random) -> usize {
        let mut made = 0;
        self.folder("/Odd names");
        self.folder("/Odd folders");
        for odd in odd_names() {
            let length = random.below(3000);
            self.file(&format!("/Odd names/{odd}"), &random.content(length));
            self.folder(&format!("/Odd folders/{odd}"));
            made += 1;
            if made % 2 == 0 {
                self.file(&format!("/Odd folders/{odd}/inside.txt"), odd.as_bytes());
                made += 1;
            }
        }
        let mut deep = "/Deep".to_string();
        self.folder(&deep);
        for level in 0..40 {
            deep = format!("{deep}/{level} {}", random.pick(SCRIPTS[level % SCRIPTS.len()]));
            self.folder(&deep);
            self.file(&format!("{deep}/at {level}.txt"), deep.as_bytes());
            made += 1;
        }
        for at in 0..6 {
            self.folder(&format!("{}/empty {at}", random.pick(folders)));
        }
        for at in 0..20 {
            let length = random.between(100_000, 6_000_000);
            let pieces: Vec<(usize, Vec<u8>)> = (0..random.below(5))
                .map(|_| {
                    let piece = random.between(1, 60_000);
                    (random.below(length - piece), random.noise(piece))
                })
                .collect();
            self.sparse(&format!("{}/sparse {at}.bin", random.pick(folders)), length, &pieces);
            made += 1;
        }
        for (at, length) in BORDERS.into_iter().enumerate() {
            self.file(&format!("{}/border {at}.bin", random.pick(folders)), &random.content(length));
            made += 1;
        }
        made
    }

    fn links_and_streams(&mut self, plain: &[String], folders: &[String], random: &mut Random) {
        let mut taken = HashSet::new();
        for at in 0..60 {
            let owner = random.pick(plain);
            if taken.insert(owner.clone()) {
                let length = size(random, 200_000);
                let bytes = random.content(length);
                self.write(
                    "stream",
                    &format!("{owner}:{} {at}", random.pick(&["Zone", "заметка", "楽譜", "x.txt"])),
                    &bytes,
                );
            }
        }
        self.write("stream", &format!("{}:on a folder", folders[0]), b"a stream on a folder");
        for at in 0..40 {
            let first = random.pick(plain).clone();
            if taken.contains(&first) {
                // Whether a stream stands beside each name is not what is asked here.
                continue;
            }
            let further = format!("{}/further name {at}", random.pick(folders));
            fs::hard_link(self.on_mount(&first), self.on_mount(&further)).expect("a hard link");
            let truth = self.truths[&first].clone();
            self.remember(further, truth);
        }
    }
}

fn name(random: &mut Random) -> String {
    let script = *random.pick(&SCRIPTS);
    let count = 1 + random.below(3);
    let words: Vec<&str> = (0..count).map(|_| *random.pick(script)).collect();
    words.join(*random.pick(&[" ", "_", "-", "%20"]))
}

fn size(random: &mut Random, largest: usize) -> usize {
    match random.below(20) {
        0..6 => random.below(1500),
        6 => BORDERS[random.below(BORDERS.len())].min(largest),
        7..16 => random.below(largest.min(60_000)),
        _ => random.below(largest),
    }
}
