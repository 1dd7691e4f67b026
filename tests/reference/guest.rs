//! FAT disks are mounted by Linux's own driver in a guest kernel (user-mode-linux): the kernel that runs the tests may
//! have none, and a FUSE driver would not be called FAT.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use crate::common::Bench;
use crate::mounts::blank;
use crate::sealed::text;
use crate::tools;

/// What a command in the guest left.
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Seconds that the guest may take.
const PATIENCE: &str = "240";

/// A new FAT disk, made by `mkfs.vfat` with these words.
pub(crate) fn fat(bench: &Bench, name: &str, length: u64, words: &[&str]) -> std::path::PathBuf {
    let path = bench.path(name);
    blank(&path, length);
    let mut all = words.to_vec();
    all.push(text(&path));
    tools::run("mkfs.vfat", &all);
    path
}

/// Mounts `disk` at `mount` in a guest and runs the commands there, one after another, whatever comes of each.
#[track_caller]
pub(crate) fn run(bench: &Bench, disk: &Path, mount: &Path, commands: &[&[&str]]) -> Vec<Ran> {
    let quoted = |word: &str| format!("'{}'", word.replace('\'', "'\\''"));
    fs::create_dir_all(mount).expect("a mount point");
    let results = bench.path("guest");
    let _ = fs::remove_dir_all(&results);
    fs::create_dir(&results).expect("own folder");
    let file = |name: String| quoted(text(&results.join(name)));
    // `insmod` takes the modules in the order in which they need each other.
    let mut script = format!(
        "#!/bin/sh\nexport PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 TZ=UTC HOME=/\n\
         mount -t proc proc /proc\n\
         for module in nls_cp437 nls_iso8859-1 nls_utf8 fat vfat; do\n\
         insmod \"$(find /usr/lib/uml/modules/$(uname -r) -name $module.ko)\"; done\n\
         mount -t vfat -o utf8=1 /dev/ubda {} && echo yes >{}\n",
        quoted(text(mount)),
        file("mounted".into())
    );
    for (at, command) in commands.iter().enumerate() {
        let words: Vec<String> = command.iter().map(|word| quoted(word)).collect();
        let (out, err, code) = (file(format!("{at}.out")), file(format!("{at}.err")), file(format!("{at}.code")));
        script.push_str(&format!("{} >{out} 2>{err} </dev/null; echo $? >{code}\n", words.join(" ")));
    }
    script.push_str(&format!("umount {}; sync\necho o >/proc/sysrq-trigger\nsleep 60\n", quoted(text(mount))));
    let init = bench.file("guest/init", script);
    fs::set_permissions(&init, fs::Permissions::from_mode(0o755)).expect("own file");

    // What lets it run on a processor that is newer than it.
    let registers = bench.path("guest/registers.so");
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/guest_registers.c");
    tools::run("gcc", &["-shared", "-fPIC", "-O1", "-o", text(&registers), source]);

    let mut guest = tools::command("timeout");
    guest.args(["--kill-after=5", PATIENCE, "linux.uml", "mem=512M", "root=/dev/root", "rootfstype=hostfs"]);
    guest.args(["rootflags=/", "rw", "con=null", "con0=null,fd:1", "ssl=null", "quiet", "panic=1"]);
    guest.arg(format!("init={}", text(&init))).arg(format!("ubd0={}", text(disk)));
    // Where the guest keeps its memory and its sockets.
    guest.env("TMPDIR", &results).env("HOME", &results).env("LD_PRELOAD", &registers);
    let ended = guest.output().unwrap_or_else(|error| tools::not_started("timeout", &error));
    let said = format!("{}{}", String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
    assert_ne!(ended.status.code(), Some(127), "`linux.uml` is needed: install user-mode-linux\n{said}");
    assert!(results.join("mounted").exists(), "the guest mounts {} (it needs kmod's insmod): {said}", disk.display());
    let read = |name: String| String::from_utf8_lossy(&fs::read(results.join(name)).unwrap_or_default()).into_owned();
    (0..commands.len())
        .map(|at| Ran {
            code: read(format!("{at}.code"))
                .trim()
                .parse()
                .unwrap_or_else(|_| panic!("command {at} did not end: {said}")),
            out: read(format!("{at}.out")),
            err: read(format!("{at}.err")),
        })
        .collect()
}
