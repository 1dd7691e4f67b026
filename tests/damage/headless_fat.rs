//! FAT and exFAT volumes of which every copy of the boot sector is unread, and other sectors on top of it: nothing wrong is
//! called right.

use std::ops::Range;

use handback::source::Damage;

use crate::common::harness::tally::Tally;
use crate::common::harness::{Baseline, Shape, sector};
use crate::formats::{EXFAT, FAT};
use crate::{Numbers, say, seeds, step};

/// Every copy of the boot sector, read from the first one without the library (BPB_BytsPerSec, BPB_FATSz16, BPB_BkBootSec;
/// exFAT specification, 2.1 and 3.1.14).
fn boots(baseline: &Baseline) -> Vec<Range<u64>> {
    let mut bytes = vec![0; 512];
    baseline.source.read_at(0, &mut bytes).expect("in memory");
    let number = |at: usize| u64::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]));
    let (size, backup) = match &bytes[3..11] {
        b"EXFAT   " => (1 << bytes[0x6c], Some(12)),
        _ => (number(11), (number(22) == 0).then(|| number(50))),
    };
    [Some(0), backup].into_iter().flatten().map(|sector| sector * size..(sector + 1) * size).collect()
}

fn swept(name: &str, sample: u64) {
    let baseline = Baseline::of(name, Shape::Bare, false);
    let base: Vec<Damage> = boots(&baseline).into_iter().map(Damage::unread).collect();
    let mut alone = Tally::default();
    baseline.check(&base, &mut alone);
    assert_eq!((alone.closed, alone.wrong.len()), (0, 0), "{name}: {:?}", alone.wrong);
    say(&format!("no boot sectors, {name}: {}", alone.line(baseline.file_count())));
    let mut tally = Tally::default();
    for number in (0..baseline.sectors()).step_by(step(baseline.sectors(), sample)) {
        baseline.check(&[&base[..], &[Damage::unread(sector(number))]].concat(), &mut tally);
    }
    say(&format!("no boot sectors and one more, {name}: {}", tally.line(baseline.file_count())));
    for count in [2, 8] {
        let mut several = Tally::default();
        for seed in 0..seeds(500, sample / 4) {
            let mut numbers = Numbers(seed);
            // Half of them where something is described.
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
            baseline.check(&damage, &mut several);
        }
        say(&format!("no boot sectors and {count} more, {name}: {}", several.line(baseline.file_count())));
        tally.wrong.extend(several.wrong);
    }
    assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
}

#[test]
fn a_fat_without_its_head_makes_no_wrong_whole() {
    for name in FAT.volumes {
        swept(name, 30);
    }
}

#[test]
fn an_exfat_without_its_head_makes_no_wrong_whole() {
    for name in EXFAT.volumes {
        swept(name, 30);
    }
}
