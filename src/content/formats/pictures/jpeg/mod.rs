//! JPEG (ITU-T T.81 = ISO/IEC 10918-1): every marker is walked, and every block of every scan is decoded.
//!
//! Checked are sequential and progressive pictures with Huffman codes. Decoders that show pictures make up what is
//! missing; here a code that the table lacks, a coefficient beyond the last, a restart marker out of turn, a scan that
//! has too little or too much data, and data that no picture gives are all faults. What stands inside application
//! segments (dates, places, small previews) is not looked at.

mod bits;
mod block;
mod code;
mod frame;
mod scan;
mod trailer;

use bits::Bytes;
pub(super) use frame::Tables;
use frame::{Frame, Header};

use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(in crate::content::formats) const FORMATS: &[Format] =
    &[Format { name: "JPEG", endings: &["jpg", "jpeg", "jpe", "jfif", "mpo", "thm"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.starts_with(&[0xff, 0xd8, 0xff])
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let picture = picture(subject, 0, subject.size(), Tables::default())?;
    if !picture.has_frame {
        return broken(picture.end, "it ends before its first frame");
    }
    trailer::check(subject, &picture)
}

/// A picture that was walked.
pub(super) struct Picture {
    /// What follows it in the file.
    pub(super) end: u64,
    /// Whether there is more than tables.
    pub(super) has_frame: bool,
    /// Its tables at the end.
    pub(super) tables: Tables,
    /// Where its index of several pictures stands, and how long it is.
    index: Option<(u64, usize)>,
}

/// Decodes the picture that begins at `start` and ends before `end`. `tables` are those that it may use without having
/// them.
pub(super) fn picture(subject: &Subject<'_>, start: u64, end: u64, mut tables: Tables) -> Step<Picture> {
    let mut bytes = Bytes::new(subject, start, end);
    if bytes.marker()?.1 != 0xd8 {
        return broken(start, "no picture where one has to begin");
    }
    let mut frame: Option<Frame> = None;
    let mut index = None;
    loop {
        let (at, code) = bytes.marker()?;
        match code {
            0xd9 => break,
            // Standing alone.
            0x01 => continue,
            0x00 | 0x02..=0xbf | 0xd0..=0xd8 | 0xf0..=0xfd => return broken(at, "a marker that has no place here"),
            _ => {}
        }
        let length = bytes.take(2)?;
        let Some(length) = crate::bytes::be_u16(&length, 0).and_then(|length| usize::from(length).checked_sub(2))
        else {
            return broken(at, "a segment that is too short");
        };
        let inside = bytes.position();
        let segment = bytes.take(length)?;
        match code {
            0xc4 => tables.take_codes(at, &segment)?,
            0xdb => tables.take_steps(at, &segment)?,
            0xdd => match crate::bytes::be_u16(&segment, 0).filter(|_| length == 2) {
                Some(interval) => tables.interval = interval.into(),
                None => return broken(at, "a restart interval of a wrong length"),
            },
            0xc0..=0xc2 if frame.is_some() => return broken(at, "a second frame"),
            0xc0..=0xc2 => frame = Some(Frame::new(at, code, &segment)?),
            0xc3 => return unchecked("it is losslessly packed, which is not decoded"),
            0xc5..=0xc7 | 0xde | 0xdf => {
                return unchecked("it has several sizes of one picture, which are not decoded");
            }
            0xc9..=0xcf => return unchecked("it is packed with arithmetic codes, which are not decoded"),
            0xdc => return unchecked("its height stands behind its first scan"),
            0xda => {
                let Some(frame) = frame.as_mut() else { return broken(at, "a scan without a frame") };
                let header = Header::new(at, &segment, frame)?;
                bytes = scan::decode(subject, bytes, frame, &header, &tables)?;
            }
            0xe2 if segment.starts_with(b"MPF\0") && index.is_none() => index = Some((inside, length)),
            _ => {}
        }
    }
    let end = bytes.position();
    if let Some(frame) = &frame
        && frame.components.iter().any(|component| !component.seen)
    {
        return broken(end, "it ends before all its scans");
    }
    Ok(Picture { end, has_frame: frame.is_some(), tables, index })
}

#[cfg(test)]
mod tests;
