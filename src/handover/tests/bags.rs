//! What stands in a bag.

use sha2::{Digest, Sha256};

use super::choir::{Builder, everything, job, noise};
use super::{contents, extract, prose, rows};
use crate::catalog::{Encoding, Extents, Run, Runs};
use crate::catalog::{Place, State};
use crate::handover::{MapNote, Options, Selected, hex, verify};
use crate::progress::Silent;
use crate::sector_map::{Basis, ByteState};

#[test]
fn every_file_goes_where_its_state_says() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let to = folder.path().join("bag");
    let summary = extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();
    let found = contents(&to);
    let content = |path: &str| found.get(path).unwrap_or_else(|| panic!("{path}: {:#?}", found.keys()));
    let clara = "data/recovered/Users/Clara";
    assert_eq!(content(&format!("{clara}/Abend 100%.txt")), b"Der Mond ist aufgegangen\n");
    assert_eq!(content(&format!("{clara}/evening.txt")), b"Der Mond ist aufgegangen\n");
    assert_eq!(content(&format!("{clara}/Photo.JPG")), &noise(1024, 2));
    assert_eq!(content(&format!("{clara}/photo (2).jpg")), &noise(1300, 1));
    assert_eq!(content(&format!("{clara}/lit(u+0025)0Aeral.txt")), b"percent");
    assert_eq!(content("data/doubtful/Users/Clara/claimed.bin"), &noise(600, 5));
    let mut holed = noise(3000, 3);
    holed[512..1024].fill(0);
    assert_eq!(content("data/damaged/Users/Clara/concert.mp3"), &holed);
    assert!(found.contains_key("data/recovered/Users/Empty/"));
    for left in ["secret.txt", "gone.txt", "misplaced.txt", "cloud.txt", "old.txt", "My Music"] {
        assert!(!found.keys().any(|path| path.starts_with("data/") && path.ends_with(left)), "{left}");
    }
    for gone in ["NOT FINISHED.txt", "records/progress", "unfinished/"] {
        assert!(!found.contains_key(gone), "{gone}");
    }

    assert_eq!(summary.count(State::Whole).objects, 19);
    assert_eq!(summary.count(State::Whole).paths, 20, "a hard-linked file has two");
    let one = |state| (summary.count(state).objects, summary.count(state).paths);
    assert_eq!((one(State::Damaged), one(State::Doubtful), one(State::Locked)), ((1, 1), (1, 1), (1, 1)));
    assert_eq!((one(State::Absent), one(State::Unlocated), one(State::Unproven)), ((1, 1), (2, 2), (0, 0)));
    assert_eq!((summary.written_files, summary.not_copied, summary.lost_count), (22, 4, 6));
    assert_eq!((summary.links, summary.streams_left, summary.deleted_left), (1, 1, 1));
    assert_eq!((summary.lost_records, summary.incomplete_folders, summary.unproven_line()), (2, 1, None));
    assert!(summary.has_loss() && !summary.resumed);
}

#[test]
fn records_say_what_the_design_says() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let to = folder.path().join("bag");
    extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();

    let manifest = rows(&to, "manifest.csv");
    assert_eq!(
        manifest[0],
        "path,source_path,volume,address,kind,state,reasons,size,gap_bytes,sha256,created,modified,zone,second_reader,opens"
    );
    let digest = hex::of(&Sha256::digest(b"percent"));
    assert!(
        manifest.contains(&format!(
            "data/recovered/Users/Clara/lit(u+0025)0Aeral.txt,/Users/Clara/lit%0Aeral.txt,2,record:29,file,whole,,7,0,\
             {digest},2009-03-14T15:09:26.1234567Z,2009-03-14T15:09:56.1234567Z,UTC,,"
        )),
        "{manifest:#?}"
    );
    let starting = |table: &[String], start: &str| -> Vec<String> {
        table.iter().filter(|row| row.starts_with(start)).cloned().collect()
    };
    let empty = starting(&manifest, "data/recovered/Users/Empty,");
    assert!(empty[0].contains(",folder,incomplete,lost-records,,,,"), "{empty:?}");
    assert_eq!(starting(&manifest, "data/recovered/Users/Clara/evening.txt")[0].split(',').nth(3), Some("record:26"));
    assert!(manifest[1..].is_sorted_by_key(|row| row.split(',').next().unwrap()), "{manifest:#?}");

    let lost = rows(&to, "lost.csv");
    let row = |name: &str| starting(&lost, &format!("/Users/Clara/{name},")).join("|");
    assert_eq!(lost[0], "source_path,volume,address,state,size,gap_start,gap_length,why");
    assert_eq!(row("concert.mp3"), "/Users/Clara/concert.mp3,2,record:31,damaged,3000,512,512,unread");
    assert_eq!(row("secret.txt"), "/Users/Clara/secret.txt,2,record:36,locked,600,,,encrypted");
    assert_eq!(row("cloud.txt"), "/Users/Clara/cloud.txt,2,record:39,absent,4000,,,never-here");
    assert!(row("gone.txt").ends_with(",unlocated,0,,,record-lost"), "{}", row("gone.txt"));
    assert!(row("misplaced.txt").contains(",unlocated,6,,,description-lost: the file record 38 at 0x400 lies"));
    assert!(lost.last().unwrap().starts_with(",2,,unlocated,,,,2 records could not be read"), "{lost:#?}");
    assert_eq!(lost.len(), 7);

    let links = rows(&to, "links.csv");
    assert!(links[1].starts_with("/Users/Clara/My Music,2,record:34,C:\\Users\\Clara\\Music,"), "{links:?}");
    assert_eq!(links.len(), 2);

    let json: serde_json::Value =
        serde_json::from_slice(&std::fs::read(to.join("records/manifest.json")).unwrap()).unwrap();
    assert_eq!(json["handback_json"], 1);
    let files = json["files"].as_array().unwrap();
    let find = |path: &str| files.iter().find(|file| file["source_path"] == path).unwrap();
    let holed = find("/Users/Clara/concert.mp3");
    assert_eq!(holed["gaps"], serde_json::json!([{"start": 512, "length": 512, "why": "unread"}]));
    assert_eq!(find("/Users/Clara/secret.txt")["path"], serde_json::Value::Null);
    let job: serde_json::Value = serde_json::from_slice(&std::fs::read(to.join("records/job.json")).unwrap()).unwrap();
    assert_eq!((&job["map"]["basis"], &job["volumes"][0]["selected"][0]), (&"full".into(), &"/".into()));
}

#[test]
fn the_bag_is_one_by_the_rfc() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let to = folder.path().join("bag");
    let options = Options { streams: true, deleted: true, ..Options::default() };
    let summary = extract(&job(&choir, vec![Selected::Root], options), &to).unwrap();
    let found = contents(&to);
    assert_eq!(found["bagit.txt"], b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n");
    let text = |path: &str| String::from_utf8(found[path].clone()).unwrap();
    // Each line as `sha256sum` writes it, by path, and nothing else below `data`.
    let mut expected: Vec<String> = found
        .iter()
        .filter(|(path, _)| path.starts_with("data/") && !path.ends_with('/'))
        .map(|(path, bytes)| format!("{}  {path}\n", hex::of(&Sha256::digest(bytes))))
        .collect();
    expected.sort_by(|one, two| one[64..].cmp(&two[64..]));
    assert_eq!(text("manifest-sha256.txt"), expected.concat());
    let mut tags: Vec<String> = found
        .iter()
        .filter(|(path, _)| !path.starts_with("data/") && !path.ends_with('/') && *path != "tagmanifest-sha256.txt")
        .map(|(path, bytes)| format!("{}  {path}\n", hex::of(&Sha256::digest(bytes))))
        .collect();
    tags.sort_by(|one, two| one[64..].cmp(&two[64..]));
    assert_eq!(text("tagmanifest-sha256.txt"), tags.concat());
    // With the page and one sheet, if this library makes them.
    assert_eq!(tags.len(), if cfg!(feature = "report") { 12 } else { 10 });
    let info = text("bag-info.txt");
    let oxum = format!("\nPayload-Oxum: {}.{}\n", summary.written_bytes, summary.written_files);
    assert!(info.contains(&oxum) && info.starts_with("External-Description: Files from"), "{info}");

    let checked = verify(&to, &Silent).unwrap();
    assert!(checked.is_valid(), "{:#?}", checked.problems);
    assert_eq!((checked.payload_files, checked.payload_bytes), (summary.written_files, summary.written_bytes));
    assert_eq!(contents(&to), found, "verify changes nothing");
}

#[test]
fn without_a_map_everything_opens_with_that() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(None);
    let to = folder.path().join("bag");
    let mut job = job(&choir, vec![Selected::Root], Options::default());
    job.map = MapNote::default();
    let summary = extract(&job, &to).unwrap();
    // Of the files with clusters all that were whole, and the holed one: nobody says that it has a hole.
    let line = "Nobody recorded whether every part of 18 of these files could be read from the drive (no map speaks for \
                them), so parts may be empty although they look complete: open what matters and look.";
    assert_eq!(summary.unproven_line().as_deref(), Some(line));
    for file in ["READ ME FIRST.txt", "bag-info.txt"] {
        let text = prose(&to.join(file));
        assert!(text.trim_start_matches("External-Description: ").starts_with(line), "{text}");
    }
    assert!(!std::fs::read_to_string(to.join("READ ME FIRST.txt")).unwrap().replace("\r\n", "").contains('\n'));
}

#[test]
fn blank_files_among_the_unproven_are_counted() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    choir.file(root, "blank.jpg", &[0; 3000]);
    choir.file(root, "half.jpg", &[noise(5000, 1), vec![0; 40_000]].concat());
    choir.file(root, "short end.jpg", &[noise(5000, 1), vec![0; 10_000]].concat());
    let choir = choir.finish(root, None, &[]);
    let summary = extract(&job(&choir, vec![Selected::Root], Options::default()), &folder.path().join("bag")).unwrap();
    assert_eq!((summary.unproven_files, summary.unproven_blank), (3, 2));
}

#[test]
fn on_whose_word_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let to = folder.path().join("bag");
    let mut job = job(&choir, vec![Selected::Root], Options::default());
    let doubts = vec!["it is 12 minutes older than the image".to_string()];
    job.map = MapNote { basis: Some(Basis::Asserted), asserted: true, doubts, accepted: true, ..MapNote::default() };
    extract(&job, &to).unwrap();
    let text = prose(&to.join("READ ME FIRST.txt"));
    assert!(
        text.contains("technician's word, and not only on a record")
            && text.contains("12 minutes older")
            && text.contains("accepted it")
    );
}

#[test]
fn a_partly_cloudy_file_is_handed_over_with_zeros() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    let file = choir.file(root, "cloudy.txt", &noise(512, 9));
    let place = Place::At(choir.place(file));
    let runs = vec![Run { start: 0, length: 512, place }, Run { start: 512, length: 512, place: Place::NeverHere }];
    let runs = Runs { runs, size: 1000, valid_size: 1000, encoding: Encoding::Plain };
    choir.set_extents(file, Some(Extents::Runs(runs)));
    choir.change(file, |object| object.size = 1000);
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let to = folder.path().join("bag");
    let summary = extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();
    assert_eq!(contents(&to)["data/damaged/cloudy.txt"], [noise(512, 9), vec![0; 488]].concat());
    assert_eq!(rows(&to, "lost.csv")[1], "/cloudy.txt,2,record:24,absent,1000,512,488,never-here");
    assert_eq!((summary.count(State::Absent).paths, summary.has_loss()), (1, false));
}

#[test]
fn a_file_larger_than_its_volume_keeps_no_other_from_being_copied() {
    let folder = tempfile::tempdir().unwrap();
    let (mut choir, root) = Builder::new();
    let file = choir.file(root, "huge", b"");
    let runs = vec![Run { start: 0, length: 1 << 62, place: Place::Zeros }];
    let runs = Runs { runs, size: 1 << 62, valid_size: 0, encoding: Encoding::Plain };
    choir.set_extents(file, Some(Extents::Runs(runs)));
    choir.change(file, |object| object.size = 1 << 62);
    choir.file(root, "song.txt", b"la");
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let to = folder.path().join("bag");
    let summary = extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();
    assert_eq!((summary.written_files, summary.not_copied), (1, 1));
    assert!(rows(&to, "lost.csv")[1].contains("it claims 4611686018427387904 bytes"));
}

#[test]
fn times_are_restored() {
    let folder = tempfile::tempdir().unwrap();
    let choir = everything(Some(ByteState::Read));
    let to = folder.path().join("bag");
    extract(&job(&choir, vec![Selected::Root], Options::default()), &to).unwrap();
    let seconds = |path: &str| {
        let modified = std::fs::metadata(to.join(path)).unwrap().modified().unwrap();
        modified.duration_since(std::time::UNIX_EPOCH).unwrap().as_secs()
    };
    // 2009-03-14T15:09:26Z, and a second more for each record from number 24 up.
    assert_eq!(seconds("data/recovered/Users/Clara/evening.txt"), 1_237_043_366 + 27);
    assert_eq!(seconds("data/recovered/Users"), 1_237_043_366 + 25);
}
