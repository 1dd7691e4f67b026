//! Sectors that the drive did not give, one at a time and several: nothing wrong is called right, and nothing right is
//! called wrong without a reason.

use handback::source::Damage;

use crate::common::harness::tally::Tally;
use crate::common::harness::{Baseline, Shape, sector};
use crate::{DISKS, Numbers, VOLUMES, say, sectors, seeds};

/// What may spoil a file although the sector is not its own: structures without a second copy.
const FILES_MAY_SUFFER_FROM: [&str; 2] = ["extension record of $MFT", "$MFT's attribute list"];

/// What may spoil a folder although the sector is not its own: there, and where a record is lost that may have stood
/// in any folder whose own list was not read whole.
const FOLDERS_MAY_SUFFER_FROM: [&str; 3] = ["extension record of $MFT", "$MFT's attribute list", "file record"];

fn every_sector(name: &str, baseline: &Baseline, sample: u64, tables: &[&str]) -> Tally {
    let mut tally = Tally::default();
    let tried = sectors(baseline, sample);
    for number in tried {
        baseline.check(&[Damage::unread(sector(number))], &mut tally);
    }
    say(&format!("unread, {name}: {} sectors, {}", baseline.sectors(), tally.line(baseline.file_count())));
    assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
    for (spoiled, known) in
        [(&tally.files_spoiled, &FILES_MAY_SUFFER_FROM[..]), (&tally.folders_spoiled, &FOLDERS_MAY_SUFFER_FROM[..])]
    {
        let unexplained: Vec<_> =
            spoiled.keys().filter(|kind| !known.contains(kind) && !tables.contains(kind)).collect();
        assert!(unexplained.is_empty(), "{name}: harm from {unexplained:?}");
    }
    tally
}

#[test]
fn no_missing_sector_of_a_volume_makes_a_wrong_whole() {
    for name in VOLUMES {
        let tally = every_sector(name, &Baseline::of(name, Shape::Bare, false), 50, &[]);
        assert_eq!(tally.closed, 0, "{name}: a boot sector has a backup");
    }
}

#[test]
fn no_missing_sector_of_a_disk_makes_a_wrong_whole() {
    for name in DISKS {
        // An MBR and the links to logical partitions stand on the drive once, a GPT twice.
        let tables: &[&str] =
            if name.starts_with("mbr") { &["first sector of the disk", "outside the volumes"] } else { &[] };
        every_sector(name, &Baseline::of(name, Shape::Disk, false), 25, tables);
    }
}

fn several(count: u64, sample: u64) {
    for name in VOLUMES {
        let baseline = Baseline::of(name, Shape::Bare, false);
        let mut tally = Tally::default();
        let share = seeds(2000, sample);
        for seed in 0..share {
            let mut numbers = Numbers(seed);
            // Half of them where something is described.
            let damage: Vec<Damage> = (0..count)
                .map(|index| {
                    let pieces = &baseline.anatomy.pieces;
                    let number = if index % 2 == 0 {
                        numbers.below(baseline.sectors())
                    } else {
                        pieces[numbers.index(pieces.len())].range.start / 512
                    };
                    Damage::unread(sector(number))
                })
                .collect();
            baseline.check(&damage, &mut tally);
        }
        say(&format!("{count} unread at a time, {name}: {}", tally.line(baseline.file_count())));
        assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
    }
}

#[test]
fn no_two_missing_sectors_make_a_wrong_whole() {
    several(2, 12);
}

#[test]
fn no_eight_missing_sectors_make_a_wrong_whole() {
    several(8, 12);
}
