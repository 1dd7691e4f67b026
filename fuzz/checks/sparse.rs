//! Whole volumes in small inputs: a header, and the stretches that are not zeros.
//!
//! | offset | bytes | what |
//! |---|---|---|
//! | 0x00 | 1 | [`READ`], [`DELETED`], [`CROSS_CHECK`], [`MEND`] |
//! | 0x01 | 1 | sector size: 0 for what the image says, else 256 bytes shifted by it |
//! | 0x02 | 2 | stretches |
//! | 0x04 | 4 | length in 512-byte sectors, at most [`MOST_SECTORS`] |
//! | 0x08 | 18 | three holes: first sector (4), sectors (2) |
//! | 0x20 | 6 each | stretches: first sector (4), sectors (2); the last one ends where the input does |
//!
//! and then the bytes of the stretches, back to back.

use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::SystemTime;

use handback::error::Result;
use handback::image::Image;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;

use super::Taker;

/// A log says that all but the holes was read; otherwise nobody says anything of the rest.
const READ: u8 = 1;
/// Deleted files, too.
pub(super) const DELETED: u8 = 2;
/// Folders' own lists are held against the records.
pub(super) const CROSS_CHECK: u8 = 4;
/// The checksums of partition tables are set right.
pub(super) const MEND: u8 = 8;

const SECTOR: u64 = 512;
/// 32 MiB.
const MOST_SECTORS: u64 = 1 << 16;
const MOST_STRETCHES: u64 = 64;

/// An image of zeros, but for some stretches; later ones lie over earlier ones.
#[derive(Clone)]
pub(crate) struct Sparse {
    pub(super) flags: u8,
    pub(super) sector_size: Option<u64>,
    pub(super) length: u64,
    pub(super) stretches: Vec<(u64, Vec<u8>)>,
    holes: Vec<Range<u64>>,
}

impl Sparse {
    pub(crate) fn parse(data: &[u8]) -> Self {
        let (mut header, mut rest) = (Taker(&data[..data.len().min(0x20)]), Taker(&data[data.len().min(0x20)..]));
        let flags = header.byte();
        let shift = header.byte() % 8;
        let count = header.number(2).min(MOST_STRETCHES);
        let length = header.number(4).min(MOST_SECTORS) * SECTOR;
        let range = |taker: &mut Taker<'_>| {
            let start = taker.number(4) * SECTOR;
            start..start + taker.number(2) * SECTOR
        };
        let mut holes: Vec<_> = (0..3).map(|_| range(&mut header)).collect();
        let places: Vec<_> = (0..count).map(|_| range(&mut rest)).collect();
        let bytes = |place: Range<u64>| {
            let length = usize::try_from(place.end - place.start).expect("below 2^25");
            (place.start, rest.bytes(length).to_vec())
        };
        let stretches = places.into_iter().map(bytes).collect();
        // A map's ranges are sorted, apart and inside.
        holes.sort_by_key(|hole| hole.start);
        let mut end = 0;
        for hole in &mut holes {
            *hole = hole.start.max(end).min(length)..hole.end.max(end).min(length);
            end = hole.end;
        }
        holes.retain(|hole| !hole.is_empty());
        Self { flags, sector_size: (shift > 0).then(|| 256 << shift), length, stretches, holes }
    }

    pub(super) fn has(&self, flag: u8) -> bool {
        self.flags & flag != 0
    }

    /// The map that the header describes, of an image in which this one starts at `base`.
    pub(super) fn map(&self, base: u64) -> SectorMap {
        let state = ByteState::Unread;
        let holes: Vec<_> =
            self.holes.iter().map(|hole| Segment { range: base + hole.start..base + hole.end, state }).collect();
        let said = if self.has(READ) { (Basis::Full, ByteState::Read) } else { (Basis::BadList, ByteState::Unknown) };
        SectorMap::from_ranges(base + self.length, said.0, said.1, &holes).expect("sorted, apart and inside")
    }

    pub(crate) fn source(&self) -> Source {
        Source::new(Arc::new(self.clone()), &self.map(0), SECTOR)
    }

    /// The same, `base` bytes further back in a longer image.
    pub(super) fn moved(&self, base: u64) -> Self {
        let stretches = self.stretches.iter().map(|(start, bytes)| (base + start, bytes.clone())).collect();
        Self { length: base + self.length, stretches, ..self.clone() }
    }

    pub(super) fn bytes(&self, start: u64, length: usize) -> Vec<u8> {
        let mut bytes = vec![0; length];
        for (at, stretch) in &self.stretches {
            let from = start.max(*at);
            let to = (start + length as u64).min(at + stretch.len() as u64);
            if from < to {
                let count = usize::try_from(to - from).expect("part of a buffer");
                let (target, origin) = ((from - start) as usize, (from - at) as usize);
                bytes[target..target + count].copy_from_slice(&stretch[origin..origin + count]);
            }
        }
        bytes
    }
}

impl Image for Sparse {
    fn length(&self) -> u64 {
        self.length
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        let end = offset.checked_add(buffer.len() as u64);
        assert!(end.is_some_and(|end| end <= self.length), "only what is inside the image is asked for");
        buffer.copy_from_slice(&self.bytes(offset, buffer.len()));
        Ok(())
    }

    fn parts(&self) -> &[PathBuf] {
        &[]
    }

    fn modified(&self) -> Option<SystemTime> {
        None
    }

    fn check_unchanged(&self) -> Result<()> {
        Ok(())
    }
}
