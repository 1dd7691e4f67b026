//! 7z archives (7-Zip's 7zFormat.txt): a header at the front that says where the list at the end is, both with a CRC-32.

use super::Format;
use crate::bytes::{le_u32, le_u64, slice, to_usize};
use crate::content::formats::documents::text::holds;
use crate::content::formats::{Step, Stop, Strength, Subject, broken, unchecked};

pub(super) const FORMAT: Format =
    Format { name: "7z archive", endings: &["7z"], opens: |head| head.starts_with(b"7z\xBC\xAF\x27\x1C"), check };

const HEADER: u64 = 32;
/// The method that encrypts with AES, as it stands in a list.
const ENCRYPTION: &[u8] = &[0x06, 0xF1, 0x07, 0x01];

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 32] = subject.array(0)?;
    let said = slice(&head, 0x0c, 20).unwrap_or_default();
    if le_u32(&head, 0x08) != Some(crc32fast::hash(said)) {
        return broken(0x08, "its header contradicts its checksum");
    }
    let field = |offset| le_u64(said, offset).unwrap_or_default();
    let (start, length) = (HEADER.saturating_add(field(0)), field(8));
    let end = start.checked_add(length).filter(|end| *end <= subject.size());
    if end.is_none() {
        return broken(subject.size(), "the list at its end is missing");
    }
    let Some(length) = to_usize(length) else { return unchecked("its list is too long to be looked at") };
    let list = subject.bytes(start, length)?;
    if !list.is_empty() && le_u32(said, 16) != Some(crc32fast::hash(&list)) {
        return broken(start, "the list at its end contradicts its checksum");
    }
    if holds(&list, ENCRYPTION) {
        return Err(Stop::Protected { why: "files in it are encrypted".to_string() });
    }
    Ok(Strength::Structure)
}
