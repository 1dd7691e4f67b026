//! PNG (W3C "Portable Network Graphics (PNG) Specification", third edition): every chunk's CRC, the order of chunks, and
//! the samples, which are unpacked to see that they fill the picture exactly. Moving pictures (APNG, the same standard)
//! have further such streams.

use flate2::{Decompress, FlushDecompress, Status};

use super::trailing::only_padding;
use crate::bytes::{at_most, be_u32, to_u64, u8_at};
use crate::content::formats::{Format, Step, Stop, Strength, Subject, broken};

pub(in crate::content::formats) const FORMATS: &[Format] =
    &[Format { name: "PNG", endings: &["png", "apng"], opens, check }];

const SIGNATURE: &[u8] = b"\x89PNG\r\n\x1a\n";

/// How much of a chunk is held at once.
const PIECE: usize = 1 << 16;

/// The most bytes of a picture's rows that are unpacked at once.
const UNPACKED: usize = 1 << 16;

fn opens(head: &[u8]) -> bool {
    head.starts_with(SIGNATURE)
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut walk =
        Walk { subject, header: None, palette: false, frames: Frames::default(), current: None, done: false };
    let mut at = to_u64(SIGNATURE.len());
    loop {
        let head: [u8; 8] = subject.array(at)?;
        let length = u64::from(be_u32(&head, 0).unwrap_or(0));
        let kind: [u8; 4] = [head[4], head[5], head[6], head[7]];
        let data = at.saturating_add(8);
        let end = data.saturating_add(length);
        if length > i32::MAX.unsigned_abs().into() || !kind.iter().all(u8::is_ascii_alphabetic) {
            return broken(at, "no chunk where one has to be");
        }
        if end.saturating_add(4) > subject.size() {
            return broken(subject.size(), "the file ends inside a chunk");
        }
        walk.chunk(at, &kind, data..end)?;
        at = end.saturating_add(4);
        if &kind == b"IEND" {
            break;
        }
    }
    walk.end(at)?;
    only_padding(subject, at)?;
    Ok(Strength::Checksum)
}

/// IHDR.
#[derive(Clone, Copy)]
struct Header {
    width: u32,
    height: u32,
    /// Bits of a pixel.
    bits: u64,
    indexed: bool,
    interlaced: bool,
}

impl Header {
    fn new(at: u64, bytes: &[u8]) -> Step<Self> {
        let (Some(width), Some(height)) = (be_u32(bytes, 0), be_u32(bytes, 4)) else {
            return broken(at, "a header that is too short");
        };
        let (depth, colour) = (u8_at(bytes, 8).unwrap_or(0), u8_at(bytes, 9).unwrap_or(0));
        let channels = match (colour, depth) {
            (0, 1 | 2 | 4 | 8 | 16) | (3, 1 | 2 | 4 | 8) => 1,
            (2, 8 | 16) => 3,
            (4, 8 | 16) => 2,
            (6, 8 | 16) => 4,
            _ => return broken(at, "a header with an impossible kind of pixel"),
        };
        let rest = bytes.get(10..).unwrap_or_default();
        if width == 0 || height == 0 || width.max(height) > i32::MAX.unsigned_abs() || !matches!(rest, [0, 0, 0 | 1]) {
            return broken(at, "a header that does not hold together");
        }
        let bits = u64::from(depth).saturating_mul(channels);
        Ok(Self { width, height, bits, indexed: colour == 3, interlaced: rest.ends_with(&[1]) })
    }
}

/// Where each pass of an interlaced picture begins, and its steps (section 8.1).
const PASSES: [(u32, u32, u32, u32); 7] =
    [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)];

/// A stream of packed rows.
struct Rows {
    inflate: Box<Decompress>,
    /// Rows of each pass still to come, and their length with the byte that names the filter.
    passes: Vec<(u32, u64)>,
    /// Bytes of the current row still to come.
    left: u64,
    ended: bool,
    /// Where rows are unpacked to.
    unpacked: Vec<u8>,
}

impl Rows {
    fn new(header: Header, width: u32, height: u32) -> Self {
        let row = |width: u32| u64::from(width).saturating_mul(header.bits).div_ceil(8).saturating_add(1);
        let mut passes: Vec<(u32, u64)> = if header.interlaced {
            let part = |size: u32, start: u32, step: u32| size.saturating_sub(start).div_ceil(step);
            let parts = PASSES.map(|(x, y, across, down)| (part(height, y, down), part(width, x, across)));
            parts
                .into_iter()
                .filter(|(rows, columns)| *rows > 0 && *columns > 0)
                .map(|(rows, columns)| (rows, row(columns)))
                .collect()
        } else {
            vec![(height, row(width))]
        };
        passes.reverse();
        Self { inflate: Box::new(Decompress::new(true)), passes, left: 0, ended: false, unpacked: vec![0; UNPACKED] }
    }

    /// Unpacks more of the stream, which stands at `at` in the file.
    fn take(&mut self, subject: &Subject<'_>, at: u64, mut packed: &[u8]) -> Step<()> {
        let mut rows = std::mem::take(&mut self.unpacked);
        while !self.ended {
            let (read, written) = (self.inflate.total_in(), self.inflate.total_out());
            let status = self.inflate.decompress(packed, &mut rows, FlushDecompress::None);
            let read = at_most(self.inflate.total_in().saturating_sub(read), packed.len());
            let written = at_most(self.inflate.total_out().saturating_sub(written), rows.len());
            packed = packed.get(read..).unwrap_or_default();
            subject.spend(to_u64(written))?;
            if !self.rows(rows.get(..written).unwrap_or_default()) {
                return broken(at, "the packed rows are not those of the picture");
            }
            match status {
                Ok(Status::StreamEnd) => self.ended = true,
                Ok(_) if read == 0 && written == 0 => break,
                Ok(_) => {}
                Err(_) => return broken(at, "the packed rows can't be unpacked"),
            }
        }
        self.unpacked = rows;
        Ok(())
    }

    /// Passes unpacked bytes; whether they fit.
    fn rows(&mut self, mut bytes: &[u8]) -> bool {
        while let Some(filter) = bytes.first() {
            if self.left == 0 {
                let Some((count, length)) = self.passes.last_mut() else { return false };
                if *filter > 4 {
                    return false;
                }
                self.left = *length;
                *count = count.saturating_sub(1);
                if *count == 0 {
                    self.passes.pop();
                }
            }
            let now = at_most(self.left, bytes.len());
            self.left = self.left.saturating_sub(to_u64(now));
            bytes = bytes.get(now..).unwrap_or_default();
        }
        true
    }

    fn is_full(&self) -> bool {
        self.ended && self.left == 0 && self.passes.is_empty()
    }
}

/// What is known of a moving picture.
#[derive(Default)]
struct Frames {
    /// As many frames as are promised.
    promised: Option<u32>,
    seen: u32,
    /// The number that comes next.
    number: u32,
    /// The size of the frame whose rows come next.
    size: Option<(u32, u32)>,
}

struct Walk<'s, 'a> {
    subject: &'s Subject<'a>,
    header: Option<Header>,
    palette: bool,
    frames: Frames,
    /// The kind of the chunk that rows come from, and the rows.
    current: Option<([u8; 4], Rows)>,
    /// Whether the rows of the picture itself are over.
    done: bool,
}

impl Walk<'_, '_> {
    /// One chunk: its CRC (section 5.3), and what it holds if that matters.
    fn chunk(&mut self, at: u64, kind: &[u8; 4], data: std::ops::Range<u64>) -> Step<()> {
        if self.header.is_none() != (kind == b"IHDR") {
            return broken(at, "the header is not the first chunk");
        }
        if self.current.as_ref().is_some_and(|(current, _)| current != kind) {
            self.finish(at)?;
        }
        let mut small = None;
        let length = data.end.saturating_sub(data.start);
        match kind {
            b"PLTE" => self.palette = true,
            b"IDAT" => self.begin(at, *kind)?,
            b"fdAT" => {
                self.number(at, data.start, length)?;
                self.begin(at, *kind)?;
            }
            b"IHDR" | b"fcTL" | b"acTL" if length > 26 => return broken(at, "a chunk that is too long"),
            b"IHDR" | b"fcTL" | b"acTL" => small = Some(self.subject.bytes(data.start, at_most(length, PIECE))?),
            _ => {}
        }
        let mut crc = crc32fast::Hasher::new();
        crc.update(kind);
        let mut place = data.start;
        while place < data.end {
            let piece = self.subject.bytes(place, at_most(data.end.saturating_sub(place), PIECE))?;
            crc.update(&piece);
            if let Some((current, rows)) = &mut self.current {
                // The rows of a frame stand behind its number.
                let skip = if current == b"fdAT" && place == data.start { 4 } else { 0 };
                rows.take(self.subject, place, piece.get(skip..).unwrap_or_default())?;
            }
            place = place.saturating_add(to_u64(piece.len()).max(1));
        }
        if u32::from_be_bytes(self.subject.array(data.end)?) != crc.finalize() {
            return broken(at, format!("the checksum of the chunk {} is wrong", String::from_utf8_lossy(kind)));
        }
        match (kind, small) {
            (b"IHDR", Some(bytes)) => self.header = Some(Header::new(at, &bytes)?),
            (b"acTL", Some(bytes)) => self.frames.promised = be_u32(&bytes, 0),
            (b"fcTL", Some(bytes)) => {
                self.number(at, data.start, length)?;
                self.frames.size = be_u32(&bytes, 4).zip(be_u32(&bytes, 8));
                self.frames.seen = self.frames.seen.saturating_add(1);
            }
            _ => {}
        }
        Ok(())
    }

    /// Notes the number that a frame's chunk begins with.
    fn number(&mut self, at: u64, start: u64, length: u64) -> Step<()> {
        let number = u32::from_be_bytes(self.subject.array(start)?);
        if length < 4 || number != self.frames.number {
            return broken(at, "the chunks of a moving picture are not in order");
        }
        self.frames.number = self.frames.number.saturating_add(1);
        Ok(())
    }

    /// The next chunk has rows: of the picture, or of a frame.
    fn begin(&mut self, at: u64, kind: [u8; 4]) -> Step<()> {
        if self.current.is_some() {
            return Ok(());
        }
        let Some(header) = self.header else { return broken(at, "the header is not the first chunk") };
        let (width, height) = match &kind {
            b"IDAT" if self.done => return broken(at, "rows of the picture behind other chunks"),
            b"IDAT" if header.indexed && !self.palette => return broken(at, "a picture without its colours"),
            b"IDAT" => (header.width, header.height),
            _ => match self.frames.size.take() {
                Some((width, height)) if self.done && width <= header.width && height <= header.height => {
                    (width, height)
                }
                _ => return broken(at, "a frame that nothing announces"),
            },
        };
        self.current = Some((kind, Rows::new(header, width, height)));
        Ok(())
    }

    /// The rows are over.
    fn finish(&mut self, at: u64) -> Step<()> {
        match self.current.take() {
            Some((_, rows)) if !rows.is_full() => broken(at, "the packed rows are not those of the picture"),
            Some((kind, _)) => {
                self.done |= &kind == b"IDAT";
                if &kind == b"IDAT" {
                    // A frame control before the picture's own rows is theirs.
                    self.frames.size = None;
                }
                Ok(())
            }
            None => Ok(()),
        }
    }

    fn end(&mut self, at: u64) -> Result<(), Stop> {
        if !self.done {
            return broken(at, "it ends before its rows");
        }
        if self.frames.promised.is_some_and(|promised| promised != self.frames.seen) || self.frames.size.is_some() {
            return broken(at, "it has fewer frames than it says");
        }
        Ok(())
    }
}
