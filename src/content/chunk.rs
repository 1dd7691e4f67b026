//! The plain bytes of one chunk of a system-compressed file, and what can be wrong with a chunk.
//!
//! Both encodings fill a chunk with single bytes and with copies of what stands before in the same chunk. **Neither has
//! a checksum.** The decoders refuse what no known encoder writes. That finds every run of 512 bytes that was replaced
//! by zeros or noise in the chunks of the test images, yet only about half of all single wrong bits: the others give
//! other plain bytes. That a chunk decodes is no proof that it is sound.

use std::fmt;

use super::huffman::CodeFault;

/// Why a chunk could not be decoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct ChunkError {
    /// How far the chunk's compressed bytes had been read, in bytes: the fault is in the four bytes before, or in the
    /// code lengths that end before.
    pub(crate) offset: usize,
    /// What is wrong.
    pub(crate) fault: ChunkFault,
}

/// What is wrong with a chunk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ChunkFault {
    /// More plain bytes were asked for than a chunk can hold; the chunk was not looked at.
    Size {
        /// How many may be asked for.
        most: usize,
    },
    /// The compressed bytes end before all plain bytes were given.
    Truncated,
    /// Code lengths don't make a code.
    Code {
        /// The code's name in its format's terms.
        name: &'static str,
        /// What is wrong with it.
        fault: CodeFault,
    },
    /// Code lengths that are stored as one run go past the last symbol, or take a run for a length.
    CodeLengths,
    /// A symbol was to be read from a code without symbols.
    NoSymbols,
    /// An LZX block of a type that does not exist.
    BlockType {
        /// The type's number.
        number: u16,
    },
    /// An LZX block is larger than what the chunk still lacks.
    BlockTooLong {
        /// Its plain bytes.
        length: usize,
        /// What the chunk lacks, in plain bytes.
        left: usize,
    },
    /// An LZX block that is not compressed says that a recent match distance is 0, or larger than a chunk.
    RecentDistance {
        /// The distance in bytes.
        distance: u32,
    },
    /// What fills an LZX block up to whole bytes, or to whole units, is not zero.
    Padding,
    /// A match points before the chunk's first plain byte.
    MatchBeforeChunk {
        /// How many bytes back it points.
        distance: usize,
        /// Plain bytes of the chunk so far.
        produced: usize,
    },
    /// A match goes past the end of its chunk, or of its LZX block.
    MatchTooLong {
        /// Its length in bytes.
        length: usize,
        /// What the chunk or the block lacks, in plain bytes.
        left: usize,
    },
    /// A long match has a length that is stored in short form by rule.
    MatchLength {
        /// The length's field.
        field: u16,
    },
    /// All plain bytes were given, but compressed data go on, or are not zero in what remains of the last unit.
    NoEnd,
}

impl fmt::Display for ChunkError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.fault {
            ChunkFault::Size { most } => return write!(f, "a chunk gives at most {most} bytes"),
            ChunkFault::Truncated => write!(f, "the chunk ends too early"),
            ChunkFault::Code { name, fault: CodeFault::Empty } => write!(f, "the {name} has no symbols"),
            ChunkFault::Code { name, fault: CodeFault::Incomplete } => write!(f, "the {name} is incomplete"),
            ChunkFault::Code { name, fault: CodeFault::OverSubscribed } => write!(f, "the {name} is over-subscribed"),
            ChunkFault::CodeLengths => write!(f, "code lengths are stored against the rules"),
            ChunkFault::NoSymbols => write!(f, "a symbol is used from a code that has none"),
            ChunkFault::BlockType { number } => write!(f, "the block type {number} does not exist"),
            ChunkFault::BlockTooLong { length, left } => {
                write!(f, "a block of {length} bytes starts where the chunk lacks only {left}")
            }
            ChunkFault::RecentDistance { distance } => {
                write!(f, "a block says that {distance} is a recent match distance")
            }
            ChunkFault::Padding => write!(f, "what fills a block up is not zero"),
            ChunkFault::MatchBeforeChunk { distance, produced } => {
                write!(f, "a match points {distance} bytes back where the chunk has only {produced}")
            }
            ChunkFault::MatchTooLong { length, left } => {
                write!(f, "a match of {length} bytes stands where only {left} are lacking")
            }
            ChunkFault::MatchLength { field } => write!(f, "a long match has the short length {field}"),
            ChunkFault::NoEnd => write!(f, "the chunk goes on although all its bytes were given"),
        }?;
        write!(f, " at {:#x} of its compressed bytes", self.offset)
    }
}

impl std::error::Error for ChunkError {}

/// Most matches are at most this long: one move of fixed size copies them.
const MOVE: usize = 16;

/// The plain bytes of one chunk while it is decoded.
pub(super) struct Plain<'a> {
    bytes: &'a mut [u8],
    /// How many were given so far.
    produced: usize,
}

impl Plain<'_> {
    /// Appends `size` bytes to `output` and lets `decode` give them. If that fails, `output` is as before: no byte of
    /// a faulty chunk can be trusted, as one wrong bit shifts all that follows.
    ///
    /// # Errors
    /// What `decode` returned, or that `size` is over `most`.
    pub(super) fn append(
        output: &mut Vec<u8>,
        size: usize,
        most: usize,
        decode: impl FnOnce(&mut Plain<'_>) -> Result<(), ChunkError>,
    ) -> Result<(), ChunkError> {
        if size > most {
            return Err(ChunkError { offset: 0, fault: ChunkFault::Size { most } });
        }
        let start = output.len();
        output.resize(start.saturating_add(size), 0);
        let bytes = output.get_mut(start..).unwrap_or_default();
        let decoded = decode(&mut Plain { bytes, produced: 0 });
        if decoded.is_err() {
            output.truncate(start);
        }
        decoded
    }

    /// How many bytes were given so far.
    pub(super) fn produced(&self) -> usize {
        self.produced
    }

    /// How many bytes the chunk still lacks.
    pub(super) fn left(&self) -> usize {
        self.bytes.len().saturating_sub(self.produced)
    }

    /// All bytes of the chunk.
    pub(super) fn bytes(&mut self) -> &mut [u8] {
        self.bytes
    }

    /// Gives one byte, for which the caller has seen that there is room.
    #[inline]
    pub(super) fn literal(&mut self, byte: u8) {
        if let Some(room) = self.bytes.get_mut(self.produced) {
            *room = byte;
            self.produced = self.produced.saturating_add(1);
        }
    }

    /// Gives `bytes`, as many as there is room for.
    pub(super) fn stored(&mut self, bytes: &[u8]) {
        let room = self.bytes.get_mut(self.produced..).unwrap_or_default();
        for (room, byte) in room.iter_mut().zip(bytes) {
            *room = *byte;
        }
        self.produced = self.produced.saturating_add(bytes.len().min(room.len()));
    }

    /// Gives `length` bytes once more that were given `distance` bytes before; the chunk's bytes up to `end` may be
    /// written.
    ///
    /// # Errors
    /// When the match starts before the chunk or goes past `end`.
    #[inline]
    pub(super) fn copy(&mut self, distance: usize, length: usize, end: usize) -> Result<(), ChunkFault> {
        let at = self.produced;
        let Some(from) = at.checked_sub(distance) else {
            return Err(ChunkFault::MatchBeforeChunk { distance, produced: at });
        };
        let left = end.min(self.bytes.len()).saturating_sub(at);
        if length > left {
            return Err(ChunkFault::MatchTooLong { length, left });
        }
        let after = at.saturating_add(length);
        self.produced = after;
        // One move of fixed size, whose surplus the next bytes overwrite: the chunk is given to its end or not at all.
        if distance >= MOVE && length <= MOVE {
            let source: Option<&[u8; MOVE]> = self.bytes.get(from..).and_then(<[u8]>::first_chunk);
            if let Some(&block) = source
                && let Some(room) = self.bytes.get_mut(at..).and_then(<[u8]>::first_chunk_mut)
            {
                *room = block;
                return Ok(());
            }
        }
        // A match may reach into its own output, which then repeats with period `distance`: so everything from `from`
        // on may be copied behind itself, twice as much each time. Both callers' distances are at least 1, so that
        // `from < to <= after <= bytes.len()` in every round.
        let mut to = at;
        while from < to && to < after {
            let size = to.saturating_sub(from).min(after.saturating_sub(to));
            self.bytes.copy_within(from..from.saturating_add(size), to);
            to = to.saturating_add(size);
        }
        Ok(())
    }
}
