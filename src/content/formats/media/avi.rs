//! AVI (Microsoft, "AVI RIFF File Reference"; OpenDML AVI File Format Extensions 1.02 for what follows the first
//! gigabyte): every piece of the film behind the other, and an index of them.

use super::codec::Codec;
use super::riff::{Chunk, chunk, form, is_name};
use crate::bytes::{array, at_most, le_u32, to_u64};
use crate::content::formats::{Format, MOST_AT_ONCE, Step, Strength, Subject, broken};

pub(super) const FORMATS: &[Format] = &[Format { name: "AVI", endings: &["avi", "divx"], opens, check }];

/// `AVIF_HASINDEX` in the main header's flags.
const HAS_INDEX: u32 = 0x10;

/// How much of the index is read at a time: a multiple of an entry.
const PIECE: usize = 1 << 16;

fn opens(head: &[u8]) -> bool {
    array::<4>(head, 0) == Some(*b"RIFF") && array::<4>(head, 8) == Some(*b"AVI ")
}

/// What the headers say.
#[derive(Debug, Default)]
struct Film {
    flags: u32,
    /// What is known of the coding of the first streams.
    codecs: Vec<Picture>,
    /// Where the first list of pieces has its four letters.
    movi: Option<u64>,
    indexed: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Picture {
    Jpeg,
    Coded(Codec),
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut film = Film::default();
    let mut at = 0_u64;
    while at < subject.size() {
        let Some(riff) = chunk(subject, at)?.filter(|riff| riff.kind == *b"RIFF") else { break };
        let end = riff.end();
        if end > subject.size() {
            let missing = end.saturating_sub(subject.size());
            return broken(subject.size(), format!("the film ends {missing} bytes too early"));
        }
        if riff.length < 4 {
            return broken(at, "the film's length was never written: recording was stopped");
        }
        segment(subject, &mut film, riff.body.saturating_add(4), end)?;
        at = riff.next(subject)?;
    }
    if film.movi.is_none() {
        return broken(at.min(subject.size()), "there are no pictures and no sound in it");
    }
    if film.flags & HAS_INDEX != 0 && !film.indexed {
        return broken(at.min(subject.size()), "the film's index is missing: recording was stopped");
    }
    Ok(Strength::Structure)
}

/// One `RIFF` of the file.
fn segment(subject: &Subject<'_>, film: &mut Film, start: u64, end: u64) -> Step<()> {
    let mut at = start;
    while at.saturating_add(8) <= end {
        let Some(found) = chunk(subject, at)? else {
            return broken(at, "bytes that are no part of a film stand between its parts");
        };
        if found.end() > end {
            return broken(at, "a part of the film is longer than the film");
        }
        match (&found.kind, form(subject, &found)?.as_ref()) {
            (b"LIST", Some(b"hdrl")) => headers(subject, film, &found)?,
            (b"LIST", Some(b"movi")) => {
                film.movi.get_or_insert(found.body);
                pieces(subject, film, found.body.saturating_add(4), found.end())?;
            }
            (b"idx1", _) => {
                film.indexed = true;
                index(subject, film, &found)?;
            }
            _ => {}
        }
        at = found.next(subject)?;
    }
    Ok(())
}

/// The list of headers, and the lists of streams in it.
fn headers(subject: &Subject<'_>, film: &mut Film, list: &Chunk) -> Step<()> {
    let (mut at, end) = (list.body.saturating_add(4), list.end());
    while at.saturating_add(8) <= end {
        let Some(found) = chunk(subject, at)?.filter(|found| found.end() <= end) else {
            return broken(at, "the headers of the film are damaged");
        };
        match (&found.kind, form(subject, &found)?.as_ref()) {
            (b"avih", _) => film.flags = le_u32(&subject.up_to(found.body, 16)?, 12).unwrap_or_default(),
            // Into the list: its chunks follow the four letters.
            (b"LIST", Some(b"strl")) => {
                at = found.body.saturating_add(4);
                continue;
            }
            // An index over the pieces that the other standard defines.
            (b"indx", _) => film.indexed = true,
            // A BITMAPINFOHEADER has its compression at 16; a description of sound is shorter or says something else.
            (b"strf", _) if film.codecs.len() < 100 => {
                let compression = array::<4>(&subject.up_to(found.body, 20)?, 16).unwrap_or_default();
                film.codecs.push(picture(compression.map(|byte| byte.to_ascii_uppercase())));
            }
            _ => {}
        }
        at = found.next(subject)?;
    }
    Ok(())
}

fn picture(compression: [u8; 4]) -> Picture {
    match &compression {
        b"MJPG" => Picture::Jpeg,
        b"XVID" | b"DIVX" | b"DX50" | b"FMP4" | b"MP4V" | b"H264" | b"AVC1" | b"X264" => Picture::Coded(Codec::NoZeros),
        _ => Picture::Coded(Codec::Other),
    }
}

/// The pieces of the film, one after the other.
fn pieces(subject: &Subject<'_>, film: &Film, start: u64, end: u64) -> Step<()> {
    let mut at = start;
    while at.saturating_add(8) <= end {
        let Some(found) = chunk(subject, at)?.filter(|found| found.end() <= end) else {
            return broken(at, "a piece of the film does not begin where the one before it ends");
        };
        let [a, b, c, d] = found.kind;
        let stream = a.is_ascii_digit() && b.is_ascii_hexdigit() && c.is_ascii_alphabetic() && d.is_ascii_alphabetic();
        match &found.kind {
            b"LIST" => {
                at = found.body.saturating_add(4);
                continue;
            }
            [b'i', b'x', ..] | b"JUNK" | b"idx1" => {}
            [.., b'd', b'c'] if stream => {
                let codec = film.codecs.get(usize::from(a & 15).saturating_mul(10).saturating_add(usize::from(b & 15)));
                coded(subject, &found, codec.copied())?;
            }
            _ if stream => {}
            _ => return broken(at, "a piece of the film does not begin where the one before it ends"),
        }
        at = found.next(subject)?;
    }
    Ok(())
}

fn coded(subject: &Subject<'_>, piece: &Chunk, codec: Option<Picture>) -> Step<()> {
    match codec {
        Some(Picture::Jpeg) if piece.length > 1 && subject.bytes(piece.body, 2)? != [0xff, 0xd8] => {
            return broken(piece.body, "a picture of the film does not open");
        }
        Some(Picture::Coded(codec)) if codec.says_something() => {
            let bytes = subject.up_to(piece.body, at_most(piece.length, MOST_AT_ONCE))?;
            if let Err((inside, why)) = codec.check(&bytes) {
                let at = piece.body.saturating_add(to_u64(inside));
                return broken(at, format!("a picture of the film is damaged: {why}"));
            }
        }
        _ => {}
    }
    Ok(())
}

/// `idx1`: each entry names a piece, its place and its length. Places count from the four letters of the list, or, as
/// many programs write them, from the start of the file.
fn index(subject: &Subject<'_>, film: &Film, found: &Chunk) -> Step<()> {
    let Some(movi) = film.movi else { return Ok(()) };
    let mut base = None;
    let mut at = found.body;
    while at < found.end() {
        let piece = subject.up_to(at, PIECE.min(at_most(found.end().saturating_sub(at), PIECE)))?;
        for entry in piece.chunks_exact(16) {
            let kind = array::<4>(entry, 0).unwrap_or_default();
            // AVIIF_LIST: it points to a group of pieces.
            if le_u32(entry, 4).is_some_and(|flags| flags & 1 != 0) {
                at = at.saturating_add(16);
                continue;
            }
            let [offset, length] = [8, 12].map(|field| u64::from(le_u32(entry, field).unwrap_or_default()));
            if !is_name(kind) {
                return broken(at, "the film's index is damaged");
            }
            let agrees = |base: u64| -> Step<bool> {
                let place = base.saturating_add(offset);
                Ok(chunk(subject, place)?.is_some_and(|there| there.kind == kind && there.length == length))
            };
            if base.is_none() && length > 0 {
                base = if agrees(movi)? { Some(movi) } else { Some(0) };
            }
            // A dropped picture has no length, and some writers no place for it.
            if length > 0 && !agrees(base.unwrap_or_default())? {
                return broken(at, "the film's index points to a place where no such piece stands");
            }
            at = at.saturating_add(16);
        }
        if piece.len() < 16 {
            break;
        }
    }
    Ok(())
}
