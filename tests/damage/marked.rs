//! Sectors that the drive did not give, one at a time and several: nothing wrong is called right, and nothing right is
//! called wrong without a reason.

use handback::source::Damage;

use crate::common::harness::tally::Tally;
use crate::common::harness::{Baseline, Shape, sector};
use crate::formats::{FORMATS, Format};
use crate::{DISKS, Numbers, say, sectors, seeds};

/// `files`, `folders` and `close` are the kinds of sectors that may spoil files and folders that are not theirs, and keep a
/// volume from being opened.
fn every_sector(name: &str, baseline: &Baseline, sample: u64, files: &[&str], folders: &[&str], close: &[&str]) {
    let mut tally = Tally::default();
    let tried = sectors(baseline, sample);
    for number in tried {
        baseline.check(&[Damage::unread(sector(number))], &mut tally);
    }
    say(&format!("unread, {name}: {} sectors, {}", baseline.sectors(), tally.line(baseline.file_count())));
    assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
    for (harmed, known) in [(&tally.files_spoiled, files), (&tally.folders_spoiled, folders), (&tally.closed_by, close)]
    {
        let unexplained: Vec<_> = harmed.keys().filter(|kind| !known.contains(kind)).collect();
        assert!(unexplained.is_empty(), "{name}: harm from {unexplained:?}");
    }
}

#[test]
fn no_missing_sector_of_a_volume_makes_a_wrong_whole() {
    for format in &FORMATS {
        say(format.name);
        for name in format.volumes {
            let baseline = Baseline::of(name, Shape::Bare, false);
            let (files, folders) = (format.files_may_suffer_from, format.folders_may_suffer_from);
            every_sector(name, &baseline, 50, files, folders, format.may_close);
        }
    }
}

#[test]
fn no_missing_sector_of_a_disk_makes_a_wrong_whole() {
    let of = |list: fn(&Format) -> &[&'static str]| FORMATS.iter().flat_map(list).copied();
    for name in DISKS {
        // An MBR and the links to logical partitions stand on the drive once, a GPT twice.
        let tables: &[&str] =
            if name.starts_with("mbr") { &["first sector of the disk", "outside the volumes"] } else { &[] };
        // The FAT12 start volume is empty: nothing but its boot sector shows it.
        let tables: &[&str] = &[tables, &["boot sector without a copy"]].concat();
        let with_tables =
            |list: fn(&Format) -> &[&'static str]| of(list).chain(tables.iter().copied()).collect::<Vec<_>>();
        every_sector(
            name,
            &Baseline::of(name, Shape::Disk, false),
            25,
            &with_tables(|format| format.files_may_suffer_from),
            &with_tables(|format| format.folders_may_suffer_from),
            &with_tables(|format| format.may_close),
        );
    }
}

fn several(format: &Format, count: u64, sample: u64) {
    say(format.name);
    for name in format.volumes {
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
    for format in &FORMATS {
        several(format, 2, 12);
    }
}

#[test]
fn no_eight_missing_sectors_make_a_wrong_whole() {
    for format in &FORMATS {
        several(format, 8, 12);
    }
}
