//! Mounted filesystems and loop devices that go away with their guard, also when a test fails.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use crate::tools;

/// How long a mount may take to come or go.
const PATIENCE: Duration = Duration::from_secs(20);

/// A sparse file of zeros.
pub(crate) fn blank(path: &Path, length: u64) {
    File::create(path).and_then(|file| file.set_len(length)).expect("the temporary folder takes files");
}

/// A mounted filesystem.
pub(crate) struct Mounted {
    folder: PathBuf,
    driver: Option<Child>,
    mounted: bool,
}

impl Mounted {
    /// An NTFS image, through ntfs-3g.
    pub(crate) fn ntfs(image: &Path, folder: &Path) -> Self {
        // Not detached: the image is complete when the process has ended, which may be after `umount`.
        Self::through("ntfs-3g", &["-o", "no_detach,streams_interface=windows,compression"], image, folder)
    }

    /// An exFAT volume on a loop device, through exfat-fuse, which stays in the foreground for `-d`.
    pub(crate) fn exfat(device: &Loop, folder: &Path) -> Self {
        Self::through("mount.exfat-fuse", &["-d"], Path::new(device.device()), folder)
    }

    fn through(tool: &str, words: &[&str], image: &Path, folder: &Path) -> Self {
        std::fs::create_dir_all(folder).expect("a mount point");
        let mut command = tools::command(tool);
        command.args(words).arg(image).arg(folder);
        // No pipe: a driver that says much would wait for its reader.
        let driver = command
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|error| tools::not_started(tool, &error));
        let mut mounted = Self { folder: folder.to_path_buf(), driver: Some(driver), mounted: true };
        let start = Instant::now();
        while !is_mount_point(folder) {
            let driver = mounted.driver.as_mut().expect("just started");
            if driver.try_wait().expect("own process").is_some() || start.elapsed() > PATIENCE {
                let _ = driver.kill();
                panic!("{tool} does not mount {}", image.display());
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        mounted
    }

    /// By `mount` with these words before the folder.
    pub(crate) fn with(words: &[&str], folder: &Path) -> Self {
        std::fs::create_dir_all(folder).expect("a mount point");
        let mut all = words.to_vec();
        let text = folder.to_str().expect("paths of tests are text");
        all.push(text);
        tools::run("mount", &all);
        Self { folder: folder.to_path_buf(), driver: None, mounted: true }
    }

    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    /// Unmounts, and fails if that fails.
    #[track_caller]
    pub(crate) fn unmount(mut self) {
        assert!(self.leave(), "{} can be unmounted", self.folder.display());
    }

    fn leave(&mut self) -> bool {
        if !std::mem::take(&mut self.mounted) {
            return true;
        }
        let start = Instant::now();
        let mut left = tools::ask("umount", &[&self.folder], None).status.success();
        while !left && is_mount_point(&self.folder) && start.elapsed() < PATIENCE {
            std::thread::sleep(Duration::from_millis(100));
            left = tools::ask("umount", &[&self.folder], None).status.success();
        }
        if let Some(mut driver) = self.driver.take() {
            if !left {
                let _ = driver.kill();
            }
            left &= driver.wait().is_ok();
        }
        left
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        if !self.leave() {
            // Nothing may stay behind, whatever still holds it.
            tools::ask("umount", &[Path::new("--lazy"), &self.folder], None);
        }
    }
}

/// Whether a filesystem of its own begins here.
pub(crate) fn is_mount_point(folder: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let device = |path: &Path| std::fs::metadata(path).map(|metadata| metadata.dev()).ok();
    let parent = folder.parent().and_then(device);
    device(folder).is_some_and(|own| Some(own) != parent)
}

/// A loop device.
pub(crate) struct Loop {
    device: String,
}

impl Loop {
    /// With sectors of `sector` bytes.
    pub(crate) fn new(image: &Path, sector: u32) -> Self {
        let (sector, image) = (sector.to_string(), image.to_str().expect("paths of tests are text"));
        let device = tools::text("losetup", &["--sector-size", &sector, "--find", "--show", image]);
        Self { device: device.trim().to_string() }
    }

    pub(crate) fn device(&self) -> &str {
        &self.device
    }
}

impl Drop for Loop {
    fn drop(&mut self) {
        tools::ask("losetup", &["--detach", &self.device], None);
    }
}
