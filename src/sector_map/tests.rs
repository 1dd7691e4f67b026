use std::collections::BTreeMap;
use std::time::{Duration, SystemTime};

use proptest::prelude::*;

use super::*;
use crate::image::MemoryImage;

const LENGTH: u64 = 200;

fn state() -> impl Strategy<Value = ByteState> {
    prop::sample::select(ByteState::ALL.to_vec())
}

fn basis() -> impl Strategy<Value = Basis> {
    prop::sample::select(Basis::ALL.to_vec())
}

/// Random sorted, disjoint ranges.
fn ranges() -> impl Strategy<Value = Vec<Segment>> {
    prop::collection::vec((0..20_u64, 1..20_u64, state()), 0..20).prop_map(|steps| {
        let mut at = 0;
        let mut ranges = Vec::new();
        for (gap, length, state) in steps {
            let start = at + gap;
            let end = start + length;
            if end > LENGTH {
                break;
            }
            ranges.push(Segment { range: start..end, state });
            at = end;
        }
        ranges
    })
}

prop_compose! {
    fn any_map()(ranges in ranges(), rest in state(), basis in basis()) -> (SectorMap, Vec<ByteState>) {
        let mut naive = vec![rest; LENGTH as usize];
        for Segment { range, state } in &ranges {
            for byte in range.clone() {
                naive[byte as usize] = *state;
            }
        }
        (SectorMap::from_ranges(LENGTH, basis, rest, &ranges).unwrap(), naive)
    }
}

fn agree(map: &SectorMap, naive: &[ByteState]) {
    assert_eq!(map.length(), naive.len() as u64);
    for (offset, state) in naive.iter().enumerate() {
        assert_eq!(map.state_at(offset as u64), *state, "byte {offset} of {map:?}");
    }
    let mut end = 0;
    let mut last = None;
    for segment in map.segments(0..map.length()) {
        assert_eq!(segment.range.start, end);
        assert_ne!(last, Some(segment.state), "neighbours are joined");
        (end, last) = (segment.range.end, Some(segment.state));
    }
    assert_eq!(end, map.length());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn queries_equal_the_byte_per_byte_model((map, naive) in any_map(), start in 0..LENGTH, length in 0..LENGTH) {
        agree(&map, &naive);
        let range = start..(start + length);
        let inside = &naive[start as usize..range.end.min(LENGTH) as usize];
        for state in ByteState::ALL {
            prop_assert_eq!(map.count(range.clone(), state), inside.iter().filter(|byte| **byte == state).count() as u64);
        }
        let listed: Vec<ByteState> = map
            .segments(range)
            .flat_map(|segment| vec![segment.state; (segment.range.end - segment.range.start) as usize])
            .collect();
        prop_assert_eq!(listed, inside);
    }

    #[test]
    fn the_own_form_comes_back_the_same((map, naive) in any_map()) {
        let text = map.to_csv();
        let says_bad_only = matches!(map.basis(), Some(Basis::BadList | Basis::Marker));
        if says_bad_only && naive.contains(&ByteState::Read) {
            prop_assert!(SectorMap::from_csv(&text, None).is_err());
        } else {
            for text in [text.clone(), text.replace('\n', "\r\n")] {
                let again = SectorMap::from_csv(&text, None).unwrap();
                agree(&again, &naive);
                prop_assert_eq!(again.basis(), map.basis());
            }
        }
    }

    #[test]
    fn a_file_that_was_cut_short_never_says_more((map, naive) in any_map()) {
        let text = map.to_csv();
        for (end, _) in text.match_indices('\n') {
            let Ok(cut) = SectorMap::from_csv(&text[..=end], None) else { continue };
            for (offset, state) in naive.iter().enumerate() {
                prop_assert!(*state == ByteState::Read || cut.state_at(offset as u64) != ByteState::Read);
            }
        }
    }

    #[test]
    fn converting_first_never_makes_more_of_the_users_word(
        (map, _) in any_map(),
        rest in prop::sample::select(vec![ByteState::Unknown, ByteState::Unreached, ByteState::Read]),
    ) {
        let list = SectorMap::from_ranges(LENGTH, Basis::Asserted, rest, &map.segments(0..LENGTH)
            .filter(|segment| segment.state == ByteState::Unread).collect::<Vec<_>>()).unwrap();
        let original = format!("# handback sector map 1\n# image-length: {LENGTH}\n# basis: asserted\n# rest: {rest}\nstart,length,state\n{}",
            list.segments(0..LENGTH).filter(|segment| segment.state == ByteState::Unread)
                .map(|segment| format!("{},{},unread\n", segment.range.start, segment.range.end - segment.range.start)).collect::<String>());
        let direct = SectorMap::from_csv(&original, Some(ByteState::Read)).unwrap();
        let converted = SectorMap::from_csv(&list.to_csv(), Some(ByteState::Read)).unwrap();
        for offset in 0..LENGTH {
            prop_assert!(converted.state_at(offset) <= direct.state_at(offset));
        }
    }

    #[test]
    fn merging_equals_the_model((first, one) in any_map(), (second, two) in any_map()) {
        let merged = merge(&[first.clone(), second.clone()]).unwrap();
        let best: Vec<ByteState> = one.iter().zip(&two).map(|(one, two)| *one.max(two)).collect();
        agree(&merged, &best);
        let givers: Vec<Basis> = [&first, &second]
            .iter()
            .filter(|map| map.total(ByteState::Read) > 0)
            .filter_map(|map| map.basis())
            .collect();
        if let Some(weakest) = givers.iter().min() {
            prop_assert_eq!(merged.basis(), Some(*weakest));
        }
    }

    #[test]
    fn rounding_equals_the_model((map, naive) in any_map(), sector in 1..40_u64) {
        let mut grown = naive.clone();
        for (offset, _) in naive.iter().enumerate().filter(|(_, state)| **state == ByteState::Unread) {
            let start = offset as u64 / sector * sector;
            for byte in start..(start + sector).min(LENGTH) {
                grown[byte as usize] = ByteState::Unread;
            }
        }
        agree(&map.rounded(sector), &grown);
    }

    #[test]
    fn shifting_and_fitting_equal_the_model((map, naive) in any_map(), offset in 0..LENGTH, length in 0..2 * LENGTH) {
        let end = (offset + length).min(LENGTH);
        agree(&map.shifted(offset, length), &naive[offset as usize..end as usize]);
        let mut fitted = naive;
        let both = length.min(LENGTH) as usize;
        fitted.truncate(both);
        fitted.resize(length.max(LENGTH) as usize, ByteState::Unreached);
        agree(&map.fitted(length), &fitted);
    }

    #[test]
    fn a_doubted_map_keeps_its_holes((map, naive) in any_map()) {
        let model: Vec<ByteState> = naive
            .into_iter()
            .map(|state| if state == ByteState::Read { ByteState::Unknown } else { state })
            .collect();
        agree(&map.without_good_word(), &model);
    }

    #[test]
    fn no_text_panics(text in ".{0,200}") {
        let _ = SectorMap::from_csv(&text, None);
        let _ = SectorMap::from_bad_sectors(&text, 512, 1 << 20, None);
        let with_heading = format!("# handback sector map 1\n# image-length: 100\nstart,length,state\n{text}");
        let _ = SectorMap::from_csv(&with_heading, None);
    }
}

#[test]
fn a_wrong_row_names_its_line() {
    let head = "# handback sector map 1\n# image-length: 100\n# basis: full\nstart,length,state\n";
    for (row, line) in [
        ("0,10,read\n5,10,read\n", "line 6"),
        ("0,101,read\n", "line 5"),
        ("0,0,read\n", "line 5"),
        ("0,10,good\n", "line 5"),
        ("0,10\n", "line 5"),
        ("18446744073709551615,10,read\n", "line 5"),
        ("0,10,read\n# rest: read\n", "line 6"),
    ] {
        let error = SectorMap::from_csv(&format!("{head}{row}"), None).unwrap_err().to_string();
        assert!(error.contains(line), "{row:?}: {error}");
    }
    assert!(SectorMap::from_csv("start,length,state\n", None).is_err());
    assert!(SectorMap::from_csv("# handback sector map 1\nstart,length,state\n", None).is_err());
    assert!(SectorMap::from_csv("# handback sector map 1\n# image-length: 5\n", None).is_err());
}

#[test]
fn absent_keys_are_a_full_log_that_ended_early() {
    let map = SectorMap::from_csv("# handback sector map 1\n# image-length: 10\nstart,length,state\n0,4,read\n", None)
        .unwrap();
    assert_eq!((map.basis(), map.rest()), (Some(Basis::Full), ByteState::Unreached));
    assert_eq!(map.state_at(4), ByteState::Unreached);
}

#[test]
fn a_list_of_bad_sectors_never_says_read() {
    let text = |basis: &str, rest: &str, row: &str| {
        format!("# handback sector map 1\n# image-length: 10\n# basis: {basis}\n{rest}start,length,state\n{row}")
    };
    for basis in ["bad-list", "marker"] {
        let map = SectorMap::from_csv(&text(basis, "", "0,4,unread\n"), None).unwrap();
        assert_eq!(map.state_at(5), ByteState::Unknown);
        assert!(SectorMap::from_csv(&text(basis, "# rest: read\n", ""), None).is_err());
        let error = SectorMap::from_csv(&text(basis, "", "0,4,read\n"), None).unwrap_err();
        assert!(error.to_string().contains("line 5"), "{error}");
    }
}

#[test]
fn the_users_word_stays_in_the_file() {
    let list = SectorMap::from_bad_sectors("3 0x5\n7-8 # two\n", 10, 100, None).unwrap();
    assert_eq!((list.basis(), list.rest()), (Some(Basis::BadList), ByteState::Unknown));
    assert_eq!(list.total(ByteState::Unread), 40);
    let asserted = SectorMap::from_bad_sectors("3 0x5\n7-8", 10, 100, Some(ByteState::Read)).unwrap();
    assert_eq!(asserted.basis(), Some(Basis::Asserted));
    assert_eq!(asserted.total(ByteState::Read), 60);
    let again = SectorMap::from_csv(&asserted.to_csv(), None).unwrap();
    assert_eq!(again.basis(), Some(Basis::Asserted));
}

#[test]
fn the_users_word_covers_only_what_is_not_listed() {
    let text = "# handback sector map 1\n# image-length: 10\nstart,length,state\n0,4,unreached\n";
    let map = SectorMap::from_csv(text, Some(ByteState::Read)).unwrap();
    assert_eq!(map.count(0..4, ByteState::Unreached), 4);
    assert_eq!(map.total(ByteState::Read), 6);
    assert_eq!(map.basis(), Some(Basis::Asserted));
}

#[test]
fn a_bad_sector_list_is_checked() {
    assert!(SectorMap::from_bad_sectors("10", 10, 100, None).is_err());
    assert!(SectorMap::from_bad_sectors("9", 10, 95, None).is_ok(), "the last sector may be cut short");
    assert!(SectorMap::from_bad_sectors("5-3", 10, 100, None).is_err());
    assert!(SectorMap::from_bad_sectors("five", 10, 100, None).is_err());
    assert!(SectorMap::from_bad_sectors("1844674407370955161", 512, 100, None).is_err());
}

fn columns() -> ColumnImport {
    ColumnImport {
        start: 1,
        extent: Extent::Length(2),
        state: Some(3),
        only_state: ByteState::Unread,
        words: BTreeMap::from([("fine".to_string(), ByteState::Read), ("gone".to_string(), ByteState::Unread)]),
        numbers: Numbers::Decimal,
        unit: 1,
        separator: None,
        comment: Some(";".to_string()),
        skip: 1,
        rest: None,
    }
}

#[test]
fn columns_of_any_log_can_be_described() {
    let map = columns().read("a title\n; a comment\n0x10  16 gone\n0 16 fine\n", 100).unwrap();
    assert_eq!(map.basis(), Some(Basis::Full));
    assert_eq!(map.count(0..16, ByteState::Read), 16);
    assert_eq!(map.count(16..32, ByteState::Unread), 16);
    assert_eq!(map.state_at(32), ByteState::Unreached);

    let sectors = ColumnImport {
        start: 2,
        extent: Extent::Last(3),
        state: None,
        numbers: Numbers::Hexadecimal,
        unit: 512,
        separator: Some(';'),
        comment: None,
        skip: 0,
        ..columns()
    };
    let map = sectors.read("x; a ; b\nx;10;10\n", 512 * 100).unwrap();
    assert_eq!(map.basis(), Some(Basis::BadList));
    assert_eq!(map.count(10 * 512..12 * 512, ByteState::Unread), 1024);
    assert_eq!(map.count(16 * 512..17 * 512, ByteState::Unread), 512);
    assert_eq!(map.total(ByteState::Unread), 3 * 512);
}

#[test]
fn a_log_that_says_something_else_is_an_error() {
    for (text, what) in [
        ("\n0 16 strange\n", "strange"),
        ("\n0 16\n", "column 3"),
        ("\n0 x fine\n", "not a number"),
        ("\n0 101 fine\n", "ends at byte 101"),
        ("\n0 16 fine\n8 16 fine\n", "line 3"),
    ] {
        let error = columns().read(text, 100).unwrap_err().to_string();
        assert!(error.contains(what), "{text:?}: {error}");
    }
}

fn holey(varied: bool) -> (MemoryImage, SectorMap) {
    let mut bytes = vec![0_u8; 20 * 1024];
    let mut noise = 1_u32;
    let holes: Vec<Segment> =
        (0..10).map(|n| Segment { range: n * 2048..n * 2048 + 512, state: ByteState::Unread }).collect();
    if varied {
        for byte in &mut bytes {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *byte = (noise >> 24) as u8;
        }
    } else {
        for hole in &holes {
            for offset in hole.range.clone() {
                bytes[offset as usize] = b"not here\n"[(offset % 9) as usize];
            }
        }
    }
    let length = bytes.len() as u64;
    (MemoryImage::new(bytes), SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &holes).unwrap())
}

#[test]
fn a_map_of_another_image_is_doubted() {
    let (image, map) = holey(true);
    let reasons = examine(&image, &map, None, false).unwrap();
    assert_eq!(reasons, [DoubtReason::DataInHoles { varied: 10, sampled: 10 }]);
    let (image, map) = holey(false);
    assert_eq!(examine(&image, &map, None, false).unwrap(), []);
    let longer = map.fitted(map.length() + 1);
    assert!(matches!(examine(&image, &longer, None, false).unwrap()[..], [DoubtReason::Length { .. }]));
    assert_eq!(examine(&image, &longer, None, true).unwrap(), []);
}

#[test]
fn an_old_map_is_doubted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("disk.img");
    crate::testing::write_file(&path, &[0; 100]);
    let image = crate::image::open(&[&path]).unwrap();
    let map = SectorMap::from_ranges(100, Basis::Full, ByteState::Read, &[]).unwrap();
    let now = SystemTime::now();
    assert_eq!(examine(image.as_ref(), &map, Some(now - Duration::from_secs(500)), false).unwrap(), []);
    let old = examine(image.as_ref(), &map, Some(now - Duration::from_secs(700)), false).unwrap();
    assert!(matches!(old[..], [DoubtReason::Older { .. }]));
}
