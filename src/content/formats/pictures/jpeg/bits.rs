//! The bytes of a picture one after the other, and the bits of its scans (ITU-T T.81, B.1.1.5 and F.2.2.5).

use crate::bytes::to_u64;
use crate::content::formats::{Step, Subject, broken};

/// How much is taken of the file at once.
const WINDOW: usize = 1 << 16;

/// The unit in which drives lose data.
pub(super) const SECTOR: u64 = 512;

/// A part of a file, read byte by byte.
pub(super) struct Bytes<'s, 'a> {
    subject: &'s Subject<'a>,
    end: u64,
    window: Vec<u8>,
    /// Where the window begins in the file.
    start: u64,
    used: usize,
}

impl<'s, 'a> Bytes<'s, 'a> {
    pub(super) fn new(subject: &'s Subject<'a>, start: u64, end: u64) -> Self {
        Self { subject, end: end.min(subject.size()), window: Vec::new(), start, used: 0 }
    }

    /// The byte of the file that comes next.
    pub(super) fn position(&self) -> u64 {
        self.start.saturating_add(to_u64(self.used))
    }

    /// The next byte and the one behind it, without going on.
    pub(super) fn peek(&mut self) -> Step<(Option<u8>, Option<u8>)> {
        if self.used.saturating_add(1) >= self.window.len() {
            let position = self.position();
            let length = WINDOW.min(usize::try_from(self.end.saturating_sub(position)).unwrap_or(WINDOW));
            if position.saturating_add(to_u64(length)) > self.start.saturating_add(to_u64(self.window.len())) {
                self.window = self.subject.up_to(position, length)?;
                (self.start, self.used) = (position, 0);
            }
        }
        Ok((self.window.get(self.used).copied(), self.window.get(self.used.saturating_add(1)).copied()))
    }

    /// Goes on by one byte, which was seen.
    pub(super) fn skip(&mut self) {
        self.used = self.used.saturating_add(1).min(self.window.len());
    }

    /// The next byte; broken if there is none.
    pub(super) fn next(&mut self) -> Step<u8> {
        let (Some(byte), _) = self.peek()? else { return broken(self.end, "the picture ends too early") };
        self.skip();
        Ok(byte)
    }

    /// Goes on at `position`.
    pub(super) fn go_to(&mut self, position: u64) {
        (self.start, self.used) = (position, 0);
        self.window.clear();
    }

    /// The next `length` bytes; broken if they are not all there.
    pub(super) fn take(&mut self, length: usize) -> Step<Vec<u8>> {
        let at = self.position();
        let end = at.saturating_add(to_u64(length));
        if end > self.end {
            return broken(self.end, "the picture ends too early");
        }
        // Small segments lie in what was read already.
        if let Some(bytes) = crate::bytes::slice(&self.window, self.used, length) {
            let bytes = bytes.to_vec();
            self.used = self.used.saturating_add(length);
            return Ok(bytes);
        }
        let bytes = self.subject.bytes(at, length)?;
        self.go_to(end);
        Ok(bytes)
    }

    /// The next marker: its offset and its code. Fill bytes may stand before it.
    pub(super) fn marker(&mut self) -> Step<(u64, u8)> {
        let at = self.position();
        if self.next()? != 0xff {
            return broken(at, "no marker where one has to be");
        }
        loop {
            match self.next()? {
                0xff => {}
                code => return Ok((at, code)),
            }
        }
    }
}

/// The bits of a scan, up to the next marker.
pub(super) struct Bits<'s, 'a> {
    bytes: Bytes<'s, 'a>,
    /// The bits that were loaded and not used, the next of them on top, zeros below them.
    loaded: u64,
    count: u32,
    /// Whether a marker or the end comes next.
    stopped: bool,
    /// How many zero bytes came last.
    zeros: u64,
    /// The first sector that lies wholly in the scan and holds nothing but zeros.
    blank: Option<u64>,
}

impl<'s, 'a> Bits<'s, 'a> {
    pub(super) fn new(bytes: Bytes<'s, 'a>) -> Self {
        Self { bytes, loaded: 0, count: 0, stopped: false, zeros: 0, blank: None }
    }

    /// Loads at least 32 bits, unless the scan ends before: the longest code with the longest number behind it.
    pub(super) fn fill(&mut self) -> Step<()> {
        if self.count >= 32 {
            return Ok(());
        }
        while self.count <= 56 && !self.stopped {
            let byte = match self.bytes.peek()? {
                (Some(0xff), Some(0)) => {
                    self.bytes.skip();
                    0xff
                }
                (Some(0xff), _) | (None, _) => {
                    self.stopped = true;
                    break;
                }
                (Some(byte), _) => byte,
            };
            self.bytes.skip();
            self.zeros = if byte == 0 { self.zeros.saturating_add(1) } else { 0 };
            if self.zeros >= SECTOR {
                let sector = self.bytes.position().saturating_sub(SECTOR);
                if sector.is_multiple_of(SECTOR) && self.blank.is_none() {
                    self.blank = Some(sector);
                }
            }
            self.loaded |= u64::from(byte) << 56_u32.saturating_sub(self.count);
            self.count = self.count.saturating_add(8);
        }
        Ok(())
    }

    /// The next 16 bits; zeros for what is not there.
    pub(super) fn peek(&self) -> u32 {
        u32::try_from(self.loaded >> 48).unwrap_or(0)
    }

    /// Goes past `bits` bits, at most 16, which were seen; broken if they are not there.
    pub(super) fn skip(&mut self, bits: u32) -> Step<()> {
        let Some(left) = self.count.checked_sub(bits) else {
            return broken(self.bytes.position(), "the scan ends before its last block");
        };
        self.loaded = self.loaded.wrapping_shl(bits);
        self.count = left;
        Ok(())
    }

    /// The next `bits` bits as a number, at most 16.
    pub(super) fn take(&mut self, bits: u32) -> Step<u32> {
        self.fill()?;
        let value = self.peek() >> 16_u32.saturating_sub(bits);
        self.skip(bits)?;
        Ok(value)
    }

    /// A number of `size` bits with its sign (T.81, F.2.2.1: table F.1).
    pub(super) fn signed(&mut self, size: u8) -> Step<i32> {
        if size == 0 {
            return Ok(0);
        }
        let value = i32::try_from(self.take(u32::from(size))?).unwrap_or(0);
        let half = 1_i32 << size.saturating_sub(1);
        Ok(if value < half { value.saturating_sub(half.saturating_mul(2)).saturating_add(1) } else { value })
    }

    /// The byte of the file that the next bit stands in, or one shortly before it where bytes were stuffed.
    pub(super) fn position(&self) -> u64 {
        self.bytes.position().saturating_sub(u64::from(self.count.div_ceil(8)))
    }

    /// The first blank sector so far; asked for once.
    pub(super) fn blank(&mut self) -> Option<u64> {
        self.blank.take()
    }

    /// Ends a run of bits: what is left has to be the padding of a byte. The bytes go on at the marker.
    pub(super) fn finish(&mut self) -> Step<&mut Bytes<'s, 'a>> {
        self.fill()?;
        let ones = u64::MAX.checked_shl(64_u32.saturating_sub(self.count)).unwrap_or(0);
        if !self.stopped || self.count >= 8 {
            return broken(self.position(), "the scan has more data than blocks");
        }
        // The standard asks for ones; some cameras write zeros.
        if self.loaded != ones && self.loaded != 0 {
            return broken(self.position(), "the scan does not end with its padding");
        }
        (self.loaded, self.count, self.stopped, self.zeros) = (0, 0, false, 0);
        Ok(&mut self.bytes)
    }

    /// Gives the bytes back, to go on at the marker.
    pub(super) fn into_bytes(self) -> Bytes<'s, 'a> {
        self.bytes
    }
}
