//! RIFF, in which WAV and AVI are packed (Microsoft and IBM, "Multimedia Programming Interface and Data Specifications
//! 1.0"): chunks of four letters, a length, and a body that is padded to an even length.

use crate::bytes::{array, le_u32};
use crate::content::formats::{Step, Subject};

/// A chunk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chunk {
    pub(super) kind: [u8; 4],
    /// Where its name stands.
    pub(super) at: u64,
    /// Where its body begins.
    pub(super) body: u64,
    /// The length that it says.
    pub(super) length: u64,
}

impl Chunk {
    /// The first byte behind its body.
    pub(super) fn end(&self) -> u64 {
        self.body.saturating_add(self.length)
    }

    /// Where the next chunk begins; some writers leave the padding out.
    pub(super) fn next(&self, subject: &Subject<'_>) -> Step<u64> {
        let end = self.end();
        if self.length.is_multiple_of(2) {
            return Ok(end);
        }
        let padded = end.saturating_add(1);
        let named = |bytes: &[u8]| array::<4>(bytes, 0).is_some_and(is_name);
        let around = subject.up_to(end, 5)?;
        let unpadded = named(&around) && !around.get(1..).is_some_and(named);
        Ok(if unpadded { end } else { padded })
    }
}

/// Whether four bytes may be the name of a chunk.
pub(super) fn is_name(kind: [u8; 4]) -> bool {
    kind.iter().all(|byte| matches!(byte, 0x20..=0x7e))
}

/// The chunk that begins at a byte; `None` if there is no room for one, or no name.
pub(super) fn chunk(subject: &Subject<'_>, at: u64) -> Step<Option<Chunk>> {
    let head = subject.up_to(at, 8)?;
    let Some((kind, length)) = array::<4>(&head, 0).zip(le_u32(&head, 4)) else { return Ok(None) };
    let chunk = Chunk { kind, at, body: at.saturating_add(8), length: u64::from(length) };
    Ok(is_name(kind).then_some(chunk))
}

/// The four letters of a form or list, which stand in the first bytes of its body.
pub(super) fn form(subject: &Subject<'_>, chunk: &Chunk) -> Step<Option<[u8; 4]>> {
    Ok(array(&subject.up_to(chunk.body, 4)?, 0))
}
