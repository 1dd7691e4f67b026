//! Recycle bins, against what the fixture script put into them.

mod common;

use std::collections::BTreeMap;

use common::fixture;
use handback::filesystem;
use handback::progress::Silent;
use handback::survey::recycle;

#[test]
fn original_names_and_times_of_deletion() {
    let volume = filesystem::open(&fixture::all_read("ntfs-recycle")).expect("in memory").expect("NTFS");
    let swept = volume.sweep(Default::default(), &Silent).expect("in memory");
    let items = recycle::read(volume.as_ref(), &swept.catalog).expect("in memory");
    let found: BTreeMap<&str, &recycle::Recycled> =
        items.iter().filter_map(|item| Some((item.path.as_deref()?, item))).collect();
    let mut compared = 0;
    for truth in fixture::truth("ntfs-recycle") {
        let path = truth.path_text();
        let Some((_, rest)) = truth.note.split_once("original=") else {
            assert!(!found.contains_key(&*path), "{path} has no index that makes sense");
            continue;
        };
        let original = rest.split_once(" deleted-at=").expect("both stand together").0;
        let item = found.get(&*path).unwrap_or_else(|| panic!("{path} is not found"));
        assert_eq!(item.original_path, original, "{path}");
        let seconds: i64 = truth.value("deleted-at").and_then(|text| text.parse().ok()).expect("a number");
        let time = jiff::Timestamp::from_second(seconds).expect("a time").to_string();
        assert_eq!(item.deleted.as_deref(), Some(&*time), "{path}");
        compared += 1;
    }
    assert!(compared >= 6);
    let alone: Vec<_> = items.iter().filter(|item| item.path.is_none()).collect();
    assert_eq!(alone.len(), 1, "an index without its content: {alone:?}");
}
