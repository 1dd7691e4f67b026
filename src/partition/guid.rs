//! GUIDs as GPT stores and people write them.

use std::fmt;

use serde::{Serialize, Serializer};

/// A GUID in the byte order of the disk: its first three groups are little-endian there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Guid([u8; 16]);

impl Guid {
    /// The GUID that marks an unused entry.
    pub const ZERO: Self = Self([0; 16]);

    /// A GUID from its bytes on disk.
    #[must_use]
    pub const fn from_disk(bytes: [u8; 16]) -> Self {
        Self(bytes)
    }

    /// A GUID from its five written groups, the last two joined.
    #[must_use]
    pub const fn from_groups(first: u32, second: u16, third: u16, rest: [u8; 8]) -> Self {
        let [a, b, c, d] = first.to_le_bytes();
        let [e, f] = second.to_le_bytes();
        let [g, h] = third.to_le_bytes();
        let [i, j, k, l, m, n, o, p] = rest;
        Self([a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p])
    }
}

impl fmt::Display for Guid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d, e, g, h, i, rest @ ..] = self.0;
        let [j, k, l, m, n, o, p, q] = rest;
        write!(f, "{:08X}-", u32::from_le_bytes([a, b, c, d]))?;
        write!(f, "{:04X}-{:04X}-", u16::from_le_bytes([e, g]), u16::from_le_bytes([h, i]))?;
        write!(f, "{j:02X}{k:02X}-{l:02X}{m:02X}{n:02X}{o:02X}{p:02X}{q:02X}")
    }
}

impl Serialize for Guid {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_three_groups_are_swapped_on_disk() {
        // The EFI system partition as sgdisk writes it.
        let disk = [0x28, 0x73, 0x2a, 0xc1, 0x1f, 0xf8, 0xd2, 0x11, 0xba, 0x4b, 0, 0xa0, 0xc9, 0x3e, 0xc9, 0x3b];
        let guid = Guid::from_disk(disk);
        assert_eq!(guid.to_string(), "C12A7328-F81F-11D2-BA4B-00A0C93EC93B");
        let same = Guid::from_groups(0xC12A_7328, 0xF81F, 0x11D2, [0xba, 0x4b, 0, 0xa0, 0xc9, 0x3e, 0xc9, 0x3b]);
        assert_eq!(guid, same);
    }
}
