//! Damage, sampled: sectors that the drive did not give, one at a time and several, over the NTFS fixtures.
//!
//! `HANDBACK_SWEEP=full` takes every sector instead of a sample.

mod common;

use common::fixture;
use common::harness::{Baseline, Tally, sector};
use handback::source::Damage;

/// How many sectors of a volume are tried in the sample.
const SAMPLE: u64 = 150;

fn step(length: u64) -> usize {
    let sectors = length / 512;
    let full = std::env::var_os("HANDBACK_SWEEP").is_some_and(|word| word == "full");
    usize::try_from(if full { 1 } else { (sectors / SAMPLE).max(1) | 1 }).expect("few sectors")
}

#[test]
fn no_sector_that_is_missing_makes_a_wrong_whole() {
    for name in
        ["ntfs-c512", "ntfs-c4k", "ntfs-compressed-512", "ntfs-rec4k", "ntfs-mftfrag", "ntfs-attrlist", "ntfs-reparse"]
    {
        let baseline = Baseline::of(fixture::all_read(name));
        let mut tally = Tally::default();
        for number in (0..baseline.length() / 512).step_by(step(baseline.length())) {
            baseline.check(&[Damage::unread(sector(number))], &mut tally);
        }
        #[expect(clippy::print_stdout, reason = "the counts are what a full sweep is run for")]
        {
            println!(
                "{name}: {} sectors, files {:?}, folders {:?}, closed {}, wrong {}",
                tally.damages,
                tally.files,
                tally.folders,
                tally.closed,
                tally.wrong.len()
            );
        }
        assert_eq!(tally.closed, 0, "{name}");
        assert!(tally.wrong.is_empty(), "{name}: {:#?}", &tally.wrong[..tally.wrong.len().min(10)]);
    }
}
