//! Stopped, full, failing: the bag is unfinished and is continued, and then equals one that nothing disturbed.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::Ordering;

use super::choir::{Choir, everything, job};
use super::disk::{FaultyDisk, Plan};
use super::{contents, extract, extract_onto, timeless};
use crate::error::{Error, Result};
use crate::handover::output::{Disk, Output};
use crate::handover::{Algorithm, Job, Options, Record, Selected, SigningKey, Summary, verify};
use crate::progress::Silent;
use crate::sector_map::ByteState;
use crate::testing::write_file;

/// A key made for tests by `ssh-keygen`.
const KEY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/keys/choir");

fn all(choir: &Choir) -> Job<'_> {
    reading(choir, true)
}

fn reading(choir: &Choir, read_back: bool) -> Job<'_> {
    let also = Algorithm::Sha512 | Algorithm::Blake3 | Algorithm::Md5;
    let options = Options { streams: true, also, read_back, ..Options::default() };
    // A build without signatures hands over unsigned.
    let record = Record { signer: SigningKey::read(Path::new(KEY)).ok(), ..Record::default() };
    Job { record, ..job(choir, vec![Selected::Root], options) }
}

/// What a bag holds if nothing disturbs it, and the operations that takes.
fn undisturbed(job: &Job<'_>) -> (BTreeMap<String, String>, u64) {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let disk = FaultyDisk::new(Plan::default());
    extract_onto(job, &to, &disk).unwrap();
    (timeless(&to), disk.operations())
}

/// A bag is either finished or says everywhere that it is not.
fn is_honest(to: &Path) {
    let is_finished = to.join("bagit.txt").exists();
    let verified = verify(to, &Silent);
    if is_finished {
        assert!(verified.unwrap().is_valid());
    } else {
        let error = verified.unwrap_err().to_string();
        assert!(!to.join("records").exists() || to.join("NOT FINISHED.txt").exists(), "people see it too");
        // Before its first mark there is only a folder without anything of the customer's.
        assert!(error.contains("not finished") || !to.join("data").exists(), "{error}");
    }
}

fn disturb(job: &Job<'_>, plan: Plan, cut_power: bool, expected: &BTreeMap<String, String>) {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let disk = FaultyDisk::new(plan);
    let first = extract_onto(job, &to, &disk);
    if cut_power {
        disk.cut_power();
    }
    if to.exists() {
        is_honest(&to);
    }
    if first.is_ok() || (to.join("bagit.txt").exists() && !to.join("records/progress").exists()) {
        // Several threads: this time it took fewer operations.
        assert_eq!(timeless(&to), *expected, "{plan:?}");
        return;
    }
    extract(job, &to).unwrap_or_else(|error| panic!("{plan:?}: {error}"));
    assert!(verify(&to, &Silent).unwrap().is_valid());
    assert_eq!(timeless(&to), *expected, "{plan:?}");
}

#[test]
fn stopped_at_any_operation_it_goes_on_to_the_same_bag() {
    let choir = everything(Some(ByteState::Read));
    let (expected, operations) = undisturbed(&all(&choir));
    assert!(operations > 100, "{operations}");
    for at in 1..=operations {
        let plan = Plan { stop_at: Some(at), tear: at % 2 == 0, ..Plan::default() };
        disturb(&all(&choir), plan, false, &expected);
    }
}

#[test]
fn what_was_not_flushed_is_not_trusted_after_a_power_cut() {
    let choir = everything(Some(ByteState::Read));
    let (expected, operations) = undisturbed(&all(&choir));
    // The last operations only tidy up behind a bag that was flushed.
    for at in (1..operations - 5).step_by(5) {
        for no_flush in [false, true] {
            disturb(&all(&choir), Plan { stop_at: Some(at), no_flush, ..Plan::default() }, true, &expected);
        }
    }
}

/// The last files are made safe while the records are written.
#[test]
fn without_reading_back_it_is_continued_as_well() {
    let choir = everything(Some(ByteState::Read));
    let job = reading(&choir, false);
    let (expected, operations) = undisturbed(&job);
    for at in (1..operations - 5).step_by(2) {
        let plan = Plan { stop_at: Some(at), no_flush: at % 3 == 0, ..Plan::default() };
        disturb(&job, plan, at % 4 == 1, &expected);
    }
}

#[test]
fn one_failure_at_any_operation_does_no_harm() {
    let choir = everything(Some(ByteState::Read));
    let (expected, operations) = undisturbed(&all(&choir));
    for at in (1..=operations).step_by(2) {
        disturb(&all(&choir), Plan { fail_at: Some(at), tear: at % 4 == 1, ..Plan::default() }, false, &expected);
    }
}

#[test]
fn a_full_disk_stops_and_is_continued() {
    let choir = everything(Some(ByteState::Read));
    let (expected, _) = undisturbed(&all(&choir));
    for room in (0..60_000).step_by(2500) {
        disturb(&all(&choir), Plan { room: Some(room), ..Plan::default() }, false, &expected);
    }
}

#[test]
fn what_was_flushed_is_not_read_again() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let before = || choir.mood.reads.load(Ordering::SeqCst);
    extract(&all(&choir), &folder.path().join("other")).unwrap();
    let whole_run = before();
    let (_, operations) = undisturbed(&all(&choir));
    let disk = FaultyDisk::new(Plan { stop_at: Some(operations * 2 / 3), ..Plan::default() });
    extract_onto(&all(&choir), &to, &disk).unwrap_err();
    let start = before();
    let summary = extract(&all(&choir), &to).unwrap();
    assert!(summary.resumed);
    assert!(before() - start < whole_run * 2 / 3, "{} of {whole_run} reads", before() - start);
    let log = std::fs::read_to_string(to.join("records/log.txt")).unwrap();
    assert!(log.contains(" begun\n") && log.contains(" continued: "), "{log}");
}

#[test]
fn a_disk_that_gives_back_other_bytes_is_named() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    for (plan, message) in [
        (Plan { flips: true, ..Plan::default() }, "the disk may be failing"),
        (Plan { vanishes: true, ..Plan::default() }, "a virus scanner may have taken it away"),
    ] {
        let to = folder.path().join(message);
        let error = extract_onto(&all(&choir), &to, &FaultyDisk::new(plan)).unwrap_err();
        assert!(matches!(error, Error::Destination { .. }) && error.to_string().contains(message), "{error}");
        is_honest(&to);
    }
}

/// Begins a bag and stops in the middle of it.
fn half_done(choir: &Choir, to: &Path) {
    let (_, operations) = undisturbed(&all(choir));
    let disk = FaultyDisk::new(Plan { stop_at: Some(operations / 2), ..Plan::default() });
    extract_onto(&all(choir), to, &disk).unwrap_err();
}

fn why(result: Result<Summary>) -> String {
    let error = result.unwrap_err();
    assert!(matches!(error, Error::Destination { .. }), "{error:?}");
    error.to_string()
}

#[test]
fn another_job_does_not_go_on_in_it() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    half_done(&choir, &to);
    let before = contents(&to);
    let mut other = all(&choir);
    other.image_name = "tenor.img".to_string();
    assert!(why(extract(&other, &to)).contains("another image"));
    let mut other = all(&choir);
    other.map.sha256 = None;
    assert!(why(extract(&other, &to)).contains("another map"));
    let mut other = all(&choir);
    other.map.doubts.push("it is older".to_string());
    assert!(why(extract(&other, &to)).contains("another map"));
    let mut other = all(&choir);
    other.options.streams = false;
    assert!(why(extract(&other, &to)).contains("other paths or options"));
    let mut other = all(&choir);
    other.options.read_back = false;
    assert!(why(extract(&other, &to)).contains("other paths or options"));
    let clara = match choir.catalog.find("/Users/Clara") {
        crate::catalog::Lookup::Found(_, Some(name)) => Selected::Name(name),
        other => panic!("{other:?}"),
    };
    let other = job(&choir, vec![clara], Options { streams: true, ..Options::default() });
    assert!(why(extract(&other, &to)).contains("other paths or options"));
    assert_eq!(contents(&to), before, "a refusal touches nothing");
    extract(&all(&choir), &to).unwrap();
    assert!(why(extract(&all(&choir), &to)).contains("finished handover"));
}

#[test]
fn foreign_and_changed_files_in_it_stop_everything() {
    let choir = everything(Some(ByteState::Read));
    let (expected, _) = undisturbed(&all(&choir));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    half_done(&choir, &to);
    let foreign = to.join("data/recovered/my own.txt");
    write_file(&foreign, b"mine");
    assert!(why(extract(&all(&choir), &to)).contains("my own.txt"));
    assert_eq!(std::fs::read(&foreign).unwrap(), b"mine");
    Disk.remove(&foreign).unwrap();

    let progress = std::fs::read_to_string(to.join("records/progress")).unwrap();
    assert!(progress.lines().count() > 4, "{progress}");
    let noted = contents(&to).into_keys().filter(|path| path.starts_with("data/recovered/") && path.ends_with(".txt"));
    for path in noted.map(|path| to.join(path)) {
        let bytes = std::fs::read(&path).unwrap();
        write_file(&path, &[&*bytes, b"more"].concat());
        let refused = extract(&all(&choir), &to);
        match refused {
            // This one had no line yet and was done again.
            Ok(_) => break,
            Err(error) => assert!(error.to_string().contains("changed since it was written"), "{error}"),
        }
        // Taken away it is written again.
        Disk.remove(&path).unwrap();
    }
    if !to.join("bagit.txt").exists() {
        extract(&all(&choir), &to).unwrap();
    }
    assert_eq!(timeless(&to), expected);
}

#[test]
fn only_one_writes_at_a_time() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    half_done(&choir, &to);
    let held = Disk.lock(&to.join("unfinished/lock")).unwrap();
    assert!(why(extract(&all(&choir), &to)).contains("another handback is writing there"));
    drop(held);
    extract(&all(&choir), &to).unwrap();
}

#[test]
fn an_image_that_fails_or_changes_finishes_nothing() {
    let choir = everything(Some(ByteState::Read));
    let (expected, _) = undisturbed(&all(&choir));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    choir.mood.fails.store(true, Ordering::SeqCst);
    assert!(matches!(extract(&all(&choir), &to), Err(Error::ImageIo { .. })));
    is_honest(&to);
    choir.mood.fails.store(false, Ordering::SeqCst);
    choir.mood.changed.store(true, Ordering::SeqCst);
    assert!(matches!(extract(&all(&choir), &to), Err(Error::ImageChanged { .. })));
    is_honest(&to);
    choir.mood.changed.store(false, Ordering::SeqCst);
    extract(&all(&choir), &to).unwrap();
    assert_eq!(timeless(&to), expected);
}

#[test]
fn a_torn_record_of_progress_is_believed_up_to_the_tear() {
    let choir = everything(Some(ByteState::Read));
    let (expected, _) = undisturbed(&all(&choir));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    half_done(&choir, &to);
    let path = to.join("records/progress");
    let sound = std::fs::read(&path).unwrap();
    let header = sound.iter().position(|byte| *byte == b'\n').unwrap() + 1;
    assert!(sound.len() > header + 200, "{sound:?}");
    let tail: [&[u8]; 4] =
        [b"{\"entry\":3,\"si", b"\0\0\0\0\n", b"{}\n", b"{\"entry\":999,\"size\":0,\"sha256\":\"\"}\n"];
    for (cut, tail) in [(header, tail[0]), (header + 100, tail[1]), (sound.len(), tail[2]), (sound.len() - 1, tail[3])]
    {
        let copy = folder.path().join("copy");
        for (name, bytes) in contents(&to) {
            match name.strip_suffix('/') {
                Some(folder) => std::fs::create_dir_all(copy.join(folder)).unwrap(),
                None => {
                    std::fs::create_dir_all(copy.join(&name).parent().unwrap()).unwrap();
                    write_file(&copy.join(name), &bytes);
                }
            }
        }
        write_file(&copy.join("records/progress"), &[&sound[..cut], tail].concat());
        extract(&all(&choir), &copy).unwrap();
        assert_eq!(timeless(&copy), expected);
        std::fs::remove_dir_all(&copy).unwrap();
    }
    write_file(&path, b"nonsense\n");
    assert!(why(extract(&all(&choir), &to)).contains("record of progress is damaged"));
}
