//! Finds runs of zeros and of one repeated sector in a file that is fed from front to back.

use super::{Fill, Piece, SMALLEST};
use crate::source::SMALLEST_SECTOR;

/// Bytes in a sector, as the image's holes are counted.
const SECTOR: usize = SMALLEST_SECTOR as usize;

/// A blank stretch as it was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Found {
    pub(super) start: u64,
    pub(super) length: u64,
    pub(super) pieces: Vec<Piece>,
}

/// Hears a file's bytes in order.
pub(super) struct Blanks {
    open: Option<Open>,
    /// The sector before the next one of the file, and where it stands in file and image.
    before: Option<([u8; SECTOR], u64, u64)>,
    found: Vec<Found>,
}

struct Open {
    zeros: bool,
    found: Found,
}

impl Blanks {
    pub(super) fn new() -> Self {
        Self { open: None, before: None, found: Vec::new() }
    }

    /// Something that is no content of the image stands here: what comes next begins anew.
    pub(super) fn cut(&mut self) {
        self.close();
        self.before = None;
    }

    /// The next bytes of the file, from `file` on, which stand in the image from `image` on. Bytes before the first border
    /// of a sector count for nothing; those behind the last one only if the file ends with them.
    pub(super) fn feed(&mut self, file: u64, image: u64, bytes: &[u8], ends: bool) {
        let head = (image.next_multiple_of(SMALLEST_SECTOR) - image) as usize;
        if head > 0 {
            self.cut();
        }
        let Some(bytes) = bytes.get(head..) else { return };
        let (mut file, mut image) = (file.saturating_add(head as u64), image.saturating_add(head as u64));
        let mut sectors = bytes.chunks_exact(SECTOR);
        for sector in &mut sectors {
            self.sector(file, image, sector);
            file += SMALLEST_SECTOR;
            image += SMALLEST_SECTOR;
        }
        let tail = sectors.remainder();
        if tail.is_empty() {
            return;
        }
        let goes_on = match (&self.open, &self.before) {
            (Some(open), _) if open.zeros => tail.iter().all(|byte| *byte == 0),
            (Some(_), Some((before, _, _))) => before.starts_with(tail),
            _ => false,
        };
        if goes_on && ends {
            self.extend(file, image, tail.len() as u64);
        }
        self.cut();
    }

    fn sector(&mut self, file: u64, image: u64, sector: &[u8]) {
        let zeros = sector.iter().all(|byte| *byte == 0);
        let same = !zeros
            && self.before.as_ref().is_some_and(|(before, at, _)| *at + SMALLEST_SECTOR == file && before == sector);
        match &self.open {
            Some(open) if (open.zeros && zeros) || (!open.zeros && same) => self.extend(file, image, SMALLEST_SECTOR),
            _ => {
                self.close();
                if zeros {
                    self.begin(true, file);
                    self.extend(file, image, SMALLEST_SECTOR);
                } else if let Some((_, file_before, image_before)) = self.before.filter(|_| same) {
                    self.begin(false, file_before);
                    self.extend(file_before, image_before, SMALLEST_SECTOR);
                    self.extend(file, image, SMALLEST_SECTOR);
                }
            }
        }
        self.before = sector.try_into().ok().filter(|_| !zeros).map(|sector| (sector, file, image));
    }

    fn begin(&mut self, zeros: bool, start: u64) {
        self.open = Some(Open { zeros, found: Found { start, length: 0, pieces: Vec::new() } });
    }

    fn extend(&mut self, file: u64, image: u64, length: u64) {
        let Some(Open { zeros, found }) = &mut self.open else { return };
        found.length += length;
        match found.pieces.last_mut() {
            Some(last) if last.image_start + last.length == image => last.length += length,
            _ => {
                let fill = if *zeros { Fill::Zeros } else { Fill::OneSector };
                found.pieces.push(Piece { file_start: file, length, image_start: image, fill });
            }
        }
    }

    fn close(&mut self) {
        if let Some(open) = self.open.take().filter(|open| open.found.length >= SMALLEST) {
            self.found.push(open.found);
        }
    }

    /// What was found so far, closed stretches only.
    pub(super) fn count(&self) -> usize {
        self.found.len()
    }

    pub(super) fn finish(mut self) -> Vec<Found> {
        self.close();
        self.found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(pieces: &[(u64, &[u8])]) -> Vec<(u64, u64, usize)> {
        let mut blanks = Blanks::new();
        let mut file = 0;
        let length: u64 = pieces.iter().map(|(_, bytes)| bytes.len() as u64).sum();
        for (image, bytes) in pieces {
            let end = file + bytes.len() as u64;
            blanks.feed(file, *image, bytes, end == length);
            file = end;
        }
        blanks.finish().into_iter().map(|one| (one.start, one.length, one.pieces.len())).collect()
    }

    fn noise(length: usize) -> Vec<u8> {
        (0..length).map(|at| (at * 7 + at / 512 * 13 + 1) as u8 | 1).collect()
    }

    fn with(length: usize, fills: &[(usize, usize, u8)]) -> Vec<u8> {
        let mut bytes = noise(length);
        for (start, end, fill) in fills {
            bytes[*start..*end].fill(*fill);
        }
        bytes
    }

    #[test]
    fn the_border_is_eight_whole_sectors() {
        assert_eq!(found(&[(0, &with(65536, &[(8192, 12288, 0)]))]), [(8192, 4096, 1)]);
        assert_eq!(found(&[(0, &with(65536, &[(8192, 12287, 0)]))]), []);
        assert_eq!(found(&[(0, &with(65536, &[(8193, 12288 + 511, 0)]))]), []);
        assert_eq!(found(&[(0, &with(65536, &[(8193, 12288 + 512, 0)]))]), [(8704, 4096, 1)]);
        // One byte over and over is one sector over and over.
        assert_eq!(found(&[(0, &with(65536, &[(8192, 16384, 0xff)]))]), [(8192, 8192, 1)]);
        assert_eq!(
            found(&[(0, &with(65536, &[(8192, 16384, 0xff), (16384, 32768, 0)]))]),
            [(8192, 8192, 1), (16384, 16384, 1)]
        );
    }

    #[test]
    fn a_stretch_goes_on_in_another_place_of_the_image() {
        let blank = vec![0; 2048];
        assert_eq!(found(&[(4096, &blank), (65536, &blank)]), [(0, 4096, 2)]);
        assert_eq!(found(&[(4096, &blank), (4096 + 2048, &blank)]), [(0, 4096, 1)]);
        // Not aligned in the image: no hole of a drive.
        assert_eq!(found(&[(100, &vec![0; 4096 + 400])]), []);
        assert_eq!(found(&[(100, &vec![0; 4096 + 412])]), [(412, 4096, 1)]);
    }

    #[test]
    fn the_end_of_the_file_counts_to_its_last_byte() {
        assert_eq!(found(&[(0, &with(20_000, &[(8192, 20_000, 0)]))]), [(8192, 20_000 - 8192, 1)]);
        assert_eq!(found(&[(0, &with(20_000, &[(8192, 20_000, 0x41)]))]), [(8192, 20_000 - 8192, 1)]);
        assert_eq!(found(&[(0, &with(20_000, &[(8192, 19_999, 0)]))]), [(8192, 19_968 - 8192, 1)]);
        assert_eq!(found(&[(0, &vec![0; 4095])]), []);
    }

    #[test]
    fn a_cut_ends_a_stretch() {
        let mut blanks = Blanks::new();
        blanks.feed(0, 0, &[0; 2048], false);
        blanks.cut();
        blanks.feed(2048, 2048, &[0; 2048], false);
        assert_eq!(blanks.finish(), []);
    }
}
