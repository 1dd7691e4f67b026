//! The units of NTFS as types, so that the compiler tells them apart.

use std::fmt;

/// A logical cluster number: counted from the volume's start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Lcn(pub(super) u64);

/// A virtual cluster number: counted from a stream's start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Vcn(pub(super) u64);

/// Clusters in a volume can't be more than this; neither can those of a stream, whose numbers share the driver's
/// 32-bit tables (Microsoft, "NTFS overview": at most 2^32 - 1 clusters).
pub(super) const MAX_CLUSTERS: u64 = 1 << 32;

/// The size of a cluster in bytes: a power of two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ClusterSize(pub(super) u64);

impl ClusterSize {
    /// So many clusters in bytes.
    pub(super) fn bytes(self, clusters: u64) -> Option<u64> {
        clusters.checked_mul(self.0)
    }

    /// The byte of the volume at which a cluster starts.
    pub(super) fn volume_offset(self, lcn: Lcn) -> Option<u64> {
        self.bytes(lcn.0)
    }

    /// The byte of the stream at which a cluster starts.
    pub(super) fn stream_offset(self, vcn: Vcn) -> Option<u64> {
        self.bytes(vcn.0)
    }

    /// How many clusters hold so many bytes.
    pub(super) fn clusters(self, bytes: u64) -> u64 {
        bytes.div_ceil(self.0.max(1))
    }
}

/// A reference to a file record: its number and the sequence number that it had when the reference was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Reference {
    /// The record's number.
    pub(super) record: u64,
    /// Its sequence number then; 0 is not checked by anybody.
    pub(super) sequence: u16,
}

impl Reference {
    /// From the 64-bit field: 48 bits of number, 16 bits of sequence.
    pub(super) fn from_field(field: u64) -> Self {
        let [.., low, high] = field.to_le_bytes();
        Self { record: field & 0xffff_ffff_ffff, sequence: u16::from_le_bytes([low, high]) }
    }

    /// The 64-bit field of it.
    pub(super) fn field(self) -> u64 {
        (self.record & 0xffff_ffff_ffff) | (u64::from(self.sequence) << 48)
    }

    /// Whether a record with this sequence number is the one that was meant.
    pub(super) fn means(self, sequence: u16) -> bool {
        self.sequence == sequence || self.sequence == 0
    }
}

impl fmt::Display for Reference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "record {} (sequence {})", self.record, self.sequence)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reference_is_48_and_16_bits() {
        let reference = Reference::from_field(0x0007_0000_0000_0044);
        assert_eq!(reference, Reference { record: 0x44, sequence: 7 });
        assert!(reference.means(7) && !reference.means(8));
        assert_eq!(Reference::from_field(u64::MAX).record, 0xffff_ffff_ffff);
        assert_eq!((reference.field(), Reference::from_field(u64::MAX).field()), (0x0007_0000_0000_0044, u64::MAX));
    }
}
