//! Sound in frames without a container: MP3 and its older layers, and AAC in ADTS. Every frame is found at the distance
//! that the one before it says.
//!
//! The first frame of many files holds no sound but how many frames and bytes there are (`Xing`, `Info`, `VBRI`: common
//! practice, without a standard).

use super::frames::{self, Header, Kind, crc_is_right};
use super::tags;
use crate::bytes::{at_most, be_u32, slice, to_u64};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] = &[
    Format { name: "MP3", endings: &["mp3", "mp2", "mpa"], opens: opens_as_mp3, check: check_mp3 },
    Format { name: "AAC", endings: &["aac", "adts"], opens: opens_as_aac, check: check_aac },
];

type Parse = fn(&[u8]) -> Option<Header>;

/// Frames in a row that tell sound from chance.
const ROW: usize = 3;

/// How far into a file a recording of a broadcast may begin with the rest of a frame.
const LATE: usize = 2048;

/// How far zeros and rubbish between a tag and the first frame are looked through.
const FIRST: usize = 1 << 16;

/// Frames with a right CRC before a wrong one counts: some encoders write any.
const TRUSTED: u32 = 8;

fn opens_as_mp3(head: &[u8]) -> bool {
    (tags::id3v2_length(head).is_some() && !is_in_tag(head, b"fLaC")) || starts(head, frames::mpeg)
}

fn opens_as_aac(head: &[u8]) -> bool {
    (tags::id3v2_length(head).is_some() && is_row(head, frames::aac))
        || starts(head, frames::aac)
        || head.starts_with(b"ADIF")
}

/// Whether other sound follows the tag.
fn is_in_tag(head: &[u8], word: &[u8]) -> bool {
    let start = tags::id3v2_length(head).unwrap_or_default();
    head.get(at_most(start, usize::MAX)..).is_some_and(|rest| rest.starts_with(word))
}

fn is_row(head: &[u8], parse: Parse) -> bool {
    let start = at_most(tags::id3v2_length(head).unwrap_or_default(), usize::MAX);
    head.get(start..).is_some_and(|rest| row(rest, parse, ROW, 2))
}

/// Whether a file begins with frames, or soon after its beginning, which is never a zero.
fn starts(head: &[u8], parse: Parse) -> bool {
    if row(head, parse, 2, 2) {
        return true;
    }
    let later = (1..head.len().min(LATE)).any(|at| head.get(at..).is_some_and(|rest| row(rest, parse, ROW, ROW)));
    head.first().is_some_and(|byte| *byte != 0) && later
}

/// Whether so many frames follow each other, or `least`, if the bytes end there.
fn row(bytes: &[u8], parse: Parse, frames: usize, least: usize) -> bool {
    let mut at = 0_usize;
    let mut kind = None;
    for number in 0..frames {
        let Some(rest) = bytes.get(at..).filter(|rest| rest.len() >= 7) else {
            return number >= least;
        };
        let Some(header) = parse(rest).filter(|header| kind.is_none_or(|kind| kind == header.kind)) else {
            return false;
        };
        kind = Some(header.kind);
        at = at.saturating_add(at_most(header.length, usize::MAX));
    }
    true
}

fn check_mp3(subject: &Subject<'_>) -> Step<Strength> {
    check(subject, frames::mpeg)
}

fn check_aac(subject: &Subject<'_>) -> Step<Strength> {
    if subject.up_to(0, 4)? == b"ADIF" {
        return Ok(Strength::Opening);
    }
    check(subject, frames::aac)
}

fn check(subject: &Subject<'_>, parse: Parse) -> Step<Strength> {
    let tag = tags::id3v2_length(&subject.up_to(0, 10)?).unwrap_or_default();
    if tag > subject.size() {
        return broken(subject.size(), "the file ends within the names that stand before the sound");
    }
    let window = subject.up_to(tag, FIRST)?;
    let Some(start) = (0..window.len()).find(|at| window.get(*at..).is_some_and(|rest| row(rest, parse, ROW, 1)))
    else {
        let free = window.get(..2).is_some_and(|start| matches!(start, [0xff, second] if second & 0xe0 == 0xe0));
        if free {
            return unchecked("its frames do not say how long they are");
        }
        return broken(tag, "no sound follows the names that stand before it");
    };
    let start = tag.saturating_add(to_u64(start));
    let mut walk = Walk { end: tags::sound_end(subject, start)?, count: 0, kind: None, right: 0 };
    let said = Said::of(subject, start, parse)?;
    let at = walk.frames(subject, start, parse)?;
    walk.rest(subject, at, parse, &said, start)?;
    if let Some(frames) = said.frames
        && u64::from(frames) > walk.count.saturating_add(1)
    {
        return broken(at, format!("the sound ends after {} of {frames} frames", walk.count));
    }
    Ok(Strength::Structure)
}

struct Walk {
    end: u64,
    count: u64,
    kind: Option<Kind>,
    /// Frames whose CRC was right.
    right: u32,
}

impl Walk {
    /// Goes from frame to frame; says where the first thing stands that is none.
    fn frames(&mut self, subject: &Subject<'_>, start: u64, parse: Parse) -> Step<u64> {
        let mut at = start;
        while at < self.end {
            let bytes = subject.up_to(at, 64)?;
            let Some(header) = parse(&bytes) else {
                // Songs that were put one behind the other keep their names.
                match tags::id3v2_length(&bytes).filter(|_| self.count > 0) {
                    Some(tag) if at.saturating_add(tag) < self.end => {
                        at = at.saturating_add(tag);
                        self.kind = None;
                        continue;
                    }
                    _ => break,
                }
            };
            if self.kind.is_some_and(|kind| kind != header.kind) {
                break;
            }
            if at.saturating_add(header.length) > self.end {
                break;
            }
            match crc_is_right(&header, &bytes) {
                Some(true) => self.right = self.right.saturating_add(1),
                Some(false) if self.right >= TRUSTED => {
                    return broken(at, "a frame of sound does not agree with its checksum");
                }
                _ => {}
            }
            self.kind = Some(header.kind);
            self.count = self.count.saturating_add(1);
            at = at.saturating_add(header.length);
        }
        Ok(at)
    }

    /// Looks at what stands behind the last frame.
    fn rest(&self, subject: &Subject<'_>, at: u64, parse: Parse, said: &Said, start: u64) -> Step<()> {
        if at >= self.end {
            return Ok(());
        }
        let complete = said.bytes.is_some_and(|bytes| at >= start.saturating_add(u64::from(bytes)).saturating_sub(1))
            || said.frames.is_some_and(|frames| self.count > u64::from(frames));
        if complete {
            return Ok(());
        }
        let bytes = subject.up_to(at, 64)?;
        if parse(&bytes).is_some_and(|header| self.kind == Some(header.kind)) {
            // Names stand behind it: the program that wrote them took it for the end, too.
            let named = self.end < subject.size();
            return if named { Ok(()) } else { broken(at, "the file ends within a frame of sound") };
        }
        broken(at, "a frame of sound does not begin where the one before it ends")
    }
}

/// What the first frame says of the whole.
#[derive(Debug, Default)]
struct Said {
    frames: Option<u32>,
    bytes: Option<u32>,
}

impl Said {
    fn of(subject: &Subject<'_>, start: u64, parse: Parse) -> Step<Self> {
        let bytes = subject.up_to(start, 256)?;
        let Some(header) = parse(&bytes).filter(|header| header.kind.layer == 3) else { return Ok(Self::default()) };
        let at = header.side.saturating_add(4);
        Ok(match slice(&bytes, at, 4) {
            Some(b"Xing" | b"Info") => {
                let flags = be_u32(&bytes, at.saturating_add(4)).unwrap_or_default();
                let frames = (flags & 1 != 0).then(|| be_u32(&bytes, at.saturating_add(8))).flatten();
                let place = at.saturating_add(if flags & 1 == 0 { 8 } else { 12 });
                Self { frames, bytes: (flags & 2 != 0).then(|| be_u32(&bytes, place)).flatten() }
            }
            _ if slice(&bytes, 36, 4) == Some(b"VBRI") => {
                Self { bytes: be_u32(&bytes, 46), frames: be_u32(&bytes, 50) }
            }
            _ => Self::default(),
        })
    }
}
