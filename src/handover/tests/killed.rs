//! A real process, really killed.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use super::choir::{Builder, Choir, job, noise};
use super::{extract, timeless};
use crate::handover::{Algorithm, Options, Selected, verify};
use crate::progress::Silent;
use crate::sector_map::ByteState;

/// Names the folder in which the child is to make its bag.
const FOLDER: &str = "HANDBACK_TEST_FOLDER";

fn library() -> Choir {
    let (mut choir, root) = Builder::new();
    for number in 0..12_usize {
        let folder = choir.folder(root, &format!("Songs {number}"));
        for song in 0..10 {
            choir.file(folder, &format!("{song}.mp3"), &noise(song * 997, (number * 100 + song) as u64));
        }
    }
    choir.finish(root, Some(ByteState::Read), &[])
}

fn make(folder: &Path) {
    let choir = library();
    let options = Options { also: Algorithm::Sha512 | Algorithm::Md5, ..Options::default() };
    extract(&job(&choir, vec![Selected::Root], options), folder).unwrap();
}

/// The child of [`a_killed_process_is_taken_up_again`], not a test by itself.
#[test]
#[ignore = "run by another test, in a process that is killed"]
fn child() {
    if let Some(folder) = std::env::var_os(FOLDER) {
        make(&PathBuf::from(folder));
    }
}

fn spawn(folder: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "handover::tests::killed::child", "--ignored"])
        .env(FOLDER, folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

#[test]
fn a_killed_process_is_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let calm = folder.path().join("calm");
    let start = std::time::Instant::now();
    assert!(spawn(&calm).wait().unwrap().success());
    let whole_run = start.elapsed();
    let expected = timeless(&calm);
    let mut stopped = 0;
    for round in 1..=10_u32 {
        let to = folder.path().join(format!("killed {round}"));
        // Killed twice, at other moments, before it may end.
        for part in [round * 2, round * 7 % 20] {
            let mut child = spawn(&to);
            std::thread::sleep(whole_run * part / 24 + Duration::from_millis(1));
            child.kill().unwrap();
            child.wait().unwrap();
        }
        if !to.join("bagit.txt").exists() || to.join("records/progress").exists() {
            stopped += 1;
            make(&to);
        }
        assert!(verify(&to, &Silent).unwrap().is_valid());
        assert_eq!(timeless(&to), expected, "round {round}");
    }
    assert!(stopped > 0, "no process was stopped in time");
}
