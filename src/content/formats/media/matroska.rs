//! MKV and WebM: Matroska (RFC 9559) in EBML (RFC 8794), where each element says its length, and the one around it has
//! to be filled by those in it.

use std::collections::BTreeMap;

use super::codec::{self, Codec};
use crate::bytes::{at_most, le_u32, to_u64, to_usize};
use crate::content::formats::{Format, MOST_AT_ONCE, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] =
    &[Format { name: "MKV/WebM", endings: &["mkv", "mka", "mks", "mk3d", "webm", "weba"], opens, check }];

const EBML: u32 = 0x1a45_dfa3;
const SEGMENT: u32 = 0x1853_8067;
const CLUSTER: u32 = 0x1f43_b675;
const TRACKS: u32 = 0x1654_ae6b;
const TRACK: u32 = 0xae;
const TRACK_NUMBER: u32 = 0xd7;
const CODEC: u32 = 0x86;
const CODEC_PRIVATE: u32 = 0x63a2;
const ENCODINGS: u32 = 0x6d80;
const SIMPLE_BLOCK: u32 = 0xa3;
const BLOCK_GROUP: u32 = 0xa0;
const BLOCK: u32 = 0xa1;
const CRC: u32 = 0xbf;
const VOID: u32 = 0xec;
/// The elements beside clusters: SeekHead, Info, Tracks, Cues, Attachments, Chapters, Tags.
const BESIDE: [u32; 7] = [0x114d_9b74, 0x1549_a966, TRACKS, 0x1c53_bb6b, 0x1941_a469, 0x1043_a770, 0x1254_c367];

fn opens(head: &[u8]) -> bool {
    head.starts_with(&EBML.to_be_bytes())
}

/// An element.
#[derive(Debug, Clone, Copy)]
struct Element {
    id: u32,
    at: u64,
    body: u64,
    /// The first byte behind it; `None` if it was never said, as in films that were sent while they were made.
    end: Option<u64>,
}

/// A number with its length in its first byte (RFC 8794, 4), and how many bytes it took. All ones are "unknown".
fn number(bytes: &[u8]) -> Option<(Option<u64>, usize)> {
    let first = *bytes.first()?;
    let length = usize::try_from(first.leading_zeros()).ok()?.checked_add(1)?;
    if length > 8 {
        return None;
    }
    let all = bytes.get(..length)?.iter().fold(0_u64, |sum, byte| (sum << 8) | u64::from(*byte));
    let bits = u32::try_from(length.checked_mul(7)?).ok()?;
    let most = 1_u64.checked_shl(bits)?.checked_sub(1)?;
    let value = all & most;
    Some(((value != most).then_some(value), length))
}

fn element(subject: &Subject<'_>, at: u64) -> Step<Option<Element>> {
    let head = subject.up_to(at, 12)?;
    Ok(parse(&head, at))
}

fn parse(head: &[u8], at: u64) -> Option<Element> {
    let id_length = usize::try_from(head.first()?.leading_zeros()).ok()?.checked_add(1)?;
    if id_length > 4 {
        return None;
    }
    let id = head.get(..id_length)?.iter().fold(0_u32, |sum, byte| (sum << 8) | u32::from(*byte));
    let (length, used) = number(head.get(id_length..)?)?;
    let body = at.saturating_add(to_u64(id_length.saturating_add(used)));
    Some(Element { id, at, body, end: length.map(|length| body.saturating_add(length)) })
}

/// The most elements beside each other in a description.
const MOST_CHILDREN: usize = 1 << 16;

/// The elements in bytes that are in memory, at most [`MOST_CHILDREN`].
fn children(bytes: &[u8]) -> Option<Vec<(u32, &[u8])>> {
    let mut found = Vec::new();
    let mut at = 0_usize;
    while at < bytes.len() && found.len() < MOST_CHILDREN {
        let element = parse(bytes.get(at..)?, to_u64(at))?;
        let (start, end) = (to_usize(element.body)?, to_usize(element.end?)?);
        found.push((element.id, bytes.get(start..end)?));
        at = end;
    }
    Some(found)
}

type Codecs = BTreeMap<u64, Codec>;

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut at = 0_u64;
    let mut films = 0_u32;
    while at < subject.size() {
        let Some(found) = element(subject, at)? else {
            return broken(at, "bytes that are no part of a film stand behind it");
        };
        at = match found.id {
            SEGMENT => {
                films = films.saturating_add(1);
                segment(subject, &found)?
            }
            EBML | VOID | CRC => match found.end.filter(|end| *end <= subject.size()) {
                Some(end) => end,
                None => return broken(subject.size(), "the file ends within its head"),
            },
            _ => return broken(at, "bytes that are no part of a film stand behind it"),
        };
    }
    if films == 0 { broken(subject.size(), "there is no film and no sound in it") } else { Ok(Strength::Structure) }
}

/// The film itself; says where it ends.
fn segment(subject: &Subject<'_>, segment: &Element) -> Step<u64> {
    let end = segment.end.unwrap_or(subject.size());
    if end > subject.size() {
        let missing = end.saturating_sub(subject.size());
        return broken(
            subject.size(),
            format!("the file ends {missing} bytes too early: recording or copying was stopped"),
        );
    }
    let mut codecs = Codecs::new();
    let (mut at, mut described) = (segment.body, false);
    while at < end {
        let Some(found) = element(subject, at)? else {
            return broken(at, "a part of the film does not begin where the one before it ends");
        };
        if segment.end.is_none() && matches!(found.id, EBML | SEGMENT) {
            return Ok(at);
        }
        if !(found.id == CLUSTER || matches!(found.id, VOID | CRC) || BESIDE.contains(&found.id)) {
            return broken(at, "a part of the film does not begin where the one before it ends");
        }
        let Some(inner) = found.end.or((found.id == CLUSTER).then_some(end)).filter(|inner| *inner <= end) else {
            return broken(at, "a part of the film is longer than the film");
        };
        at = match found.id {
            CLUSTER => cluster(subject, found.body, inner, found.end.is_some(), &codecs)?,
            id if BESIDE.contains(&id) => {
                let Some(length) = to_usize(inner.saturating_sub(found.body)).filter(|length| *length <= MOST_AT_ONCE)
                else {
                    return unchecked("a part beside the film is too long to be looked at");
                };
                let body = subject.bytes(found.body, length)?;
                if !is_list(&body) {
                    return broken(found.at, "a part of the film's description is damaged");
                }
                if id == TRACKS {
                    described = true;
                    codecs = tracks(&body);
                }
                inner
            }
            _ => inner,
        };
    }
    if described { Ok(end) } else { broken(segment.at, "the film does not say what is in it") }
}

/// Whether elements fill bytes, and a CRC in front of them (RFC 8794, 11.3.1) is right, if there is one.
fn is_list(body: &[u8]) -> bool {
    let mut at = 0_usize;
    while let Some(rest) = body.get(at..).filter(|rest| !rest.is_empty()) {
        let end = parse(rest, to_u64(at)).and_then(|element| to_usize(element.end?));
        let Some(end) = end.filter(|end| *end <= body.len()) else { return false };
        at = end;
    }
    match body.split_at_checked(6) {
        Some(([0xbf, 0x84, sum @ ..], rest)) => le_u32(sum, 0) == Some(crc32fast::hash(rest)),
        _ => true,
    }
}

/// Which track is coded how.
fn tracks(body: &[u8]) -> Codecs {
    let entries = children(body).unwrap_or_default();
    let entries = entries.iter().filter(|(id, _)| *id == TRACK).take(1024);
    let one = |entry: &[u8]| -> Option<(u64, Codec)> {
        let fields = children(entry)?;
        let field = |id: u32| fields.iter().find(|(found, _)| *found == id).map(|(_, body)| *body);
        let number = field(TRACK_NUMBER)?.iter().take(8).fold(0_u64, |sum, byte| (sum << 8) | u64::from(*byte));
        // Packed or encrypted pictures can't be looked into.
        if field(ENCODINGS).is_some() {
            return None;
        }
        let codec = match field(CODEC)? {
            b"V_MPEG4/ISO/AVC" => codec::avc(field(CODEC_PRIVATE)?)?,
            b"V_MPEGH/ISO/HEVC" => codec::hevc(field(CODEC_PRIVATE)?)?,
            b"V_MPEG4/ISO/ASP" | b"V_MPEG4/ISO/SP" => Codec::NoZeros,
            b"V_AV1" => Codec::Av1,
            _ => return None,
        };
        Some((number, codec))
    };
    entries.filter_map(|(_, entry)| one(entry)).collect()
}

/// A cluster's blocks; says where it ends.
fn cluster(subject: &Subject<'_>, start: u64, end: u64, said: bool, codecs: &Codecs) -> Step<u64> {
    let mut at = start;
    while at < end {
        let Some(found) = element(subject, at)? else {
            return broken(at, "a piece of the film does not begin where the one before it ends");
        };
        if !said && (found.id == CLUSTER || BESIDE.contains(&found.id) || matches!(found.id, EBML | SEGMENT)) {
            return Ok(at);
        }
        // Timestamp, silent tracks, position, size of the one before, blocks.
        let known = matches!(found.id, 0xe7 | 0x5854 | 0xa7 | 0xab | SIMPLE_BLOCK | BLOCK_GROUP | 0xaf | VOID | CRC);
        let Some(inner) = found.end.filter(|inner| known && *inner <= end) else {
            return broken(at, "a piece of the film does not begin where the one before it ends");
        };
        match found.id {
            SIMPLE_BLOCK => block(subject, found.body, inner, codecs)?,
            BLOCK_GROUP => group(subject, found.body, inner, codecs)?,
            _ => {}
        }
        at = inner;
    }
    Ok(end)
}

fn group(subject: &Subject<'_>, start: u64, end: u64, codecs: &Codecs) -> Step<()> {
    let mut at = start;
    while at < end {
        let found = element(subject, at)?;
        let Some((found, inner)) = found.and_then(|found| found.end.map(|inner| (found, inner))) else {
            return broken(at, "a piece of the film is damaged");
        };
        if inner > end {
            return broken(at, "a piece of the film is damaged");
        }
        if found.id == BLOCK {
            block(subject, found.body, inner, codecs)?;
        }
        at = inner;
    }
    Ok(())
}

/// A block (RFC 9559, 10.2): the track's number, two bytes of time, flags, and what was coded.
fn block(subject: &Subject<'_>, start: u64, end: u64, codecs: &Codecs) -> Step<()> {
    let length = at_most(end.saturating_sub(start), usize::MAX);
    let head = subject.up_to(start, length.min(16))?;
    let Some((Some(track), used)) = number(&head) else {
        return broken(start, "a piece of the film does not say which track it belongs to");
    };
    let skip = used.saturating_add(3);
    let Some(flags) = head.get(skip.saturating_sub(1)).copied().filter(|_| skip <= length) else {
        return broken(start, "a piece of the film is too short");
    };
    // Several pieces in one block: only sound is packed so.
    let laced = flags & 6 != 0;
    let Some(codec) = codecs.get(&track).filter(|_| !laced && length <= MOST_AT_ONCE) else { return Ok(()) };
    let bytes = subject.bytes(start, length)?;
    codec.check(bytes.get(skip..).unwrap_or_default()).or_else(|(inside, why)| {
        let at = start.saturating_add(to_u64(skip.saturating_add(inside)));
        broken(at, format!("a picture of the film is damaged: {why}"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_know_their_length() {
        assert_eq!(number(&[0x81]), Some((Some(1), 1)));
        assert_eq!(number(&[0x40, 0x02]), Some((Some(2), 2)));
        assert_eq!(number(&[0xff]), Some((None, 1)));
        assert_eq!(number(&[0x01, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]), Some((None, 8)));
        assert_eq!(number(&[0x00, 0x01]), None);
        assert_eq!(number(&[0x40]), None);
    }
}
