use std::collections::BTreeSet;

use super::*;

fn examined(name: &str, bytes: &[u8]) -> Verdict {
    examine(name, &bytes.to_vec(), &()).unwrap()
}

#[test]
fn no_ending_is_of_two_formats() {
    let mut seen = BTreeSet::new();
    for format in named_formats() {
        assert!(!format.name.is_empty());
        for ending in format.endings {
            assert_eq!(*ending, ending.to_lowercase());
            assert!(seen.insert(*ending), "{ending}");
        }
    }
}

#[test]
fn what_opens_as_nothing_is_broken_if_its_name_promises_something() {
    let verdict = examined("a.BMP", b"this is no picture");
    assert_eq!((verdict.opens, verdict.format, verdict.at), (Opens::Broken, Some("BMP"), Some(0)));
    assert_eq!(examined("a.unknown", b"\x01\x02\x03").opens, Opens::Unchecked);
    assert_eq!(examined("a.bmp", b"").opens, Opens::Unchecked);
}

#[test]
fn zeros_are_blank_whatever_the_name() {
    for (name, length) in [("a.bmp", 1), ("a", 100_000), ("a.bmp", 1_000_000)] {
        assert_eq!(examined(name, &vec![0; length]).opens, Opens::Blank, "{name} {length}");
    }
    let mut almost = vec![0; 1_000_000];
    almost[999_999] = 1;
    assert_eq!(examined("a.bmp", &almost).opens, Opens::Broken);
    assert_eq!(examined("a", &almost).opens, Opens::Unchecked);
}
