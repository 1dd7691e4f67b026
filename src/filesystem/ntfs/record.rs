//! File records: fixups verified, and how much of each was read.

use super::structures::{RecordHeader, STRIDE};
use crate::bytes::{le_u16, slice};
use crate::source::Reality;

/// A file record whose fixups hold, up to where it was read.
#[derive(Debug, Clone)]
pub(super) struct Record {
    pub(super) number: u64,
    pub(super) header: RecordHeader,
    /// The record with its fixups undone, up to the last byte that is used, was read and passed.
    pub(super) bytes: Vec<u8>,
    /// Whether some of the used bytes were not read or did not pass.
    pub(super) partial: bool,
    /// Whether the record says another number than its place has.
    pub(super) other_number: bool,
    /// Whether the head contradicts itself.
    pub(super) inconsistent: bool,
    /// Whether nobody vouches for the bytes.
    pub(super) unknown: bool,
}

/// Why a place in the table holds no record that can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoRecord {
    /// The drive gave nothing here, or nothing of the first piece.
    Unread,
    /// Only zeros: never used.
    Blank,
    /// No `FILE`, or a fixup that fails in the first piece.
    Damaged,
}

impl Record {
    pub(super) fn in_use(&self) -> bool {
        self.header.flags & RecordHeader::IN_USE != 0
    }

    pub(super) fn is_folder(&self) -> bool {
        self.header.flags & RecordHeader::FOLDER != 0
    }

    /// Whether this is the first record of a file, and no extension.
    pub(super) fn is_base(&self) -> bool {
        self.header.base.record == 0 && self.header.base.sequence == 0
    }

    /// Checks and unpacks the record `number` from the bytes at its place. `reality` speaks of them, relative to
    /// `start`.
    pub(super) fn parse(number: u64, raw: &[u8], start: u64, reality: &Reality) -> Result<Self, NoRecord> {
        // How many bytes from the front were read.
        let read = reality
            .holes
            .first()
            .map_or(raw.len(), |hole| crate::bytes::at_most(hole.range.start.saturating_sub(start), raw.len()));
        if read < STRIDE {
            return Err(NoRecord::Unread);
        }
        let Some(header) = RecordHeader::from_bytes(raw) else {
            let blank = reality.is_all_there() && raw.iter().all(|byte| *byte == 0);
            return Err(if blank { NoRecord::Blank } else { NoRecord::Damaged });
        };
        let (offset, count) = (header.update_sequence_offset, header.update_sequence_count);
        let mut bytes = undo_fixups(raw, read, offset, count).ok_or(NoRecord::Damaged)?;
        let used = header.used.min(raw.len());
        let inconsistent = !offset.is_multiple_of(2)
            || header.used > raw.len()
            || header.allocated != raw.len()
            || header.first_attribute < header.update_sequence_offset
            || header.first_attribute > used;
        let partial = bytes.len() < used;
        bytes.truncate(used);
        Ok(Self {
            number,
            header,
            bytes,
            partial,
            other_number: header.own_number.is_some_and(|own| u64::from(own) != number & 0xffff_ffff),
            inconsistent,
            unknown: reality.unknown,
        })
    }
}

/// Whether the first piece of a record or block ends in its update sequence number, which stands at `offset`.
pub(super) fn first_stride_holds(bytes: &[u8], offset: usize) -> bool {
    let number = le_u16(bytes, offset).filter(|_| offset < STRIDE.saturating_sub(2));
    number.is_some() && number == le_u16(bytes, STRIDE.saturating_sub(2))
}

/// The bytes of the pieces that were read and whose last word is the update sequence number, with the words that
/// stood there put back. The sequence stands at `offset` and has `count` words. `None` if not even the first piece
/// passes.
pub(super) fn undo_fixups(raw: &[u8], read: usize, offset: usize, count: usize) -> Option<Vec<u8>> {
    let strides = raw.len().checked_div(STRIDE)?;
    let length = count.checked_mul(2)?;
    // The sequence must lie inside the first piece, before its own last word.
    if count != strides.checked_add(1)? || offset.checked_add(length)? > STRIDE.checked_sub(2)? {
        return None;
    }
    let sequence = slice(raw, offset, length)?;
    let number = le_u16(sequence, 0)?;
    let mut bytes = Vec::with_capacity(raw.len());
    for (stride, index) in raw.chunks_exact(STRIDE).zip(1_usize..) {
        let end = STRIDE.checked_mul(index)?;
        let (body, last) = stride.split_at_checked(STRIDE.checked_sub(2)?)?;
        if end > read || le_u16(last, 0)? != number {
            break;
        }
        bytes.extend_from_slice(body);
        bytes.extend_from_slice(slice(sequence, index.checked_mul(2)?, 2)?);
    }
    (!bytes.is_empty()).then_some(bytes)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::source::{Hole, Missing};

    /// A live record of 1,024 bytes with these attributes, fixups applied.
    pub(in crate::filesystem::ntfs) fn record(number: u32, flags: u16, attributes: &[u8]) -> Vec<u8> {
        let mut bytes = vec![0; 1024];
        bytes[..4].copy_from_slice(b"FILE");
        bytes[4..6].copy_from_slice(&0x30_u16.to_le_bytes());
        bytes[6..8].copy_from_slice(&3_u16.to_le_bytes());
        bytes[0x10..0x12].copy_from_slice(&1_u16.to_le_bytes());
        bytes[0x14..0x16].copy_from_slice(&0x38_u16.to_le_bytes());
        bytes[0x16..0x18].copy_from_slice(&flags.to_le_bytes());
        let used = u32::try_from(0x38 + attributes.len() + 8).unwrap();
        bytes[0x18..0x1c].copy_from_slice(&used.to_le_bytes());
        bytes[0x1c..0x20].copy_from_slice(&1024_u32.to_le_bytes());
        bytes[0x2c..0x30].copy_from_slice(&number.to_le_bytes());
        bytes[0x38..0x38 + attributes.len()].copy_from_slice(attributes);
        bytes[0x38 + attributes.len()..][..4].copy_from_slice(&[0xff; 4]);
        protect(&mut bytes);
        bytes
    }

    /// Applies fixups.
    pub(in crate::filesystem::ntfs) fn protect(bytes: &mut [u8]) {
        bytes[0x30..0x32].copy_from_slice(&7_u16.to_le_bytes());
        for index in 1..=bytes.len() / STRIDE {
            let end = index * STRIDE;
            let word = [bytes[end - 2], bytes[end - 1]];
            bytes[0x30 + 2 * index..][..2].copy_from_slice(&word);
            bytes[end - 2..end].copy_from_slice(&7_u16.to_le_bytes());
        }
    }

    fn hole(range: std::ops::Range<u64>) -> Reality {
        Reality { holes: vec![Hole { range, why: Missing::Unread }], unknown: false }
    }

    #[test]
    fn fixups_are_undone() {
        let attributes: Vec<u8> = (0..900).map(|n| (n % 250) as u8).collect();
        let raw = record(68, 1, &attributes);
        let parsed = Record::parse(68, &raw, 0, &Reality::default()).unwrap();
        assert_eq!(parsed.bytes[0x38..0x38 + 900], attributes);
        assert!(!parsed.partial && !parsed.other_number && !parsed.inconsistent && parsed.in_use() && parsed.is_base());
        assert!(Record::parse(69, &raw, 0, &Reality::default()).unwrap().other_number);
    }

    #[test]
    fn a_piece_that_fails_ends_the_record() {
        let mut raw = record(68, 1, &[1; 900]);
        raw[1022] ^= 1;
        let parsed = Record::parse(68, &raw, 0, &Reality::default()).unwrap();
        assert!(parsed.partial);
        assert_eq!(parsed.bytes.len(), 512);
        raw[510] ^= 1;
        assert_eq!(Record::parse(68, &raw, 0, &Reality::default()).unwrap_err(), NoRecord::Damaged);
    }

    #[test]
    fn an_unread_piece_costs_only_what_is_used_in_it() {
        let short = record(68, 1, &[1; 100]);
        let parsed = Record::parse(68, &short, 4096, &hole(4096 + 512..4096 + 1024)).unwrap();
        assert!(!parsed.partial, "nothing is used in the second piece");
        let long = record(68, 1, &[1; 800]);
        assert!(Record::parse(68, &long, 4096, &hole(4096 + 512..4096 + 1024)).unwrap().partial);
        assert_eq!(Record::parse(68, &long, 4096, &hole(4000..4097)).unwrap_err(), NoRecord::Unread);
    }

    #[test]
    fn blank_and_foreign_places_are_no_records() {
        assert_eq!(Record::parse(1, &[0; 1024], 0, &Reality::default()).unwrap_err(), NoRecord::Blank);
        assert_eq!(Record::parse(1, &[7; 1024], 0, &Reality::default()).unwrap_err(), NoRecord::Damaged);
        assert_eq!(Record::parse(1, &[0; 1024], 0, &hole(512..1024)).unwrap_err(), NoRecord::Damaged);
    }

    #[test]
    fn a_large_record_has_eight_pieces() {
        let mut raw = vec![0; 4096];
        raw[..1024].copy_from_slice(&record(1, 1, &[3; 100]));
        raw[6..8].copy_from_slice(&9_u16.to_le_bytes());
        raw[0x14..0x16].copy_from_slice(&0x48_u16.to_le_bytes());
        raw[0x1c..0x20].copy_from_slice(&4096_u32.to_le_bytes());
        protect(&mut raw);
        let parsed = Record::parse(1, &raw, 0, &Reality::default()).unwrap();
        assert!(!parsed.partial && !parsed.inconsistent);
    }
}
