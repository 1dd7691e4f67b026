//! Sectors that an imaging program filled with a marker of its own because the drive did not give them.
//!
//! A sector counts if it is nothing but the marker: repeated from the sector's first byte, the last repetition cut where
//! the sector ends; or running on from such a sector before it, as programs that fill larger blocks leave it; or, for a
//! marker of [`STANDS_ALONE`] bytes or more, once at the sector's start with only zeros or only blanks behind.
//! What is found says which sectors are bad, and nothing good of any other: the basis is [`Basis::Marker`].

use std::ops::Range;

use super::csv::MAX_ROWS;
use super::{Basis, ByteState, SectorMap, Segment};
use crate::bytes::{at_most, to_u64, to_usize};
use crate::error::{Error, Result};
use crate::image::Image;
use crate::progress::{Progress, Unit};

/// A marker from this many bytes on may stand once in a sector. Shorter ones open too many sectors of anybody's.
pub const STANDS_ALONE: usize = 4;
/// Bytes read at once: enough for a disk's full speed, and a multiple of every sector size.
const PIECE: usize = 4 << 20;

/// The bytes that an imaging program leaves in a sector that it could not read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Marker(Vec<u8>);

impl Marker {
    /// Reads a marker as a user writes it: bytes in hexadecimal after `0x`, else text in UTF-8.
    ///
    /// # Errors
    /// [`Error::Usage`] if it is empty, not hexadecimal, or all zeros.
    pub fn parse(text: &str) -> Result<Self> {
        let bytes = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
            Some(digits) => from_hex(digits).ok_or_else(|| {
                Error::Usage(format!(
                    "`{text}` is no marker: after `0x` stand bytes of two hexadecimal digits each, as in `0xDEADBEEF`"
                ))
            })?,
            None => text.as_bytes().to_vec(),
        };
        Self::new(bytes)
    }

    /// A marker of these bytes.
    ///
    /// # Errors
    /// [`Error::Usage`] if there are none, or all are zeros: the customer's own zeros would be called unread.
    pub fn new(bytes: Vec<u8>) -> Result<Self> {
        if bytes.is_empty() {
            return Err(Error::Usage(
                "an empty marker is in every sector; look into one that was not read, and name what stands in it"
                    .to_string(),
            ));
        }
        if bytes.iter().all(|byte| *byte == 0) {
            return Err(Error::Usage(
                "a marker of zeros would call every zero that the customer wrote unread; if the imaging filled holes with \
                 zeros, only its log can tell them apart, and `handback map suspect` lists the blank stretches in files"
                    .to_string(),
            ));
        }
        Ok(Self(bytes))
    }

    /// Its bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// Why this marker may also be found in sectors that were read, if it may.
    #[must_use]
    pub fn danger(&self) -> Option<&'static str> {
        let first = self.0.first();
        if self.0.iter().all(|byte| Some(byte) == first) {
            Some(match first {
                Some(0xff) => "flash memory and blank pictures hold whole sectors of FF, too",
                Some(b' ') => "texts hold whole sectors of blanks, too",
                _ => "pictures and sound hold whole sectors of one byte, too",
            })
        } else if self.0.len() < STANDS_ALONE {
            Some("so short a pattern fills whole sectors of pictures and sound, too")
        } else {
            None
        }
    }
}

fn from_hex(digits: &str) -> Option<Vec<u8>> {
    if !digits.len().is_multiple_of(2) || !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
        return None;
    }
    let pairs = digits.as_bytes().chunks(2);
    pairs.map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()).collect()
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The map: `unread` where the marker stands, `unknown` elsewhere.
    pub map: SectorMap,
    /// Sectors that are the marker.
    pub sectors: u64,
    /// Those of them in which it stands once.
    pub alone: u64,
    /// Ranges of neighbouring sectors.
    pub ranges: u64,
}

/// Looks at every sector of `sector` bytes of an image. Holes of a sparse image file are passed over: they are zeros, and
/// no marker is.
///
/// # Errors
/// [`Error::Usage`] if the marker is longer than a sector; [`Error::Limit`] for more ranges than a map may have;
/// [`Error::ImageIo`] when the image file can't be read.
pub fn find(image: &dyn Image, marker: &Marker, sector: u64, progress: &dyn Progress) -> Result<Found> {
    let mut look = Look::new(marker, sector)?;
    let length = image.length();
    let mut buffer = vec![0; at_most(length, PIECE)];
    progress.begin("looking for the marker", length, Unit::Bytes);
    let mut at = 0;
    let mut hole = image.next_file_hole(0);
    while at < length {
        if hole.as_ref().is_some_and(|hole| hole.end <= at && hole.end < length) {
            hole = image.next_file_hole(at);
        }
        let in_hole = hole.as_ref().filter(|hole| hole.start <= at && at < hole.end);
        let skip = in_hole.map(|hole| crate::bytes::round_down(hole.end, sector).min(length)).filter(|end| *end > at);
        if let Some(end) = skip {
            look.phase = None;
            progress.advance(end.saturating_sub(at));
            at = end;
            continue;
        }
        let count = at_most(length.saturating_sub(at), PIECE);
        let Some(piece) = buffer.get_mut(..count) else { break };
        image.read_at(at, piece)?;
        look.piece(at, piece)?;
        progress.advance(to_u64(count));
        at = at.saturating_add(to_u64(count));
    }
    progress.end();
    let Look { found, sectors, alone, .. } = look;
    let ranges = to_u64(found.len());
    let segments: Vec<Segment> = found.into_iter().map(|range| Segment { range, state: ByteState::Unread }).collect();
    let map = SectorMap::from_ranges(length, Basis::Marker, ByteState::Unknown, &segments)
        .map_err(|_| Error::Usage("the image changed while it was read; wait until imaging has ended".to_string()))?;
    Ok(Found { map, sectors, alone, ranges })
}

/// The state of a look through an image.
struct Look {
    /// The marker repeated over a sector and one marker more, so that it can begin at any of its bytes.
    repeated: Vec<u8>,
    marker: usize,
    sector: usize,
    /// At which byte of the marker the sector after this one goes on; `None` if this one is not the marker repeated.
    phase: Option<usize>,
    found: Vec<Range<u64>>,
    sectors: u64,
    alone: u64,
}

impl Look {
    fn new(marker: &Marker, sector: u64) -> Result<Self> {
        let size = to_usize(sector).filter(|size| *size > 0 && *size <= PIECE);
        let Some(size) = size.filter(|size| marker.0.len() <= *size) else {
            return Err(Error::Usage(format!(
                "the marker has {} bytes and a sector {sector}; its first bytes are enough",
                marker.0.len()
            )));
        };
        let repeated = marker.0.iter().copied().cycle().take(size.saturating_add(marker.0.len())).collect();
        Ok(Self {
            repeated,
            marker: marker.0.len(),
            sector: size,
            phase: None,
            found: Vec::new(),
            sectors: 0,
            alone: 0,
        })
    }

    fn piece(&mut self, offset: u64, piece: &[u8]) -> Result<()> {
        for (index, sector) in (0_u64..).zip(piece.chunks(self.sector)) {
            let (repeated, alone) = self.judge(sector);
            if !repeated && !alone {
                continue;
            }
            self.sectors = self.sectors.saturating_add(1);
            self.alone = self.alone.saturating_add(u64::from(!repeated));
            let start = offset.saturating_add(index.saturating_mul(to_u64(self.sector)));
            let end = start.saturating_add(to_u64(sector.len()));
            if let Some(last) = self.found.last_mut().filter(|last| last.end == start) {
                last.end = end;
                continue;
            }
            if self.found.len() >= MAX_ROWS {
                return Err(Error::Limit {
                    what: "ranges of sectors with this marker".to_string(),
                    limit: to_u64(MAX_ROWS),
                    next: "check the marker: no imaging leaves so many holes",
                });
            }
            self.found.push(start..end);
        }
        Ok(())
    }

    /// Whether a sector is the marker repeated, and whether it is the marker once. The image's last one may be cut short.
    fn judge(&mut self, sector: &[u8]) -> (bool, bool) {
        let goes_on = self.phase.take().filter(|phase| *phase > 0);
        // A sector shorter than the marker shows too little of it.
        if sector.len() < self.marker {
            return (false, false);
        }
        for phase in std::iter::once(0).chain(goes_on) {
            let end = phase.saturating_add(sector.len());
            if self.repeated.get(phase..end) == Some(sector) {
                self.phase = end.checked_rem(self.marker);
                return (true, false);
            }
        }
        let Some((opening, rest)) = sector.split_at_checked(self.marker).filter(|_| self.marker >= STANDS_ALONE) else {
            return (false, false);
        };
        let alone = self.repeated.get(..self.marker) == Some(opening)
            && (rest.iter().all(|byte| *byte == 0) || rest.iter().all(|byte| *byte == b' '));
        (false, alone)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::MemoryImage;
    use crate::progress::Silent;

    fn looked(bytes: Vec<u8>, marker: &str, sector: u64) -> Found {
        find(&MemoryImage::new(bytes), &Marker::parse(marker).unwrap(), sector, &Silent).unwrap()
    }

    fn unread(found: &Found) -> Vec<Range<u64>> {
        let all = found.map.segments(0..found.map.length());
        all.filter(|segment| segment.state == ByteState::Unread).map(|segment| segment.range).collect()
    }

    fn fill(bytes: &mut [u8], marker: &[u8]) {
        bytes.iter_mut().zip(marker.iter().cycle()).for_each(|(byte, mark)| *byte = *mark);
    }

    #[test]
    fn text_and_hexadecimal_are_told_apart() {
        assert_eq!(Marker::parse("NO READ").unwrap().bytes(), b"NO READ");
        assert_eq!(Marker::parse("0xdeadBEEF").unwrap().bytes(), [0xde, 0xad, 0xbe, 0xef]);
        assert_eq!(Marker::parse("dead").unwrap().bytes(), b"dead");
        assert_eq!(Marker::parse("не читается").unwrap().bytes(), "не читается".as_bytes());
        for wrong in ["", "0x", "0x1", "0xZZ", "0x+1", "0x00", "0x0000000000"] {
            assert!(matches!(Marker::parse(wrong), Err(Error::Usage(_))), "{wrong}");
        }
        for (marker, dangerous) in [("0xFF", true), ("    ", true), ("AB", true), ("0x0102", true), ("BAD!", false)] {
            assert_eq!(Marker::parse(marker).unwrap().danger().is_some(), dangerous, "{marker}");
        }
    }

    #[test]
    fn a_sector_is_the_marker_from_its_start() {
        let mut bytes = vec![0x11; 16 * 512];
        fill(&mut bytes[2 * 512..3 * 512], b"BADSECT");
        fill(&mut bytes[3 * 512..4 * 512], b"BADSECT");
        // One byte more, one less, another phase without a sector before.
        fill(&mut bytes[6 * 512..7 * 512], b"BADSECT");
        bytes[7 * 512 - 1] ^= 1;
        fill(&mut bytes[8 * 512..9 * 512], b"ADSECTB");
        let found = looked(bytes, "BADSECT", 512);
        assert_eq!((unread(&found), found.sectors, found.alone, found.ranges), (vec![1024..2048], 2, 0, 1));
        assert_eq!(found.map.basis(), Some(Basis::Marker));
        assert_eq!(found.map.total(ByteState::Read), 0);
    }

    #[test]
    fn a_fill_of_larger_blocks_runs_on() {
        let mut bytes = vec![0x11; 16 * 512];
        fill(&mut bytes[4 * 512..12 * 512], b"BADSECT");
        assert_eq!(unread(&looked(bytes.clone(), "BADSECT", 512)), [4 * 512..12 * 512]);
        // In large sectors it is repeated from each start.
        assert_eq!(unread(&looked(bytes, "BADSECT", 2048)), [4 * 512..12 * 512]);
    }

    #[test]
    fn once_with_nothing_behind() {
        let mut bytes = vec![0x11; 8 * 512];
        for (sector, rest) in [(1, 0_u8), (3, b' '), (5, b'x')] {
            bytes[sector * 512..(sector + 1) * 512].fill(rest);
            bytes[sector * 512..sector * 512 + 4].copy_from_slice(b"BAD!");
        }
        let found = looked(bytes.clone(), "BAD!", 512);
        assert_eq!((unread(&found), found.sectors, found.alone), (vec![512..1024, 1536..2048], 2, 2));
        assert_eq!(looked(bytes, "BAD", 512).sectors, 0, "three bytes are too few");
    }

    #[test]
    fn odd_images_and_markers() {
        // The last sector cut short: by less than a marker, by more.
        let mut bytes = vec![0; 1024 + 100];
        fill(&mut bytes[1024..], b"BAD!");
        assert_eq!(unread(&looked(bytes.clone(), "BAD!", 512)), [1024..1124]);
        bytes.truncate(1024 + 3);
        assert_eq!(looked(bytes, "BAD!", 512).sectors, 0);
        for fill in [0, 0xff] {
            let found = looked(vec![fill; 5000], "BAD!", 512);
            assert_eq!((found.sectors, found.map.total(ByteState::Unknown)), (0, 5000));
        }
        let all = looked(vec![0xff; 4096], "0xFFFF", 512);
        assert_eq!((unread(&all), all.sectors), (vec![0..4096], 8));
        let long = Marker::new(vec![1; 513]).unwrap();
        let image = MemoryImage::new(vec![1; 4096]);
        assert!(matches!(find(&image, &long, 512, &Silent), Err(Error::Usage(_))));
        assert_eq!(find(&image, &long, 4096, &Silent).unwrap().sectors, 1);
        assert_eq!(find(&image, &Marker::new(vec![1; 512]).unwrap(), 512, &Silent).unwrap().sectors, 8);
    }

    #[test]
    fn a_failing_image_file_is_no_unread_sector() {
        let image = crate::image::failing_tests::FailingImage::new(vec![0xff; 4096], 0);
        let error = find(&image, &Marker::parse("BAD!").unwrap(), 512, &Silent).unwrap_err();
        assert!(matches!(error, Error::ImageIo { .. }), "{error}");
    }

    /// Across the borders of the pieces that are read at once, against a plain way to say the same.
    #[test]
    fn pieces_make_no_difference() {
        let mut bytes = vec![0x11; 2 * PIECE + 512];
        let fills = [0..1, 8190..8194, 16383..16385];
        for range in &fills {
            fill(&mut bytes[range.start * 512..range.end * 512], b"BADSECT");
        }
        let expected: Vec<Range<u64>> = fills.iter().map(|one| one.start as u64 * 512..one.end as u64 * 512).collect();
        assert_eq!(unread(&looked(bytes, "BADSECT", 512)), expected);
    }
}
