//! MPEG transport streams (ISO/IEC 13818-1, 2.4.3): packets of 188 bytes that open with 47h; in those of camcorders and
//! discs (common practice) four bytes stand before each, in those with check words sixteen behind.
//!
//! Two of the endings are those of program texts and game maps, too: those are no films, and not broken.

use crate::bytes::at_most;
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

const NAME: &str = "MPEG-TS";

pub(super) const FORMATS: &[Format] = &[Format { name: NAME, endings: &["m2ts", "m2t", "tp", "trp"], opens, check }];

/// By these names a text may go, too.
pub(super) const NAMED: &[Format] =
    &[Format { name: NAME, endings: &["ts", "mts"], opens: |head| opens(head) || is_other(head), check }];

const SYNC: u8 = 0x47;

/// Packets in a row that tell a film from chance.
const ROW: usize = 5;

/// Packets that are read at once.
const AT_ONCE: usize = 4096;

/// How long packets are, and where in the file the first 47h stands.
fn layout(head: &[u8]) -> Option<(usize, usize)> {
    // 47h is the letter G: a text may have it in all these places.
    if head.iter().all(|byte| byte.is_ascii_graphic() || byte.is_ascii_whitespace()) {
        return None;
    }
    for length in [188, 192, 204] {
        let fits = |start: &usize| {
            let mut syncs = head.iter().skip(*start).step_by(length).take(ROW).peekable();
            syncs.peek().is_some() && syncs.len() == ROW && syncs.all(|byte| *byte == SYNC)
        };
        if let Some(start) = (0..length).find(fits) {
            return Some((length, start));
        }
    }
    None
}

/// Whether a file of this name may be something else altogether: a program's text, a game's map. What has lost its first
/// sector opens with zeros.
fn is_other(head: &[u8]) -> bool {
    head.iter().take(512).any(|byte| *byte != 0)
}

fn opens(head: &[u8]) -> bool {
    layout(head).is_some()
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let Some((length, start)) = layout(&subject.up_to(0, 4096)?) else {
        return unchecked("it is no film: other programs use this name, too");
    };
    let step = length.saturating_mul(AT_ONCE);
    let mut at = u64::try_from(start).unwrap_or_default();
    while at < subject.size() {
        let bytes = subject.up_to(at, step)?;
        for (number, packet) in bytes.chunks(length).enumerate() {
            let place = at.saturating_add(u64::try_from(number.saturating_mul(length)).unwrap_or_default());
            if packet.first() != Some(&SYNC) {
                // The last packet lacks what stands before the next one.
                if at_most(subject.size().saturating_sub(place), length) < 16.max(length.saturating_sub(188)) {
                    return Ok(Strength::Structure);
                }
                return broken(place, "a packet of the film does not begin where the one before it ends");
            }
            if packet.len() < 188 {
                return broken(subject.size(), "the file ends within a packet of the film");
            }
        }
        at = at.saturating_add(u64::try_from(step).unwrap_or(u64::MAX));
    }
    Ok(Strength::Structure)
}
