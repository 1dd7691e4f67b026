//! Databases of Access (common practice, no published source): an opening, and pages of one size.

use super::Format;
use crate::bytes::{le_u32, to_u64};
use crate::content::formats::{Step, Strength, Subject, broken};

/// The format.
pub(super) const FORMATS: &[Format] =
    &[Format { name: "Access database", endings: &["mdb", "accdb", "mde", "accde"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.strip_prefix(b"\0\x01\0\0")
        .is_some_and(|rest| rest.starts_with(b"Standard Jet DB\0") || rest.starts_with(b"Standard ACE DB\0"))
}

/// What the first byte of a page can be, as far as is known.
const MOST_KIND: u8 = 9;

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let version = le_u32(&subject.array::<4>(0x14)?, 0).unwrap_or_default();
    let page = if version == 0 { 2048_u64 } else { 4096 };
    if subject.size() < page.saturating_mul(2) || subject.size().checked_rem(page) != Some(0) {
        return broken(subject.size(), "the file ends within a page");
    }
    // Of each page its kind.
    let mut at = page;
    while at < subject.size() {
        let [kind] = subject.array::<1>(at)?;
        if kind > MOST_KIND {
            return broken(at, format!("page {} is of no kind", at.checked_div(page).unwrap_or_default()));
        }
        at = at.saturating_add(page.max(to_u64(1)));
    }
    Ok(Strength::Opening)
}
