//! NTFS without its head: the boot sectors are gone from the start, or the table's first records too, and then one sector
//! after another, and several: nothing wrong is called right.

use std::ops::Range;

use handback::source::Damage;

use crate::common::harness::anatomy::Anatomy;
use crate::common::harness::tally::{Notice, Tally};
use crate::common::harness::{Baseline, Shape, sector};
use crate::formats::FORMATS;
use crate::{Numbers, say, sectors, seeds};

/// What is gone from the start.
const BASES: [(&str, &[&str]); 3] = [
    ("no boot sectors", &["boot sector", "backup boot sector"]),
    ("no first records either", &["boot sector", "backup boot sector", "first records"]),
    ("no mirror either", &["boot sector", "backup boot sector", "first records", "$MFTMirr"]),
];

fn gone(anatomy: &Anatomy, table: &Range<u64>, kinds: &[&str]) -> Vec<Damage> {
    let of_kind = |kind: &str| anatomy.sectors_of(kind).into_iter().map(|start| start..start + 512).collect::<Vec<_>>();
    let ranges =
        kinds.iter().flat_map(|kind| if *kind == "first records" { vec![table.clone()] } else { of_kind(kind) });
    ranges.map(Damage::unread).collect()
}

/// The table's first four records, in the image.
fn first_records(baseline: &Baseline) -> Range<u64> {
    let of_record_0 = baseline.anatomy.sectors_of("$MFT's record 0");
    let start = *of_record_0.first().expect("a volume has one");
    let second = baseline.anatomy.sectors_of("record of the filesystem's own");
    // Records 1 to 3 follow; how long each is, the first of them tells.
    let size = second.iter().find(|at| **at > start).expect("record 1 follows") - start;
    start..start + 4 * size
}

fn volumes() -> &'static [&'static str] {
    FORMATS[0].volumes
}

#[test]
fn no_missing_sector_makes_a_wrong_whole_without_a_head() {
    for (what, kinds) in BASES {
        for name in volumes() {
            let baseline = Baseline::of(name, Shape::Bare, false);
            let base = gone(&baseline.anatomy, &first_records(&baseline), kinds);
            let mut tally = Tally::default();
            for number in sectors(&baseline, 12) {
                let more = [Damage::unread(sector(number))];
                baseline.check(&[&base[..], &more].concat(), &mut tally);
            }
            say(&format!("{what}, one more unread, {name}: {}", tally.line(baseline.file_count())));
            assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
        }
    }
}

fn several(count: u64, sample: u64) {
    for (what, kinds) in BASES {
        for name in volumes() {
            let baseline = Baseline::of(name, Shape::Bare, false);
            let base = gone(&baseline.anatomy, &first_records(&baseline), kinds);
            let mut tally = Tally::default();
            for seed in 0..seeds(500, sample) {
                let mut numbers = Numbers(seed);
                let pieces = &baseline.anatomy.pieces;
                let more = (0..count).map(|index| {
                    let number = if index % 2 == 0 {
                        numbers.below(baseline.sectors())
                    } else {
                        pieces[numbers.index(pieces.len())].range.start / 512
                    };
                    Damage::unread(sector(number))
                });
                let damage: Vec<Damage> = base.iter().cloned().chain(more).collect();
                baseline.check(&damage, &mut tally);
            }
            say(&format!("{what}, {count} more unread, {name}: {}", tally.line(baseline.file_count())));
            assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
        }
    }
}

#[test]
fn no_two_missing_sectors_make_a_wrong_whole_without_a_head() {
    several(2, 4);
}

#[test]
fn no_eight_missing_sectors_make_a_wrong_whole_without_a_head() {
    several(8, 4);
}

#[test]
fn what_is_noticed_without_a_head_of_sectors_that_changed_without_a_word() {
    let format = &FORMATS[0];
    for (what, kinds) in BASES {
        let mut all = Notice::default();
        for name in volumes() {
            let baseline = Baseline::of(name, Shape::Bare, false);
            let base = gone(&baseline.anatomy, &first_records(&baseline), kinds);
            for number in sectors(&baseline, 8) {
                let range = sector(number);
                if base.iter().any(|one| one.range.contains(&range.start)) {
                    continue;
                }
                let kind = baseline.anatomy.kind(range.start);
                let more = [Damage::unmarked(range)];
                let seen = baseline.check(&[&base[..], &more].concat(), &mut Tally::default());
                all.add(kind, &format!("{name} sector {number}"), &seen);
            }
        }
        say(&format!("{what}, changed without a word:\n{}{:#?}", all.table(), all.examples()));
        for kind in format.never_wrong {
            assert_eq!(all.wrong(kind), 0, "{what}, {kind}: {:#?}", all.examples());
        }
    }
}
