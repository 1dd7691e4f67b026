//! The file that a checker has before it, with its bounds.

use std::cell::Cell;
use std::io;
use std::ops::Range;

use super::content::RandomRead;
use super::step::{Step, Stop, broken, unchecked};
use crate::bytes::{at_most, to_u64};
use crate::error::{Error, Result};

/// The most that a checker gets in one piece, in bytes: no structure that is needed whole is larger.
pub const MOST_AT_ONCE: usize = 1 << 26;

/// What may be unpacked of a file, whatever its size: no honest document is larger, and a bomb ends there.
const UNPACKED: u64 = 1 << 32;

/// What may be unpacked of a larger file, as a multiple of its size: text packs 20 : 1, bombs 1000 : 1.
const UNPACKED_TIMES: u64 = 64;

/// The other files of the same folder.
pub trait Siblings {
    /// A file by its name; names compare as the filesystem's do. `None` if there is none, or nothing of it can be placed.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    fn file(&self, name: &str) -> Result<Option<Box<dyn RandomRead + '_>>>;
}

/// No other files.
impl Siblings for () {
    fn file(&self, _: &str) -> Result<Option<Box<dyn RandomRead + '_>>> {
        Ok(None)
    }
}

/// A file to be checked.
pub struct Subject<'a> {
    name: &'a str,
    content: &'a dyn RandomRead,
    siblings: &'a dyn Siblings,
    unpacked: Cell<u64>,
}

impl<'a> Subject<'a> {
    /// A file with its name, its content and its neighbours.
    pub(crate) fn new(name: &'a str, content: &'a dyn RandomRead, siblings: &'a dyn Siblings) -> Self {
        let unpacked = UNPACKED.max(content.size().saturating_mul(UNPACKED_TIMES));
        Self { name, content, siblings, unpacked: Cell::new(unpacked) }
    }

    /// The file's name.
    pub(crate) fn name(&self) -> &str {
        self.name
    }

    /// Bytes of the file.
    pub(crate) fn size(&self) -> u64 {
        self.content.size()
    }

    /// Another file of the same folder.
    pub(crate) fn sibling(&self, name: &str) -> Step<Option<Box<dyn RandomRead + 'a>>> {
        Ok(self.siblings.file(name)?)
    }

    /// `length` bytes from `offset`; broken if the file ends before.
    pub(crate) fn bytes(&self, offset: u64, length: usize) -> Step<Vec<u8>> {
        let end = offset.checked_add(to_u64(length)).filter(|end| *end <= self.size());
        if end.is_none() {
            return broken(self.size(), "the file ends too early");
        }
        if length > MOST_AT_ONCE {
            return unchecked(format!("a part of it is longer than {MOST_AT_ONCE} bytes"));
        }
        let mut bytes = vec![0; length];
        self.content.read_at(offset, &mut bytes)?;
        Ok(bytes)
    }

    /// `N` bytes from `offset`; broken if the file ends before.
    pub(crate) fn array<const N: usize>(&self, offset: u64) -> Step<[u8; N]> {
        if offset.checked_add(to_u64(N)).is_none_or(|end| end > self.size()) {
            return broken(self.size(), "the file ends too early");
        }
        let mut bytes = [0; N];
        self.content.read_at(offset, &mut bytes)?;
        Ok(bytes)
    }

    /// At most `length` bytes from `offset`, fewer at the file's end.
    pub(crate) fn up_to(&self, offset: u64, length: usize) -> Step<Vec<u8>> {
        let mut bytes = vec![0; at_most(self.size().saturating_sub(offset), length.min(MOST_AT_ONCE))];
        self.content.read_at(offset, &mut bytes)?;
        Ok(bytes)
    }

    /// The bytes of a range one after the other, for decoders that take a reader. Past the file's end it ends early.
    pub(crate) fn reader(&self, range: Range<u64>) -> Reader<'a> {
        let end = range.end.min(self.size());
        Reader { content: self.content, at: range.start, end, buffer: Vec::new(), used: 0, failed: None }
    }

    /// Notes that `bytes` were unpacked; ends the check where that is more than a file of this size may hold.
    pub(crate) fn spend(&self, bytes: u64) -> Step<()> {
        match self.unpacked.get().checked_sub(bytes) {
            Some(left) => {
                self.unpacked.set(left);
                Ok(())
            }
            None => unchecked("it unpacks to more than an honest file holds"),
        }
    }
}

/// How much a reader takes at once.
const AHEAD: usize = 1 << 16;

/// A range of a file, read one byte after the other.
pub(crate) struct Reader<'a> {
    content: &'a dyn RandomRead,
    at: u64,
    end: u64,
    buffer: Vec<u8>,
    used: usize,
    failed: Option<Error>,
}

impl Reader<'_> {
    /// The byte of the file that comes next.
    pub(crate) fn position(&self) -> u64 {
        self.at.saturating_sub(to_u64(self.buffer.len().saturating_sub(self.used)))
    }

    /// What an error of a decoder was: the image file that failed, or something wrong at this place.
    pub(crate) fn stop(&mut self, why: impl Into<String>) -> Stop {
        match self.failed.take() {
            Some(error) => Stop::Failed(error),
            None => Stop::Broken { at: Some(self.position()), why: why.into() },
        }
    }
}

impl io::BufRead for Reader<'_> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.used >= self.buffer.len() {
            let count = at_most(self.end.saturating_sub(self.at), AHEAD);
            self.buffer.resize(count, 0);
            self.used = 0;
            if let Err(error) = self.content.read_at(self.at, &mut self.buffer) {
                self.buffer.clear();
                self.failed = Some(error);
                return Err(io::Error::other("the image file can't be read"));
            }
            self.at = self.at.saturating_add(to_u64(count));
        }
        Ok(self.buffer.get(self.used..).unwrap_or_default())
    }

    fn consume(&mut self, count: usize) {
        self.used = self.used.saturating_add(count).min(self.buffer.len());
    }
}

impl io::Read for Reader<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let from = io::BufRead::fill_buf(self)?;
        let count = from.len().min(buffer.len());
        let (now, _) = buffer.split_at_mut(count);
        now.copy_from_slice(from.get(..count).unwrap_or_default());
        io::BufRead::consume(self, count);
        Ok(count)
    }
}
