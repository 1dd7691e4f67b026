//! Word's main stream ([MS-DOC] 2.5.1 and 2.5.2: the file information block; 2.9.38: the pieces of its text).

use super::compound::Compound;
use super::stream::Stream;
use crate::bytes::{le_u16, le_u32, to_usize};
use crate::content::formats::{Step, Stop, broken};

const MAGIC: u16 = 0xA5EC;
/// Versions from here on have the block of Word 97.
const WORD_97: u16 = 0x00C1;
const ENCRYPTED: u16 = 0x0100;
const TABLE_1: u16 = 0x0200;

/// Bytes that a piece's descriptor has.
const PIECE: usize = 8;

/// Openings of Word before there were compound files (common practice, no source).
pub(super) fn is_older(head: &[u8]) -> bool {
    [&b"\xDB\xA5"[..], b"\x9B\xA5", b"\x31\xBE\0\0", b"\xFE\x37\0"].iter().any(|opening| head.starts_with(opening))
}

pub(super) fn check(compound: &Compound<'_>) -> Step<()> {
    let Some(main) = compound.stream("WordDocument")? else { return broken(0, "it has no text") };
    let block = main.bytes(compound.subject, 0, to_usize(main.length().min(0x400)).unwrap_or_default())?;
    let short = |offset| le_u16(&block, offset).unwrap_or_default();
    let long = |offset| le_u32(&block, offset).unwrap_or_default();
    if short(0) != MAGIC && short(0) != 0xA5DC {
        return broken(main.place(0), "its text does not begin as Word's does");
    }
    let flags = short(0x0a);
    if flags & ENCRYPTED != 0 {
        return Err(Stop::Protected { why: "it is encrypted with a password".to_string() });
    }
    if short(0x02) < WORD_97 {
        return Ok(());
    }
    let name = if flags & TABLE_1 == 0 { "0Table" } else { "1Table" };
    let Some(table) = compound.stream(name)? else {
        return broken(main.place(0x0a), "the table of its text is not in it");
    };
    check_pieces(compound, &main, &table, u64::from(long(0x1a2)), long(0x1a6))
}

/// The pieces that the text is made of all lie in the main stream.
fn check_pieces(compound: &Compound<'_>, main: &Stream, table: &Stream, at: u64, length: u32) -> Step<()> {
    if length == 0 {
        return Ok(());
    }
    let bytes = table.bytes(compound.subject, at, to_usize(length.into()).unwrap_or(usize::MAX))?;
    let wrong = || broken(table.place(at), "the table of its text is broken");
    let mut rest = bytes.as_slice();
    // Formatting comes first: a mark, a length, as many bytes.
    while rest.first() == Some(&1) {
        let Some(count) = le_u16(rest, 1) else { return wrong() };
        rest = rest.get(usize::from(count).saturating_add(3)..).unwrap_or_default();
    }
    let (Some(2), Some(count)) = (rest.first(), le_u32(rest, 1)) else { return wrong() };
    let list = rest.get(5..).unwrap_or_default();
    let count = to_usize(count.into()).unwrap_or(usize::MAX);
    let pieces = count.saturating_sub(4).checked_div(PIECE.saturating_add(4)).unwrap_or_default();
    let Some(list) = list.get(..count).filter(|_| pieces > 0) else { return wrong() };
    let (places, descriptors) = list.split_at_checked(pieces.saturating_add(1).saturating_mul(4)).unwrap_or_default();
    let places: Vec<u32> = places.chunks_exact(4).filter_map(|four| le_u32(four, 0)).collect();
    for (pair, descriptor) in places.windows(2).zip(descriptors.chunks_exact(PIECE)) {
        let [from, to] = pair else { return wrong() };
        let (Some(characters), Some(field)) = (to.checked_sub(*from), le_u32(descriptor, 2)) else { return wrong() };
        // Bit 30: a byte a character, and the place counts twice ([MS-DOC] 2.9.73).
        let place = field & 0x3FFF_FFFF;
        let (start, width) = if field & 0x4000_0000 == 0 { (place, 2) } else { (place.wrapping_shr(1), 1) };
        let end = u64::from(characters).saturating_mul(width).saturating_add(start.into());
        if end > main.length() {
            return broken(table.place(at), "a piece of its text lies outside of it");
        }
    }
    Ok(())
}
