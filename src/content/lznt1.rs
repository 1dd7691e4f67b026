//! LZNT1, the encoding of NTFS-compressed streams, by \[MS-XCA\] section 2.5.
//!
//! A stream is a row of chunks, each of which gives up to 4,096 plain bytes and is decoded by itself. It ends at the
//! end marker `0000h` or with its input.
//!
//! **A short chunk before another chunk is an error here.** Common readers fill such a chunk up with zeros (tried:
//! ntfs-3g on a volume made so; said of Windows). But writers cut their input into chunks of exactly 4,096 bytes, so
//! that only the last one is short (tried: ntfs-3g with files of odd lengths, appended to, overwritten, cut, and half
//! incompressible; not tried on a volume that Windows wrote). A short chunk elsewhere is therefore most likely a
//! damaged match length, which no checksum would catch; to fill it with zeros would pass made-up bytes off as the
//! customer's. The rule turns every wrong length in a chunk that is not the last into an error.

use std::fmt;

#[cfg(test)]
mod tests;

/// The most plain bytes that one chunk gives ([MS-XCA] 2.5.1.2).
const CHUNK_BYTES: usize = 4096;
/// Bytes after a chunk's plain bytes that a fixed-size move may scribble on.
const SLACK: usize = 16;
/// Bit 15 of a chunk header: the body is compressed, not stored.
const COMPRESSED: u16 = 0x8000;
/// Bits 14–12 of a chunk header hold 3, always.
const SIGNATURE_MASK: u16 = 0x7000;
const SIGNATURE: u16 = 0x3000;
/// Bits 11–0 of a chunk header: the body's length in bytes, minus 1.
const LENGTH_MASK: u16 = 0x0FFF;
const HEADER_BYTES: usize = 2;
/// The fewest displacement bits of a match word; grows with the plain bytes of the chunk ([MS-XCA] 2.5.1.4).
const LEAST_DISPLACEMENT_BITS: u32 = 4;
const MATCH_WORD_BITS: u32 = 16;

/// Why a stream could not be decoded to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lznt1Error {
    /// Where in the compressed input, in bytes: the chunk header, or the match word for the faults of a match.
    pub offset: usize,
    /// How many of the plain bytes that this call appended are good: those of the chunks that decoded wholly. What
    /// stands after them in the output came from the faulty chunk and vouches for nothing.
    pub good: usize,
    /// What is wrong.
    pub fault: Lznt1Fault,
}

/// What is wrong with a compressed stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Lznt1Fault {
    /// Bits 14–12 of a chunk header are not 3.
    BadSignature {
        /// The header as it was read.
        header: u16,
    },
    /// The input ends inside a chunk header, or before the length that the header states.
    TruncatedChunk,
    /// A chunk's body ends after the first byte of a match word.
    TruncatedMatch,
    /// A match points before its chunk's first plain byte.
    MatchBeforeChunk {
        /// How many bytes back it points.
        distance: usize,
        /// Plain bytes of the chunk so far.
        produced: usize,
    },
    /// A literal or a match goes past the 4,096 plain bytes of its chunk.
    ChunkTooLong,
    /// A chunk gives fewer than 4,096 plain bytes, and another chunk follows.
    ShortChunk {
        /// Plain bytes it gives.
        produced: usize,
    },
    /// The stream goes on after the caller's limit. All `good` bytes up to the limit were decoded soundly.
    OverLimit,
}

impl fmt::Display for Lznt1Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let offset = self.offset;
        match self.fault {
            Lznt1Fault::BadSignature { header } => {
                write!(
                    f,
                    "the chunk header at {offset:#x} of the compressed data is {header:#06x}, not 3 in bits 14-12"
                )
            }
            Lznt1Fault::TruncatedChunk => write!(f, "the compressed data ends inside the chunk at {offset:#x}"),
            Lznt1Fault::TruncatedMatch => write!(f, "the chunk's body ends inside the match at {offset:#x}"),
            Lznt1Fault::MatchBeforeChunk { distance, produced } => {
                write!(f, "the match at {offset:#x} points {distance} bytes back, its chunk has only {produced}")
            }
            Lznt1Fault::ChunkTooLong => write!(f, "the chunk gives more than {CHUNK_BYTES} bytes from {offset:#x} on"),
            Lznt1Fault::ShortChunk { produced } => {
                write!(f, "the chunk at {offset:#x} gives {produced} of {CHUNK_BYTES} bytes and is not the last")
            }
            Lznt1Fault::OverLimit => write!(f, "the chunk at {offset:#x} gives more than was asked for"),
        }
    }
}

impl std::error::Error for Lznt1Error {}

/// Decodes the LZNT1 stream in `compressed` and appends at most `limit` plain bytes to `output`.
///
/// The stream ends at the end marker `0000h` or at the input's end. One byte left over is no header: a zero is half an
/// end marker that no longer fitted, and after `limit` bytes it can't matter whatever it is; any other is an error.
/// What follows the end marker is not looked at: it is the slack of the last cluster.
///
/// # Errors
/// A [`Lznt1Error`] that says where and what. What was decoded before stays in `output`, also from the faulty chunk;
/// [`Lznt1Error::good`] says how much of it counts.
pub fn decode(compressed: &[u8], output: &mut Vec<u8>, limit: usize) -> Result<(), Lznt1Error> {
    let mut chunk = Chunk { plain: [0; CHUNK_BYTES + SLACK], length: CHUNK_BYTES };
    let mut rest = compressed;
    // Plain bytes of the chunks so far, and before the last of them.
    let (mut appended, mut before_last) = (0_usize, 0);
    let mut last_offset = 0;
    loop {
        let offset = compressed.len().saturating_sub(rest.len());
        let fail = |fault| Lznt1Error { offset, good: appended, fault };
        let Some((header, body_on)) = rest.split_first_chunk::<HEADER_BYTES>() else {
            return match rest {
                [] | [0] => Ok(()),
                _ if appended == limit => Ok(()),
                _ => Err(fail(Lznt1Fault::TruncatedChunk)),
            };
        };
        let header = u16::from_le_bytes(*header);
        if header == 0 {
            return Ok(());
        }
        if chunk.length < CHUNK_BYTES {
            let fault = Lznt1Fault::ShortChunk { produced: chunk.length };
            return Err(Lznt1Error { offset: last_offset, good: before_last, fault });
        }
        if header & SIGNATURE_MASK != SIGNATURE {
            return Err(fail(Lznt1Fault::BadSignature { header }));
        }
        let room = limit.saturating_sub(appended);
        if room == 0 {
            return Err(fail(Lznt1Fault::OverLimit));
        }
        let length = usize::from(header & LENGTH_MASK).saturating_add(1);
        let (body, truncated) = match body_on.split_at_checked(length) {
            Some((body, after)) => {
                rest = after;
                (body, false)
            }
            None => (body_on, true),
        };
        let decoded = if header & COMPRESSED == 0 { chunk.store(body) } else { chunk.decompress(body) };
        let plain = chunk.plain.get(..chunk.length.min(room)).unwrap_or_default();
        output.extend_from_slice(plain);
        if let Err(Fault { fault, in_body }) = decoded {
            let offset = offset.saturating_add(HEADER_BYTES).saturating_add(in_body);
            // A word cut by the input's end is the smaller news.
            let cut = truncated && fault == Lznt1Fault::TruncatedMatch;
            return Err(if cut { fail(Lznt1Fault::TruncatedChunk) } else { Lznt1Error { offset, ..fail(fault) } });
        }
        if truncated {
            return Err(fail(Lznt1Fault::TruncatedChunk));
        }
        (before_last, last_offset) = (appended, offset);
        appended = appended.saturating_add(plain.len());
        if chunk.length > room {
            return Err(Lznt1Error { offset, good: appended, fault: Lznt1Fault::OverLimit });
        }
    }
}

/// What is wrong inside a chunk, and at which byte of its body.
struct Fault {
    fault: Lznt1Fault,
    in_body: usize,
}

/// The plain bytes of one chunk; used again for each.
struct Chunk {
    plain: [u8; CHUNK_BYTES + SLACK],
    length: usize,
}

impl Chunk {
    /// Takes over a body that is not compressed. The header's 12 bits can't say more than a chunk holds.
    fn store(&mut self, body: &[u8]) -> Result<(), Fault> {
        self.length = 0;
        let room = self.plain.get_mut(..body.len()).ok_or(Fault { fault: Lznt1Fault::ChunkTooLong, in_body: 0 })?;
        room.copy_from_slice(body);
        self.length = body.len();
        Ok(())
    }

    /// Decodes a compressed body: groups of a flag byte and eight items, flags from bit 0 up, 0 for a literal byte and
    /// 1 for a match word ([MS-XCA] 2.5.1.3). The body may end after any item, or after a flag byte.
    fn decompress(&mut self, body: &[u8]) -> Result<(), Fault> {
        self.length = 0;
        let mut at = 0;
        let mut rest = body;
        let result = 'body: {
            while let Some((&group, items)) = rest.split_first() {
                rest = items;
                let mut flags = group;
                if flags == 0
                    && let Some((literals, after)) = rest.split_first_chunk::<8>()
                    && let Some(next) = at_most_chunk(at, literals.len())
                    && let Some(room) = self.plain.get_mut(at..next)
                {
                    room.copy_from_slice(literals);
                    (at, rest) = (next, after);
                    continue;
                }
                for _ in 0..8 {
                    if flags & 1 == 0 {
                        let Some((&literal, after)) = rest.split_first() else { break };
                        let (Some(next), Some(room)) = (at_most_chunk(at, 1), self.plain.get_mut(at)) else {
                            break 'body Err(Lznt1Fault::ChunkTooLong);
                        };
                        *room = literal;
                        (at, rest) = (next, after);
                    } else {
                        let Some((word, after)) = rest.split_first_chunk() else {
                            if rest.is_empty() {
                                break;
                            }
                            break 'body Err(Lznt1Fault::TruncatedMatch);
                        };
                        match self.copy_match(at, u16::from_le_bytes(*word)) {
                            Ok(next) => (at, rest) = (next, after),
                            Err(fault) => break 'body Err(fault),
                        }
                    }
                    flags >>= 1;
                }
            }
            Ok(())
        };
        self.length = at;
        result.map_err(|fault| Fault { fault, in_body: body.len().saturating_sub(rest.len()) })
    }

    /// Copies what the match `word` says to the plain position `at`; gives the position after it.
    fn copy_match(&mut self, at: usize, word: u16) -> Result<usize, Lznt1Fault> {
        let (distance, length) = split_match(at, word);
        let Some(from) = at.checked_sub(distance) else {
            return Err(Lznt1Fault::MatchBeforeChunk { distance, produced: at });
        };
        let end = at_most_chunk(at, length).ok_or(Lznt1Fault::ChunkTooLong)?;
        // Most matches are short and far: one move of fixed size, whose surplus the next item overwrites.
        if distance >= SLACK && length <= SLACK {
            let source: Option<&[u8; SLACK]> = self.plain.get(from..).and_then(<[u8]>::first_chunk);
            if let Some(&block) = source
                && let Some(room) = self.plain.get_mut(at..).and_then(<[u8]>::first_chunk_mut)
            {
                *room = block;
                return Ok(end);
            }
        }
        // A match may reach into its own output, which then repeats with period `distance`: so everything from `from`
        // on may be copied behind itself, twice as much each time. `from < to <= end <= CHUNK_BYTES` in every round.
        let mut to = at;
        while to < end {
            let size = to.saturating_sub(from).min(end.saturating_sub(to));
            self.plain.copy_within(from..from.saturating_add(size), to);
            to = to.saturating_add(size);
        }
        Ok(end)
    }
}

/// `at + length`, if a chunk's plain bytes reach that far.
fn at_most_chunk(at: usize, length: usize) -> Option<usize> {
    at.checked_add(length).filter(|&end| end <= CHUNK_BYTES)
}

/// Distance and length, in bytes, of a match `word` met after `produced` plain bytes of the chunk.
///
/// The distance's field is as wide as the largest possible distance needs, 4 bits at least; the split moves at 17, 33,
/// 65, … plain bytes ([MS-XCA] 2.5.1.4).
fn split_match(produced: usize, word: u16) -> (usize, usize) {
    let largest = u16::try_from(produced).unwrap_or(u16::MAX).saturating_sub(1);
    let displacement_bits = MATCH_WORD_BITS.saturating_sub(largest.leading_zeros()).max(LEAST_DISPLACEMENT_BITS);
    let length_bits = MATCH_WORD_BITS.saturating_sub(displacement_bits);
    let displacement = word.checked_shr(length_bits).unwrap_or(0);
    let length = word & !u16::MAX.checked_shl(length_bits).unwrap_or(0);
    (usize::from(displacement).saturating_add(1), usize::from(length).saturating_add(3))
}
