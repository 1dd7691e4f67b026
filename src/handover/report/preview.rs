//! The small JPEG that a camera puts into its own form of picture, where that form is built like TIFF.
//!
//! Sources: TIFF 6.0, section 2 (header, directories, entries) and section 22 (`JPEGInterchangeFormat`); TIFF Technical
//! Note 1 of Supplement 1 (`SubIFDs`). That the cameras' forms hold a preview there is common practice, no source.

use crate::bytes::{be_u16, be_u32, le_u16, le_u32};

/// Directories that are looked at; such files have three or four.
const MOST_DIRECTORIES: usize = 16;
/// Entries of a directory that are looked at; they have under a hundred.
const MOST_ENTRIES: u64 = 512;
/// A preview of fewer bytes is too small to show anything.
const SMALLEST: u64 = 1500;
/// One of more bytes is the picture itself.
const LARGEST: u64 = 8 << 20;

const SUB_IFDS: u16 = 0x014a;
const STRIP_OFFSETS: u16 = 0x0111;
const STRIP_BYTE_COUNTS: u16 = 0x0117;
const JPEG_OFFSET: u16 = 0x0201;
const JPEG_LENGTH: u16 = 0x0202;
const COMPRESSION: u16 = 0x0103;
/// JPEG in its old and its new form.
const JPEG: [u32; 2] = [6, 7];

/// Reads a file's bytes; `None` if they are not all there.
pub(super) type Reader<'r> = dyn FnMut(u64, usize) -> Option<Vec<u8>> + 'r;

/// The smallest preview of a file that is large enough.
pub(super) fn find(read: &mut Reader<'_>) -> Option<Vec<u8>> {
    let head = read(0, 8)?;
    let is_big = match head.get(..2)? {
        b"II" => false,
        b"MM" => true,
        _ => return None,
    };
    let (u16_at, u32_at) = if is_big { (be_u16 as U16, be_u32 as U32) } else { (le_u16 as U16, le_u32 as U32) };
    let mut open = vec![u64::from(u32_at(&head, 4)?)];
    let mut places = Vec::new();
    for _ in 0..MOST_DIRECTORIES {
        let Some(offset) = open.pop() else { break };
        let Some(count) = read(offset, 2).and_then(|bytes| u16_at(&bytes, 0)).map(u64::from) else { continue };
        let count = count.min(MOST_ENTRIES);
        let Some(entries) = read(offset.saturating_add(2), (count * 12 + 4) as usize) else { continue };
        let mut directory = Directory::default();
        for entry in entries.chunks_exact(12).take(count as usize) {
            let (Some(tag), Some(form), Some(number)) = (u16_at(entry, 0), u16_at(entry, 2), u32_at(entry, 4)) else {
                continue;
            };
            // SHORT stands in the first half of the field (TIFF 6.0, section 2).
            let value = if form == 3 { u16_at(entry, 8).map(u32::from) } else { u32_at(entry, 8) };
            let Some(value) = value else { continue };
            match tag {
                COMPRESSION => directory.compression = Some(value),
                JPEG_OFFSET => directory.jpeg.0 = Some(value),
                JPEG_LENGTH => directory.jpeg.1 = Some(value),
                STRIP_OFFSETS if number == 1 => directory.strip.0 = Some(value),
                STRIP_BYTE_COUNTS if number == 1 => directory.strip.1 = Some(value),
                SUB_IFDS if number == 1 => open.push(u64::from(value)),
                SUB_IFDS => {
                    let length = 4 * (number as usize).min(MOST_DIRECTORIES);
                    let list = read(u64::from(value), length).unwrap_or_default();
                    open.extend((0..list.len() / 4).filter_map(|at| u32_at(&list, at * 4)).map(u64::from));
                }
                _ => {}
            }
        }
        places.extend(directory.places());
        if let Some(next) = u32_at(&entries, entries.len() - 4).filter(|next| *next != 0) {
            open.push(u64::from(next));
        }
    }
    places.retain(|(_, length)| (SMALLEST..=LARGEST).contains(length));
    places.sort_unstable_by_key(|(offset, length)| (*length, *offset));
    places.dedup();
    places.into_iter().find_map(|(offset, length)| {
        read(offset, length as usize).filter(|bytes| bytes.starts_with(&[0xff, 0xd8, 0xff]))
    })
}

type U16 = fn(&[u8], usize) -> Option<u16>;
type U32 = fn(&[u8], usize) -> Option<u32>;

#[derive(Default)]
struct Directory {
    compression: Option<u32>,
    jpeg: (Option<u32>, Option<u32>),
    strip: (Option<u32>, Option<u32>),
}

impl Directory {
    /// Where a JPEG may lie: offset and length.
    fn places(&self) -> impl Iterator<Item = (u64, u64)> {
        let is_jpeg = self.compression.is_some_and(|compression| JPEG.contains(&compression));
        let strip = if is_jpeg { self.strip } else { (None, None) };
        [self.jpeg, strip].into_iter().filter_map(|(offset, length)| Some((u64::from(offset?), u64::from(length?))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A file with two directories: a JPEG of `length` bytes by strips in the first, one of 2,000 in a sub-directory.
    fn file(length: u32) -> Vec<u8> {
        let entry = |tag: u16, form: u16, value: u32| {
            let mut entry = Vec::new();
            entry.extend(tag.to_le_bytes());
            entry.extend(form.to_le_bytes());
            entry.extend(1_u32.to_le_bytes());
            entry.extend(value.to_le_bytes());
            entry
        };
        let mut bytes = b"II\x2a\0\x08\0\0\0".to_vec();
        bytes.extend(4_u16.to_le_bytes());
        for (tag, form, value) in [(0x103, 3, 6), (0x111, 4, 200), (0x117, 4, length), (0x14a, 4, 100)] {
            bytes.extend(entry(tag, form, value));
        }
        bytes.extend(0_u32.to_le_bytes());
        bytes.resize(100, 0);
        bytes.extend(2_u16.to_le_bytes());
        bytes.extend(entry(0x201, 4, 6000));
        bytes.extend(entry(0x202, 4, 2000));
        // A directory that comes after itself.
        bytes.extend(100_u32.to_le_bytes());
        bytes.resize(9000, 0);
        for at in [200, 6000] {
            bytes[at..at + 3].copy_from_slice(&[0xff, 0xd8, 0xff]);
        }
        bytes
    }

    fn found(bytes: &[u8]) -> Option<usize> {
        find(&mut |offset, length| crate::bytes::slice(bytes, offset as usize, length).map(<[u8]>::to_vec))
            .map(|preview| preview.len())
    }

    #[test]
    fn the_smallest_that_is_large_enough_is_taken() {
        assert_eq!(found(&file(1800)), Some(1800));
        assert_eq!(found(&file(5000)), Some(2000));
        assert_eq!(found(&file(100)), Some(2000));
        let mut other = file(1800);
        other[6000] = 0;
        other[200] = 0;
        assert_eq!(found(&other), None);
        assert_eq!(found(b"II"), None);
        assert_eq!(found(b"no such file at all"), None);
    }

    #[test]
    fn nothing_that_is_broken_makes_it_fail() {
        let sound = file(1800);
        for at in 0..150 {
            for value in [0, 1, 0x7f, 0xff] {
                let mut broken = sound.clone();
                broken[at] = value;
                let _ = found(&broken);
                let _ = found(&broken[..at]);
            }
        }
    }
}
