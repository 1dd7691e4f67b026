//! What stands before the scans: tables, the frame, and each scan's own header (ITU-T T.81, annex B.2).

use super::code::Code;
use crate::bytes::{be_u16, u8_at};
use crate::content::formats::{Step, broken, unchecked};

/// Coefficients of a block.
pub(super) const COEFFICIENTS: usize = 64;

/// Tables that scans refer to. They stay from one scan to the next, and in TIFF from one picture to the next.
#[derive(Clone, Default)]
pub(in crate::content::formats::pictures) struct Tables {
    /// Steps of the coefficients, in the order in which those are stored.
    pub(super) steps: [Option<[u16; COEFFICIENTS]>; 4],
    pub(super) dc: [Option<Code>; 4],
    pub(super) ac: [Option<Code>; 4],
    /// MCUs between restart markers; 0 for none.
    pub(super) interval: u32,
}

impl Tables {
    /// DQT (B.2.4.1).
    pub(super) fn take_steps(&mut self, at: u64, mut bytes: &[u8]) -> Step<()> {
        while let Some((&head, rest)) = bytes.split_first() {
            let width = match head >> 4 {
                0 => 1_usize,
                1 => 2,
                _ => return broken(at, "a table of steps of an unknown width"),
            };
            let length = COEFFICIENTS.saturating_mul(width);
            let (Some(slot), Some((values, rest))) =
                (self.steps.get_mut(usize::from(head & 0x0f)), rest.split_at_checked(length))
            else {
                return broken(at, "a table of steps that does not fit");
            };
            let mut steps = [0_u16; COEFFICIENTS];
            for (step, value) in steps.iter_mut().zip(values.chunks(width)) {
                *step = value.iter().fold(0_u16, |sum, byte| sum << 8 | u16::from(*byte));
            }
            if steps.contains(&0) {
                return broken(at, "a table of steps with a step of zero");
            }
            *slot = Some(steps);
            bytes = rest;
        }
        Ok(())
    }

    /// DHT (B.2.4.2).
    pub(super) fn take_codes(&mut self, at: u64, mut bytes: &[u8]) -> Step<()> {
        while let Some((&head, rest)) = bytes.split_first() {
            let (Some(counts), class) = (rest.first_chunk::<16>(), head >> 4) else {
                return broken(at, "a table of codes that does not fit");
            };
            let total = counts.iter().fold(0_usize, |sum, count| sum.saturating_add(usize::from(*count)));
            let Some((symbols, rest)) = rest.get(16..).and_then(|rest| rest.split_at_checked(total)) else {
                return broken(at, "a table of codes that does not fit");
            };
            let tables = if class == 0 { &mut self.dc } else { &mut self.ac };
            let Some(slot) = tables.get_mut(usize::from(head & 0x0f)).filter(|_| class < 2) else {
                return broken(at, "a table of codes with an unknown number");
            };
            let Some(code) = Code::new(counts, symbols).filter(|_| total <= 256) else {
                return broken(at, "a table of codes with too many codes");
            };
            *slot = Some(code);
            bytes = rest;
        }
        Ok(())
    }
}

/// A component of the frame.
#[derive(Clone)]
pub(super) struct Component {
    id: u8,
    /// Samples in an MCU, in blocks.
    pub(super) across: u32,
    pub(super) down: u32,
    pub(super) steps: usize,
    /// Blocks that its samples fill.
    pub(super) columns: u32,
    pub(super) rows: u32,
    /// Blocks in a row, filled up to whole MCUs.
    pub(super) stride: u32,
    /// Of each block, the coefficients that are not zero so far; in progressive pictures only.
    pub(super) set: Vec<u64>,
    /// Of each block, the high bits of the DC coefficient; in progressive pictures only.
    pub(super) dc: Vec<i16>,
    /// Whether a scan had its DC coefficients.
    pub(super) seen: bool,
    /// Of each coefficient, how many low bits are still to come; `None` before its first scan.
    pub(super) missing: [Option<u8>; COEFFICIENTS],
}

/// A frame's header (SOF, B.2.2).
pub(super) struct Frame {
    pub(super) progressive: bool,
    /// Bits of a sample.
    pub(super) precision: u8,
    pub(super) mcu_columns: u32,
    pub(super) mcu_rows: u32,
    pub(super) components: Vec<Component>,
}

/// The most blocks of a progressive picture whose coefficients are kept in mind, 10 bytes for each: 160 MiB,
/// enough for a picture of 700 million pixels.
const MOST_BLOCKS: u64 = 1 << 24;

impl Frame {
    pub(super) fn new(at: u64, code: u8, bytes: &[u8]) -> Step<Self> {
        let progressive = code == 0xc2;
        let (Some(precision), Some(height), Some(width), Some(count)) =
            (u8_at(bytes, 0), be_u16(bytes, 1), be_u16(bytes, 3), u8_at(bytes, 5))
        else {
            return broken(at, "a frame header that is too short");
        };
        let parts = bytes.get(6..).unwrap_or_default();
        if parts.len() != usize::from(count).saturating_mul(3) || !(1..=4).contains(&count) || width == 0 {
            return broken(at, "a frame header that does not hold together");
        }
        if !matches!((code, precision), (_, 8) | (0xc1 | 0xc2, 12)) {
            return broken(at, "a frame of an unknown precision");
        }
        if height == 0 {
            return unchecked("its height stands behind its first scan");
        }
        let (mut most_across, mut most_down) = (1, 1);
        for part in parts.chunks(3) {
            let (across, down) = factors(part);
            if !(1..=4).contains(&across) || !(1..=4).contains(&down) || u8_at(part, 2).is_none_or(|steps| steps > 3) {
                return broken(at, "a frame header that does not hold together");
            }
            (most_across, most_down) = (across.max(most_across), down.max(most_down));
        }
        let mcu_columns = u32::from(width).div_ceil(most_across.saturating_mul(8));
        let mcu_rows = u32::from(height).div_ceil(most_down.saturating_mul(8));
        let mut components: Vec<Component> = Vec::new();
        let mut all = 0_u64;
        for part in parts.chunks(3) {
            let (across, down) = factors(part);
            let samples = |size: u16, own: u32, most: u32| u32::from(size).saturating_mul(own).div_ceil(most);
            let stride = mcu_columns.saturating_mul(across);
            let blocks = u64::from(stride).saturating_mul(mcu_rows.saturating_mul(down).into());
            all = all.saturating_add(blocks);
            let id = u8_at(part, 0).unwrap_or(0);
            if components.iter().any(|component| component.id == id) {
                return broken(at, "a frame with one component twice");
            }
            if progressive && all > MOST_BLOCKS {
                return unchecked("it is a progressive picture of too many pixels");
            }
            components.push(Component {
                id,
                across,
                down,
                steps: u8_at(part, 2).unwrap_or(0).into(),
                columns: samples(width, across, most_across).div_ceil(8),
                rows: samples(height, down, most_down).div_ceil(8),
                stride,
                dc: if progressive { vec![0; usize::try_from(blocks).unwrap_or(0)] } else { Vec::new() },
                set: if progressive { vec![0; usize::try_from(blocks).unwrap_or(0)] } else { Vec::new() },
                seen: false,
                missing: [None; COEFFICIENTS],
            });
        }
        Ok(Self { progressive, precision, mcu_columns, mcu_rows, components })
    }
}

fn factors(part: &[u8]) -> (u32, u32) {
    let factors = u8_at(part, 1).unwrap_or(0);
    (u32::from(factors >> 4), u32::from(factors & 0x0f))
}

/// A scan's header (SOS, B.2.3).
pub(super) struct Header {
    /// Number of the component in the frame, and of its tables.
    pub(super) parts: Vec<(usize, usize, usize)>,
    /// First and last coefficient.
    pub(super) first: usize,
    pub(super) last: usize,
    /// Low bits that were missing before, and that are missing after it.
    pub(super) high: u8,
    pub(super) low: u8,
}

impl Header {
    pub(super) fn new(at: u64, bytes: &[u8], frame: &Frame) -> Step<Self> {
        let count = usize::from(u8_at(bytes, 0).unwrap_or(0));
        let parts = bytes.get(1..).and_then(|rest| rest.split_at_checked(count.saturating_mul(2)));
        let Some((parts, &[first, last, approximation])) = parts.filter(|_| (1..=4).contains(&count)) else {
            return broken(at, "a scan header of a wrong length");
        };
        let mut found: Vec<(usize, usize, usize)> = Vec::new();
        for part in parts.chunks(2) {
            let (id, tables) = (u8_at(part, 0), u8_at(part, 1).unwrap_or(0));
            let place = frame.components.iter().position(|component| Some(component.id) == id);
            let Some(place) = place.filter(|place| found.iter().all(|(other, _, _)| other < place)) else {
                return broken(at, "a scan of a component that the frame does not have");
            };
            found.push((place, usize::from(tables >> 4), usize::from(tables & 0x0f)));
        }
        let header = Self {
            parts: found,
            first: first.into(),
            last: last.into(),
            high: approximation >> 4,
            low: approximation & 0x0f,
        };
        if !frame.progressive {
            // Decoders don't look at these in sequential pictures, and some cameras leave them 0.
            return Ok(Self { first: 0, last: COEFFICIENTS.saturating_sub(1), high: 0, low: 0, ..header });
        }
        let range = match header.first {
            0 => header.last == 0,
            _ => header.last >= header.first && header.last < COEFFICIENTS && count == 1,
        };
        let step = header.high == 0 || header.high.checked_sub(1) == Some(header.low);
        if range && step && header.low <= 13 { Ok(header) } else { broken(at, "a scan of impossible coefficients") }
    }
}
