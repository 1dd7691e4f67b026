//! XPRESS with Huffman codes, the encoding of system-compressed files in chunks of 4, 8 or 16 KiB, by \[MS-XCA\]
//! sections 2.1 and 2.2.
//!
//! A chunk is 512 code lengths of 4 bits and then the codes. Symbols under 256 are plain bytes, the others are matches.
//!
//! **A chunk must end exactly where its compressed bytes do**: with the symbol 256, with zeros in the bits behind it,
//! and with no byte more or less than the decoder has loaded then. The chunks of \[MS-XCA\]'s own examples and all that
//! wimlib writes end so, and 7-Zip asks for it too (tried on WIM archives, whose chunks are the same). There is no
//! checksum, and this finds a good part of the damage that changes only how long codes are.

use super::bits::Bits;
use super::chunk::{ChunkError, ChunkFault, Plain};
use super::huffman::Code;

#[cfg(test)]
mod tests;

/// The most plain bytes that one set of codes serves ([MS-XCA] 2.2).
const MOST_BYTES: usize = 65536;
/// Symbols of the code: 256 plain bytes, and matches by 16 distances and 16 lengths.
const SYMBOLS: usize = 512;
/// Bytes of the code lengths at the chunk's start, two symbols in each, the even one in the low 4 bits.
const LENGTHS_BYTES: usize = SYMBOLS / 2;
/// Of the code's table: 11 bits.
const LOOK: usize = 1 << 11;
/// The first symbol that is a match; also stands behind a chunk's last byte.
const FIRST_MATCH: u16 = 256;
const END: u16 = 256;
/// Bits of a match symbol that hold its length.
const LENGTH_MASK: u16 = 0xF;
/// Bits of a match symbol below those that say how long its distance is.
const LENGTH_BITS: u32 = 4;
/// A match is this much longer than the number that is stored.
const SHORTEST_MATCH: usize = 3;

/// Decodes one chunk and appends its `size` plain bytes, at most 65,536, to `output`. A chunk whose compressed bytes are
/// as many as its plain bytes is a plain copy in system-compressed files: not for this function.
///
/// # Errors
/// A [`ChunkError`] that says where and what; `output` is then as before.
pub(crate) fn decode(compressed: &[u8], output: &mut Vec<u8>, size: usize) -> Result<(), ChunkError> {
    Plain::append(output, size, MOST_BYTES, |plain| {
        let Some((packed, _)) = compressed.split_first_chunk::<LENGTHS_BYTES>() else {
            return Err(ChunkError { offset: compressed.len(), fault: ChunkFault::Truncated });
        };
        let mut bits = Bits::new(compressed, LENGTHS_BYTES);
        decode_codes(packed, &mut bits, plain).map_err(|fault| {
            let fault = if bits.truncated() { ChunkFault::Truncated } else { fault };
            ChunkError { offset: bits.offset(), fault }
        })
    })
}

fn decode_codes(packed: &[u8; LENGTHS_BYTES], bits: &mut Bits<'_>, plain: &mut Plain<'_>) -> Result<(), ChunkFault> {
    let mut lengths = [0; SYMBOLS];
    for (pair, packed) in lengths.as_chunks_mut().0.iter_mut().zip(packed) {
        *pair = [packed & 0xF, packed >> 4];
    }
    let mut code = Code::<SYMBOLS, LOOK>::new();
    code.build(&lengths).map_err(|fault| ChunkFault::Code { name: "code", fault })?;
    while plain.left() > 0 {
        let symbol = code.decode(bits).ok_or(ChunkFault::NoSymbols)?;
        match u8::try_from(symbol) {
            Ok(byte) => plain.literal(byte),
            Err(_) => decode_match(symbol.saturating_sub(FIRST_MATCH), bits, plain)?,
        }
    }
    if code.decode(bits) != Some(END) {
        return Err(ChunkFault::NoEnd);
    }
    bits.fill();
    match (bits.loaded_past_end(), bits.rest_is_zero()) {
        (true, _) => Err(ChunkFault::Truncated),
        (false, true) => Ok(()),
        (false, false) => Err(ChunkFault::NoEnd),
    }
}

/// Gives the bytes of one match: its symbol, then the bits of its distance. A long length stands in whole bytes behind
/// the two units that are loaded when the distance is read ([MS-XCA] 2.2).
fn decode_match(symbol: u16, bits: &mut Bits<'_>, plain: &mut Plain<'_>) -> Result<(), ChunkFault> {
    bits.fill();
    let mut length = symbol & LENGTH_MASK;
    if length == LENGTH_MASK {
        let [more] = bits.next_bytes().ok_or(ChunkFault::Truncated)?;
        length = length.saturating_add(u16::from(more));
        if more == u8::MAX {
            let field = u16::from_le_bytes(bits.next_bytes().ok_or(ChunkFault::Truncated)?);
            if field < LENGTH_MASK {
                return Err(ChunkFault::MatchLength { field });
            }
            length = field;
        }
    }
    let distance_bits = u32::from(symbol >> LENGTH_BITS);
    let distance = usize::from(bits.take(distance_bits)) | 1_usize.wrapping_shl(distance_bits);
    plain.copy(distance, usize::from(length).saturating_add(SHORTEST_MATCH), MOST_BYTES)
}
