//! How fast the main job is, beside the outside way and the machine's own limits, in turn in the same run.
//!
//! `cargo bench --bench main_job [-- VOLUME …]`, as root, with ntfs-3g, exfat-fuse, exfatprogs, dosfstools, mtools, e2fsprogs,
//! p7zip-full, and 20 GB of room in the temporary folder (`TMPDIR`). Without names all four volumes are made and measured:
//! `ntfs-many`, `ntfs-big`, `fat32-mixed`, `exfat-big`. Each is filled through an outside driver.
//!
//! What makes it fair: every extraction goes to a new ext4 volume of its own (one on which many files were removed searches
//! past them), the image is read once before each run, memory is touched before it (a guest's first touch of memory that its
//! host took back costs more than the copy), nothing is flushed inside the time but what a program flushes itself, and the
//! ways take turns. Medians and ratios are printed; `docs/performance.md` keeps a run.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

/// How often each way is run.
const RUNS: usize = 3;
const MIB: u64 = 1 << 20;

struct Volume {
    name: &'static str,
    /// MiB of the image.
    size: u64,
    files: u64,
    /// The smallest and the largest file, in bytes.
    sizes: (u64, u64),
    make: &'static str,
    /// How the outside way mounts it; `None` if it is read by mtools.
    mount: Option<&'static str>,
    reads_7z: bool,
}

const VOLUMES: [Volume; 4] = [
    Volume {
        name: "ntfs-many",
        size: 3072,
        files: 200_000,
        sizes: (100, 64 << 10),
        make: "mkntfs -qFQ",
        mount: Some("ntfs-3g"),
        reads_7z: true,
    },
    Volume {
        name: "ntfs-big",
        size: 3328,
        files: 300,
        sizes: (MIB, 40 * MIB),
        make: "mkntfs -qFQ",
        mount: Some("ntfs-3g"),
        reads_7z: true,
    },
    Volume {
        name: "fat32-mixed",
        size: 2048,
        files: 20_000,
        sizes: (100, 768 << 10),
        make: "mkfs.vfat -F 32",
        mount: None,
        reads_7z: true,
    },
    Volume {
        name: "exfat-big",
        size: 3328,
        files: 200,
        sizes: (MIB, 48 * MIB),
        make: "mkfs.exfat",
        mount: Some("mount.exfat-fuse"),
        reads_7z: false,
    },
];

#[expect(clippy::print_stdout, reason = "a bench prints its figures")]
fn say(text: &str) {
    println!("{text}");
}

fn sh(script: &str) {
    let status = Command::new("bash").args(["-ec", script]).stdout(Stdio::null()).stderr(Stdio::null()).status();
    assert!(status.expect("a shell").success(), "failed: {script}");
}

fn seconds(script: &str) -> f64 {
    let start = Instant::now();
    sh(script);
    start.elapsed().as_secs_f64()
}

/// Numbers that nobody foresees, the same in each run.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 ^ self.0 >> 29
    }

    /// Small ones are as frequent as large ones of their own kind: sizes of real files are like that.
    fn size(&mut self, (least, most): (u64, u64)) -> u64 {
        let share = self.next() as f64 / u64::MAX as f64;
        (least as f64 * (most as f64 / least as f64).powf(share)) as u64
    }
}

fn fill(folder: &Path, volume: &Volume) {
    let mut noise = Noise(7);
    let mut content = vec![0_u8; usize::try_from(volume.sizes.1).expect("fits")];
    let each = if volume.files > 1000 { 20 } else { 8 };
    // Leaves room for what the filesystem itself takes.
    let mut room = volume.size * MIB * 19 / 20;
    for number in 0..volume.files {
        let folder = folder.join(format!("Users/Person {}/Year {}", number % 7, number / each / 7));
        std::fs::create_dir_all(&folder).expect("the volume takes folders");
        let size = noise.size(volume.sizes).min(room);
        room -= size;
        let content = &mut content[..usize::try_from(size).expect("fits")];
        content.chunks_mut(8).for_each(|word| word.copy_from_slice(&noise.next().to_le_bytes()[..word.len()]));
        #[expect(clippy::disallowed_methods, reason = "filling the bench's own volume")]
        std::fs::write(folder.join(format!("Recording {number:06}.dat")), content).expect("the volume takes files");
    }
}

struct Bench {
    work: PathBuf,
}

impl Bench {
    fn path(&self, name: &str) -> String {
        self.work.join(name).display().to_string()
    }

    fn make(&self, volume: &Volume) -> String {
        let (image, mount) = (self.path(volume.name), self.path("mount"));
        sh(&format!(
            "mkdir -p {mount} {0} && truncate -s {1}M {image} && {2} {image}",
            self.path("dest"),
            volume.size,
            volume.make
        ));
        match volume.mount {
            Some(driver) => {
                self.mount(driver, &image, "rw,noatime");
                fill(&self.work.join("mount"), volume);
                sh(&format!("umount {mount}"));
            }
            None => {
                let source = self.work.join("source");
                fill(&source, volume);
                sh(&format!("mcopy -s -m -Q -i {image} {0}/Users :: && rm -rf {0}", source.display()));
            }
        }
        image
    }

    /// exfat-fuse takes block devices only; the loop device goes when it is unmounted.
    fn mount(&self, driver: &str, image: &str, options: &str) {
        sh(&self.mounting(driver, image, options));
    }

    fn mounting(&self, driver: &str, image: &str, options: &str) -> String {
        let mount = self.path("mount");
        match driver {
            "ntfs-3g" => format!("ntfs-3g -o big_writes,{options} {image} {mount}"),
            _ => format!("l=$(losetup -f --show {image}); {driver} -o {options} $l {mount}; losetup -d $l"),
        }
    }

    /// A new destination, the image in memory, and memory that was touched.
    fn prepare(&self, image: &str) {
        let (dest, disk) = (self.path("dest"), self.path("dest.img"));
        sh(&format!(
            "! mountpoint -q {dest} || umount {dest}; rm -f {disk}; truncate -s 8G {disk}
             mkfs.ext4 -q -F -N 600000 -E lazy_itable_init=1,lazy_journal_init=1 {disk}
             l=$(losetup -f --show --direct-io=on {disk}); mount -o noinit_itable,noatime $l {dest}; losetup -d $l"
        ));
        let memory = vec![1_u8; 4 << 30];
        assert_eq!(memory[memory.len() / 2], 1);
        drop(memory);
        sh(&format!("cat {image} > /dev/null"));
    }

    /// The medians of several ways, which take turns.
    fn medians(&self, image: &str, ways: &[(&'static str, String)]) -> Vec<(&'static str, f64)> {
        let mut times = vec![Vec::new(); ways.len()];
        for _ in 0..RUNS {
            for ((_, script), times) in ways.iter().zip(&mut times) {
                self.prepare(image);
                times.push(seconds(script));
            }
        }
        let median = |mut times: Vec<f64>| {
            times.sort_by(f64::total_cmp);
            times[times.len() / 2]
        };
        ways.iter().zip(times).map(|((name, _), times)| (*name, median(times))).collect()
    }

    fn measure(&self, volume: &Volume) {
        let image = self.make(volume);
        let ours = env!("CARGO_BIN_EXE_handback");
        let (mount, dest) = (self.path("mount"), self.path("dest"));
        let hash = format!("cd {dest} && find Users -type f -print0 | xargs -0 sha256sum > ../sums");
        let mut lists = vec![
            ("list", format!("{ours} list {image} / --recursive --no-map > {dest}/list")),
            ("survey", format!("{ours} survey {image} --no-map > {dest}/list")),
        ];
        let extract = format!("{ours} extract {image} /Users --no-map --no-record --no-sheets --to {dest}/bag");
        let mut copies =
            vec![("extract, not read back", format!("{extract} --no-read-back")), ("extract", extract.clone())];
        if volume.reads_7z {
            lists.push(("7z l", format!("7z l {image} > {dest}/list || [ $? = 1 ]")));
            copies.push((
                "7z x, sha256sum",
                format!("{{ 7z x -y -bso0 -o{dest} {image} Users || [ $? = 1 ]; }}; {hash}"),
            ));
        }
        match volume.mount {
            Some(driver) => {
                let mounted = self.mounting(driver, &image, "ro");
                lists.push((
                    "mount, find -printf",
                    format!("{mounted}; find {mount} -printf '%s %p\\n' > {dest}/list; umount {mount}"),
                ));
                copies.push((
                    "mount, cp -a, sha256sum",
                    format!("{mounted}; cp -a {mount}/Users {dest}/; umount {mount}; {hash}"),
                ));
            }
            None => {
                lists.push(("mdir", format!("mdir -/ -i {image} :: > {dest}/list")));
                copies.push(("mcopy, sha256sum", format!("mcopy -s -m -n -Q -i {image} ::Users {dest}/; {hash}")));
            }
        }
        self.report(volume, "list", &self.medians(&image, &lists));
        self.report(volume, "copy", &self.medians(&image, &copies));

        // The limits: reading the image, hashing the bytes on one core, writing them.
        self.prepare(&image);
        sh(&format!("{extract} --no-read-back && rm -rf {0} && mkdir {0} && cp -a {dest}/bag {0}/", self.path("tree")));
        let tree = self.path("tree/bag/data/recovered");
        sh(&format!(
            "tar -C {tree} -cf {} Users; find {tree} -type f -print0 | xargs -0 cat > {}",
            self.path("tar"),
            self.path("blob")
        ));
        let limits = [
            ("read the image", format!("cat {image} > /dev/null")),
            ("hash the files' bytes, one core", format!("openssl dgst -sha256 {}", self.path("blob"))),
            ("write the files' bytes", format!("cp {} {dest}/", self.path("blob"))),
            ("write the files (tar -x)", format!("tar -C {dest} -xf {}", self.path("tar"))),
            ("write the files and flush them (tar -x, sync -f)", {
                format!("tar -C {dest} -xf {} && sync -f {dest}", self.path("tar"))
            }),
        ];
        self.report(volume, "limit", &self.medians(&image, &limits));
        let bag = self.path("tree/bag");
        let checks = [
            ("verify", format!("{ours} verify {bag}")),
            ("sha256sum -c", format!("cd {bag} && sha256sum --quiet -c manifest-sha256.txt")),
        ];
        self.report(volume, "verify", &self.medians(&image, &checks));
        sh(&format!("rm -rf {} {} {} {image}", self.path("tree"), self.path("tar"), self.path("blob")));
    }

    fn report(&self, volume: &Volume, what: &str, medians: &[(&'static str, f64)]) {
        let ours = medians[0].1;
        for (name, seconds) in medians {
            say(&format!("| {} | {what} | {name} | {seconds:.2} | {:.2} |", volume.name, ours / seconds));
        }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let mounted = format!("for m in {} {}; do umount $m || true; done", self.path("mount"), self.path("dest"));
        let _ = Command::new("bash").args(["-c", &mounted]).stderr(Stdio::null()).status();
    }
}

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bench = Bench { work: folder.path().to_path_buf() };
    let asked: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    say("| volume | task | way | median s | the first one's share of it |\n| --- | --- | --- | --: | --: |");
    for volume in VOLUMES.iter().filter(|volume| asked.is_empty() || asked.iter().any(|name| name == volume.name)) {
        bench.measure(volume);
    }
}
