//! The damage harness over the fixtures: every promise of `docs/states.md` held against damage in every place.
//!
//! Plain `cargo test` takes a sample. All of it, with its counts:
//!
//! ```text
//! HANDBACK_SWEEP=full cargo test --release --test damage -- --nocapture
//! ```
//!
//! A number instead of `full` takes so many times the sample. `docs/damage.md` keeps what was printed.

#[path = "../common/mod.rs"]
mod common;

mod fields;
mod formats;
mod headless;
mod headless_fat;
mod marked;
mod random;
mod reads;
mod searched;
mod unmarked;

use common::harness::Baseline;

/// Drives with a partition table.
const DISKS: [&str; 7] = ["mbr-primary", "mbr-logical", "mbr-outoforder", "gpt-128", "gpt-256", "gpt-4k", "gpt-hybrid"];

/// How much is tried: so many times the sample, or everything (`None`).
fn share() -> Option<u64> {
    match std::env::var("HANDBACK_SWEEP") {
        Ok(word) if word == "full" => None,
        Ok(word) => Some(word.parse().expect("HANDBACK_SWEEP is `full` or a number")),
        Err(_) => Some(1),
    }
}

/// How many of `all` to go on each time, so that about `sample` are tried: 1 in a full sweep, else odd, so that no
/// alignment hides anything.
fn step(all: u64, sample: u64) -> usize {
    let step = share().map_or(1, |times| (all / (sample * times).max(1)).max(1) | 1);
    usize::try_from(step).expect("few")
}

/// How many seeds are tried.
fn seeds(all: u64, sample: u64) -> u64 {
    share().map_or(all, |times| (sample * times).min(all))
}

/// The sectors of an image to break one at a time. A full sweep leaves out, but for one in 31, those of which it is
/// certain that nothing asks for them.
fn sectors(baseline: &Baseline, sample: u64) -> Vec<u64> {
    let all = (0..baseline.sectors()).step_by(step(baseline.sectors(), sample));
    all.filter(|number| share().is_some() || number % 31 == 0 || !baseline.is_quiet(*number)).collect()
}

/// Counts are what a full sweep is run for.
#[expect(clippy::print_stdout, reason = "the counts are what a full sweep is run for")]
fn say(text: &str) {
    println!("{text}");
}

/// Numbers from a seed (SplitMix64, public domain, S. Vigna, from memory): the same on every machine.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }

    fn index(&mut self, end: usize) -> usize {
        usize::try_from(self.below(u64::try_from(end).expect("few"))).expect("below a usize")
    }
}
