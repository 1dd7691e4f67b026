//! Drives whose table is lost and whose volumes are found by a search, with one sector after another unread besides.

use handback::source::Damage;

use crate::common::harness::tally::Tally;
use crate::common::harness::{Baseline, Shape, sector};
use crate::{DISKS, say, sectors};

#[test]
fn no_missing_sector_of_a_searched_disk_makes_a_wrong_whole() {
    for name in DISKS {
        let baseline = Baseline::of(name, Shape::Searched, false);
        let mut tally = Tally::default();
        for number in sectors(&baseline, 20) {
            baseline.check(&[Damage::unread(sector(number))], &mut tally);
        }
        say(&format!("searched, {name}: {} sectors, {}", baseline.sectors(), tally.line(baseline.file_count())));
        assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
        assert!(tally.files.get("whole").is_some_and(|whole| *whole > 0), "{name}: {:?}", tally.files);
    }
}

/// What one sector can't hide, two can: the boot sector and its backup, the file table's record and its mirror.
#[test]
fn no_eight_missing_sectors_of_a_searched_disk_make_a_wrong_whole() {
    for name in DISKS {
        let baseline = Baseline::of(name, Shape::Searched, false);
        let mut tally = Tally::default();
        for seed in 0..crate::seeds(500, 6) {
            let mut numbers = crate::Numbers(seed);
            let pieces = &baseline.anatomy.pieces;
            let damage: Vec<Damage> =
                (0..8).map(|_| Damage::unread(sector(pieces[numbers.index(pieces.len())].range.start / 512))).collect();
            baseline.check(&damage, &mut tally);
        }
        say(&format!("searched, 8 unread, {name}: {}", tally.line(baseline.file_count())));
        assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
    }
}
