//! A stream of a compound file, to be read at any place.

use crate::bytes::{at_most, to_u64, to_usize};
use crate::content::formats::{MOST_AT_ONCE, Step, Subject, broken, unchecked};

/// A stream: where its units lie in the file.
pub(super) struct Stream {
    places: Vec<u64>,
    unit: usize,
    length: u64,
}

impl Stream {
    /// A stream in units of `unit` bytes; all of their bytes if it has no length of its own.
    pub(super) fn new(places: Vec<u64>, unit: usize, length: Option<u64>) -> Self {
        let room = to_u64(places.len().saturating_mul(unit));
        Self { places, unit, length: length.unwrap_or(room).min(room) }
    }

    /// A file that is one stream.
    pub(super) fn whole(subject: &Subject<'_>) -> Self {
        Self { places: vec![0], unit: at_most(subject.size(), usize::MAX), length: subject.size() }
    }

    pub(super) fn length(&self) -> u64 {
        self.length
    }

    /// Byte of the file at which byte `at` of the stream is; past the end, where it would be.
    pub(super) fn place(&self, at: u64) -> u64 {
        let unit = to_u64(self.unit).max(1);
        let (number, inside) = (at.checked_div(unit).unwrap_or_default(), at.checked_rem(unit).unwrap_or_default());
        match to_usize(number).and_then(|number| self.places.get(number)) {
            Some(place) => place.saturating_add(inside),
            None => self.places.last().map_or(0, |last| last.saturating_add(unit)),
        }
    }

    /// The highest byte of the file that it uses, and one.
    pub(super) fn end(&self) -> u64 {
        let whole = self.places.iter().rev().skip(1).max().map_or(0, |place| place.saturating_add(to_u64(self.unit)));
        let last = self.length.checked_sub(1).map_or(0, |last| self.place(last).saturating_add(1));
        whole.max(last)
    }

    /// `length` bytes from byte `at` of the stream.
    pub(super) fn bytes(&self, subject: &Subject<'_>, at: u64, length: usize) -> Step<Vec<u8>> {
        if at.checked_add(to_u64(length)).is_none_or(|end| end > self.length) {
            return broken(self.place(self.length), "a stream in it ends too early");
        }
        if length > MOST_AT_ONCE {
            return unchecked("a part of it is too long to be looked at");
        }
        let mut bytes = Vec::with_capacity(length);
        while bytes.len() < length {
            let now = at.saturating_add(to_u64(bytes.len()));
            let inside = at_most(now.checked_rem(to_u64(self.unit)).unwrap_or_default(), self.unit);
            let count = self.unit.saturating_sub(inside).min(length.saturating_sub(bytes.len())).max(1);
            bytes.extend(subject.bytes(self.place(now), count)?);
        }
        Ok(bytes)
    }

    /// `N` bytes from byte `at` of the stream.
    pub(super) fn array<const N: usize>(&self, subject: &Subject<'_>, at: u64) -> Step<[u8; N]> {
        match self.bytes(subject, at, N)?.first_chunk() {
            Some(bytes) => Ok(*bytes),
            None => broken(self.place(at), "a stream in it ends too early"),
        }
    }
}
