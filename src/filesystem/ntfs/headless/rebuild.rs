//! A file table without its own record: put together from records that say their own numbers.

use super::super::table::{Doubt, Piece, Table};
use super::geometry::TablePiece;
use super::traces::Stretch;
use crate::bytes::{to_u64, to_usize};
use crate::filesystem::bitmap::Bitmap;

/// How a volume is laid out, as far as it matters for where records may be.
#[derive(Debug, Clone, Copy)]
pub(in crate::filesystem::ntfs) struct Layout {
    /// The volume's first byte and the one after its last, in the source.
    pub(in crate::filesystem::ntfs) start: u64,
    pub(in crate::filesystem::ntfs) end: u64,
    pub(in crate::filesystem::ntfs) cluster: u64,
    pub(in crate::filesystem::ntfs) record_size: u64,
}

impl Layout {
    /// How many records the mirror may have: four, or what fills a cluster.
    fn mirrored(&self) -> u64 {
        const LEAST: u64 = 4;
        self.cluster.checked_div(self.record_size).unwrap_or(0).max(LEAST)
    }

    /// Whether a piece reaches to a record if it goes on as it begins.
    fn is_one_run(&self, piece: &TablePiece, first: u64, offset: u64) -> bool {
        let between = first.saturating_sub(piece.first).checked_mul(self.record_size);
        between.and_then(|between| piece.offset.checked_add(between)) == Some(offset)
    }

    /// Whether a stretch can be a part of the table: inside the volume, and where a run that begins at a cluster's start
    /// would have it.
    fn fits(&self, stretch: &Stretch) -> bool {
        let length = u64::from(stretch.records).saturating_mul(self.record_size);
        let in_table = u64::from(stretch.first).saturating_mul(self.record_size);
        let inside = stretch.offset >= self.start && stretch.offset.saturating_add(length) <= self.end;
        let in_volume = stretch.offset.saturating_sub(self.start);
        let remainder = |value: u64| value.checked_rem(self.cluster);
        u64::from(stretch.record_size) == self.record_size
            && inside
            // A table is not longer than its volume.
            && stretch.end().saturating_mul(self.record_size) <= self.end.saturating_sub(self.start)
            && remainder(in_volume) == remainder(in_table)
    }
}

/// The pieces of a table, in order. Where two places have a record of one number, neither is used: which is in force
/// can't be told. What may be the mirror yields to what is more.
pub(in crate::filesystem::ntfs) fn pieces(stretches: &[Stretch], layout: Layout) -> Vec<TablePiece> {
    let mut sorted: Vec<&Stretch> = stretches.iter().filter(|stretch| layout.fits(stretch)).collect();
    sorted.sort_by_key(|stretch| (stretch.first, stretch.offset));
    let is_mirror = |stretch: &Stretch| stretch.end() <= layout.mirrored();
    // The copies of the first records come first in the order, and those of the table may begin among them.
    let beyond = sorted.iter().any(|stretch| !is_mirror(stretch) && u64::from(stretch.first) < layout.mirrored());
    if beyond {
        sorted.retain(|stretch| !is_mirror(stretch));
    }
    let mut found: Vec<TablePiece> = Vec::new();
    // Numbers up to here have had a place already.
    let mut taken = 0;
    for (index, stretch) in sorted.iter().enumerate() {
        let first = u64::from(stretch.first).max(taken);
        // The next ones that begin inside this one contest what they share with it.
        let next = sorted.get(index.saturating_add(1)).map_or(u64::MAX, |next| u64::from(next.first));
        let end = stretch.end().min(next);
        if first < end
            && let Some(offset) = stretch.offset_of(first)
        {
            let offset = offset.saturating_sub(layout.start);
            match found.last_mut() {
                // What lies between two parts of one run is the table's, too: free records without a number, and holes.
                Some(last) if layout.is_one_run(last, first, offset) => last.records = end.saturating_sub(last.first),
                _ => found.push(TablePiece { first, records: end.saturating_sub(first), offset }),
            }
        }
        // Where the next one ends inside this one, what follows it is this one's again; it is left out, too.
        taken = taken.max(stretch.end());
    }
    found
}

/// A table of these pieces; `None` if they are none, or overlap.
pub(in crate::filesystem::ntfs) fn table(pieces: &[TablePiece], record_size: u64) -> Option<Table> {
    let mut all: Vec<Piece> = Vec::new();
    let mut at = 0;
    for piece in pieces {
        let start = piece.first.checked_mul(record_size)?;
        let end = start.checked_add(piece.records.checked_mul(record_size)?)?;
        piece.offset.checked_add(end.checked_sub(start)?)?;
        if start < at || end <= start {
            return None;
        }
        if start > at {
            all.push(Piece { range: at..start, place: None });
        }
        all.push(Piece { range: start..end, place: Some(piece.offset) });
        at = end;
    }
    (!all.is_empty()).then_some(Table {
        record_size: to_usize(record_size)?,
        pieces: all,
        // The bitmap's place is lost with the table's own record: every record may have been in use.
        bitmap: Bitmap::default(),
        unknown: false,
        own_record_is_lost: true,
        doubt: Doubt::Records,
    })
}

/// How many records of the stretches the table has where they lie, and how many lie elsewhere in the volume; `mirror` is
/// its first byte in the volume.
pub(super) fn strays(table: &Table, stretches: &[Stretch], layout: Layout, mirror: Option<u64>) -> (u64, u64) {
    let size = to_u64(table.record_size);
    let (mut placed, mut strays) = (0_u64, 0_u64);
    for stretch in stretches.iter().filter(|one| (layout.start..layout.end).contains(&one.offset)) {
        let in_volume = stretch.offset.saturating_sub(layout.start);
        let start = u64::from(stretch.first).saturating_mul(size);
        let place = table.places(start..start.saturating_add(1)).find_map(|piece| piece.place);
        let count = u64::from(stretch.records);
        let is_copy = mirror.is_some_and(|mirror| {
            in_volume.checked_sub(mirror) == Some(start) && u64::from(stretch.first) < layout.mirrored()
        });
        if place == Some(in_volume) {
            placed = placed.saturating_add(count);
        } else if !is_copy {
            strays = strays.saturating_add(count);
        }
    }
    (placed, strays)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAYOUT: Layout = Layout { start: 8192, end: 8192 + (1 << 20), cluster: 4096, record_size: 1024 };

    fn stretch(offset: u64, first: u32, records: u32) -> Stretch {
        Stretch { offset, first, records, record_size: 1024 }
    }

    fn found(stretches: &[Stretch]) -> Vec<(u64, u64, u64)> {
        pieces(stretches, LAYOUT).iter().map(|piece| (piece.first, piece.records, piece.offset)).collect()
    }

    #[test]
    fn stretches_become_pieces_in_the_order_of_their_numbers() {
        let stretches = [stretch(8192 + 65_536, 40, 8), stretch(8192 + 16_384, 4, 20)];
        // Record 4 stands at a cluster's start, and so does record 40.
        assert_eq!(found(&stretches), [(4, 20, 16_384), (40, 8, 65_536)]);
    }

    #[test]
    fn what_can_not_lie_there_is_no_piece() {
        assert_eq!(found(&[stretch(8192 + 16_384 + 512, 4, 20)]), [], "not where a run would have it");
        assert_eq!(found(&[stretch(8192 + 16_384, 5, 20)]), [], "not where a run would have it");
        assert_eq!(found(&[stretch(4096, 4, 1)]), [], "before the volume");
        assert_eq!(found(&[stretch(8192 + (1 << 20), 4, 20)]), [], "after it");
        assert_eq!(found(&[stretch(8192 + 16_384, 4096, 4)]), [], "the table would be longer than the volume");
        assert_eq!(found(&[Stretch { record_size: 4096, ..stretch(8192 + 16_384, 4, 20) }]), []);
    }

    #[test]
    fn a_number_with_two_places_has_none() {
        let stretches = [stretch(8192 + 16_384, 4, 20), stretch(8192 + 65_536, 8, 4), stretch(8192 + 81_920, 40, 4)];
        assert_eq!(found(&stretches), [(4, 4, 16_384), (40, 4, 81_920)]);
        let run = [stretch(8192 + 16_384, 4, 20), stretch(8192 + 16_384 + 32 * 1024, 36, 4)];
        assert_eq!(found(&run), [(4, 36, 16_384)], "what is between is the table's, too");
        let twins = [stretch(8192 + 16_384, 4, 20), stretch(8192 + 65_536, 4, 20)];
        assert_eq!(found(&twins), []);
    }

    #[test]
    fn the_mirror_yields_to_the_table() {
        let stretches = [stretch(8192 + 524_288, 0, 4), stretch(8192 + 16_384, 0, 64)];
        assert_eq!(found(&stretches), [(0, 64, 16_384)]);
        assert_eq!(found(&stretches[..1]), [(0, 4, 524_288)]);
    }

    #[test]
    fn a_table_has_no_overlapping_pieces() {
        let piece = |first, records, offset| TablePiece { first, records, offset };
        let good = table(&[piece(4, 4, 8192), piece(16, 4, 65_536)], 1024).unwrap();
        assert_eq!((good.record_count(), good.pieces.len()), (20, 4));
        assert!(table(&[piece(4, 4, 8192), piece(7, 4, 65_536)], 1024).is_none());
        assert!(table(&[piece(4, 0, 8192)], 1024).is_none());
        assert!(table(&[piece(u64::MAX, 4, 8192)], 1024).is_none());
        assert!(table(&[], 1024).is_none());
    }
}
