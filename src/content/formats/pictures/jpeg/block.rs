//! The coefficients of one block (ITU-T T.81, F.2.2 and G.2; figures G.3 to G.7 for the order of bits).

use super::bits::{Bits, SECTOR};
use super::code::Code;
use super::frame::{COEFFICIENTS, Header};
use crate::content::formats::{Step, broken};

/// One component's part in a scan.
pub(super) struct Part<'t> {
    /// Its number in the frame.
    pub(super) place: usize,
    /// The codes of its DC coefficients, if the scan uses them.
    pub(super) dc: Option<&'t Code>,
    /// The codes of its AC coefficients, if the scan uses them.
    pub(super) ac: Option<&'t Code>,
    pub(super) bounds: Bounds,
    /// The DC coefficient of the block before.
    pub(super) before: i32,
    pub(super) textured: Textured,
}

impl Part<'_> {
    /// Whether zeros in its data mean that nothing changes from one block to the next: then a picture with one colour
    /// may hold long runs of them.
    pub(super) fn zeros_are_flat(&self) -> bool {
        self.dc.is_none_or(|code| code.of_zeros() == Some(0))
            // The ends of a block, and of runs of blocks.
            && self.ac.is_none_or(|code| code.of_zeros().is_some_and(|symbol| symbol & 0x0f == 0 && symbol != 0xf0))
    }
}

/// What coefficients can be at most.
pub(super) struct Bounds {
    /// Divided by their steps.
    most: [i32; COEFFICIENTS],
    /// The longest numbers, in bits.
    dc_size: u8,
    ac_size: u8,
}

impl Bounds {
    /// Of blocks of samples of so many bits (A.3.3): a DC coefficient is eight times the mean of samples around 0, and
    /// AC coefficients are smaller. One step is added for rounding, and an eighth to AC coefficients for encoders that
    /// sharpen edges.
    pub(super) fn new(steps: &[u16; COEFFICIENTS], precision: u8) -> Self {
        let (dc, ac) = (8_i32 << precision.saturating_sub(1), 9_i32 << precision.saturating_sub(1));
        let mut most = steps.map(|step| ac.checked_div(step.into()).unwrap_or(ac).saturating_add(1));
        let ([first, ..], [step, ..]) = (&mut most, steps);
        *first = dc.checked_div(i32::from(*step)).unwrap_or(dc).saturating_add(1);
        Self { most, dc_size: precision.saturating_add(3), ac_size: precision.saturating_add(2) }
    }

    /// Checks a coefficient of which `low` bits are still to come.
    fn check(&self, bits: &Bits<'_, '_>, place: usize, value: i32, low: u8) -> Step<()> {
        let unit = 1_i32 << low;
        match self.most.get(place) {
            Some(most) if value.saturating_abs().saturating_mul(unit) < most.saturating_add(unit) => Ok(()),
            _ => broken(bits.position(), "a coefficient that no picture has"),
        }
    }
}

/// A whole block of a sequential picture.
pub(super) fn sequential(bits: &mut Bits<'_, '_>, part: &mut Part<'_>) -> Step<()> {
    first_dc(bits, part, 0)?;
    let Some(code) = part.ac else { return Ok(()) };
    let mut place = 1_usize;
    while place < COEFFICIENTS {
        let symbol = code.decode(bits)?;
        let (run, size) = (usize::from(symbol >> 4), symbol & 0x0f);
        match (run, size) {
            (0, 0) => break,
            (15, 0) => place = place.saturating_add(16),
            (_, 0) => return broken(bits.position(), "a code without a meaning"),
            _ => {
                place = place.saturating_add(run);
                if size > part.bounds.ac_size {
                    return broken(bits.position(), "a coefficient that is too long");
                }
                let value = bits.signed(size)?;
                part.bounds.check(bits, place, value, 0)?;
                place = place.saturating_add(1);
            }
        }
    }
    if place > COEFFICIENTS { broken(bits.position(), "a block with too many coefficients") } else { Ok(()) }
}

/// The DC coefficient, or its high bits.
pub(super) fn first_dc(bits: &mut Bits<'_, '_>, part: &mut Part<'_>, low: u8) -> Step<()> {
    let Some(code) = part.dc else { return Ok(()) };
    let size = code.decode(bits)?;
    if size > part.bounds.dc_size {
        return broken(bits.position(), "a coefficient that is too long");
    }
    part.before = part.before.saturating_add(bits.signed(size)?);
    part.bounds.check(bits, 0, part.before, low)
}

/// One more bit of the DC coefficient, of which `dc` was known before.
pub(super) fn later_dc(bits: &mut Bits<'_, '_>, part: &mut Part<'_>, set: u64, dc: i16) -> Step<()> {
    bits.take(1)?;
    if set != 0 {
        part.textured.note(bits.position(), dc);
    }
    Ok(())
}

/// The different DC coefficients of blocks with others, too, whose last bits stand in one sector. Those bits are 0 or 1
/// by chance, so that a sector of zeros can't be theirs, while blocks of one colour or pattern may well have only zeros.
#[derive(Default)]
pub(super) struct Textured {
    sector: u64,
    values: Vec<i16>,
}

/// So many bits that are 0 or 1 by chance are never all 0.
const NEVER_BY_CHANCE: usize = 32;

impl Textured {
    fn note(&mut self, position: u64, value: i16) {
        let sector = position / SECTOR;
        if sector != self.sector {
            self.sector = sector;
            self.values.clear();
        }
        if self.values.len() < NEVER_BY_CHANCE && !self.values.contains(&value) {
            self.values.push(value);
        }
    }

    /// Whether the sector at `position` in the file, whose last bits are read, belongs to too many such blocks.
    pub(super) fn is_broken(&self, position: u64) -> bool {
        self.sector == position / SECTOR && self.values.len() >= NEVER_BY_CHANCE
    }
}

/// The high bits of AC coefficients.
pub(super) fn first_ac(
    bits: &mut Bits<'_, '_>,
    part: &Part<'_>,
    header: &Header,
    set: &mut u64,
    ended: &mut u32,
) -> Step<()> {
    if *ended > 0 {
        *ended = ended.saturating_sub(1);
        return Ok(());
    }
    let Some(code) = part.ac else { return Ok(()) };
    let mut place = header.first;
    while place <= header.last {
        let symbol = code.decode(bits)?;
        let (run, size) = (symbol >> 4, symbol & 0x0f);
        match (run, size) {
            (15, 0) => place = place.saturating_add(16),
            (_, 0) => {
                *ended = blocks_ended(bits, run)?.saturating_sub(1);
                return Ok(());
            }
            _ => {
                place = place.saturating_add(run.into());
                if place > header.last || size > part.bounds.ac_size {
                    return broken(bits.position(), "a block with too many coefficients");
                }
                let value = bits.signed(size)?;
                part.bounds.check(bits, place, value, header.low)?;
                *set |= 1_u64.checked_shl(u32::try_from(place).unwrap_or(0)).unwrap_or(0);
                place = place.saturating_add(1);
            }
        }
    }
    if place > header.last.saturating_add(1) {
        return broken(bits.position(), "a block with too many coefficients");
    }
    Ok(())
}

/// How many blocks a code ends, this one included.
fn blocks_ended(bits: &mut Bits<'_, '_>, size: u8) -> Step<u32> {
    let more = if size > 0 { bits.take(size.into())? } else { 0 };
    Ok((1_u32 << size).saturating_add(more))
}

/// One more bit of AC coefficients, and those that appear with it.
pub(super) fn later_ac(
    bits: &mut Bits<'_, '_>,
    part: &Part<'_>,
    header: &Header,
    set: &mut u64,
    ended: &mut u32,
) -> Step<()> {
    let Some(code) = part.ac else { return Ok(()) };
    let mut place = header.first;
    while place <= header.last && *ended == 0 {
        let symbol = code.decode(bits)?;
        let (run, size) = (symbol >> 4, symbol & 0x0f);
        let new = match (run, size) {
            (15, 0) => false,
            (_, 0) => {
                *ended = blocks_ended(bits, run)?;
                break;
            }
            (_, 1) => {
                bits.take(1)?;
                true
            }
            _ => return broken(bits.position(), "a code without a meaning"),
        };
        // Coefficients that are set get their bit on the way; `run` others are passed.
        let mut passed = 0;
        while place <= header.last {
            if is_set(*set, place) {
                bits.take(1)?;
            } else if passed == run {
                break;
            } else {
                passed = passed.saturating_add(1);
            }
            place = place.saturating_add(1);
        }
        if place > header.last {
            return broken(bits.position(), "a block with too many coefficients");
        }
        if new {
            *set |= 1_u64.checked_shl(u32::try_from(place).unwrap_or(0)).unwrap_or(0);
        }
        place = place.saturating_add(1);
    }
    if *ended > 0 {
        while place <= header.last {
            if is_set(*set, place) {
                bits.take(1)?;
            }
            place = place.saturating_add(1);
        }
        *ended = ended.saturating_sub(1);
    }
    Ok(())
}

fn is_set(set: u64, place: usize) -> bool {
    u32::try_from(place).ok().and_then(|place| set.checked_shr(place)).unwrap_or(0) & 1 == 1
}
