//! Reparse points: what a tag means for a file's content, and where links point.
//!
//! Sources: [MS-FSCC] 2.1.2.1 (tags and their bits), 2.1.2.4 (symbolic links), 2.1.2.5 (mount points); Linux
//! `fs/ntfs3/ntfs.h`; Microsoft driver documentation, `WOF_EXTERNAL_INFO`.

use super::structures::utf16;
use crate::bytes::{le_u16, le_u32, slice};
use crate::catalog::Packing;

/// What a reparse point means to somebody who reads the volume without the program that made it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Meaning {
    /// A link: recorded, never followed.
    Link,
    /// A cloud program keeps what has no clusters; what has some is ordinary content.
    Cloud,
    /// Compressed by Windows' own means into a stream beside, in chunks of so many bytes.
    SystemCompressed(Packing, u64),
    /// The content is in another file or place; or a program that isn't known here has to say where it is.
    Elsewhere,
    /// A device, socket or pipe.
    Special,
}

const MOUNT_POINT: u32 = 0xa000_0003;
const SYMBOLIC_LINK: u32 = 0xa000_000c;
const UNIX_LINK: u32 = 0xa000_001d;
const WOF: u32 = 0x8000_0017;

/// The provider in a WOF buffer whose content is in the file itself; the other keeps it in a WIM archive.
const WOF_SINGLE_FILE: u32 = 2;

/// The bit of a tag that stands for another named thing: a link.
const NAME_SURROGATE: u32 = 1 << 29;

/// The tag of a reparse buffer; `None` if the buffer is not at hand.
pub(super) fn tag(buffer: &[u8]) -> Option<u32> {
    le_u32(buffer, 0x00)
}

/// What a buffer means. One that is not at hand may mean anything, so the content is not taken for what it seems.
pub(super) fn meaning(buffer: &[u8]) -> Meaning {
    let Some(tag) = tag(buffer) else { return Meaning::Elsewhere };
    match tag {
        WOF if le_u32(buffer, 0x0c) == Some(WOF_SINGLE_FILE) => match le_u32(buffer, 0x14) {
            Some(0) => Meaning::SystemCompressed(Packing::Xpress, 4096),
            Some(1) => Meaning::SystemCompressed(Packing::Lzx, 32_768),
            Some(2) => Meaning::SystemCompressed(Packing::Xpress, 8192),
            Some(3) => Meaning::SystemCompressed(Packing::Xpress, 16_384),
            _ => Meaning::Elsewhere,
        },
        // Cloud files of 16 kinds, older OneDrive and placeholders, storage sync and its folders, projected files. The
        // tombstone of a projected file has the surrogate bit and is none.
        0x8000_0021 | 0x8000_0015 | 0x8000_001e | 0x9000_0027 | 0x9000_001c | 0xa000_0022 => Meaning::Cloud,
        tag if tag & 0xffff_0fff == 0x9000_001a => Meaning::Cloud,
        0x8000_0023..=0x8000_0026 | 0x8000_0014 => Meaning::Special,
        tag if tag & NAME_SURROGATE != 0 => Meaning::Link,
        // A WIM archive, deduplication, single-instance storage, hierarchical storage, and whatever comes.
        _ => Meaning::Elsewhere,
    }
}

/// Where a link points, as people would write it; `None` if the buffer can't say.
pub(super) fn target(buffer: &[u8]) -> Option<String> {
    let length = usize::from(le_u16(buffer, 0x04)?);
    let data = slice(buffer, 0x08, length)?;
    // The names start after the lengths, and in symbolic links after flags.
    let names = match tag(buffer)? {
        MOUNT_POINT => data.get(0x08..)?,
        SYMBOLIC_LINK => data.get(0x0c..)?,
        UNIX_LINK => return Some(String::from_utf8_lossy(data.get(0x04..)?).into_owned()),
        _ => return None,
    };
    let name = |offset: usize| {
        let start = usize::from(le_u16(data, offset)?);
        let length = usize::from(le_u16(data, offset.checked_add(2)?)?);
        let text = String::from_utf16_lossy(&utf16(slice(names, start, length)?));
        (!text.is_empty()).then_some(text)
    };
    // The print name is for people; the substitute name is the system's.
    name(0x04).or_else(|| name(0x00))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn buffer(tag: u32, data: &[u8]) -> Vec<u8> {
        let mut bytes = tag.to_le_bytes().to_vec();
        bytes.extend(u16::try_from(data.len()).unwrap().to_le_bytes());
        bytes.extend([0, 0]);
        bytes.extend(data);
        bytes
    }

    #[test]
    fn tags_of_the_specification() {
        // Source: [MS-FSCC] 2.1.2.1.
        for (tag, expected) in [
            (0xa000_0003, Meaning::Link),
            (0xa000_000c, Meaning::Link),
            (0xa000_001d, Meaning::Link),
            (0x8000_0013, Meaning::Elsewhere),
            (0x9000_001a, Meaning::Cloud),
            (0x9000_701a, Meaning::Cloud),
            (0x9000_f01a, Meaning::Cloud),
            (0x8000_0021, Meaning::Cloud),
            (0xa000_0022, Meaning::Cloud),
            (0x8000_001b, Meaning::Elsewhere),
            (0x8000_0024, Meaning::Special),
            (0x9000_1018, Meaning::Elsewhere),
        ] {
            assert_eq!(meaning(&buffer(tag, &[])), expected, "{tag:#x}");
        }
        assert_eq!(meaning(&[]), Meaning::Elsewhere);
    }

    #[test]
    fn a_wof_buffer_says_where_its_content_is() {
        let wof = |provider: u8| buffer(0x8000_0017, &[1, 0, 0, 0, provider, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0]);
        assert_eq!(meaning(&wof(2)), Meaning::SystemCompressed(Packing::Lzx, 32_768));
        assert_eq!(meaning(&wof(1)), Meaning::Elsewhere);
    }

    #[test]
    fn targets_for_people() {
        let text: Vec<u8> = r"\??\C:\OldC:\Old".encode_utf16().flat_map(u16::to_le_bytes).collect();
        let lengths = [0, 0, 20, 0, 20, 0, 12, 0];
        let junction = buffer(MOUNT_POINT, &[&lengths[..], &text].concat());
        assert_eq!(target(&junction).as_deref(), Some(r"C:\Old"));
        let link = buffer(SYMBOLIC_LINK, &[&lengths[..], &[1, 0, 0, 0], &text].concat());
        assert_eq!(target(&link).as_deref(), Some(r"C:\Old"));
        assert_eq!(target(&buffer(UNIX_LINK, b"\x02\0\0\0../there")).as_deref(), Some("../there"));
        for length in 0..link.len() {
            let _ = target(&link[..length]);
        }
        assert_eq!(target(&buffer(SYMBOLIC_LINK, &[0xff; 12])), None);
    }
}
