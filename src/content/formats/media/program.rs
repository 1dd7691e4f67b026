//! MPEG program streams, as DVDs and early camcorders have them (ISO/IEC 11172-1, 2.4.3; ISO/IEC 13818-1, 2.5.3):
//! packs and packets, each behind the other.

use crate::bytes::{array, be_u16, to_u64, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken};

pub(super) const FORMATS: &[Format] =
    &[Format { name: "MPEG-PS", endings: &["mpg", "mpeg", "vob", "m1v", "m2v", "m2p"], opens, check }];

/// A sector of a disc, in bytes.
const SECTOR: usize = 2048;

fn opens(head: &[u8]) -> bool {
    // A pack, or a sequence of pictures without packs.
    matches!(array::<4>(head, 0), Some([0, 0, 1, 0xba | 0xb3]))
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    if subject.array::<4>(0)? == [0, 0, 1, 0xb3] {
        return Ok(Strength::Opening);
    }
    let mut at = 0_u64;
    while at < subject.size() {
        let head = subject.up_to(at, 16)?;
        let length = match array::<4>(&head, 0) {
            Some([0, 0, 1, 0xb9]) => 4,
            Some([0, 0, 1, 0xba]) => match u8_at(&head, 4) {
                Some(byte) if byte >> 6 == 1 => {
                    14_u64.saturating_add(u64::from(u8_at(&head, 13).unwrap_or_default() & 7))
                }
                Some(byte) if byte >> 4 == 2 => 12,
                _ => return broken(at, "a pack of the film does not open"),
            },
            Some([0, 0, 1, 0xbb..=0xff]) => u64::from(be_u16(&head, 4).unwrap_or_default()).saturating_add(6),
            _ => {
                let Some(next) = padding(subject, at)? else {
                    return broken(at, "a packet of the film does not begin where the one before it ends");
                };
                at = next;
                continue;
            }
        };
        at = at.saturating_add(length);
        if at > subject.size() {
            return broken(subject.size(), "the file ends within a packet of the film");
        }
    }
    Ok(Strength::Structure)
}

/// Zeros that fill a disc's sector of 2,048 bytes, or end the file within one.
fn padding(subject: &Subject<'_>, at: u64) -> Step<Option<u64>> {
    let bytes = subject.up_to(at, SECTOR.saturating_add(2))?;
    let zeros = bytes.iter().take_while(|byte| **byte == 0).count();
    // The zeros of the next start code are its own.
    let after = at.saturating_add(to_u64(zeros));
    if zeros >= SECTOR || zeros == 0 {
        return Ok(None);
    }
    if zeros == bytes.len() {
        return Ok(Some(after));
    }
    Ok(after.checked_sub(2).filter(|next| *next > at))
}
