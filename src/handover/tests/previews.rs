//! What is told before anything is written.

use super::choir::{Builder, Choir, everything, job};
use super::disk::{FaultyDisk, Plan};
use super::{contents, extract, extract_onto};
use crate::catalog::State;
use crate::error::Error;
use crate::handover::output::Space;
use crate::handover::preview::look;
use crate::handover::{Job, Options, Preview, Selected};
use crate::progress::Silent;
use crate::sector_map::ByteState;
use std::path::Path;
use std::sync::atomic::Ordering;

fn all(choir: &Choir) -> Job<'_> {
    job(choir, vec![Selected::Root], Options { streams: true, ..Options::default() })
}

fn on_a_disk(job: &Job<'_>, to: &Path, space: Space) -> Preview {
    let disk = FaultyDisk::new(Plan { space: Some(space), ..Plan::default() });
    look(job, Some(to), false, &disk, &Silent).unwrap()
}

const ROOMY: Space = Space { available: u64::MAX, cluster: 4096, largest_file: None };

#[test]
fn what_is_told_comes_true() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let preview = look(&all(&choir), Some(&to), false, &FaultyDisk::new(Plan::default()), &Silent).unwrap();
    assert!(!to.exists() && contents(folder.path()).is_empty());
    let summary = extract(&all(&choir), &to).unwrap();
    assert_eq!((preview.files, preview.bytes), (summary.written_files, summary.written_bytes));
    assert_eq!((preview.losses, preview.lost_count, preview.lost), (summary.losses, summary.lost_count, summary.lost));
    assert_eq!((preview.states, preview.not_copied), (summary.states, summary.not_copied));
    assert_eq!((preview.folders, preview.links), (summary.folders, summary.links));
    assert_eq!(preview.incomplete_folders, summary.incomplete_folders);
    assert_eq!(preview.lost_records, summary.lost_records);
    let sample = preview.sample.unwrap();
    assert!(sample.bytes > 0 && sample.bytes <= preview.bytes && sample.seconds_for_all.is_some());
    let renamed: Vec<&str> = preview.renamed.first.iter().map(|one| &*one.path).collect();
    assert!(renamed.contains(&"data/recovered/Users/Clara/(CON)") && renamed.len() == 4, "{renamed:?}");
}

#[test]
fn clusters_large_files_and_long_paths_of_the_destination_count() {
    let (mut choir, root) = Builder::new();
    choir.file(root, "small.txt", b"la");
    choir.file(root, &format!("{}.txt", "x".repeat(240)), &[1; 5000]);
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let job = job(&choir, vec![Selected::Root], Options::default());
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let on = |space| on_a_disk(&job, &to, space).room.unwrap();
    let needed = (1 << 20) + 2 * (32768 + 4096);
    let room = on(Space { available: needed, cluster: 32768, largest_file: None });
    assert_eq!((room.needed, room.fits(), room.begun), (needed, true, false));
    assert!(!on(Space { available: needed - 1, cluster: 32768, largest_file: None }).fits());
    let room = on(Space { largest_file: Some(4999), ..ROOMY });
    assert_eq!((room.fits(), room.too_large.count), (false, 1));
    assert!(room.too_large.first[0].source_path.starts_with("/xxx"));
    let room = on(Space { largest_file: Some(5000), ..ROOMY });
    assert!(room.fits());
    assert_eq!(room.long_paths.count, 1);
    // To the very unit: 259 is fine.
    let start = std::path::absolute(&to).unwrap().to_string_lossy().encode_utf16().count();
    let (mut choir, root) = Builder::new();
    let length = 259 - start - "/data/recovered/".len();
    assert!(length + 1 < 250, "the test's own folder is short");
    choir.file(root, &"y".repeat(length), b"");
    choir.file(root, &"z".repeat(length + 1), b"");
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let job = super::choir::job(&choir, vec![Selected::Root], Options::default());
    let long = on_a_disk(&job, &to, ROOMY).room.unwrap().long_paths;
    assert!(long.count == 1 && long.first[0].source_path.starts_with("/z"), "{long:?}");
}

#[test]
fn what_is_there_already_needs_no_room() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let fresh = on_a_disk(&all(&choir), &to, ROOMY).room.unwrap();
    let disk = FaultyDisk::new(Plan::default());
    extract_onto(&all(&choir), &folder.path().join("other"), &disk).unwrap();
    let half = FaultyDisk::new(Plan { stop_at: Some(disk.operations() / 2), ..Plan::default() });
    extract_onto(&all(&choir), &to, &half).unwrap_err();
    let before = contents(&to);
    let rest = on_a_disk(&all(&choir), &to, ROOMY).room.unwrap();
    assert!(rest.begun && rest.needed < fresh.needed, "{} {}", rest.needed, fresh.needed);
    assert_eq!(contents(&to), before);
    extract(&all(&choir), &to).unwrap();
    let disk = FaultyDisk::new(Plan { space: Some(ROOMY), ..Plan::default() });
    let added = look(&all(&choir), Some(&to), true, &disk, &Silent).unwrap();
    assert_eq!(added.room.unwrap().needed, 1 << 20, "nothing is new");
    assert!(added.sample.is_none());
    let refused = look(&all(&choir), Some(&to), false, &disk, &Silent).unwrap_err();
    assert!(matches!(refused, Error::Destination { .. }));
}

#[test]
fn an_image_that_fails_or_changes_tells_nothing() {
    let choir = everything(None);
    let job = all(&choir);
    let tell = || crate::handover::preview(&job, None, false, &Silent);
    assert!(tell().unwrap().states.contains_key(&State::Unproven));
    choir.mood.changed.store(true, Ordering::SeqCst);
    assert!(matches!(tell(), Err(Error::ImageChanged { .. })));
    choir.mood.fails.store(true, Ordering::SeqCst);
    assert!(matches!(tell(), Err(Error::ImageIo { .. })));
}
