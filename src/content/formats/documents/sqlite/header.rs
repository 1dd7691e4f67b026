//! The header of a database ("Database File Format", section 1.3).

use crate::bytes::{be_u16, be_u32, u8_at};
use crate::content::formats::{Step, broken, unchecked};

pub(super) const OPENING: &[u8] = b"SQLite format 3\0";
/// Bytes of it.
pub(super) const LENGTH: usize = 100;

/// The header's fields.
#[derive(Debug, Clone, Copy)]
pub(super) struct Header {
    /// Bytes of a page.
    pub(super) page: usize,
    /// Those that are used.
    pub(super) usable: usize,
    /// Pages of the database, if that is known here.
    pub(super) pages: Option<u32>,
    pub(super) first_free: u32,
    pub(super) free: u32,
    /// A map says of each page who leads to it.
    pub(super) has_map: bool,
}

impl Header {
    pub(super) fn read(bytes: &[u8]) -> Step<Self> {
        let (Some(page), Some(reserved)) = (be_u16(bytes, 0x10), u8_at(bytes, 0x14)) else {
            return broken(0, "the file ends within its header");
        };
        let long = |offset| be_u32(bytes, offset).unwrap_or_default();
        let page = if page == 1 { 65_536 } else { usize::from(page) };
        let usable = page.saturating_sub(reserved.into());
        if !bytes.starts_with(OPENING) || !page.is_power_of_two() || page < 512 || usable < 480 {
            return broken(0x10, "its header does not give a size of pages");
        }
        if bytes.get(0x15..0x18) != Some(&[64, 32, 32]) {
            return broken(0x15, "its header is broken");
        }
        if long(0x38) > 3 {
            return broken(0x38, "its header names no encoding of text");
        }
        if u8_at(bytes, 0x13).is_some_and(|version| version > 2) || long(0x2c) > 4 {
            return unchecked("it is of a newer form than the one that is read");
        }
        // The number of pages counts only if it was written together with the last change.
        let counts = long(0x18) == long(0x5c) && long(0x1c) != 0;
        Ok(Self {
            page,
            usable,
            pages: counts.then_some(long(0x1c)),
            first_free: long(0x20),
            free: long(0x24),
            has_map: long(0x34) != 0,
        })
    }
}
