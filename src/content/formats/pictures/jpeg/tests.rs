use std::path::PathBuf;

use crate::content::formats::{Opens, Verdict, examine};

fn sample(name: &str) -> Vec<u8> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("test-images/content/samples");
    std::fs::read(folder.join(name)).unwrap()
}

fn verdict(bytes: &[u8]) -> Verdict {
    examine("a.jpg", &bytes.to_vec(), &()).unwrap()
}

fn with(bytes: &[u8], more: &[u8]) -> Verdict {
    verdict(&[bytes, more].concat())
}

#[test]
fn what_may_follow_a_picture() {
    let one = sample("jpeg-small.jpg");
    let film = b"\0\0\0\x10ftypisom\0\0\0\0\0\0\0\x0cmdat\x01\x02\x03\x04";
    for (what, more, opens) in [
        ("nothing", &[][..], Opens::Sound),
        ("zeros", &[0; 3000], Opens::Sound),
        ("a line's end", b"\r\n", Opens::Sound),
        ("a film", film, Opens::Sound),
        ("a film that is cut", &film[..film.len() - 1], Opens::Broken),
        ("a maker's own", b"something SEFT", Opens::Sound),
        ("anything", b"something", Opens::Unchecked),
    ] {
        assert_eq!(with(&one, more).opens, opens, "{what}");
    }
    let end = u64::try_from(one.len()).unwrap();
    assert_eq!(with(&one, &one).opens, Opens::Sound);
    let cut = with(&one, &one[..one.len() - 40]);
    assert_eq!(cut.opens, Opens::Broken);
    assert!(cut.at.unwrap() > end, "in the second picture: {:?}", cut.at);
}

#[test]
fn an_index_counts_only_if_it_is_right_about_the_first_picture() {
    let one = sample("jpeg-small.jpg");
    // CIPA DC-007: "MPF", and a little-endian directory with one entry, B002, of two pictures.
    let indexed = |first: usize| {
        let mut index = b"MPF\0II*\0\x08\0\0\0\x01\0\x02\xb0\x07\0\x20\0\0\0\x1a\0\0\0\0\0\0\0".to_vec();
        // The offsets count from behind "MPF".
        let base = 2 + 4 + 4;
        for (size, offset) in [(first, 0), (one.len(), one.len() + 2 + 2 + 62 - base)] {
            index.extend([0; 4]);
            index.extend(u32::try_from(size).unwrap().to_le_bytes());
            index.extend(u32::try_from(offset).unwrap().to_le_bytes());
            index.extend([0; 4]);
        }
        let length = u16::try_from(index.len() + 2).unwrap().to_be_bytes();
        [&one[..2], &[0xff, 0xe2], &length, &index, &one[2..]].concat()
    };
    let size = indexed(0).len();
    assert_eq!(size, one.len() + 66);
    assert_eq!(with(&indexed(size), &one).opens, Opens::Sound);
    assert_eq!(verdict(&indexed(size)).opens, Opens::Broken, "the second picture is gone");
    assert_eq!(verdict(&indexed(size + 1)).opens, Opens::Sound, "another program wrote the first picture");
}

#[test]
fn kinds_that_are_not_decoded() {
    let one = sample("jpeg-small.jpg");
    let frame = one.windows(2).position(|pair| pair == [0xff, 0xc0]).unwrap();
    for kind in [0xc3, 0xc5, 0xc9, 0xca] {
        let mut changed = one.clone();
        changed[frame + 1] = kind;
        assert_eq!(verdict(&changed).opens, Opens::Unchecked, "{kind:x}");
    }
}

#[test]
fn restart_markers_come_in_turn() {
    let mut rows = sample("jpeg-notice-422-restart-row.jpg");
    let third = rows.windows(2).position(|pair| pair == [0xff, 0xd2]).unwrap();
    rows[third + 1] = 0xd3;
    let verdict = verdict(&rows);
    assert_eq!((verdict.opens, verdict.at), (Opens::Broken, Some(u64::try_from(third).unwrap())));
}

#[test]
fn a_sector_of_zeros_is_found_where_it_is() {
    let mut gray = sample("jpeg-moon-gray.jpg");
    gray[8192..8192 + 512].fill(0);
    let verdict = verdict(&gray);
    assert_eq!(verdict.opens, Opens::Broken);
    assert!((8192 - 64..8192 + 512).contains(&verdict.at.unwrap()), "{:?}", verdict.at);
}
