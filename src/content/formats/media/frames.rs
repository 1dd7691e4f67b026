//! Headers of MPEG audio frames (ISO/IEC 11172-3, 2.4.1.3 and 2.4.2.3; 13818-3 for the lower rates; "MPEG 2.5": common
//! practice) and of AAC in ADTS (ISO/IEC 13818-7, 6.2; 14496-3, 1.A.2.2): each says how long its frame is.

use super::checksums::Crc;
use crate::bytes::{array, be_u16, be_u32};

/// What a frame's header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Header {
    /// What all frames of a piece of sound have in common.
    pub(super) kind: Kind,
    /// Bytes of the frame with its header.
    pub(super) length: u64,
    /// Whether a CRC stands behind the header.
    pub(super) protected: bool,
    /// Bytes of side information behind the header and the CRC (layer III).
    pub(super) side: usize,
}

/// Version, layer and rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Kind {
    /// 0: AAC; else the layer.
    pub(super) layer: u8,
    version: u8,
    rate: u32,
}

/// Kilobits a second by version, layer and code.
const RATES: [[u32; 16]; 5] = [
    [0, 32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448, 0],
    [0, 32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384, 0],
    [0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 0],
    [0, 32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256, 0],
    [0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160, 0],
];

/// The header of a frame of MPEG audio. `None` if it is none, or of "free format", whose frames don't say their length.
pub(super) fn mpeg(bytes: &[u8]) -> Option<Header> {
    let word = be_u32(bytes, 0)?;
    let (version, layer_code) = ((word >> 19) & 3, (word >> 17) & 3);
    if word >> 21 != 0x7ff || version == 1 || layer_code == 0 || (word & 3) == 2 {
        return None;
    }
    let layer = 4_u32.checked_sub(layer_code)?;
    let first = version == 3;
    let row = match (first, layer) {
        (true, 1) => 0,
        (true, 2) => 1,
        (true, _) => 2,
        (false, 1) => 3,
        (false, _) => 4,
    };
    let kilobits = *RATES.get::<usize>(row)?.get(usize::try_from((word >> 12) & 15).ok()?)?;
    let base: u32 = *[44_100, 48_000, 32_000].get(usize::try_from((word >> 10) & 3).ok()?)?;
    let rate = match version {
        3 => base,
        2 => base.checked_div(2)?,
        _ => base.checked_div(4)?,
    };
    if kilobits == 0 {
        return None;
    }
    let padding = (word >> 9) & 1;
    let bits = kilobits.checked_mul(1000)?;
    let length = match layer {
        1 => bits.checked_mul(12)?.checked_div(rate)?.checked_add(padding)?.checked_mul(4)?,
        3 if !first => bits.checked_mul(72)?.checked_div(rate)?.checked_add(padding)?,
        _ => bits.checked_mul(144)?.checked_div(rate)?.checked_add(padding)?,
    };
    let mono = (word >> 6) & 3 == 3;
    let side = match (layer, first, mono) {
        (3, true, false) => 32,
        (3, true, true) | (3, false, false) => 17,
        (3, false, true) => 9,
        _ => 0,
    };
    let kind = Kind { layer: u8::try_from(layer).ok()?, version: u8::try_from(version).ok()?, rate };
    Some(Header { kind, length: u64::from(length), protected: (word >> 16) & 1 == 0, side })
}

/// The header of a frame of AAC.
pub(super) fn aac(bytes: &[u8]) -> Option<Header> {
    let [a, b, c, d, e, f, _] = array::<7>(bytes, 0)?;
    if a != 0xff || b & 0xf6 != 0xf0 || (c >> 2) & 15 > 12 {
        return None;
    }
    let length = (u64::from(d & 3) << 11) | (u64::from(e) << 3) | u64::from(f >> 5);
    // The kind of AAC and the rate stay the same.
    let kind = Kind { layer: 0, version: c >> 6, rate: u32::from((c >> 2) & 15) };
    (length >= 7).then_some(Header { kind, length, protected: b & 1 == 0, side: 0 })
}

/// Whether the CRC of a frame of layer III is right: over the header's last two bytes and the side information.
/// `None` if it has none, or a kind that is not looked at.
pub(super) fn crc_is_right(header: &Header, frame: &[u8]) -> Option<bool> {
    if !header.protected || header.kind.layer != 3 {
        return None;
    }
    let mut crc = Crc::sixteen(0xffff);
    crc.add(frame.get(2..4)?);
    crc.add(frame.get(6..6_usize.checked_add(header.side)?)?);
    Some(u32::from(be_u16(frame, 4)?) == crc.value())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_by_the_standards_formula() {
        // 128 kbit/s at 44.1 kHz: 144 × 128000 / 44100 = 417, with padding 418.
        assert_eq!(mpeg(&[0xff, 0xfb, 0x90, 0x00]).map(|header| header.length), Some(417));
        assert_eq!(mpeg(&[0xff, 0xfb, 0x92, 0x00]).map(|header| header.length), Some(418));
        // Layer I, 384 kbit/s at 48 kHz: 12 × 384000 / 48000 × 4.
        assert_eq!(mpeg(&[0xff, 0xff, 0xc4, 0x00]).map(|header| header.length), Some(384));
        assert_eq!(mpeg(&[0xff, 0xfb, 0x00, 0x00]), None, "free format");
        assert_eq!(mpeg(&[0xff, 0xfb, 0x9c, 0x00]), None, "a reserved rate");
        assert_eq!(aac(&[0xff, 0xf1, 0x50, 0x80, 0x2e, 0x7f, 0xfc]).map(|header| header.length), Some(0x173));
    }
}
