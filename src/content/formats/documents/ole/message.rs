//! A saved message ([MS-OXMSG] 2.4): its list of properties has a header and entries of 16 bytes.

use super::compound::Compound;
use crate::content::formats::{Step, broken};

/// The header of a message that stands in no other ([MS-OXMSG] 2.4.1.1), and one entry.
const HEADER: u64 = 32;
const ENTRY: u64 = 16;

pub(super) fn check(compound: &Compound<'_>) -> Step<()> {
    let Some(list) = compound.stream("__properties_version1.0")? else { return broken(0, "it has no properties") };
    match list.length().checked_sub(HEADER).and_then(|rest| rest.checked_rem(ENTRY)) {
        Some(0) => Ok(()),
        _ => broken(list.place(0), "the list of its properties is broken"),
    }
}
