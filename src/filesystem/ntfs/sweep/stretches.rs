//! The file table in stretches: several are read and looked at at once, and put together in their order.

use std::ops::Range;

use super::super::Ntfs;
use super::super::file::ExtensionBudget;
use super::super::record::Record;
use super::super::structures::record_number;
use super::Sweep;
use crate::bytes::{at_most, round_down, to_u64};
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::filesystem::SweepOptions;
use crate::progress::Progress;
use crate::source::Reality;
use crate::threads;

/// How much of the table a thread reads at once, in bytes.
pub(super) const LENGTH: u64 = 2 << 20;

impl Sweep<'_> {
    pub(super) fn all_records(&mut self, stretch: u64, progress: &dyn Progress) -> Result<()> {
        let table = &self.ntfs.table;
        let size = to_u64(table.record_size);
        let end = table.record_count().saturating_mul(size);
        let in_image = self.ntfs.source.length_in_image();
        let step = round_down(stretch, size).max(size);
        let threads = threads::count();
        let mut round = Vec::with_capacity(threads);
        let mut at = 0;
        while at < end {
            // Stretches without a place in the image are not walked record by record: their length is the volume's
            // word and may be anything.
            let real = table
                .places(at..end)
                .find(|piece| piece.place.is_some_and(|place| place < in_image))
                .map_or(end, |piece| piece.range.start);
            let skip_to = round_down(real, size);
            if skip_to > at {
                self.round(&mut round, progress)?;
                self.all_lost(at.checked_div(size).unwrap_or(0)..skip_to.checked_div(size).unwrap_or(0));
                progress.advance(skip_to.saturating_sub(at).checked_div(size).unwrap_or(0));
                at = skip_to;
                continue;
            }
            let next = at.saturating_add(step).min(end);
            round.push(at..next);
            at = next;
            if round.len() >= threads {
                self.round(&mut round, progress)?;
            }
        }
        self.round(&mut round, progress)
    }

    /// A stretch of records that are not in the image.
    fn all_lost(&mut self, records: Range<u64>) {
        let ordinary = records.start.max(record_number::FIRST_ORDINARY)..records.end;
        if ordinary.start < ordinary.end {
            let count = self.ntfs.table.bitmap.count_possible(ordinary.clone());
            self.lost.add(ordinary.clone(), count);
            self.findings.add(FindingKind::TablePartLost, None, Some(ordinary.start), || {
                format!("records {} to {} are not in the image", ordinary.start, ordinary.end.saturating_sub(1))
            });
        }
    }

    /// Looks at all stretches of a round at once, and takes in what they hold in their order.
    fn round(&mut self, round: &mut Vec<Range<u64>>, progress: &dyn Progress) -> Result<()> {
        let (ntfs, options) = (self.ntfs, self.options);
        let found = threads::in_parts(round, 1, |part| {
            part.iter().map(|range| stretch(ntfs, options, range)).collect::<Vec<_>>()
        });
        let size = to_u64(ntfs.table.record_size);
        for (range, found) in round.drain(..).zip(found.into_iter().flatten()) {
            self.take_in(found?)?;
            progress.advance(range.end.saturating_sub(range.start).checked_div(size).unwrap_or(0));
        }
        Ok(())
    }

    /// Takes in what the next stretch of the table holds.
    fn take_in(&mut self, stretch: Sweep<'_>) -> Result<()> {
        let first = self.tree.append(stretch.tree)?;
        self.findings.extend(stretch.findings);
        self.own.extend(stretch.own);
        self.with_list.extend(stretch.with_list);
        self.lost.append(&stretch.lost);
        self.names_lost.extend(stretch.names_lost);
        self.several.extend(stretch.several);
        self.unknown |= stretch.unknown;
        self.claims.append(stretch.claims, first);
        self.deleted_runs.extend(stretch.deleted_runs.into_iter().map(|run| run.moved(first)));
        self.silent.records.extend(stretch.silent.records);
        self.silent.extensions.extend(stretch.silent.extensions);
        Ok(())
    }
}

/// What the records in these bytes of the table hold. Records that lead to others are only noted.
fn stretch<'a>(ntfs: &'a Ntfs, options: SweepOptions, range: &Range<u64>) -> Result<Sweep<'a>> {
    let table = &ntfs.table;
    let mut found = Sweep::new(ntfs, options, ExtensionBudget::default());
    let size = to_u64(table.record_size);
    let longest = LENGTH.max(size);
    let mut bytes = vec![0; at_most(range.end.saturating_sub(range.start).min(longest), usize::MAX)];
    let reality = table.read_bytes(&ntfs.source, range.start, &mut bytes)?;
    found.unknown |= reality.unknown;
    let mut holes = reality.holes.as_slice();
    let mut start = range.start;
    for raw in bytes.chunks_exact(table.record_size) {
        let number = start.checked_div(size).unwrap_or(0);
        let record_end = start.saturating_add(size);
        let passed = holes.iter().take_while(|hole| hole.range.end <= start).count();
        holes = holes.get(passed..).unwrap_or_default();
        let here = holes.iter().take_while(|hole| hole.range.start < record_end);
        let mine = Reality { holes: here.cloned().collect(), unknown: reality.unknown };
        found.record(number, Record::parse(number, raw, start, &mine))?;
        start = record_end;
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::super::in_stretches;
    use super::*;
    use crate::image::MemoryImage;
    use crate::progress::Silent;
    use crate::sector_map::{Basis, ByteState, SectorMap, Segment};
    use crate::source::Source;
    use crate::testing::fixture;

    /// Every so many sectors one that the drive did not give; 0 for none.
    fn source(bytes: &[u8], every: u64) -> Source {
        let length = bytes.len() as u64;
        let image = Arc::new(MemoryImage::new(bytes.to_vec()));
        let sectors = (1..length / 512).filter(|sector| every > 0 && sector.is_multiple_of(every));
        let hole = |sector: u64| Segment { range: sector * 512..(sector + 1) * 512, state: ByteState::Unread };
        let holes: Vec<Segment> = sectors.map(hole).collect();
        let map = SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &holes).unwrap();
        Source::new(image, &map, 512)
    }

    #[test]
    fn however_the_table_is_cut_the_same_is_found() {
        let mut found_in_all = 0;
        for name in ["ntfs-dirty", "ntfs-deleted", "ntfs-streams", "ntfs-attrlist", "ntfs-mftfrag"] {
            let bytes = fixture(name);
            for every in [0, 7, 23, 101] {
                let Some(ntfs) = Ntfs::open(&source(&bytes, every)).unwrap() else { continue };
                for options in [
                    SweepOptions::default(),
                    SweepOptions { deleted: true, cross_check: true, ..SweepOptions::default() },
                ] {
                    let mut found = |stretch| {
                        let swept = in_stretches(&ntfs, options, stretch, &Silent).unwrap();
                        found_in_all += swept.catalog.object_count();
                        format!("{:?} {:?} {:?} {:?}", swept.catalog, swept.facts, swept.claimed, swept.holes)
                    };
                    let whole = found(LENGTH);
                    for records in [1, 3, 16] {
                        let cut = found(records * ntfs.table.record_size as u64);
                        assert!(cut == whole, "{name}, a hole every {every} sectors, by {records} records");
                    }
                }
            }
        }
        assert!(found_in_all > 1000, "{found_in_all}");
    }
}
