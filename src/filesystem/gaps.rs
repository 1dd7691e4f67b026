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
        Extents::Packed(packed) => {
            // Which chunk a hole spoils stands in the table, which only reading reads: until then it may be any.
            let stored = damage(volume, &packed.stored);
            let mut damage = Damage { encoded: packed.size > 0, unknown: stored.unknown, ..Damage::default() };
            if let Some(gap) = stored.gaps.first() {
                damage.add(0..packed.size, gap.why);
            }
            damage
        }
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

/// Looks at all runs up to byte `end` of the file. What no run covers has no place.
fn look_at_all(volume: &Source, runs: &Runs, end: u64) -> Damage {
    let mut damage = Damage::default();
    let mut at = 0;
    for run in &runs.runs {
        if at >= end {
            break;
        }
        // Readers give runs in order and without gap; were one not to, the content is not where it is looked for.
        if run.start != at {
            break;
        }
        look(volume, run, end, &mut damage);
        at = run.start.saturating_add(run.length);
    }
    damage.add(at..end, GapKind::Unplaced);
    damage
}

fn plain(volume: &Source, runs: &Runs) -> Damage {
    // What lies past the valid size are zeros by definition; an unread sector there costs nothing.
    look_at_all(volume, runs, runs.size.min(runs.valid_size))
}

/// In an encoded unit, any hole may spoil the whole unit; reading narrows it.
fn units(volume: &Source, runs: &Runs, unit: u64) -> Damage {
    let end = runs.size.min(runs.valid_size);
    // The stored bytes of the last unit may reach past the size, up to the unit's end.
    let stored = look_at_all(volume, runs, round_up(end, unit));
    let mut damage = Damage { encoded: runs.size > 0, unknown: stored.unknown, ..Damage::default() };
    for gap in stored.gaps {
        // A unit counts once, for the first kind of hole in it.
        let counted = damage.gaps.last().map_or(0, |last| last.range.end);
        damage.add(round_down(gap.range.start, unit).max(counted)..round_up(gap.range.end, unit).min(end), gap.why);
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
    fn what_no_run_covers_has_no_place() {
        let volume = volume(&[]);
        for encoding in [Encoding::Plain, Encoding::Lznt1 { unit: 8192 }] {
            let none = damage(&volume, &file(&[], 8192, 8192, encoding));
            assert_eq!(none.gaps, [gap(0..8192, GapKind::Unplaced)]);
            let short = damage(&volume, &file(&[(8192, Place::At(0))], 20000, 20000, encoding));
            assert_eq!(short.gaps, [gap(8192..20000, GapKind::Unplaced)]);
            let Extents::Runs(mut holed) =
                file(&[(8192, Place::At(0)), (8192, Place::At(8192))], 16384, 16384, encoding)
            else {
                panic!()
            };
            holed.runs[1].start = 12288;
            assert_eq!(damage(&volume, &Extents::Runs(holed)).gaps, [gap(8192..16384, GapKind::Unplaced)]);
        }
    }

    #[test]
    fn a_unit_with_holes_of_two_kinds_counts_once() {
        let map = SectorMap::from_ranges(
            65536,
            Basis::Full,
            ByteState::Read,
            &[
                Segment { range: 512..1024, state: ByteState::Unread },
                Segment { range: 1024..1536, state: ByteState::Unreached },
                Segment { range: 2048..2560, state: ByteState::Unread },
            ],
        )
        .unwrap();
        let volume = Source::new(Arc::new(MemoryImage::new(vec![1; 65536])), &map, 512);
        let found = damage(&volume, &file(&[(16384, Place::At(0))], 16384, 16384, Encoding::Lznt1 { unit: 8192 }));
        assert_eq!(found.gaps, [gap(0..8192, GapKind::Unread)]);
    }

    #[test]
    fn the_last_unit_reaches_past_the_valid_size() {
        let volume = volume(&[12288..16384]);
        let places = [(8192, Place::At(0)), (4096, Place::At(12288)), (4096, Place::Zeros)];
        let found = damage(&volume, &file(&places, 12000, 8192, Encoding::Lznt1 { unit: 16384 }));
        assert_eq!(found.gaps, [gap(0..8192, GapKind::Unread)]);
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
