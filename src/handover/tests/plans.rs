//! Which paths are written.

use super::choir::{Builder, Choir, everything, job};
use crate::catalog::{Distrust, Lookup, NameId, State};
use crate::handover::plan::Plan;
use crate::handover::{Options, Selected, VolumeSelection};
use crate::sector_map::ByteState;

fn name(choir: &Choir, path: &str) -> NameId {
    match choir.catalog.find(path) {
        Lookup::Found(_, Some(name)) => name,
        other => panic!("{path}: {other:?}"),
    }
}

fn paths(choir: &Choir, selected: Vec<Selected>, options: Options) -> Vec<String> {
    let plan = Plan::make(&job(choir, selected, options)).unwrap();
    plan.entries.into_iter().map(|entry| entry.path).collect()
}

#[test]
fn a_selection_is_written_with_whole_paths_each_once() {
    let (mut choir, root) = Builder::new();
    let users = choir.folder(root, "Users");
    let clara = choir.folder(users, "Clara");
    choir.file(clara, "song.txt", b"la");
    choir.file(clara, "other.txt", b"");
    choir.file(users, "not asked for.txt", b"");
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let [folder, file] = ["/Users/Clara", "/Users/Clara/song.txt"].map(|path| Selected::Name(name(&choir, path)));
    let all = ["Users/Clara", "Users/Clara/other.txt", "Users/Clara/song.txt"];
    for selected in [vec![folder], vec![folder, file], vec![file, folder, folder]] {
        assert_eq!(paths(&choir, selected, Options::default()), all);
    }
    assert_eq!(paths(&choir, vec![file], Options::default()), ["Users/Clara/song.txt"]);
    let everything = paths(&choir, vec![Selected::Root, file], Options::default());
    assert_eq!(everything, ["", "Users", all[0], all[1], all[2], "Users/not asked for.txt"]);
}

#[test]
fn names_that_collide_are_numbered_by_the_plan() {
    let (mut choir, root) = Builder::new();
    for name in ["photo.jpg", "Photo.JPG", "PHOTO.jpg", "CON", "a:b", "(long paths)"] {
        choir.file(root, name, b"");
    }
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let expected = ["", "(CON)", "(long paths)", "PHOTO.jpg", "Photo (2).JPG", "a(u+003A)b", "photo (3).jpg"];
    assert_eq!(paths(&choir, vec![Selected::Root], Options::default()), expected);
}

#[test]
fn the_digest_knows_the_selection_and_nothing_of_its_order() {
    let choir = everything(Some(ByteState::Read));
    let digest = |selected: &[&str], options| {
        let selected = selected.iter().map(|path| Selected::Name(name(&choir, path))).collect();
        Plan::make(&job(&choir, selected, options)).unwrap().digest
    };
    let (one, two) = ("/Users/Clara/photo.jpg", "/Users/Clara/concert.mp3");
    let plain = Options::default();
    assert_eq!(digest(&[one, two], plain), digest(&[two, one, two], plain));
    assert_ne!(digest(&[one, two], plain), digest(&[one], plain));
    assert_ne!(digest(&[one], plain), digest(&[one], Options { streams: true, ..plain }));
}

#[test]
fn long_paths_are_moved_and_stay_in_one_piece() {
    let (mut choir, root) = Builder::new();
    let mut at = root;
    for level in 0..40 {
        at = choir.folder(at, &format!("{level} {}", "x".repeat(60)));
    }
    choir.file(at, "deep.txt", b"here");
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let paths = paths(&choir, vec![Selected::Root], Options::default());
    assert!(paths.iter().all(|path| path.len() <= 800), "{paths:#?}");
    assert_eq!(paths.len(), 42);
    let deep = paths.iter().find(|path| path.ends_with("/deep.txt")).unwrap();
    assert!(deep.starts_with("(long paths)/"), "{deep}");
    // By its own number: which folders are chosen beside it changes nothing.
    let top = deep.splitn(3, '/').take(2).collect::<Vec<_>>().join("/");
    assert!(top["(long paths)/".len()..].parse::<u64>().is_ok() && paths.contains(&top), "{top}");
}

#[test]
fn streams_stand_beside_their_file_only_when_asked_for() {
    let choir = everything(Some(ByteState::Read));
    let without = Plan::make(&job(&choir, vec![Selected::Root], Options::default())).unwrap();
    assert_eq!(without.streams_left, 1);
    let options = Options { streams: true, ..Options::default() };
    let with = Plan::make(&job(&choir, vec![Selected::Root], options)).unwrap();
    assert_eq!(with.streams_left, 0);
    let stream = "Users/Clara/letter.doc(u+003A)Zone.Identifier";
    assert!(with.entries.iter().any(|entry| entry.path == stream));
    assert_eq!(with.entries.len(), without.entries.len() + 1);
}

#[test]
fn deleted_files_are_handed_over_when_asked_for() {
    let (mut choir, root) = Builder::new();
    let folder = choir.folder(root, "Old");
    let file = choir.file(folder, "song.txt", b"la");
    choir.file(folder, "kept.txt", b"la");
    for object in [folder, file] {
        choir.facts(object, |facts| {
            facts.distrust.insert(Distrust::Deleted);
        });
    }
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let plain = Options::default();
    let plan = Plan::make(&job(&choir, vec![Selected::Root], plain)).unwrap();
    assert_eq!(plan.deleted_left, 1);
    // A file that is not deleted is never lost with its folder.
    assert_eq!(paths(&choir, vec![Selected::Root], plain), ["", "Old/kept.txt"]);
    let deleted = Options { deleted: true, ..plain };
    let folder = tempfile::tempdir().unwrap();
    let summary = super::extract(&job(&choir, vec![Selected::Root], deleted), &folder.path().join("bag")).unwrap();
    assert_eq!((summary.count(State::Doubtful).paths, summary.losses, summary.has_loss()), (1, 0, false));
    let all = ["", "Old", "Old/kept.txt", "Old/song.txt"];
    assert_eq!(paths(&choir, vec![Selected::Root], deleted), all);
    assert_eq!(paths(&choir, vec![Selected::Name(name(&choir, "/Old"))], plain), all[1..]);
}

#[test]
fn several_volumes_stand_apart() {
    let (one, two) = (everything(Some(ByteState::Read)), everything(Some(ByteState::Read)));
    let mut both = job(&one, vec![Selected::Root], Options::default());
    both.volumes.push(VolumeSelection {
        number: 3,
        filesystem: &two,
        catalog: &two.catalog,
        facts: &two.facts,
        selected: vec![Selected::Name(name(&two, "/note 1.txt"))],
    });
    let plan = Plan::make(&both).unwrap();
    let has = |path: &str| plan.entries.iter().any(|entry| entry.path == path);
    assert!(has("volume 2") && has("volume 2/Users/Clara/letter.doc") && has("volume 3/note 1.txt"));
    assert!(!has("volume 3") && !has("note 1.txt"));
}
