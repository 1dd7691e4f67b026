//! Adding to a finished bag: undisturbed, stopped, failing, and refused.

use std::collections::BTreeMap;
use std::path::Path;

use super::choir::{Choir, everything, job};
use super::disk::{FaultyDisk, Plan};
use super::{contents, timeless};
use crate::catalog::Lookup;
use crate::error::{Error, Result};
use crate::handover::{
    Base, Choice, Choices, Filter, Job, Options, Selected, Selection, Summary, add, given, run, verify,
};
use crate::progress::Silent;
use crate::sector_map::ByteState;
use crate::testing::write_file;

/// The first selection, and what is added to it.
const FIRST: [&str; 3] = ["/Users/Clara/Photo.JPG", "/Users/Clara/concert.mp3", "/note 3.txt"];
const SECOND: [&str; 2] = ["/Users/Clara", "/note 4.txt"];

fn choice(choir: &Choir, paths: &[&str]) -> Choice {
    let selected = |path: &&str| match choir.catalog.find(path) {
        Lookup::Found(_, Some(name)) => Selected::Name(name),
        other => panic!("{path}: {other:?}"),
    };
    let base = Base { selected: paths.iter().map(selected).collect(), profiles: None };
    let selection = Selection { paths: paths.iter().map(|path| path.to_string()).collect(), ..Selection::default() };
    Choice { selection, bases: BTreeMap::from([(2, base)]), filter: Filter::default() }
}

fn choosing<'a>(choir: &'a Choir, choices: &[&[&str]], alone: Option<u32>) -> Job<'a> {
    let list: Vec<Choice> = choices.iter().map(|paths| choice(choir, paths)).collect();
    let selected = list.iter().flat_map(|choice| choice.bases[&2].selected.clone()).collect();
    let options = Options { streams: true, ..Options::default() };
    Job { choices: Choices { list, alone }, ..job(choir, selected, options) }
}

fn first(choir: &Choir) -> Job<'_> {
    choosing(choir, &[&FIRST], None)
}

fn both(choir: &Choir) -> Job<'_> {
    choosing(choir, &[&FIRST, &SECOND], Some(2))
}

fn make_first(choir: &Choir, to: &Path) {
    crate::handover::extract(&first(choir), to, &Silent).unwrap();
}

/// Everything in the bag but what the log and the dates say.
fn undisturbed(choir: &Choir) -> (BTreeMap<String, String>, u64) {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    make_first(choir, &to);
    let disk = FaultyDisk::new(Plan::default());
    run(&both(choir), &to, true, &disk, &Silent).unwrap();
    assert!(verify(&to, &Silent).unwrap().is_valid());
    (timeless(&to), disk.operations())
}

fn why(result: Result<Summary>) -> String {
    let error = result.unwrap_err();
    assert!(matches!(error, Error::Destination { .. }), "{error:?}");
    error.to_string()
}

#[test]
fn the_union_is_what_one_selection_of_both_would_be() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let (at_once, in_turn) = (folder.path().join("at once"), folder.path().join("in turn"));
    crate::handover::extract(&choosing(&choir, &[&FIRST, &SECOND], None), &at_once, &Silent).unwrap();
    make_first(&choir, &in_turn);
    let before = contents(&in_turn);
    assert_eq!(
        given(&in_turn, job(&choir, Vec::new(), Options::default()).image.as_ref(), "choir.img", None).unwrap().alone,
        Some(2)
    );
    add(&both(&choir), &in_turn, &Silent).unwrap();
    let after = contents(&in_turn);
    for (path, bytes) in before.iter().filter(|(path, _)| path.starts_with("data/")) {
        assert_eq!(after.get(path), Some(bytes), "{path}");
    }
    assert!(after.len() > before.len() + 10);
    assert_eq!(timeless(&in_turn), timeless(&at_once));
    // In both the digits of the copies are those that were read, also of the holed one.
    assert!(after.contains_key("data/damaged/Users/Clara/concert.mp3"));
    assert!(after.contains_key("data/recovered/Users/Clara/photo (2).jpg"));
}

fn disturb(choir: &Choir, plan: Plan, cut_power: bool, expected: &BTreeMap<String, String>) {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    make_first(choir, &to);
    let before = contents(&to);
    let disk = FaultyDisk::new(plan);
    let outcome = run(&both(choir), &to, true, &disk, &Silent);
    if cut_power {
        disk.cut_power();
    }
    // What was there is never touched, and the bag is either finished or says that it is not.
    let now = contents(&to);
    for (path, bytes) in before.iter().filter(|(path, _)| path.starts_with("data/")) {
        assert_eq!(now.get(path), Some(bytes), "{path} {plan:?}");
    }
    match verify(&to, &Silent) {
        Ok(verified) => assert!(verified.is_valid(), "{plan:?} {:?}", verified.problems),
        Err(error) => assert!(error.to_string().contains("not finished"), "{plan:?} {error}"),
    }
    assert!(outcome.is_ok() || !now.contains_key("bagit.txt") || now.contains_key("records/job.json"));
    add(&both(choir), &to, &Silent).unwrap_or_else(|error| panic!("{plan:?}: {error}"));
    assert!(verify(&to, &Silent).unwrap().is_valid());
    assert_eq!(timeless(&to), *expected, "{plan:?}");
}

#[test]
fn stopped_at_any_operation_it_goes_on_to_the_same_bag() {
    let choir = everything(Some(ByteState::Read));
    let (expected, operations) = undisturbed(&choir);
    assert!(operations > 80, "{operations}");
    for at in 1..=operations {
        let plan = Plan { stop_at: Some(at), tear: at % 2 == 0, ..Plan::default() };
        disturb(&choir, plan, false, &expected);
    }
}

#[test]
fn one_failure_at_any_operation_does_no_harm() {
    let choir = everything(Some(ByteState::Read));
    let (expected, operations) = undisturbed(&choir);
    for at in 1..=operations {
        disturb(&choir, Plan { fail_at: Some(at), tear: at % 4 == 1, ..Plan::default() }, false, &expected);
    }
}

#[test]
fn a_power_cut_and_a_full_disk_do_no_harm() {
    let choir = everything(Some(ByteState::Read));
    let (expected, operations) = undisturbed(&choir);
    for at in (1..operations - 5).step_by(7) {
        for no_flush in [false, true] {
            disturb(&choir, Plan { stop_at: Some(at), no_flush, ..Plan::default() }, true, &expected);
        }
    }
    for room in (0..60_000).step_by(6000) {
        disturb(&choir, Plan { room: Some(room), ..Plan::default() }, false, &expected);
    }
}

#[test]
fn what_was_there_is_read_again_also_when_adding_goes_on() {
    let choir = everything(Some(ByteState::Read));
    let (expected, operations) = undisturbed(&choir);
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    make_first(&choir, &to);
    let note = to.join("data/recovered/note 3.txt");
    let sound = std::fs::read(&note).unwrap();
    let changed: Vec<u8> = sound.iter().map(|byte| byte ^ 1).collect();
    let before = contents(&to);
    write_file(&note, &changed);
    assert!(why(add(&both(&choir), &to, &Silent)).contains("it was changed since it was written"));
    write_file(&note, &sound);
    assert_eq!(contents(&to), before);

    let disk = FaultyDisk::new(Plan { stop_at: Some(operations * 2 / 3), ..Plan::default() });
    run(&both(&choir), &to, true, &disk, &Silent).unwrap_err();
    assert!(!to.join("bagit.txt").exists() && to.join("NOT FINISHED.txt").exists());
    assert_eq!(
        given(&to, both(&choir).image.as_ref(), "choir.img", None).unwrap().selections.len(),
        1,
        "also while it is unfinished"
    );
    write_file(&note, &changed);
    assert!(why(add(&both(&choir), &to, &Silent)).contains("it was changed since it was written"));
    assert_eq!(std::fs::read(&note).unwrap(), changed, "the customer's change is not undone");
    crate::handover::output::Output::remove(&crate::handover::output::Disk, &note).unwrap();
    assert!(why(add(&both(&choir), &to, &Silent)).contains("is not there any more"));
    write_file(&note, &sound);
    // Only for what was being added.
    assert!(why(add(&choosing(&choir, &[&FIRST, &["/note 5.txt"]], Some(2)), &to, &Silent)).contains("other paths"));
    add(&both(&choir), &to, &Silent).unwrap();
    assert_eq!(timeless(&to), expected);
}

#[test]
fn another_image_map_or_record_is_refused() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    assert!(why(add(&both(&choir), &to, &Silent)).contains("no handover to add to"));
    make_first(&choir, &to);
    let before = contents(&to);
    let changed = |change: &dyn Fn(&mut Job<'_>)| {
        let mut job = both(&choir);
        change(&mut job);
        why(add(&job, &to, &Silent))
    };
    assert!(changed(&|job| job.image_name = "tenor.img".to_string()).contains("another image"));
    assert!(changed(&|job| job.map.sha256 = None).contains("another map"));
    assert!(changed(&|job| job.map.doubts.push("it is older".to_string())).contains("another map"));
    assert!(changed(&|job| job.options.streams = false).contains("other options"));
    // A job that does not lead to what is there.
    let other = choosing(&choir, &[&SECOND], Some(2));
    assert!(why(add(&other, &to, &Silent)).contains("do not lead to this file"));
    let other = choosing(&choir, &[&FIRST, &SECOND], Some(3));
    assert!(why(add(&other, &to, &Silent)).contains("do not lead to this file"));
    for record in ["records/job.json", "records/manifest.json"] {
        let path = to.join(record);
        let sound = std::fs::read(&path).unwrap();
        write_file(&path, &[&sound[..], b" "].concat());
        assert!(why(add(&both(&choir), &to, &Silent)).contains("changed since the handover was finished"), "{record}");
        write_file(&path, &sound);
    }
    write_file(&to.join("data/recovered/mine.txt"), b"mine");
    assert!(why(add(&both(&choir), &to, &Silent)).contains("mine.txt"));
    crate::handover::output::Output::remove(&crate::handover::output::Disk, &to.join("data/recovered/mine.txt"))
        .unwrap();
    assert_eq!(contents(&to), before, "a refusal touches nothing");
}

#[test]
fn what_the_bag_says_and_proves_is_not_dropped() {
    let choir = everything(Some(ByteState::Read));
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("bag");
    let options = Options { streams: true, check: true, second_reader: true, ..Options::default() };
    crate::handover::extract(&Job { options, ..first(&choir) }, &to, &Silent).unwrap();
    let before = contents(&to);
    assert!(why(add(&both(&choir), &to, &Silent)).contains("--second-reader"));
    let without_check = Options { check: false, ..options };
    assert!(why(add(&Job { options: without_check, ..both(&choir) }, &to, &Silent)).contains("--check"));
    assert_eq!(contents(&to), before, "nothing was touched");
    add(&Job { options, ..both(&choir) }, &to, &Silent).unwrap();
    assert!(verify(&to, &Silent).unwrap().is_valid());
}

#[test]
fn what_somebody_put_there_is_neither_taken_away_nor_taken_for_ours() {
    let choir = everything(Some(ByteState::Read));
    for (name, words) in [
        ("unfinished/a letter.txt", "no part of the handover"),
        ("READ ME FIRST.txt", "it was changed"),
        ("records/log.txt", "it was changed"),
        ("manifest-md5.txt", "it was changed"),
        ("tagmanifest-sha256.txt.sig", "signature is not good"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let to = folder.path().join("bag");
        make_first(&choir, &to);
        std::fs::create_dir_all(to.join("unfinished")).unwrap();
        write_file(&to.join(name), b"somebody's remark");
        let before = contents(&to);
        let said = why(add(&both(&choir), &to, &Silent));
        assert!(said.contains(words), "{name}: {said}");
        assert_eq!(contents(&to), before, "{name}: nothing was touched");
    }
}
