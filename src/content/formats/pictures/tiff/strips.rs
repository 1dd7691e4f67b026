//! Strips and tiles: where the pixels of a TIFF picture lie, and whether they unpack to what they have to (TIFF 6.0,
//! sections 3, 9, 13 and 15; technical note 2 for JPEG; Adobe Photoshop TIFF technical notes for deflate).

use std::io::Read;

use flate2::bufread::ZlibDecoder;

use super::directory::{Directory, Order};
use super::known;
use crate::bytes::{at_most, to_u64};
use crate::content::formats::pictures::lzw::{Flavour, Lzw};
use crate::content::formats::pictures::{jpeg, packbits};
use crate::content::formats::{Step, Subject, broken};

/// How much is unpacked at once.
const PIECE: usize = 1 << 16;

/// How the pixels of a directory are laid out.
struct Layout {
    packing: u64,
    /// Bytes of a row of a full strip or tile, and rows of it.
    row: u64,
    rows: u64,
    /// Rows of the last strip; those of every other for tiles.
    last_rows: u64,
    /// Strips or tiles of each plane.
    each: u64,
    /// Planes.
    planes: u64,
}

/// Checks the pixels of a directory: whether all of them were decoded, and `None` if it has none.
pub(super) fn check(subject: &Subject<'_>, order: &Order, directory: &Directory, raw: bool) -> Step<Option<bool>> {
    let numbers = |tag| directory.numbers(subject, order, tag);
    let tiled = !numbers(324)?.is_empty();
    let (starts, lengths) = if tiled { (numbers(324)?, numbers(325)?) } else { (numbers(273)?, numbers(279)?) };
    if starts.is_empty() {
        return Ok(None);
    }
    let layout = layout(subject, order, directory, tiled)?;
    // Old programs leave the length of a single strip out.
    let lengths = match (lengths.as_slice(), starts.as_slice(), &layout) {
        ([], [_], Some(layout)) if layout.packing == 1 => vec![layout.row.saturating_mul(layout.last_rows)],
        _ => lengths,
    };
    if lengths.len() != starts.len() {
        if raw {
            return Ok(Some(false));
        }
        return broken(directory.at, "a directory that does not say how long its strips are");
    }
    for (start, length) in starts.iter().zip(&lengths) {
        // A maker of cameras writes this where a tag of its own says the place.
        if raw && *start == u64::from(u32::MAX) {
            return Ok(Some(false));
        }
        // Many strips may lie at the same place.
        subject.spend(*length)?;
        if start.saturating_add(*length) > subject.size() {
            return broken(subject.size(), "the file ends before its last strip");
        }
    }
    let Some(layout) = layout else {
        return if raw {
            Ok(Some(false))
        } else {
            broken(directory.at, "a directory that does not say how large its picture is")
        };
    };
    if to_u64(starts.len()) > layout.each.saturating_mul(layout.planes) {
        return Ok(Some(false));
    }
    if to_u64(starts.len()) != layout.each.saturating_mul(layout.planes) {
        // A raw file's strips are as its maker likes.
        return if raw { Ok(Some(false)) } else { broken(directory.at, "a directory with too few strips") };
    }
    let mut decoded = true;
    for ((start, length), number) in starts.iter().zip(&lengths).zip(0_u64..) {
        let is_last = number.checked_rem(layout.each) == Some(layout.each.saturating_sub(1));
        let rows = if is_last { layout.last_rows } else { layout.rows };
        // Tiles and strips that were never written have no place; nor have those whose entry was lost.
        if *length == 0 && *start == 0 {
            decoded = false;
            continue;
        }
        let strip = Strip { start: *start, end: start.saturating_add(*length), size: layout.row.saturating_mul(rows) };
        decoded &= strip.check(subject, directory, layout.packing, raw)?;
    }
    Ok(Some(decoded))
}

fn layout(subject: &Subject<'_>, order: &Order, directory: &Directory, tiled: bool) -> Step<Option<Layout>> {
    let number = |tag| directory.number(subject, order, tag);
    let (Some(width), Some(height)) = (number(256)?, number(257)?) else { return Ok(None) };
    let samples = number(277)?.unwrap_or(1);
    let apart = number(284)? == Some(2);
    let bits = match directory.numbers(subject, order, 258)?.as_slice() {
        [] => 1,
        [one] => *one,
        several => several.iter().copied().max().unwrap_or(1),
    };
    if width == 0 || height == 0 || samples == 0 || samples > 1 << 16 || bits > 64 {
        return broken(directory.at, "a picture of an impossible size");
    }
    let (planes, together) = if apart { (samples, 1) } else { (1, samples) };
    let packing = number(259)?.unwrap_or(1);
    // Colour with fewer samples than brightness (section 21) is laid out in its own units.
    let halved = number(262)? == Some(6) && directory.numbers(subject, order, 530)? != [1, 1] && together > 1;
    let bytes = |width: u64| width.saturating_mul(bits).saturating_mul(together).div_ceil(8);
    let (row, rows, last_rows, each) = if tiled {
        let (Some(across), Some(down)) = (number(322)?, number(323)?) else { return Ok(None) };
        if across == 0 || down == 0 {
            return broken(directory.at, "a picture of an impossible size");
        }
        (bytes(across), down, down, width.div_ceil(across).saturating_mul(height.div_ceil(down)))
    } else {
        let rows = number(278)?.unwrap_or(height).clamp(1, height);
        let each = height.div_ceil(rows);
        (bytes(width), rows, height.saturating_sub(each.saturating_sub(1).saturating_mul(rows)), each)
    };
    let row = if halved { 0 } else { row };
    Ok(Some(Layout { packing, row, rows, last_rows, each, planes }))
}

/// One strip or tile: where it lies, and what it unpacks to; 0 if that is not known.
struct Strip {
    start: u64,
    end: u64,
    size: u64,
}

impl Strip {
    /// Whether it could be decoded.
    fn check(&self, subject: &Subject<'_>, directory: &Directory, packing: u64, raw: bool) -> Step<bool> {
        match packing {
            // Samples as they are say nothing about themselves. Raw files write 1 for packings of their own, too.
            1 if raw || self.size == 0 => Ok(false),
            1 if self.end.saturating_sub(self.start) < self.size => broken(self.start, "a strip that is too short"),
            1 => Ok(false),
            5 if self.size > 0 => self.lzw(subject),
            8 | 32946 if self.size > 0 => self.deflate(subject),
            32773 if self.size > 0 => self.packbits(subject),
            // In raw files, 6 and 7 also stand for lossless JPEG, which is not decoded.
            6 | 7 => self.jpeg(subject, directory, packing),
            _ => Ok(false),
        }
    }

    fn lzw(&self, subject: &Subject<'_>) -> Step<bool> {
        // Before TIFF 6.0 bits came the other way round: such a stream begins with 00 01.
        if subject.up_to(self.start, 2)?.starts_with(&[0, 1]) {
            return Ok(false);
        }
        subject.spend(self.size)?;
        let mut lzw = Lzw::new(Flavour::Tiff, 8);
        let mut at = self.start;
        // Some programs leave out the code that ends a strip.
        while at < self.end && !lzw.ended {
            let piece = subject.bytes(at, at_most(self.end.saturating_sub(at), PIECE))?;
            if lzw.take(&piece, self.size).is_err() {
                return broken(at, "a strip that can't be unpacked");
            }
            at = at.saturating_add(to_u64(piece.len()).max(1));
        }
        if lzw.unpacked == self.size { Ok(true) } else { broken(self.start, "a strip of a wrong length") }
    }

    fn deflate(&self, subject: &Subject<'_>) -> Step<bool> {
        subject.spend(self.size)?;
        let mut decoder = ZlibDecoder::new(subject.reader(self.start..self.end));
        let mut piece = vec![0; PIECE];
        let mut unpacked = 0_u64;
        loop {
            match decoder.read(&mut piece) {
                Ok(0) => break,
                Ok(count) => unpacked = unpacked.saturating_add(to_u64(count)),
                Err(_) => return Err(decoder.get_mut().stop("a strip that can't be unpacked")),
            }
            if unpacked > self.size {
                break;
            }
        }
        if unpacked == self.size { Ok(true) } else { broken(self.start, "a strip of a wrong length") }
    }

    fn packbits(&self, subject: &Subject<'_>) -> Step<bool> {
        let bytes = subject.bytes(self.start, at_most(self.end.saturating_sub(self.start), usize::MAX))?;
        subject.spend(self.size)?;
        if packbits::unpacked(&bytes) == Some(self.size) {
            Ok(true)
        } else {
            broken(self.start, "a strip of a wrong length")
        }
    }

    fn jpeg(&self, subject: &Subject<'_>, directory: &Directory, packing: u64) -> Step<bool> {
        if subject.up_to(self.start, 2)? != [0xff, 0xd8] {
            // The old way (packing 6) has strips without headers.
            return if packing == 6 { Ok(false) } else { broken(self.start, "a strip that is no JPEG") };
        }
        let tables = match directory.range(347) {
            Some((start, end)) => jpeg::picture(subject, start, end, jpeg::Tables::default())?.tables,
            None => jpeg::Tables::default(),
        };
        match jpeg::picture(subject, self.start, self.end, tables) {
            Ok(picture) if !picture.has_frame => broken(picture.end, "a strip without a picture"),
            step => known(step),
        }
    }
}
