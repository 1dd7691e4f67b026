//! Where a stream's bytes lie: its pieces joined, checked against one another, and turned into bytes of the volume.

use std::ops::Range;

use enumset::EnumSet;

use super::file::{Stream, StreamPiece};
use super::structures::{BootSector, attribute_flag};
use super::units::{ClusterSize, Lcn, Vcn};
use crate::bytes::{at_most, to_u64};
use crate::catalog::{Distrust, Encoding, Extents, Place, Run, Runs, Unlocated};
use crate::error::Result;
use crate::source::Source;

/// What clusters that a stream doesn't have mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Absent {
    /// Zeros, as NTFS defines them.
    Zeros,
    /// Content that a cloud program keeps elsewhere.
    NeverHere,
}

/// A stream placed on the volume.
#[derive(Debug)]
pub(super) struct Placed {
    pub(super) extents: Extents,
    /// Failed conditions.
    pub(super) distrust: EnumSet<Distrust>,
    pub(super) encrypted: bool,
    /// Bytes of clusters it has.
    pub(super) allocated: u64,
}

/// Places a stream, or says why nothing of it can be placed.
pub(super) fn place(boot: &BootSector, stream: &Stream, absent: Absent) -> Result<Placed, Unlocated> {
    let encrypted = stream.flags & attribute_flag::ENCRYPTED != 0;
    if let Some(value) = &stream.resident {
        let extents = Extents::Resident(value.clone());
        return Ok(Placed { extents, distrust: EnumSet::empty(), encrypted, allocated: 0 });
    }
    let mut pieces: Vec<&StreamPiece> = stream.pieces.iter().collect();
    pieces.sort_by_key(|piece| piece.body.first);
    // Only the piece that starts at cluster 0 knows the sizes.
    let Some(head) = pieces.first().map(|piece| piece.body).filter(|body| body.first == Vcn(0)) else {
        return Err(Unlocated::DescriptionLost);
    };
    let encoding = encoding(boot.cluster, stream.flags, head.compression_unit)?;
    let mut join = Join {
        cluster: boot.cluster,
        clusters: boot.total_clusters(),
        next: 0,
        allocated: 0,
        runs: Vec::new(),
        distrust: EnumSet::empty(),
    };
    for piece in pieces {
        join.piece(piece);
    }
    let may_have_holes = stream.flags & (attribute_flag::SPARSE | attribute_flag::COMPRESSION_MASK) != 0;
    if !may_have_holes && absent == Absent::Zeros && join.runs.iter().any(|run| run.place == Place::Zeros) {
        join.distrust.insert(Distrust::RecordInconsistent);
    }
    // The sum of all pieces is the allocated size, and the sizes stand one inside the other.
    let allocated_clusters = boot.cluster.clusters(head.allocated);
    if join.next != allocated_clusters || head.size > head.allocated || head.valid_size > head.size {
        join.distrust.insert(Distrust::RecordInconsistent);
    }
    join.lost_up_to(boot.cluster.clusters(head.size).max(allocated_clusters).min(super::units::MAX_CLUSTERS));
    let mut runs = Runs { runs: join.runs, size: head.size, valid_size: head.valid_size.min(head.size), encoding };
    if absent == Absent::NeverHere {
        without_the_absent(&mut runs);
    }
    Ok(Placed { extents: Extents::Runs(runs), distrust: join.distrust, encrypted, allocated: join.allocated })
}

/// How the stream is stored.
fn encoding(cluster: ClusterSize, flags: u16, unit: u8) -> Result<Encoding, Unlocated> {
    match flags & attribute_flag::COMPRESSION_MASK {
        0 => Ok(Encoding::Plain),
        attribute_flag::LZNT1 => {
            let unit = 1_u64.checked_shl(u32::from(unit)).filter(|clusters| (2..=256).contains(clusters));
            let bytes = unit.and_then(|clusters| cluster.bytes(clusters)).ok_or(Unlocated::UnknownStorage)?;
            Ok(Encoding::Lznt1 { unit: bytes })
        }
        _ => Err(Unlocated::UnknownStorage),
    }
}

/// Puts pieces one after another.
struct Join {
    cluster: ClusterSize,
    /// Clusters of the volume.
    clusters: u64,
    /// The next cluster of the stream.
    next: u64,
    allocated: u64,
    runs: Vec<Run>,
    distrust: EnumSet<Distrust>,
}

impl Join {
    fn piece(&mut self, piece: &StreamPiece) {
        if piece.body.first.0 < self.next {
            // Which of the two is right can't be told.
            self.distrust.insert(Distrust::PiecesOverlap);
            return;
        }
        self.lost_up_to(piece.body.first.0);
        for run in &piece.runs {
            let place = match run.place {
                None => Place::Zeros,
                Some(Lcn(lcn)) if lcn.checked_add(run.length).is_some_and(|end| end <= self.clusters) => {
                    self.cluster.volume_offset(Lcn(lcn)).map_or(Place::Lost, Place::At)
                }
                Some(_) => {
                    self.distrust.insert(Distrust::OutsideVolume);
                    Place::Lost
                }
            };
            self.push(run.length, place);
        }
        if piece.fault.is_some() {
            self.distrust.insert(Distrust::RecordInconsistent);
            self.lost_up_to(piece.body.last.0.saturating_add(1).min(super::units::MAX_CLUSTERS));
        }
    }

    /// Clusters up to `end` that nobody places.
    fn lost_up_to(&mut self, end: u64) {
        if end > self.next {
            self.push(end.saturating_sub(self.next), Place::Lost);
        }
    }

    fn push(&mut self, clusters: u64, place: Place) {
        // Below 2^32 clusters of at most 2^21 bytes nothing overflows.
        let start = self.cluster.bytes(self.next).unwrap_or(u64::MAX);
        let length = self.cluster.bytes(clusters).unwrap_or(0);
        self.next = self.next.saturating_add(clusters);
        if let Place::At(_) = place {
            self.allocated = self.allocated.saturating_add(length);
        }
        self.runs.push(Run { start, length, place });
    }
}

/// For a cloud file: clusters it doesn't have are content that never was here, and not zeros.
fn without_the_absent(runs: &mut Runs) {
    if runs.runs.iter().all(|run| run.place != Place::Zeros) {
        return;
    }
    // The valid size of a file that is not here is often 0; the absent part must not pass for defined zeros. What has
    // clusters past the valid size is zeros all the same.
    let valid = runs.valid_size;
    let mut all = Vec::with_capacity(runs.runs.len());
    for run in runs.runs.drain(..) {
        match run.place {
            Place::Zeros => all.push(Run { place: Place::NeverHere, ..run }),
            Place::At(offset) if run.start.saturating_add(run.length) > valid => {
                let real = valid.saturating_sub(run.start).min(run.length);
                if real > 0 {
                    all.push(Run { length: real, place: Place::At(offset), ..run });
                }
                let start = run.start.saturating_add(real);
                all.push(Run { start, length: run.length.saturating_sub(real), place: Place::Zeros });
            }
            _ => all.push(run),
        }
    }
    runs.runs = all;
    runs.valid_size = runs.size;
}

/// Reads a stream of the filesystem's own into memory, at most `limit` bytes of it. Answers the bytes, which ranges of
/// them are not there, and whether nobody vouches for some.
pub(super) fn read_stream(
    volume: &Source,
    boot: &BootSector,
    stream: &Stream,
    limit: usize,
) -> Result<(Vec<u8>, Vec<Range<u64>>, bool)> {
    let runs = match place(boot, stream, Absent::Zeros).map(|placed| placed.extents) {
        Ok(Extents::Resident(bytes)) => {
            return Ok((bytes.get(..limit).map(<[u8]>::to_vec).unwrap_or(bytes), Vec::new(), false));
        }
        Ok(Extents::Runs(runs)) if runs.encoding == Encoding::Plain => runs,
        // None of it can be had.
        _ => return Ok((Vec::new(), vec![0..to_u64(limit)], false)),
    };
    // No more memory than the image has bytes for.
    let size = at_most(runs.size.min(volume.length_in_image()), limit);
    let mut bytes = vec![0; size];
    let mut holes = Vec::new();
    let mut unknown = false;
    let end = to_u64(size);
    for run in runs.runs.iter().take_while(|run| run.start < end) {
        let run_end = run.start.saturating_add(run.length).min(end);
        let range = at_most(run.start, size)..at_most(run_end, size);
        match run.place {
            Place::At(offset) => {
                let reality = volume.read_at(offset, bytes.get_mut(range).unwrap_or_default())?;
                unknown |= reality.unknown;
                holes.extend(reality.holes.into_iter().map(|hole| {
                    let in_stream = |at: u64| run.start.saturating_add(at.saturating_sub(offset));
                    in_stream(hole.range.start)..in_stream(hole.range.end)
                }));
            }
            Place::Zeros => {}
            Place::Lost | Place::NeverHere => holes.push(run.start..run_end),
        }
    }
    Ok((bytes, holes, unknown))
}

#[cfg(test)]
mod tests {
    use super::super::runs::{DataRun, RunFault};
    use super::super::structures::NonResidentBody;
    use super::*;

    fn boot() -> BootSector {
        BootSector {
            sector_size: 512,
            cluster: ClusterSize(4096),
            total_sectors: 8000,
            mft: Lcn(4),
            mft_mirror: Lcn(500),
            record_size: 1024,
            serial: None,
        }
    }

    fn piece(first: u64, runs: &[(u64, Option<u64>)], size: u64, valid_size: u64) -> StreamPiece {
        let mut vcn = first;
        let mut list = Vec::new();
        for (length, lcn) in runs {
            list.push(DataRun { first: Vcn(vcn), length: *length, place: lcn.map(Lcn) });
            vcn += length;
        }
        let body = NonResidentBody {
            first: Vcn(first),
            last: Vcn(vcn.wrapping_sub(1)),
            runs_offset: 0,
            compression_unit: 4,
            allocated: size.next_multiple_of(4096),
            size,
            valid_size,
        };
        StreamPiece { body, runs: list, fault: None }
    }

    fn stream(flags: u16, pieces: Vec<StreamPiece>) -> Stream {
        Stream { flags, resident: None, pieces }
    }

    fn runs(placed: &Placed) -> Vec<(u64, u64, Place)> {
        let Extents::Runs(runs) = &placed.extents else { panic!() };
        runs.runs.iter().map(|run| (run.start / 4096, run.length / 4096, run.place)).collect()
    }

    #[test]
    fn pieces_are_joined_in_their_own_order() {
        let one = stream(0, vec![piece(3, &[(2, Some(50))], 0, 0), piece(0, &[(3, Some(10))], 5 * 4096 - 1, 20_000)]);
        let placed = place(&boot(), &one, Absent::Zeros).unwrap();
        assert_eq!(runs(&placed), [(0, 3, Place::At(40_960)), (3, 2, Place::At(204_800))]);
        assert_eq!((placed.distrust, placed.allocated), (EnumSet::empty(), 5 * 4096));
    }

    #[test]
    fn a_missing_piece_is_lost_and_not_zeros() {
        let gap = stream(0, vec![piece(0, &[(3, Some(10))], 6 * 4096, 6 * 4096), piece(5, &[(1, Some(50))], 0, 0)]);
        let placed = place(&boot(), &gap, Absent::Zeros).unwrap();
        assert_eq!(runs(&placed)[1], (3, 2, Place::Lost));
        let end = stream(0, vec![piece(0, &[(3, Some(10))], 6 * 4096, 6 * 4096)]);
        let placed = place(&boot(), &end, Absent::Zeros).unwrap();
        assert_eq!(runs(&placed)[1], (3, 3, Place::Lost));
        assert!(placed.distrust.contains(Distrust::RecordInconsistent));
        let head = stream(0, vec![piece(3, &[(3, Some(10))], 0, 0)]);
        assert_eq!(place(&boot(), &head, Absent::Zeros).unwrap_err(), Unlocated::DescriptionLost);
        assert_eq!(place(&boot(), &stream(0, Vec::new()), Absent::Zeros).unwrap_err(), Unlocated::DescriptionLost);
    }

    #[test]
    fn contradictions_are_told() {
        let overlap = stream(0, vec![piece(0, &[(3, Some(10))], 3 * 4096, 0), piece(2, &[(1, Some(50))], 0, 0)]);
        assert!(place(&boot(), &overlap, Absent::Zeros).unwrap().distrust.contains(Distrust::PiecesOverlap));
        let outside = stream(0, vec![piece(0, &[(1, Some(999)), (1, Some(1000))], 8192, 8192)]);
        let placed = place(&boot(), &outside, Absent::Zeros).unwrap();
        assert_eq!(runs(&placed), [(0, 1, Place::At(999 * 4096)), (1, 1, Place::Lost)]);
        assert!(placed.distrust.contains(Distrust::OutsideVolume));
        let hole = stream(0, vec![piece(0, &[(2, None)], 8192, 0)]);
        assert!(place(&boot(), &hole, Absent::Zeros).unwrap().distrust.contains(Distrust::RecordInconsistent));
        let valid = stream(0, vec![piece(0, &[(2, Some(3))], 8000, 8001)]);
        assert!(place(&boot(), &valid, Absent::Zeros).unwrap().distrust.contains(Distrust::RecordInconsistent));
        let mut broken = piece(0, &[(2, Some(3))], 4 * 4096, 4 * 4096);
        broken.fault = Some(RunFault::Short);
        broken.body.last = Vcn(3);
        let placed = place(&boot(), &stream(0, vec![broken]), Absent::Zeros).unwrap();
        assert_eq!(runs(&placed)[1], (2, 2, Place::Lost));
    }

    #[test]
    fn compression_and_encryption_by_the_flags() {
        let packed = stream(attribute_flag::LZNT1, vec![piece(0, &[(1, Some(3)), (15, None)], 65536, 65536)]);
        let placed = place(&boot(), &packed, Absent::Zeros).unwrap();
        let Extents::Runs(found) = &placed.extents else { panic!() };
        assert_eq!((found.encoding, placed.distrust), (Encoding::Lznt1 { unit: 65536 }, EnumSet::empty()));
        let other = stream(2, vec![piece(0, &[(1, Some(3))], 4096, 4096)]);
        assert_eq!(place(&boot(), &other, Absent::Zeros).unwrap_err(), Unlocated::UnknownStorage);
        let locked = stream(attribute_flag::ENCRYPTED, vec![piece(0, &[(1, Some(3))], 4096, 4096)]);
        assert!(place(&boot(), &locked, Absent::Zeros).unwrap().encrypted);
    }

    #[test]
    fn what_a_cloud_file_does_not_have_never_was_here() {
        let gone = stream(attribute_flag::SPARSE, vec![piece(0, &[(2, None)], 8000, 0)]);
        let placed = place(&boot(), &gone, Absent::NeverHere).unwrap();
        assert_eq!(runs(&placed), [(0, 2, Place::NeverHere)]);
        let Extents::Runs(found) = &placed.extents else { panic!() };
        assert_eq!(found.valid_size, 8000);
        let half = stream(attribute_flag::SPARSE, vec![piece(0, &[(2, Some(5)), (1, None)], 12288, 4096)]);
        let placed = place(&boot(), &half, Absent::NeverHere).unwrap();
        assert_eq!(runs(&placed), [(0, 1, Place::At(20480)), (1, 1, Place::Zeros), (2, 1, Place::NeverHere)]);
        let here = stream(0, vec![piece(0, &[(2, Some(5))], 8192, 8192)]);
        let placed = place(&boot(), &here, Absent::NeverHere).unwrap();
        assert_eq!(runs(&placed), [(0, 2, Place::At(20480))]);
    }
}
