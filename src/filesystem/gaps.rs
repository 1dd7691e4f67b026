//! Damage of a file's content, in bytes of the file, without reading it.

use std::ops::Range;

use crate::bytes::{round_down, round_up};
use crate::catalog::{Encoding, Extents, Facts, Gap, GapKind, Place, Run, Runs};
use crate::source::Source;

/// What is known of a file's content before it is read.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Damage {
    /// Ranges of the file that are not there, in order, neighbours of one kind joined.
    pub gaps: Vec<Gap>,
    /// Whether nobody vouches for some of the bytes.
    pub unknown: bool,
    /// Whether the content has to be decoded before anything is known for sure.
    pub encoded: bool,
}

impl Damage {
    fn add(&mut self, range: Range<u64>, why: GapKind) {
        match self.gaps.last_mut() {
            Some(last) if last.why == why && last.range.end >= range.start => {
                last.range.end = last.range.end.max(range.end);
            }
            _ if range.start < range.end => self.gaps.push(Gap { range, why }),
            _ => {}
        }
    }

    /// Enters the damage into the facts of a file.
    pub fn enter(&self, facts: &mut Facts) {
        for Gap { range, why } in &self.gaps {
            facts.add_gap(*why, range.end.saturating_sub(range.start));
        }
        facts.unknown |= self.unknown;
        facts.decoded &= !self.encoded;
    }
}

/// The damage of content that lies at `extents` of `volume`. Resident content was read with its record and has none.
#[must_use]
pub fn damage(volume: &Source, extents: &Extents) -> Damage {
    match extents {
        Extents::Resident(_) => Damage::default(),
        Extents::Runs(runs) => match runs.encoding {
            Encoding::Plain => plain(volume, runs),
            Encoding::Lznt1 { unit } => units(volume, runs, unit),
        },
    }
}

/// Looks at one run up to byte `end` of the file, and adds what is missing.
fn look(volume: &Source, run: &Run, end: u64, into: &mut Damage) {
    let length = end.saturating_sub(run.start).min(run.length);
    let whole = run.start..run.start.saturating_add(length);
    match run.place {
        Place::Zeros => {}
        Place::Lost => into.add(whole, GapKind::Unplaced),
        Place::NeverHere => into.add(whole, GapKind::NeverHere),
        Place::At(offset) => {
            let reality = volume.reality(offset, length);
            into.unknown |= reality.unknown;
            for hole in reality.holes {
                let in_file = |at: u64| run.start.saturating_add(at.saturating_sub(offset));
                into.add(in_file(hole.range.start)..in_file(hole.range.end), hole.why.into());
            }
        }
    }
}

fn plain(volume: &Source, runs: &Runs) -> Damage {
    let mut damage = Damage::default();
    // What lies past the valid size are zeros by definition; an unread sector there costs nothing.
    let end = runs.size.min(runs.valid_size);
    for run in runs.runs.iter().take_while(|run| run.start < end) {
        look(volume, run, end, &mut damage);
    }
    damage
}

/// In an encoded unit, any hole may spoil the whole unit; reading narrows it.
fn units(volume: &Source, runs: &Runs, unit: u64) -> Damage {
    let mut damage = Damage { encoded: runs.size > 0, ..Damage::default() };
    let end = runs.size.min(runs.valid_size);
    let mut stored = Damage::default();
    for run in runs.runs.iter().take_while(|run| run.start < end) {
        // The compressed bytes of the last unit may reach past the size, up to the unit's end.
        look(volume, run, round_up(end, unit), &mut stored);
    }
    damage.unknown = stored.unknown;
    for gap in stored.gaps {
        damage.add(round_down(gap.range.start, unit)..round_up(gap.range.end, unit).min(end), gap.why);
    }
    damage
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::image::MemoryImage;
    use crate::sector_map::{Basis, ByteState, SectorMap, Segment};

    fn volume(unread: &[Range<u64>]) -> Source {
        let segments: Vec<Segment> =
            unread.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
        let map = SectorMap::from_ranges(65536, Basis::Full, ByteState::Read, &segments).unwrap();
        Source::new(Arc::new(MemoryImage::new(vec![1; 65536])), &map, 512)
    }

    fn file(places: &[(u64, Place)], size: u64, valid_size: u64, encoding: Encoding) -> Extents {
        let mut start = 0;
        let mut runs = Vec::new();
        for (length, place) in places {
            runs.push(Run { start, length: *length, place: *place });
            start += length;
        }
        Extents::Runs(Runs { runs, size, valid_size, encoding })
    }

    fn gap(range: Range<u64>, why: GapKind) -> Gap {
        Gap { range, why }
    }

    #[test]
    fn holes_are_told_in_bytes_of_the_file() {
        let volume = volume(&[8192..8704, 20480..21504]);
        let places = [(4096, Place::At(20480)), (4096, Place::Zeros), (4096, Place::At(4096)), (4096, Place::At(8192))];
        let damage = damage(&volume, &file(&places, 16384, 16384, Encoding::Plain));
        assert_eq!(damage.gaps, [gap(0..1024, GapKind::Unread), gap(12288..12800, GapKind::Unread)]);
        assert!(!damage.unknown && !damage.encoded);
    }

    #[test]
    fn what_lies_past_size_and_valid_size_costs_nothing() {
        let volume = volume(&[4096..8192]);
        for (size, valid) in [(4096, 4096), (8192, 4096), (8192, 0)] {
            let places = [(8192, Place::At(0))];
            assert_eq!(damage(&volume, &file(&places, size, valid, Encoding::Plain)).gaps, []);
        }
        let places = [(8192, Place::At(0))];
        let one_more = damage(&volume, &file(&places, 8192, 4097, Encoding::Plain));
        assert_eq!(one_more.gaps, [gap(4096..4097, GapKind::Unread)]);
    }

    #[test]
    fn a_hole_counts_its_whole_unit() {
        let volume = volume(&[4608..5120]);
        let encoding = Encoding::Lznt1 { unit: 16384 };
        let places = [(16384, Place::At(16384)), (8192, Place::At(0)), (8192, Place::Zeros)];
        let found = damage(&volume, &file(&places, 20000, 20000, encoding));
        assert_eq!(found.gaps, [gap(16384..20000, GapKind::Unread)]);
        assert!(found.encoded);
    }

    #[test]
    fn lost_and_cloud_runs_and_the_images_end() {
        let volume = volume(&[]).window(0, 1 << 20);
        let places = [(4096, Place::Lost), (4096, Place::NeverHere), (4096, Place::At(61440 + 2048))];
        let found = damage(&volume, &file(&places, 12288, 12288, Encoding::Plain));
        assert_eq!(
            found.gaps,
            [gap(0..4096, GapKind::Unplaced), gap(4096..8192, GapKind::NeverHere), gap(10240..12288, GapKind::PastEnd)]
        );
    }
}
