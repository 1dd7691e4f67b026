use std::collections::BTreeMap;

use crate::content::formats::documents::testing::{assert_broken, broken_everywhere, opens, sample};
use crate::content::formats::{Opens, RandomRead, Siblings, Verdict, examine};
use crate::error::Result;

/// Bytes of a page of the sample.
const PAGE: usize = 1024;

struct Beside(BTreeMap<String, Vec<u8>>);

impl Siblings for Beside {
    fn file(&self, name: &str) -> Result<Option<Box<dyn RandomRead + '_>>> {
        Ok(self.0.get(name).map(|bytes| Box::new(bytes.clone()) as Box<dyn RandomRead>))
    }
}

fn beside(bytes: &[u8], name: &str, other: Vec<u8>) -> Verdict {
    examine("a.sqlite", &bytes.to_vec(), &Beside(BTreeMap::from([(name.to_string(), other)]))).unwrap()
}

/// A log with these pages, each with the pages of the database that it commits, or 0.
fn log(frames: &[(u32, u32, &[u8])]) -> Vec<u8> {
    let sum = |(mut one, mut two): (u32, u32), bytes: &[u8]| {
        for eight in bytes.chunks_exact(8) {
            one = one.wrapping_add(u32::from_be_bytes(eight[..4].try_into().unwrap())).wrapping_add(two);
            two = two.wrapping_add(u32::from_be_bytes(eight[4..].try_into().unwrap())).wrapping_add(one);
        }
        (one, two)
    };
    let words = |words: &[u32]| words.iter().flat_map(|word| word.to_be_bytes()).collect::<Vec<u8>>();
    let mut bytes = words(&[0x377F_0683, 3_007_000, PAGE as u32, 0, 11, 22]);
    let mut state = sum((0, 0), &bytes);
    bytes.extend(words(&[state.0, state.1]));
    for (page, commit, content) in frames {
        let head = words(&[*page, *commit]);
        state = sum(sum(state, &head), content);
        bytes.extend([head, words(&[11, 22, state.0, state.1]), content.to_vec()].concat());
    }
    bytes
}

#[test]
fn every_page_has_one_use() {
    let bytes = sample("small.sqlite");
    assert_eq!(opens("a.sqlite", &bytes), (Opens::Sound, String::new()));
    // Every number of a page that stands in any page leads to a wrong one: nothing is endless, and most is noticed.
    let pages = (bytes.len() / PAGE) as u32;
    for at in (0..bytes.len() - 4).step_by(11) {
        for page in [0, 1, 2, pages, pages + 1, u32::MAX] {
            let mut changed = bytes.clone();
            changed[at..at + 4].copy_from_slice(&page.to_be_bytes());
            opens("a.sqlite", &changed);
        }
    }
    let mut circle = bytes.clone();
    let branch = (1..pages as usize).find(|page| bytes[page * PAGE] == 5).expect("a table of several pages");
    circle[branch * PAGE + 8..branch * PAGE + 12].copy_from_slice(&(branch as u32 + 1).to_be_bytes());
    assert_broken("a.sqlite", &circle, "is not there, or belongs to two");
    let mut free = bytes.clone();
    free[32..40].copy_from_slice(&[0, 0, 0, 2, 0, 0, 0, 1]);
    assert_broken("a.sqlite", &free, "is not there, or belongs to two");
    let mut longer = bytes.clone();
    longer.extend([0; PAGE]);
    assert_eq!(opens("a.sqlite", &longer).0, Opens::Sound, "room behind the last page");
    longer[28..32].copy_from_slice(&(pages + 1).to_be_bytes());
    assert_broken("a.sqlite", &longer, "belongs to nothing");
}

#[test]
fn broken_anywhere_nothing_panics() {
    let bytes = sample("small.sqlite");
    let (cuts, missed) = broken_everywhere("a.sqlite", &bytes, 5);
    assert_eq!(cuts, 0);
    // Letters of names and room that is not used are no structure: more than three in four of these bytes.
    assert!(missed * 10 < (bytes.len() / 5 + 1) * 3 * 8, "{missed}");
}

#[test]
fn a_row_is_as_long_as_its_columns() {
    let mut bytes = sample("small.sqlite");
    let at = bytes.windows(8).position(|window| window == b"singer 7").unwrap();
    // The column's type stands before the text: a text of eight letters.
    assert_eq!(bytes[at - 1], 13 + 2 * 8);
    bytes[at - 1] += 2;
    assert_broken("a.sqlite", &bytes, "is not as long as its columns");
}

#[test]
fn a_log_lies_over_the_database() {
    let bytes = sample("small.sqlite");
    let pages = (bytes.len() / PAGE) as u32;
    let page = |number: usize| &bytes[(number - 1) * PAGE..number * PAGE];
    // A page that is broken in the database is whole in the log.
    let mut broken = bytes.clone();
    broken[2 * PAGE..3 * PAGE].fill(0xAA);
    assert_eq!(opens("a.sqlite", &broken).0, Opens::Broken);
    let found = beside(&broken, "a.sqlite-wal", log(&[(3, pages, page(3))]));
    assert_eq!(found.opens, Opens::Sound, "{found:?}");
    // Without the mark of a commit it does not count; nor with another sum.
    assert_eq!(beside(&broken, "a.sqlite-wal", log(&[(3, 0, page(3))])).opens, Opens::Broken);
    let mut wrong = log(&[(3, pages, page(3))]);
    wrong[100] ^= 1;
    assert_eq!(beside(&broken, "a.sqlite-wal", wrong).opens, Opens::Broken);
    // A last page that is in the log alone; and one that is nowhere.
    let cut = &bytes[..bytes.len() - PAGE];
    assert_eq!(beside(cut, "a.sqlite-wal", log(&[(pages, pages, page(pages as usize))])).opens, Opens::Sound);
    assert_eq!(beside(cut, "a.sqlite-wal", log(&[(1, pages, page(1))])).opens, Opens::Broken);
    assert_eq!(beside(&bytes, "a.sqlite-wal", log(&[(1, u32::MAX, page(1))])).opens, Opens::Broken);
    assert_eq!(beside(&bytes, "a.sqlite-wal", Vec::new()).opens, Opens::Sound);
}

#[test]
fn a_transaction_that_was_not_finished_is_said() {
    let bytes = sample("small.sqlite");
    let mut journal = vec![0; 2000];
    assert_eq!(beside(&bytes, "a.sqlite-journal", journal.clone()).opens, Opens::Sound, "one that is done");
    journal[..8].copy_from_slice(&[0xD9, 0xD5, 0x05, 0xF9, 0x20, 0xA1, 0x63, 0xD7]);
    let found = beside(&bytes, "a.sqlite-journal", journal);
    assert!(found.opens == Opens::Unchecked && found.why.contains("-journal"), "{found:?}");
}

#[test]
fn what_is_encrypted_as_a_whole_is_not_called_broken() {
    let mut state = 1_u64;
    let noise: Vec<u8> = (0..8192)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 56) as u8
        })
        .collect();
    assert_eq!(opens("a.sqlite", &noise).0, Opens::Unchecked);
    let mut lost = noise;
    lost[..512].fill(0);
    assert_eq!(opens("a.sqlite", &lost).0, Opens::Broken);
    assert_broken("a.sqlite", b"no database", "does not open");
}
