//! LZX as system-compressed files have it, in chunks of 32 KiB that each stand alone.
//!
//! A chunk is a row of blocks, each with its own codes, whose lengths are stored as differences to the block before.
//! When all blocks are decoded, call targets are translated back (see [`undo_calls`]). Unlike the LZX of cabinet files
//! there is no bit that says whether they were translated, and a block's size has 16 bits.
//!
//! The facts are from Linux' `fs/ntfs3/lib/lzx_decompress.c`.
//!
//! **A chunk must end exactly where its compressed bytes do**, with zeros in the bits that are left of the last unit,
//! and padding must be zeros. All that wimlib writes is so, and 7-Zip asks for the same (tried on WIM archives, whose
//! chunks are the same). There is no checksum, and this finds a good part of the damage that changes only how long codes
//! are.

use super::bits::Bits;
use super::chunk::{ChunkError, ChunkFault, Plain};
use super::huffman::{Code, CodeFault};

#[cfg(test)]
mod tests;

/// The most plain bytes of a chunk, which is as large as the window of matches.
const MOST_BYTES: usize = 32768;

const VERBATIM: u16 = 1;
const ALIGNED: u16 = 2;
const UNCOMPRESSED: u16 = 3;
const BLOCK_TYPE_BITS: u32 = 3;
/// A block's size, where it is not the usual one.
const BLOCK_SIZE_BITS: u32 = 16;
const USUAL_BLOCK: usize = 32768;

/// Symbols of the main code that are plain bytes.
const LITERALS: usize = 256;
const FIRST_MATCH: u16 = 256;
/// Symbols of the main code: plain bytes, and matches by 30 distance slots and 8 lengths.
const MAIN_SYMBOLS: usize = LITERALS + SLOTS.len() * 8;
/// Bits of a match symbol that hold its length.
const LENGTH_MASK: u16 = 7;
/// Bits of a match symbol below those that hold its distance slot.
const LENGTH_BITS: u32 = 3;
/// Symbols of the code for longer lengths.
const LENGTH_SYMBOLS: usize = 249;
/// A match is this much longer than the number that is stored.
const SHORTEST_MATCH: usize = 2;

/// Symbols of the code for the low 3 bits of distances, and the bits of a code length in it.
const ALIGNED_SYMBOLS: usize = 8;
const ALIGNED_LENGTH_BITS: u32 = 3;
const ALIGNED_BITS: u32 = 3;
/// Symbols of the code for code lengths, and the bits of a code length in it.
const PRE_SYMBOLS: usize = 20;
const PRE_LENGTH_BITS: u32 = 4;
/// Code lengths go from 0 to 16, and their differences wrap around.
const LENGTH_VALUES: u8 = 17;
/// Symbols of the code for code lengths that stand for more than one length.
const SHORT_ZEROS: u16 = 17;
const LONG_ZEROS: u16 = 18;
const SAME: u16 = 19;

/// Distances of higher slots are stored this much greater.
const DISTANCE_BIAS: usize = 2;
/// By slot: the smallest stored distance, and how many bits follow that are added to it.
const SLOTS: [(u16, u8); 30] = [
    (0, 0),
    (1, 0),
    (2, 0),
    (3, 0),
    (4, 1),
    (6, 1),
    (8, 2),
    (12, 2),
    (16, 3),
    (24, 3),
    (32, 4),
    (48, 4),
    (64, 5),
    (96, 5),
    (128, 6),
    (192, 6),
    (256, 7),
    (384, 7),
    (512, 8),
    (768, 8),
    (1024, 9),
    (1536, 9),
    (2048, 10),
    (3072, 10),
    (4096, 11),
    (6144, 11),
    (8192, 12),
    (12288, 12),
    (16384, 13),
    (24576, 13),
];

/// Decodes one chunk and appends its `size` plain bytes, at most 32,768, to `output`. A chunk whose compressed bytes are
/// as many as its plain bytes is a plain copy in system-compressed files: not for this function.
///
/// # Errors
/// A [`ChunkError`] that says where and what; `output` is then as before.
pub(crate) fn decode(compressed: &[u8], output: &mut Vec<u8>, size: usize) -> Result<(), ChunkError> {
    Plain::append(output, size, MOST_BYTES, |plain| {
        let mut blocks = Blocks::new(compressed);
        while plain.left() > 0 {
            blocks.decode_block(plain).map_err(|fault| blocks.error(fault))?;
        }
        if blocks.bits.truncated() {
            return Err(blocks.error(ChunkFault::Truncated));
        }
        if blocks.bits.unit_unused() || !blocks.bits.rest_is_zero() {
            return Err(blocks.error(ChunkFault::NoEnd));
        }
        undo_calls(plain.bytes());
        Ok(())
    })
}

/// The input, and what each block leaves to the next.
struct Blocks<'a> {
    bits: Bits<'a>,
    main_lengths: [u8; MAIN_SYMBOLS],
    length_lengths: [u8; LENGTH_SYMBOLS],
    /// The distances of the latest matches.
    recent: [usize; 3],
    main: Code<MAIN_SYMBOLS, 2048>,
    length: Code<LENGTH_SYMBOLS, 512>,
    aligned: Code<ALIGNED_SYMBOLS, 128>,
    pre: Code<PRE_SYMBOLS, 64>,
}

impl<'a> Blocks<'a> {
    fn new(compressed: &'a [u8]) -> Self {
        Self {
            bits: Bits::new(compressed, 0),
            main_lengths: [0; MAIN_SYMBOLS],
            length_lengths: [0; LENGTH_SYMBOLS],
            recent: [1; 3],
            main: Code::new(),
            length: Code::new(),
            aligned: Code::new(),
            pre: Code::new(),
        }
    }

    fn error(&self, fault: ChunkFault) -> ChunkError {
        let fault = if self.bits.truncated() { ChunkFault::Truncated } else { fault };
        ChunkError { offset: self.bits.offset(), fault }
    }

    /// Each block takes bits of the input, and past its end the zeros are no block type: so there are not endlessly
    /// many, even of size 0.
    fn decode_block(&mut self, plain: &mut Plain<'_>) -> Result<(), ChunkFault> {
        let number = self.bits.take(BLOCK_TYPE_BITS);
        let usual = self.bits.take(1) == 1;
        let length = if usual { USUAL_BLOCK } else { usize::from(self.bits.take(BLOCK_SIZE_BITS)) };
        let left = plain.left();
        if length > left {
            return Err(ChunkFault::BlockTooLong { length, left });
        }
        let end = plain.produced().saturating_add(length);
        match number {
            VERBATIM => {
                self.read_codes()?;
                self.decode_matches::<false>(plain, end)
            }
            ALIGNED => {
                let mut lengths = [0; ALIGNED_SYMBOLS];
                read_plain_lengths(&mut self.bits, &mut lengths, ALIGNED_LENGTH_BITS);
                self.aligned.build(&lengths).map_err(|fault| ChunkFault::Code { name: "aligned code", fault })?;
                self.read_codes()?;
                self.decode_matches::<true>(plain, end)
            }
            UNCOMPRESSED => self.copy_stored(plain, length),
            _ => Err(ChunkFault::BlockType { number }),
        }
    }

    /// Reads the main code and the length code. The latter may be without symbols: no long match then.
    fn read_codes(&mut self) -> Result<(), ChunkFault> {
        let (literals, matches) = self.main_lengths.split_at_mut(LITERALS);
        for lengths in [literals, matches, &mut self.length_lengths] {
            let mut pre_lengths = [0; PRE_SYMBOLS];
            read_plain_lengths(&mut self.bits, &mut pre_lengths, PRE_LENGTH_BITS);
            self.pre.build(&pre_lengths).map_err(|fault| ChunkFault::Code { name: "code of code lengths", fault })?;
            read_lengths(&mut self.bits, &self.pre, lengths)?;
        }
        self.main.build(&self.main_lengths).map_err(|fault| ChunkFault::Code { name: "main code", fault })?;
        match self.length.build(&self.length_lengths) {
            Ok(()) | Err(CodeFault::Empty) => Ok(()),
            Err(fault) => Err(ChunkFault::Code { name: "length code", fault }),
        }
    }

    /// Decodes a block of bytes and matches up to the plain position `end`.
    fn decode_matches<const WITH_ALIGNED: bool>(
        &mut self,
        plain: &mut Plain<'_>,
        end: usize,
    ) -> Result<(), ChunkFault> {
        while plain.produced() < end {
            let symbol = self.main.decode(&mut self.bits).ok_or(ChunkFault::NoSymbols)?;
            if let Ok(byte) = u8::try_from(symbol) {
                plain.literal(byte);
                continue;
            }
            let symbol = symbol.saturating_sub(FIRST_MATCH);
            let mut length = symbol & LENGTH_MASK;
            if length == LENGTH_MASK {
                let more = self.length.decode(&mut self.bits).ok_or(ChunkFault::NoSymbols)?;
                length = length.saturating_add(more);
            }
            let distance = self.distance::<WITH_ALIGNED>(symbol >> LENGTH_BITS)?;
            plain.copy(distance, usize::from(length).saturating_add(SHORTEST_MATCH), end)?;
        }
        Ok(())
    }

    /// The distance of a match, by its slot; it becomes the latest of the recent ones.
    fn distance<const WITH_ALIGNED: bool>(&mut self, slot: u16) -> Result<usize, ChunkFault> {
        let slot = usize::from(slot);
        if slot < self.recent.len() {
            self.recent.swap(0, slot);
            return Ok(self.recent[0]);
        }
        // The main code has no symbols of a slot that is not there.
        let (base, extra) = SLOTS.get(slot).copied().unwrap_or_default();
        let extra = u32::from(extra);
        let added = if WITH_ALIGNED && extra >= ALIGNED_BITS {
            let high = self.bits.take(extra.saturating_sub(ALIGNED_BITS)) << ALIGNED_BITS;
            high | self.aligned.decode(&mut self.bits).ok_or(ChunkFault::NoSymbols)?
        } else {
            self.bits.take(extra)
        };
        // The smallest distance here is 1: slot 3 starts at 3.
        let distance = usize::from(base).saturating_add(usize::from(added)).saturating_sub(DISTANCE_BIAS);
        self.recent = [distance, self.recent[0], self.recent[1]];
        Ok(distance)
    }

    /// Copies a block that is not compressed: three recent distances, `length` bytes, and one more if that is odd.
    fn copy_stored(&mut self, plain: &mut Plain<'_>, length: usize) -> Result<(), ChunkFault> {
        if !self.bits.align() {
            return Err(ChunkFault::Padding);
        }
        for recent in &mut self.recent {
            let distance = u32::from_le_bytes(self.bits.next_bytes().ok_or(ChunkFault::Truncated)?);
            *recent = usize::try_from(distance).unwrap_or(usize::MAX);
            if !(1..=MOST_BYTES).contains(recent) {
                return Err(ChunkFault::RecentDistance { distance });
            }
        }
        plain.stored(self.bits.next_slice(length).ok_or(ChunkFault::Truncated)?);
        // At the chunk's end the byte may be missing, as 7-Zip has it: no unit follows.
        if length % 2 == 1 && self.bits.next_bytes().is_some_and(|[padding]: [u8; 1]| padding != 0) {
            return Err(ChunkFault::Padding);
        }
        Ok(())
    }
}

/// Reads code lengths that are stored as numbers of `width` bits.
fn read_plain_lengths(bits: &mut Bits<'_>, lengths: &mut [u8], width: u32) {
    for length in lengths {
        *length = u8::try_from(bits.take(width)).unwrap_or(0);
    }
}

/// Reads code lengths that are stored by the code `pre`: as differences to the `lengths` that are there, or as runs.
fn read_lengths(bits: &mut Bits<'_>, pre: &Code<PRE_SYMBOLS, 64>, lengths: &mut [u8]) -> Result<(), ChunkFault> {
    let mut rest = lengths;
    while let Some(&old) = rest.first() {
        let symbol = pre.decode(bits).ok_or(ChunkFault::NoSymbols)?;
        let (run, length) = match symbol {
            SHORT_ZEROS => (bits.take(4).saturating_add(4), 0),
            LONG_ZEROS => (bits.take(5).saturating_add(20), 0),
            SAME => {
                let run = bits.take(1).saturating_add(4);
                (run, changed(old, pre.decode(bits).ok_or(ChunkFault::NoSymbols)?)?)
            }
            _ => (1, changed(old, symbol)?),
        };
        let (run, after) = rest.split_at_mut_checked(usize::from(run)).ok_or(ChunkFault::CodeLengths)?;
        run.fill(length);
        rest = after;
    }
    Ok(())
}

/// The code length that differs from the `old` one as `symbol` says.
fn changed(old: u8, symbol: u16) -> Result<u8, ChunkFault> {
    match u8::try_from(symbol) {
        Ok(less @ 0..LENGTH_VALUES) if less <= old => Ok(old.saturating_sub(less)),
        Ok(less @ 0..LENGTH_VALUES) => Ok(old.saturating_add(LENGTH_VALUES).saturating_sub(less)),
        _ => Err(ChunkFault::CodeLengths),
    }
}

/// The first byte of a call instruction of x86 programs; the target follows in 4 bytes.
const CALL: u8 = 0xE8;
/// What encoders take for the size of the program: always this.
const PROGRAM_BYTES: i32 = 12_000_000;
/// So many bytes at a chunk's end are not looked at.
const UNTRANSLATED_TAIL: usize = 10;

/// Makes absolute call targets relative again, as programs have them. Encoders do the reverse in every chunk, whatever
/// it holds, so that calls of one function look the same.
fn undo_calls(bytes: &mut [u8]) {
    let end = bytes.len().saturating_sub(UNTRANSLATED_TAIL);
    let mut position = 0_usize;
    while let Some(before) = bytes.get(position..end).and_then(|rest| rest.iter().position(|&byte| byte == CALL)) {
        let call = position.saturating_add(before);
        let target = call.saturating_add(1);
        if let Some(field) = bytes.get_mut(target..).and_then(<[u8]>::first_chunk_mut)
            && let Ok(call) = i32::try_from(call)
        {
            let absolute = i32::from_le_bytes(*field);
            let relative = match absolute {
                0..PROGRAM_BYTES => absolute.wrapping_sub(call),
                _ if absolute < 0 && absolute >= call.wrapping_neg() => absolute.wrapping_add(PROGRAM_BYTES),
                _ => absolute,
            };
            *field = relative.to_le_bytes();
        }
        position = target.saturating_add(4);
    }
}
