//! What can be seen of coded pictures without decoding them.
//!
//! H.264 and H.265 pictures lie as units, each behind its length (ISO/IEC 14496-15, 5.3.2 and 8.3.2), and no unit may
//! hold three zeros in a row (ITU-T H.264 7.4.1, H.265 7.4.2.1): a zeroed sector shows in every one of them. MPEG-4
//! part 2 and H.263 keep long rows of zeros for their start codes (ISO/IEC 14496-2, 5.2.3; ITU-T H.263, 5.2). AV1's
//! units know their lengths (AV1 Bitstream Specification, 5.3).

use super::boxes::{Atom, atoms, first};
use crate::bytes::{array, to_usize, u8_at};

/// How a track's or picture's samples are coded, as far as that says what must hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Codec {
    /// Units behind lengths of so many bytes, with headers of H.264.
    Avc(usize),
    /// Units behind lengths of so many bytes, with headers of H.265.
    Hevc(usize),
    /// AV1's units.
    Av1,
    /// No long rows of zeros.
    NoZeros,
    /// Nothing is known.
    Other,
}

/// Where in a sample something is wrong, and what.
pub(super) type Fault = (usize, &'static str);

/// Zeros in a row that no unit may hold, in bytes: more than the three of the standards, because some cameras pad.
const ZEROS: usize = 16;

/// The codec of an entry in a sample description, whose boxes follow `skip` bytes of its body.
pub(super) fn of_entry(entry: &Atom<'_>) -> Codec {
    // VisualSampleEntry (ISO/IEC 14496-12, 12.1.3) has 78 bytes before its boxes.
    let inner = || entry.body.get(78..).and_then(|rest| atoms(rest, 0).ok()).unwrap_or_default();
    match &entry.kind {
        b"avc1" | b"avc2" | b"avc3" | b"avc4" | b"dva1" | b"dvav" => {
            first(&inner(), b"avcC").and_then(|atom| avc(atom.body)).unwrap_or(Codec::NoZeros)
        }
        b"hvc1" | b"hev1" | b"dvh1" | b"dvhe" => {
            first(&inner(), b"hvcC").and_then(|atom| hevc(atom.body)).unwrap_or(Codec::NoZeros)
        }
        b"av01" => Codec::Av1,
        b"mp4v" | b"s263" | b"h263" => Codec::NoZeros,
        _ => Codec::Other,
    }
}

/// AVCDecoderConfigurationRecord: configurationVersion at 0, lengthSizeMinusOne in the low bits of byte 4.
pub(super) fn avc(record: &[u8]) -> Option<Codec> {
    length_size(record, 4).map(Codec::Avc)
}

/// HEVCDecoderConfigurationRecord: configurationVersion at 0, lengthSizeMinusOne in the low bits of byte 21.
pub(super) fn hevc(record: &[u8]) -> Option<Codec> {
    length_size(record, 21).map(Codec::Hevc)
}

fn length_size(record: &[u8], at: usize) -> Option<usize> {
    let size = usize::from(u8_at(record, at)? & 3).saturating_add(1);
    (size != 3).then_some(size)
}

impl Codec {
    /// Whether looking into a sample can show anything.
    pub(super) fn says_something(self) -> bool {
        self != Self::Other
    }

    /// Looks at one sample.
    pub(super) fn check(self, sample: &[u8]) -> Result<(), Fault> {
        match self {
            Self::Avc(size) => {
                no_zeros(sample)?;
                units(sample, size, |unit| unit.first().is_some_and(|byte| byte & 0x80 == 0))
            }
            Self::Hevc(size) => {
                no_zeros(sample)?;
                // forbidden_zero_bit, and nuh_temporal_id_plus1, which is never 0.
                units(sample, size, |unit| {
                    array::<2>(unit, 0).is_some_and(|[one, two]| one & 0x80 == 0 && two & 7 != 0)
                })
            }
            Self::Av1 => av1(sample),
            Self::NoZeros => no_zeros(sample),
            Self::Other => Ok(()),
        }
    }
}

/// A row of at least twice [`ZEROS`] zeros is found for certain.
fn no_zeros(sample: &[u8]) -> Result<(), Fault> {
    match sample.chunks_exact(ZEROS).position(|piece| piece == [0; ZEROS]) {
        Some(number) => Err((number.saturating_mul(ZEROS), "a stretch of zeros")),
        None => Ok(()),
    }
}

fn units(sample: &[u8], size: usize, header: impl Fn(&[u8]) -> bool) -> Result<(), Fault> {
    let mut at = 0_usize;
    while let Some(rest) = sample.get(at..).filter(|rest| !rest.is_empty()) {
        let Some((length, rest)) = rest.split_at_checked(size) else {
            // Some writers pad the last sample.
            let padding = rest.iter().all(|byte| *byte == 0);
            return if padding { Ok(()) } else { Err((at, "its pieces do not fill it")) };
        };
        let length = length.iter().fold(0_u64, |sum, byte| (sum << 8) | u64::from(*byte));
        let Some(unit) = to_usize(length).and_then(|length| rest.get(..length)) else {
            return Err((at, "its pieces do not fill it"));
        };
        if !unit.is_empty() && !header(unit) {
            return Err((at, "a piece of it has an impossible header"));
        }
        at = at.saturating_add(size).saturating_add(unit.len());
    }
    Ok(())
}

/// Open bitstream units: a header byte, perhaps one more, and a length; only the last may lack it.
fn av1(sample: &[u8]) -> Result<(), Fault> {
    let mut at = 0_usize;
    while let Some((header, rest)) = sample.get(at..).and_then(<[u8]>::split_first) {
        if header & 0x80 != 0 {
            return Err((at, "a piece of it has an impossible header"));
        }
        let skip = usize::from(header & 4 != 0);
        if header & 2 == 0 {
            return Ok(());
        }
        let Some((length, used)) = rest.get(skip..).and_then(leb128) else {
            return Err((at, "its pieces do not fill it"));
        };
        let body = skip.saturating_add(used);
        let Some(length) = to_usize(length).filter(|length| *length <= rest.len().saturating_sub(body)) else {
            return Err((at, "its pieces do not fill it"));
        };
        at = at.saturating_add(1).saturating_add(body).saturating_add(length);
    }
    Ok(())
}

/// A number in seven bits a byte, lowest first, at most eight bytes, and how many it took.
fn leb128(bytes: &[u8]) -> Option<(u64, usize)> {
    let mut value = 0_u64;
    for (used, byte) in (1_usize..).zip(bytes.iter().take(8)) {
        let shift = u32::try_from(used.saturating_sub(1).saturating_mul(7)).ok()?;
        value |= u64::from(byte & 0x7f).checked_shl(shift)?;
        if byte & 0x80 == 0 {
            return Some((value, used));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_fill_a_sample() {
        assert_eq!(Codec::Avc(2).check(&[0, 2, 0x65, 1, 0, 1, 9]), Ok(()));
        assert_eq!(Codec::Avc(2).check(&[0, 2, 0x65, 1, 0, 2, 9]), Err((4, "its pieces do not fill it")));
        assert_eq!(Codec::Avc(2).check(&[0, 1, 0xe5]), Err((0, "a piece of it has an impossible header")));
        assert_eq!(Codec::Hevc(1).check(&[2, 0x40, 1]), Ok(()));
        assert_eq!(Codec::Hevc(1).check(&[2, 0x40, 0]), Err((0, "a piece of it has an impossible header")));
        let mut zeroed = vec![0x55; 200];
        zeroed[..2].copy_from_slice(&[0, 198]);
        assert_eq!(Codec::Avc(2).check(&zeroed), Ok(()));
        zeroed[90..121].fill(0);
        assert_eq!(Codec::Avc(2).check(&zeroed), Err((96, "a stretch of zeros")));
    }

    #[test]
    fn units_of_av1_fill_a_sample() {
        assert_eq!(Codec::Av1.check(&[0x12, 0, 0x0a, 2, 1, 1, 0x30, 9]), Ok(()));
        assert_eq!(Codec::Av1.check(&[0x12, 0, 0x0a, 3, 1, 1]), Err((2, "its pieces do not fill it")));
        assert_eq!(Codec::Av1.check(&[0x12, 0, 0x8a]), Err((2, "a piece of it has an impossible header")));
        assert_eq!(leb128(&[0x80, 1]), Some((128, 2)));
    }
}
