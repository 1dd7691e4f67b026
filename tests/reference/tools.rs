//! Outside tools: what they print, and which package brings one that is missing.

use std::ffi::OsStr;
use std::io::ErrorKind;
use std::process::{Command, Output, Stdio};

/// Every outside tool of the suite and its Debian package.
const PACKAGES: &[(&str, &str)] = &[
    ("b3sum", "b3sum"),
    ("bagit.py", "python3-venv, then `python3 -m venv V && V/bin/pip install bagit==1.9.0` and V/bin on the PATH"),
    ("chromium", "chromium"),
    ("cryptsetup", "cryptsetup-bin"),
    ("gcc", "gcc"),
    ("insmod", "kmod"),
    (
        "jsonschema",
        "python3-venv, then `python3 -m venv V && V/bin/pip install jsonschema==4.26.0` and V/bin on the PATH",
    ),
    ("linux.uml", "user-mode-linux"),
    ("losetup", "mount"),
    ("mcopy", "mtools"),
    ("mdel", "mtools"),
    ("mdir", "mtools"),
    ("mkfs.btrfs", "btrfs-progs"),
    ("mkfs.exfat", "exfatprogs"),
    ("mkfs.ext2", "e2fsprogs"),
    ("mkfs.ext4", "e2fsprogs"),
    ("mkfs.vfat", "dosfstools"),
    ("mkfs.xfs", "xfsprogs"),
    ("mkntfs", "ntfs-3g"),
    ("md5sum", "coreutils"),
    ("mkswap", "util-linux"),
    ("mount", "mount"),
    ("mount.exfat-fuse", "exfat-fuse"),
    ("ntfs-3g", "ntfs-3g"),
    ("ntfscat", "ntfs-3g"),
    ("ntfscluster", "ntfs-3g"),
    ("rsvg-convert", "librsvg2-bin"),
    ("partx", "util-linux"),
    ("pdfinfo", "poppler-utils"),
    ("pdftotext", "poppler-utils"),
    ("setfattr", "attr"),
    ("sfdisk", "fdisk"),
    ("sgdisk", "gdisk"),
    ("sh", "dash"),
    ("sha256sum", "coreutils"),
    ("shasum", "perl"),
    ("sha512sum", "coreutils"),
    ("ssh-keygen", "openssh-client"),
    ("timeout", "coreutils"),
    ("umount", "mount"),
    ("xfs_io", "xfsprogs"),
    ("xmllint", "libxml2-utils"),
];

/// A command that finds what root's PATH may lack, speaks UTF-8, and asks nobody.
pub(crate) fn command(tool: &str) -> Command {
    let path = std::env::var("PATH").unwrap_or_default();
    let mut command = Command::new(tool);
    command.env("PATH", format!("{path}:/usr/sbin:/sbin")).env("LC_ALL", "C.UTF-8").env("TZ", "UTC");
    command.stdin(Stdio::null());
    command
}

/// Fails with the package that is needed if `error` says that `tool` is not there.
#[track_caller]
pub(crate) fn not_started(tool: &str, error: &std::io::Error) -> ! {
    let package = PACKAGES.iter().find(|(known, _)| *known == tool).map_or("?", |(_, package)| package);
    if error.kind() == ErrorKind::NotFound {
        panic!("`{tool}` is needed and not there: install {package}");
    }
    panic!("`{tool}` does not start: {error}");
}

/// What a tool did, whatever it was.
#[track_caller]
pub(crate) fn ask<S: AsRef<OsStr>>(tool: &str, words: &[S], input: Option<&str>) -> Output {
    use std::io::Write;
    assert!(PACKAGES.iter().any(|(known, _)| *known == tool), "`{tool}` has no package in the list");
    let mut command = command(tool);
    command.args(words).stdout(Stdio::piped()).stderr(Stdio::piped());
    if input.is_some() {
        command.stdin(Stdio::piped());
    }
    let mut child = command.spawn().unwrap_or_else(|error| not_started(tool, &error));
    if let (Some(mut pipe), Some(input)) = (child.stdin.take(), input) {
        pipe.write_all(input.as_bytes()).expect("the tool reads its input");
    }
    child.wait_with_output().expect("the tool ends")
}

/// What a tool printed. It must end well.
#[track_caller]
pub(crate) fn run<S: AsRef<OsStr>>(tool: &str, words: &[S]) -> Vec<u8> {
    run_with(tool, words, None)
}

/// As [`run`], with input.
#[track_caller]
pub(crate) fn run_with<S: AsRef<OsStr>>(tool: &str, words: &[S], input: Option<&str>) -> Vec<u8> {
    let output = ask(tool, words, input);
    let words: Vec<_> = words.iter().map(|word| word.as_ref().to_string_lossy()).collect();
    assert!(
        output.status.success(),
        "`{tool} {}`: {}\n{}{}",
        words.join(" "),
        output.status,
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}

/// As [`run`], as text.
#[track_caller]
pub(crate) fn text<S: AsRef<OsStr>>(tool: &str, words: &[S]) -> String {
    String::from_utf8(run(tool, words)).expect("tools speak UTF-8")
}
