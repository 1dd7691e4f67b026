//! How streams are packed (ISO 32000-1, 7.4), as far as they are unpacked here: Flate, its predictors, and the two ways to
//! write bytes as text. Whether what comes out of Flate is what went in, its Adler-32 shows.

use std::io::BufRead;

use super::lexer::{Value, is_blank};
use crate::bytes::{array, to_u64, to_usize};
use crate::content::formats::documents::inflate::{Adler, Ended, inflate};
use crate::content::formats::pictures::jpeg_inside;
use crate::content::formats::{Step, Stop, Subject, broken, unchecked};

/// The largest stream that is needed unpacked: tables and objects.
const LONGEST: usize = 1 << 26;

/// The largest stream that is written as text and so needed whole before it is unpacked.
const LONGEST_TEXT: u64 = 1 << 26;

/// How a stream ends whose program wrote out what it had, and never an end mark (RFC 1951, 3.2.4: an empty block).
const FLUSHED: [u8; 4] = [0, 0, 0xFF, 0xFF];

/// What came of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Content {
    /// All of it was unpacked, or there was nothing to be unpacked.
    Decoded,
    /// It is packed in a way that isn't read.
    Skipped,
}

/// The names of a stream's filters, first to last.
pub(super) fn filters(dictionary: &Value) -> Vec<&[u8]> {
    let filter = dictionary.get(b"Filter").or_else(|| dictionary.get(b"F"));
    let list = filter.map(Value::list).unwrap_or_default();
    list.iter().filter_map(|one| if let Value::Name(name) = one { Some(name.as_slice()) } else { None }).collect()
}

/// Whether all of a stream's filters stand in its dictionary itself.
pub(super) fn are_direct(dictionary: &Value) -> bool {
    dictionary.get(b"Filter").is_none_or(|filter| filter.list().iter().all(|one| matches!(one, Value::Name(_))))
}

/// Checks a stream's bytes, which are those from `start` to `end`.
pub(super) fn check(subject: &Subject<'_>, dictionary: &Value, start: u64, end: u64) -> Step<Content> {
    let filters = filters(dictionary);
    if !are_direct(dictionary) || dictionary.get(b"F").is_some() {
        return Ok(Content::Skipped);
    }
    match filters.as_slice() {
        [] => Ok(Content::Decoded),
        // Some programs write an empty page so.
        _ if start == end => Ok(Content::Decoded),
        [b"FlateDecode" | b"Fl", rest @ ..] => {
            let mut reader = subject.reader(start..end);
            let ended = flate(&mut reader, &mut |piece| subject.spend(to_u64(piece.len())))?;
            if ended == Ended::Cut && subject.up_to(end.saturating_sub(4), 4)? == FLUSHED {
                return Ok(Content::Skipped);
            }
            if ended != Ended::Whole {
                return Err(reader.stop("a stream can't be unpacked"));
            }
            Ok(if rest.is_empty() { Content::Decoded } else { Content::Skipped })
        }
        [b"ASCII85Decode" | b"A85" | b"ASCIIHexDecode" | b"AHx", ..] if end.saturating_sub(start) <= LONGEST_TEXT => {
            let (_, content) = as_text(subject, &filters, start, end)?;
            Ok(content)
        }
        [b"DCTDecode" | b"DCT"] => picture(subject, start, end),
        _ => Ok(Content::Skipped),
    }
}

/// A JPEG picture (ISO/IEC 10918-1, annex B): it begins and ends as one, and its blocks decode.
fn picture(subject: &Subject<'_>, start: u64, end: u64) -> Step<Content> {
    if subject.up_to(start, 2)? != [0xFF, 0xD8] {
        return broken(start, "a picture in it does not begin as one");
    }
    // Line ends and blanks may stand behind.
    let tail_at = end.saturating_sub(64).max(start);
    let tail = subject.bytes(tail_at, to_usize(end.saturating_sub(tail_at)).unwrap_or_default())?;
    if !tail.windows(2).any(|two| two == [0xFF, 0xD9]) {
        return broken(end, "a picture in it does not end as one");
    }
    match jpeg_inside(subject, start, end) {
        Ok(()) => Ok(Content::Decoded),
        // A picture of a kind that nobody here decodes.
        Err(Stop::Unchecked { .. }) => Ok(Content::Skipped),
        Err(stop) => Err(stop),
    }
}

/// A stream's bytes, unpacked. `None` if they are packed in a way that isn't read.
pub(super) fn unpacked(subject: &Subject<'_>, dictionary: &Value, start: u64, end: u64) -> Step<Option<Vec<u8>>> {
    let filters = filters(dictionary);
    if !are_direct(dictionary) {
        return Ok(None);
    }
    let mut bytes = Vec::new();
    let mut keep = |piece: &[u8]| {
        subject.spend(to_u64(piece.len()))?;
        if bytes.len().saturating_add(piece.len()) > LONGEST {
            return unchecked("a table of it is too long to be looked at");
        }
        bytes.extend_from_slice(piece);
        Ok(())
    };
    match filters.as_slice() {
        [] => bytes = subject.bytes(start, to_usize(end.saturating_sub(start)).unwrap_or(usize::MAX))?,
        [b"FlateDecode" | b"Fl"] => {
            let mut reader = subject.reader(start..end);
            // Some programs leave the end mark out. Whether all is there, what is in it shows.
            if flate(&mut reader, &mut keep)? == Ended::Wrong {
                return Err(reader.stop("a table of it can't be unpacked"));
            }
        }
        [b"ASCII85Decode" | b"A85" | b"ASCIIHexDecode" | b"AHx", ..] if end.saturating_sub(start) <= LONGEST_TEXT => {
            let (text, content) = as_text(subject, &filters, start, end)?;
            if content == Content::Skipped {
                return Ok(None);
            }
            bytes = text;
        }
        _ => return Ok(None),
    }
    let parameters = dictionary.get(b"DecodeParms").map(Value::list).unwrap_or_default();
    let number = |key: &[u8], default: u64| {
        parameters.iter().find_map(|one| one.get(key).and_then(Value::number)).unwrap_or(default)
    };
    Ok(match number(b"Predictor", 1) {
        1 => Some(bytes),
        10..=15 => unpredicted(&bytes, number(b"Colors", 1), number(b"BitsPerComponent", 8), number(b"Columns", 1)),
        _ => None,
    })
}

/// Rows that say how each of their bytes follows from others (ISO 32000-1, 7.4.4.4; W3C, PNG, section 9).
fn unpredicted(bytes: &[u8], colors: u64, bits: u64, columns: u64) -> Option<Vec<u8>> {
    let pixel = to_usize(colors.checked_mul(bits)?.div_ceil(8).max(1))?;
    let row = to_usize(colors.checked_mul(bits)?.checked_mul(columns)?.div_ceil(8))?;
    if row == 0 || row > bytes.len() {
        return bytes.is_empty().then(Vec::new);
    }
    let mut out: Vec<u8> = Vec::with_capacity(bytes.len());
    let mut above = vec![0_u8; row];
    for line in bytes.chunks(row.checked_add(1)?) {
        let (kind, line) = line.split_first()?;
        let mut now = line.to_vec();
        for at in 0..now.len() {
            let left = at.checked_sub(pixel).and_then(|left| now.get(left)).copied().unwrap_or_default();
            let up = above.get(at).copied().unwrap_or_default();
            let corner = at.checked_sub(pixel).and_then(|left| above.get(left)).copied().unwrap_or_default();
            let add = match kind {
                0 => 0,
                1 => left,
                2 => up,
                3 => u8::midpoint(left, up),
                4 => paeth(left, up, corner),
                _ => return None,
            };
            let byte = now.get_mut(at)?;
            *byte = byte.wrapping_add(add);
        }
        out.extend_from_slice(&now);
        now.resize(row, 0);
        above = now;
    }
    Some(out)
}

fn paeth(left: u8, up: u8, corner: u8) -> u8 {
    let guess = i16::from(left).saturating_add(up.into()).saturating_sub(corner.into());
    let far = |byte: u8| guess.saturating_sub(byte.into()).saturating_abs();
    if far(left) <= far(up) && far(left) <= far(corner) {
        left
    } else if far(up) <= far(corner) {
        up
    } else {
        corner
    }
}

/// Zlib data (RFC 1950): two bytes, deflate, the Adler-32. A checksum that was cut off is borne, as all readers do; a
/// wrong one is not.
fn flate(input: &mut dyn BufRead, sink: &mut dyn FnMut(&[u8]) -> Step<()>) -> Step<Ended> {
    let Some([first, second]) = take::<2>(input) else { return Ok(Ended::Cut) };
    if first & 0x0F != 8 || u16::from_be_bytes([first, second]).checked_rem(31) != Some(0) {
        return Ok(Ended::Wrong);
    }
    let mut adler = Adler::new();
    let ended = inflate(input, &mut |piece| {
        adler.update(piece);
        sink(piece)
    })?;
    let right = take::<4>(input).is_none_or(|sum| u32::from_be_bytes(sum) == adler.value());
    Ok(if ended == Ended::Whole && !right { Ended::Wrong } else { ended })
}

/// The next bytes; `None` if there are fewer.
fn take<const N: usize>(input: &mut dyn BufRead) -> Option<[u8; N]> {
    let mut bytes = [0; N];
    std::io::Read::read_exact(input, &mut bytes).ok()?;
    Some(bytes)
}

/// Bytes that were written as text, and packed before that.
fn as_text(subject: &Subject<'_>, filters: &[&[u8]], start: u64, end: u64) -> Step<(Vec<u8>, Content)> {
    let mut bytes = subject.bytes(start, to_usize(end.saturating_sub(start)).unwrap_or(usize::MAX))?;
    for filter in filters {
        let next = match *filter {
            b"ASCII85Decode" | b"A85" => base_85(&bytes),
            b"ASCIIHexDecode" | b"AHx" => base_16(&bytes),
            b"FlateDecode" | b"Fl" => {
                let mut unpacked = Vec::new();
                let mut input = bytes.as_slice();
                let ended = flate(&mut input, &mut |piece| {
                    subject.spend(to_u64(piece.len()))?;
                    // Of what is longer only the check is wanted.
                    if unpacked.len() < LONGEST {
                        unpacked.extend_from_slice(piece);
                    }
                    Ok(())
                })?;
                (ended == Ended::Whole).then_some(unpacked)
            }
            _ => return Ok((bytes, Content::Skipped)),
        };
        match next {
            Some(next) => bytes = next,
            None => return broken(start, "a stream can't be unpacked"),
        }
    }
    Ok((bytes, Content::Decoded))
}

fn base_16(text: &[u8]) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut half = None;
    for byte in text.iter().copied().filter(|byte| !is_blank(*byte)) {
        if byte == b'>' {
            break;
        }
        let digit = u8::try_from(char::from(byte).to_digit(16)?).ok()?;
        half = match half {
            None => Some(digit),
            Some(high) => {
                bytes.push(u8::wrapping_shl(high, 4) | digit);
                None
            }
        };
    }
    bytes.extend(half.map(|high| u8::wrapping_shl(high, 4)));
    Some(bytes)
}

fn base_85(text: &[u8]) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let (mut value, mut count) = (0_u32, 0_usize);
    let text = text.strip_prefix(b"<~").unwrap_or(text);
    for byte in text.iter().copied().filter(|byte| !is_blank(*byte)) {
        match byte {
            b'~' => break,
            b'z' if count == 0 => bytes.extend([0; 4]),
            b'!'..=b'u' => {
                let digit = u32::from(byte.checked_sub(b'!')?);
                value = value.checked_mul(85)?.checked_add(digit)?;
                count = count.checked_add(1)?;
                if count == 5 {
                    bytes.extend(value.to_be_bytes());
                    (value, count) = (0, 0);
                }
            }
            _ => return None,
        }
    }
    if count > 0 {
        // The group is filled up with the highest digit, and gives one byte less than it has digits.
        for _ in count..5 {
            value = value.checked_mul(85)?.checked_add(84)?;
        }
        let all: [u8; 4] = array(&value.to_be_bytes(), 0)?;
        bytes.extend(all.iter().take(count.checked_sub(1)?));
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_becomes_bytes() {
        // From Python's base64.a85encode and bytes.hex.
        assert_eq!(base_85(b"87cURD]i,\"Ebo80~>").unwrap(), b"Hello World!");
        assert_eq!(base_85(b"z87cUR\nDZ~>").unwrap(), b"\0\0\0\0Hello");
        assert_eq!(base_85(b"87cURv~>"), None);
        assert_eq!(base_16(b"48 65 6C6c 6F7>").unwrap(), b"Hellop");
        assert_eq!(base_16(b"4x>"), None);
    }

    #[test]
    fn predictors_are_undone() {
        // Each kind of row, made by hand from the rows 1 2 3, 2 3 4 …
        let rows = [0, 1, 2, 3, 2, 1, 1, 1, 1, 3, 1, 1, 3, 2, 3, 3, 4, 1, 1, 1];
        let out = unpredicted(&rows, 1, 8, 3).unwrap();
        assert_eq!(out[..9], [1, 2, 3, 2, 3, 4, 3, 4, 5]);
        assert_eq!(unpredicted(&[9, 1, 2, 3], 1, 8, 3), None);
        assert_eq!(unpredicted(&[], 1, 8, 5), Some(Vec::new()));
        assert_eq!(unpredicted(&rows, u64::MAX, 8, 3), None);
    }
}
