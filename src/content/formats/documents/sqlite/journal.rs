//! The journal beside a database, with which an unfinished transaction is taken back ("Database File Format", section 3).

use crate::content::formats::{Step, Subject};

/// How a journal opens that counts. One that is done is shortened, gone, or opens with zeros.
const OPENING: [u8; 8] = [0xD9, 0xD5, 0x05, 0xF9, 0x20, 0xA1, 0x63, 0xD7];

/// Whether there is one that counts: then the database alone is no state that it ever was in.
pub(super) fn is_hot(subject: &Subject<'_>) -> Step<bool> {
    let Some(journal) = subject.sibling(&format!("{}-journal", subject.name()))? else { return Ok(false) };
    let mut opening = [0; 8];
    journal.read_at(0, &mut opening)?;
    // As long as a sector: a header and at least one page.
    Ok(journal.size() > 512 && opening == OPENING)
}
