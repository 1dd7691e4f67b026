//! What may follow a picture that says itself where it ends.

use crate::bytes::to_u64;
use crate::content::formats::{Step, Subject, unchecked};

/// How much is looked at in one go for zeros.
const PIECE: usize = 1 << 16;

/// The first byte from `at` on that is not zero.
pub(super) fn not_zero(subject: &Subject<'_>, mut at: u64) -> Step<Option<u64>> {
    while at < subject.size() {
        let piece = subject.up_to(at, PIECE)?;
        if let Some(found) = piece.iter().position(|byte| *byte != 0) {
            return Ok(Some(at.saturating_add(to_u64(found))));
        }
        at = at.saturating_add(to_u64(piece.len()).max(1));
    }
    Ok(None)
}

/// The most bytes of padding that are not zeros.
const MOST_PADDING: usize = 1 << 12;

/// Whether nothing but padding follows: zeros, or few bytes that programs and transfers are known to add. What else
/// there is nobody can vouch for.
pub(super) fn only_padding(subject: &Subject<'_>, at: u64) -> Step<()> {
    let Some(start) = not_zero(subject, at)? else { return Ok(()) };
    let rest = subject.up_to(start, MOST_PADDING)?;
    let all = to_u64(rest.len()) == subject.size().saturating_sub(start);
    if all && rest.iter().all(|byte| matches!(byte, 0 | 0xff | b'\n' | b'\r' | 0x1a)) {
        return Ok(());
    }
    unknown(subject, start)
}

/// Something of an unknown kind follows.
fn unknown<T>(subject: &Subject<'_>, start: u64) -> Step<T> {
    let rest = subject.size().saturating_sub(start);
    unchecked(format!("the picture is sound, and {rest} bytes of an unknown kind follow it"))
}
