//! One member of a ZIP archive: its entry in the list, its own header, its data and what may stand behind
//! (APPNOTE.TXT 6.3, sections 4.3.7, 4.3.9, 4.3.12, 4.4 and 4.5.3).

use std::ops::Range;

use crate::bytes::{le_u16, le_u32, le_u64, slice, to_u64, to_usize};
use crate::content::formats::documents::inflate::{Ended, inflate};
use crate::content::formats::documents::text::label;
use crate::content::formats::{Step, Stop, Subject, broken};

pub(super) const HEADER: [u8; 4] = *b"PK\x03\x04";
pub(super) const HEADER_LENGTH: u64 = 30;
const ENTRY: [u8; 4] = *b"PK\x01\x02";
const ENTRY_LENGTH: usize = 46;
pub(super) const DESCRIPTOR: [u8; 4] = *b"PK\x07\x08";

/// General purpose bits (section 4.4.4).
const ENCRYPTED: u16 = 1;
pub(super) const DESCRIBED_BEHIND: u16 = 1 << 3;
const MASKED: u16 = 1 << 13;

/// Methods (section 4.4.5).
pub(super) const STORED: u16 = 0;
pub(super) const DEFLATED: u16 = 8;
const ENCRYPTED_METHOD: u16 = 99;

/// In a 32-bit field: the number stands in the extra field for 64-bit sizes.
const IN_EXTRA: u32 = u32::MAX;
const EXTRA_64: u16 = 1;

/// What the list says of a member.
#[derive(Debug, Clone)]
pub(super) struct Member {
    /// Where its name stands in the list.
    pub(super) name: Range<usize>,
    pub(super) flags: u16,
    pub(super) method: u16,
    pub(super) crc: u32,
    pub(super) packed: u64,
    pub(super) size: u64,
    /// Byte of the file at which its own header is.
    pub(super) header: u64,
}

/// What came of a member that has no fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Outcome {
    Sound,
    /// It needs a password.
    Locked,
    /// Its packing isn't read.
    Packed(u16),
}

/// The sizes that stand in the extra field, in the order of those that are marked so.
fn from_extra<const N: usize>(extra: &[u8], fields: [u32; N]) -> [u64; N] {
    let mut rest = extra;
    let mut wide: &[u8] = &[];
    while let (Some(id), Some(length)) = (le_u16(rest, 0), le_u16(rest, 2)) {
        let length = usize::from(length);
        if id == EXTRA_64 {
            wide = slice(rest, 4, length).unwrap_or_default();
            break;
        }
        rest = rest.get(length.saturating_add(4)..).unwrap_or_default();
    }
    fields.map(|field| match le_u64(wide, 0) {
        Some(value) if field == IN_EXTRA => {
            wide = wide.get(8..).unwrap_or_default();
            value
        }
        _ => u64::from(field),
    })
}

impl Member {
    /// The entry at `at` of the list, and where the next one begins. Places in it count from `base`.
    pub(super) fn from_bytes(list: &[u8], at: usize, base: u64) -> Option<(Self, usize)> {
        let entry = list.get(at..)?;
        if !entry.starts_with(&ENTRY) {
            return None;
        }
        let field = |offset| le_u16(entry, offset).map(usize::from);
        let (name, extra, comment) = (field(0x1c)?, field(0x1e)?, field(0x20)?);
        let name_end = ENTRY_LENGTH.checked_add(name)?;
        let extra_bytes = slice(entry, name_end, extra)?;
        let length = name_end.checked_add(extra)?.checked_add(comment)?;
        slice(entry, 0, length)?;
        let [size, packed, header] =
            from_extra(extra_bytes, [le_u32(entry, 0x18)?, le_u32(entry, 0x14)?, le_u32(entry, 0x2a)?]);
        let member = Self {
            name: at.checked_add(ENTRY_LENGTH)?..at.checked_add(name_end)?,
            flags: le_u16(entry, 0x08)?,
            method: le_u16(entry, 0x0a)?,
            crc: le_u32(entry, 0x10)?,
            packed,
            size,
            header: header.checked_add(base)?,
        };
        Some((member, at.checked_add(length)?))
    }

    fn is_locked(&self) -> bool {
        self.flags & (ENCRYPTED | MASKED) != 0 || self.method == ENCRYPTED_METHOD
    }

    /// Checks the member against its own header and checksum. `next` is where the next thing in the file begins.
    pub(super) fn check(&self, subject: &Subject<'_>, name: &[u8], next: u64) -> Step<Outcome> {
        let own = Own::read(subject, self.header, next)?;
        let Some(own) = own else {
            return broken(self.header, format!("{}, a file in it, has no header", label(name)));
        };
        let agrees =
            |one: u64, other: u64| one == other || (one == 0 && (own.flags | self.flags) & DESCRIBED_BEHIND != 0);
        let masked = self.flags & MASKED != 0;
        let same = same_name(&own.name, name)
            && own.method == self.method
            && own.flags & ENCRYPTED == self.flags & ENCRYPTED
            && agrees(u64::from(own.crc), u64::from(self.crc))
            && agrees(own.size, self.size)
            && agrees(own.packed, self.packed);
        if !masked && !same {
            return broken(self.header, format!("the header of {}, a file in it, contradicts the list", label(name)));
        }
        let end = own.header_end.checked_add(self.packed).filter(|end| *end <= next);
        let Some(end) = end else {
            return broken(own.header_end, format!("{}, a file in it, reaches into the next one", label(name)));
        };
        if own.flags & DESCRIBED_BEHIND != 0 && !masked && next > end {
            self.check_descriptor(subject, name, end, next)?;
        }
        if self.is_locked() {
            return Ok(Outcome::Locked);
        }
        if !matches!(self.method, STORED | DEFLATED) {
            return Ok(Outcome::Packed(self.method));
        }
        self.unpack(subject, name, own.header_end, &mut |_| {})?;
        Ok(Outcome::Sound)
    }

    /// The record behind the data, with or without a signature, with 32-bit or 64-bit sizes (section 4.3.9).
    fn check_descriptor(&self, subject: &Subject<'_>, name: &[u8], end: u64, next: u64) -> Step<()> {
        let bytes = subject.up_to(end, 24.min(to_usize(next.saturating_sub(end)).unwrap_or(24)))?;
        let record = bytes.strip_prefix(&DESCRIPTOR).unwrap_or(&bytes);
        let narrow = |offset| le_u32(record, offset).map(u64::from);
        // The checksum may look like the signature.
        let found = [record, &bytes].into_iter().any(|record| {
            le_u32(record, 0) == Some(self.crc)
                && ((le_u64(record, 4) == Some(self.packed) && le_u64(record, 12) == Some(self.size))
                    || (le_u32(record, 4).map(u64::from) == Some(self.packed & 0xFFFF_FFFF)
                        && le_u32(record, 8).map(u64::from) == Some(self.size & 0xFFFF_FFFF)))
        });
        // What encrypts by AES may leave the checksum out.
        let hidden = self.is_locked() && narrow(4) == Some(self.packed & 0xFFFF_FFFF);
        if found || hidden {
            return Ok(());
        }
        broken(end, format!("the record behind {}, a file in it, contradicts the list", label(name)))
    }

    /// Unpacks the data, which begins at `start`, and holds it against size and checksum.
    pub(super) fn unpack(
        &self,
        subject: &Subject<'_>,
        name: &[u8],
        start: u64,
        sink: &mut dyn FnMut(&[u8]),
    ) -> Step<()> {
        subject.spend(self.size)?;
        let end = start.saturating_add(self.packed);
        let mut reader = subject.reader(start..end);
        let mut crc = crc32fast::Hasher::new();
        let mut size = 0_u64;
        let mut take = |piece: &[u8]| {
            crc.update(piece);
            size = size.saturating_add(to_u64(piece.len()));
            if size > self.size {
                return broken(start, format!("{}, a file in it, unpacks to more than it says", label(name)));
            }
            sink(piece);
            Ok(())
        };
        let ended =
            if self.method == STORED { copy(&mut reader, &mut take)? } else { inflate(&mut reader, &mut take)? };
        if ended != Ended::Whole || reader.position() != end {
            return Err(reader.stop(format!("{}, a file in it, can't be unpacked", label(name))));
        }
        if size != self.size || crc.finalize() != self.crc {
            return broken(start, format!("{}, a file in it, contradicts its checksum", label(name)));
        }
        Ok(())
    }
}

/// Hands on what is not packed.
fn copy(reader: &mut dyn std::io::BufRead, sink: &mut dyn FnMut(&[u8]) -> Step<()>) -> Result<Ended, Stop> {
    loop {
        let Ok(piece) = reader.fill_buf() else { return Ok(Ended::Wrong) };
        if piece.is_empty() {
            return Ok(Ended::Whole);
        }
        sink(piece)?;
        let count = piece.len();
        reader.consume(count);
    }
}

/// Old programs write `\` in one place and `/` in the other.
fn same_name(one: &[u8], other: &[u8]) -> bool {
    let slash = |byte: &u8| if *byte == b'\\' { b'/' } else { *byte };
    one.iter().map(slash).eq(other.iter().map(slash))
}

/// A member's own header.
pub(super) struct Own {
    pub(super) name: Vec<u8>,
    pub(super) flags: u16,
    pub(super) method: u16,
    pub(super) crc: u32,
    pub(super) packed: u64,
    pub(super) size: u64,
    /// Where its data begins.
    pub(super) header_end: u64,
}

impl Own {
    /// The header at byte `at` of the file, if there is one that ends at `end` or before.
    pub(super) fn read(subject: &Subject<'_>, at: u64, end: u64) -> Step<Option<Self>> {
        if at.checked_add(HEADER_LENGTH).is_none_or(|end| end > subject.size()) {
            return Ok(None);
        }
        let head: [u8; 30] = subject.array(at)?;
        if !head.starts_with(&HEADER) {
            return Ok(None);
        }
        let field = |offset| le_u16(&head, offset).unwrap_or_default();
        let wide = |offset| le_u32(&head, offset).unwrap_or_default();
        let (name, extra) = (usize::from(field(0x1a)), usize::from(field(0x1c)));
        let names_at = at.saturating_add(HEADER_LENGTH);
        let length = name.saturating_add(extra);
        if names_at.saturating_add(to_u64(length)) > end {
            return Ok(None);
        }
        let rest = subject.up_to(names_at, length)?;
        let (Some(name_bytes), Some(extra_bytes)) = (slice(&rest, 0, name), slice(&rest, name, extra)) else {
            return Ok(None);
        };
        let [size, packed] = from_extra(extra_bytes, [wide(0x16), wide(0x12)]);
        Ok(Some(Self {
            name: name_bytes.to_vec(),
            flags: field(0x06),
            method: field(0x08),
            crc: wide(0x0e),
            packed,
            size,
            header_end: names_at.saturating_add(to_u64(rest.len())),
        }))
    }
}
