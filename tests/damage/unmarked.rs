//! Sectors that hold other bytes than the drive did, and nobody tells: what the format can notice, counted.

use handback::source::Damage;

use crate::common::harness::tally::{Notice, Tally};
use crate::common::harness::{Baseline, Shape, sector};
use crate::formats::{FORMATS, Format};
use crate::{say, sectors};

fn sweep(format: &Format, cross_check: bool, sample: u64) {
    let mut all = Notice::default();
    let mut unnoticed = Vec::new();
    for name in format.volumes {
        let baseline = Baseline::of(name, Shape::Bare, cross_check);
        let mut notice = Notice::default();
        for number in sectors(&baseline, sample) {
            let range = sector(number);
            let kind = baseline.anatomy.kind(range.start);
            let seen = baseline.check(&[Damage::unmarked(range)], &mut Tally::default());
            let silent = !seen.noticed && seen.wrong.is_empty();
            if silent && format.always_noticed.contains(&kind) {
                unnoticed.push(format!("{name} sector {number}: {kind}"));
            }
            notice.add(kind, &format!("{name} sector {number}"), &seen);
        }
        all.merge(notice);
    }
    say(&format!(
        "{}: changed without a word, cross-check {cross_check}:\n{}{:#?}",
        format.name,
        all.table(),
        all.examples()
    ));
    assert!(unnoticed.is_empty(), "nothing is said of {unnoticed:?}");
    for kind in format.never_wrong {
        assert_eq!(all.wrong(kind), 0, "{kind}: {:#?}", all.examples());
    }
}

#[test]
fn what_is_noticed_of_sectors_that_changed_without_a_word() {
    for format in &FORMATS {
        sweep(format, false, 35);
    }
}

#[test]
fn what_is_noticed_with_the_lists_of_folders_too() {
    for format in &FORMATS {
        sweep(format, true, 20);
    }
}
