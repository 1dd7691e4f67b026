//! Deflate (RFC 1951) to its end, and zlib's checksum (RFC 1950, section 2.2).

use std::io::BufRead;

use flate2::{Decompress, FlushDecompress, Status};

use crate::bytes::at_most;
use crate::content::formats::Step;

/// How much is unpacked at once, in bytes.
const PIECE: usize = 1 << 16;

/// How a packed stream ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ended {
    /// At its own end mark.
    Whole,
    /// The input ended before.
    Cut,
    /// What stands there is no packed data, or the input failed.
    Wrong,
}

/// Unpacks deflated bytes from where `input` stands; each piece goes to `sink`. `input` then stands behind the end mark.
pub(super) fn inflate(input: &mut dyn BufRead, sink: &mut dyn FnMut(&[u8]) -> Step<()>) -> Step<Ended> {
    let mut state = Decompress::new(false);
    let mut out = vec![0; PIECE];
    loop {
        let Ok(from) = input.fill_buf() else { return Ok(Ended::Wrong) };
        let at_end = from.is_empty();
        let (taken_before, made_before) = (state.total_in(), state.total_out());
        let Ok(status) = state.decompress(from, &mut out, FlushDecompress::None) else { return Ok(Ended::Wrong) };
        let taken = state.total_in().saturating_sub(taken_before);
        let made = state.total_out().saturating_sub(made_before);
        input.consume(at_most(taken, PIECE.saturating_mul(2)));
        sink(out.get(..at_most(made, PIECE)).unwrap_or_default())?;
        if status == Status::StreamEnd {
            return Ok(Ended::Whole);
        }
        if taken == 0 && made == 0 {
            return Ok(if at_end { Ended::Cut } else { Ended::Wrong });
        }
    }
}

/// The largest prime below 65,536 (RFC 1950, section 9).
const BASE: u32 = 65_521;

/// So many bytes can be added before the sums have to be reduced.
const RUN: usize = 5_552;

/// The Adler-32 of bytes that come in pieces.
pub(super) struct Adler {
    low: u32,
    high: u32,
}

impl Adler {
    pub(super) fn new() -> Self {
        Self { low: 1, high: 0 }
    }

    pub(super) fn update(&mut self, bytes: &[u8]) {
        for run in bytes.chunks(RUN) {
            for byte in run {
                self.low = self.low.wrapping_add(u32::from(*byte));
                self.high = self.high.wrapping_add(self.low);
            }
            self.low = self.low.checked_rem(BASE).unwrap_or_default();
            self.high = self.high.checked_rem(BASE).unwrap_or_default();
        }
    }

    pub(super) fn value(&self) -> u32 {
        self.high.wrapping_shl(16) | self.low
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::Compression;
    use flate2::write::{DeflateEncoder, ZlibEncoder};

    use super::*;
    use crate::content::formats::unchecked;

    fn unpack(mut packed: &[u8], most: usize) -> Step<(Vec<u8>, Ended)> {
        let mut unpacked = Vec::new();
        let ended = inflate(&mut packed, &mut |piece| {
            unpacked.extend_from_slice(piece);
            if unpacked.len() > most { unchecked("too much") } else { Ok(()) }
        })?;
        Ok((unpacked, ended))
    }

    #[test]
    fn the_end_mark_decides() {
        let mut encoder = DeflateEncoder::new(Vec::new(), Compression::best());
        let plain: Vec<u8> = (0..300_000_u32).map(|n| (n.wrapping_mul(n) >> 7) as u8).collect();
        encoder.write_all(&plain).unwrap();
        let packed = encoder.finish().unwrap();
        let (unpacked, ended) = unpack(&packed, usize::MAX).unwrap();
        assert_eq!((unpacked == plain, ended), (true, Ended::Whole));
        let (_, ended) = unpack(&packed[..packed.len() - 1], usize::MAX).unwrap();
        assert_eq!(ended, Ended::Cut);
        assert_eq!(unpack(&[7, 7, 7], usize::MAX).unwrap().1, Ended::Wrong);
        assert!(unpack(&packed, 1000).is_err());
        let mut more = packed.clone();
        more.extend(b"behind");
        let mut input = &more[..];
        assert_eq!(inflate(&mut input, &mut |_| Ok(())).unwrap(), Ended::Whole);
        assert_eq!(input, b"behind");
    }

    #[test]
    fn adler_is_what_zlib_writes() {
        let plain = vec![0xFE; 100_001];
        let mut encoder = ZlibEncoder::new(Vec::new(), Compression::fast());
        encoder.write_all(&plain).unwrap();
        let packed = encoder.finish().unwrap();
        let mut adler = Adler::new();
        adler.update(&plain[..7]);
        adler.update(&plain[7..]);
        assert_eq!(adler.value().to_be_bytes(), packed[packed.len() - 4..]);
    }
}
