//! One scan: all its blocks, with their restart markers (ITU-T T.81, annexes A.2, E.2, F.2 and G.2). What the
//! coefficients amount to is not worked out; that they can be what an encoder made of samples is.

use super::bits::{Bits, Bytes};
use super::block::{Bounds, Part, Textured, first_ac, first_dc, later_ac, later_dc, sequential};
use super::frame::{Component, Frame, Header, Tables};
use crate::content::formats::{Step, Subject, broken};

/// What a visit to a block may cost: enough for thousands of scans over a large picture, and an end to a small file
/// that claims millions of them.
const VISIT: u64 = 8;

/// Decodes the scan that begins at the next byte, and goes to the marker behind it.
pub(super) fn decode<'s, 'a>(
    subject: &Subject<'_>,
    bytes: Bytes<'s, 'a>,
    frame: &mut Frame,
    header: &Header,
    tables: &Tables,
) -> Step<Bytes<'s, 'a>> {
    let at = bytes.position();
    let mut parts = Vec::new();
    for &(place, dc, ac) in &header.parts {
        let Some(component) = frame.components.get(place) else { continue };
        let bounds = match tables.steps.get(component.steps) {
            Some(Some(steps)) => Bounds::new(steps, frame.precision),
            _ => return broken(at, "a scan without its table of steps"),
        };
        let (dc, ac) = (tables.dc.get(dc).and_then(Option::as_ref), tables.ac.get(ac).and_then(Option::as_ref));
        let needs = (header.first == 0 && header.high == 0, header.last > 0);
        if (needs.0 && dc.is_none()) || (needs.1 && ac.is_none()) {
            return broken(at, "a scan without its table of codes");
        }
        parts.push(Part {
            place,
            dc: dc.filter(|_| needs.0),
            ac: ac.filter(|_| needs.1),
            bounds,
            before: 0,
            textured: Textured::default(),
        });
    }
    progress(at, frame, header)?;
    let alone = match parts.as_slice() {
        [part] => frame.components.get(part.place).map(|component| (component.columns, component.rows)),
        _ => None,
    };
    let (columns, rows) = alone.unwrap_or((frame.mcu_columns, frame.mcu_rows));
    let blank_is_flat = parts.iter().all(Part::zeros_are_flat);
    let mut bits = Bits::new(bytes);
    let (mut done, mut restarts, mut run) = (0_u32, 0_u8, 0_u32);
    for row in 0..rows {
        subject.spend(u64::from(columns).saturating_mul(VISIT))?;
        for column in 0..columns {
            if tables.interval > 0 && done == tables.interval {
                restart(&mut bits, restarts, run)?;
                parts.iter_mut().for_each(|part| part.before = 0);
                (done, restarts, run) = (0, restarts.wrapping_add(1) & 7, 0);
            }
            done = done.saturating_add(1);
            for part in &mut parts {
                let Some(component) = frame.components.get_mut(part.place) else { continue };
                let (across, down) = if alone.is_some() { (1, 1) } else { (component.across, component.down) };
                for y in 0..down {
                    for x in 0..across {
                        let place = (
                            column.saturating_mul(across).saturating_add(x),
                            row.saturating_mul(down).saturating_add(y),
                        );
                        block(&mut bits, part, component, header, frame.progressive, place, &mut run)?;
                    }
                }
            }
            if let Some(sector) = bits.blank()
                && (!blank_is_flat || parts.iter().any(|part| part.textured.is_broken(sector)))
            {
                return broken(sector, "a sector of zeros inside a scan");
            }
        }
    }
    if run > 0 {
        return broken(bits.position(), "the scan has fewer blocks than it says");
    }
    let bytes = bits.finish()?;
    // Some programs write a restart marker behind the last interval, too.
    if tables.interval > 0 && done == tables.interval && bytes.peek()? == (Some(0xff), Some(0xd0 | restarts)) {
        bytes.skip();
        bytes.skip();
    }
    for part in &parts {
        if let Some(component) = frame.components.get_mut(part.place) {
            component.seen |= header.first == 0;
        }
    }
    Ok(bits.into_bytes())
}

/// Notes what a scan brings: each coefficient comes once, and then bit by bit (G.1.1.1.2).
fn progress(at: u64, frame: &mut Frame, header: &Header) -> Step<()> {
    for &(place, _, _) in &header.parts {
        let Some(component) = frame.components.get_mut(place) else { continue };
        let coefficients = component.missing.iter_mut().skip(header.first);
        for missing in coefficients.take(header.last.saturating_sub(header.first).saturating_add(1)) {
            match *missing {
                None if header.high == 0 => {}
                Some(before) if header.high > 0 && before == header.high => {}
                _ => return broken(at, "a scan that does not continue those before it"),
            }
            *missing = Some(header.low);
        }
    }
    Ok(())
}

fn block(
    bits: &mut Bits<'_, '_>,
    part: &mut Part<'_>,
    component: &mut Component,
    header: &Header,
    progressive: bool,
    (column, row): (u32, u32),
    run: &mut u32,
) -> Step<()> {
    if !progressive {
        return sequential(bits, part);
    }
    let place = u64::from(row).saturating_mul(component.stride.into()).saturating_add(column.into());
    let place = usize::try_from(place).unwrap_or(usize::MAX);
    let (Some(set), Some(dc)) = (component.set.get_mut(place), component.dc.get_mut(place)) else { return Ok(()) };
    if header.first == 0 {
        if header.high > 0 {
            return later_dc(bits, part, *set, *dc);
        }
        first_dc(bits, part, header.low)?;
        *dc = i16::try_from(part.before).unwrap_or(i16::MAX);
        return Ok(());
    }
    if header.high == 0 { first_ac(bits, part, header, set, run) } else { later_ac(bits, part, header, set, run) }
}

/// Passes a restart marker, which has to be the one whose turn it is.
fn restart(bits: &mut Bits<'_, '_>, number: u8, run: u32) -> Step<()> {
    if run > 0 {
        return broken(bits.position(), "an interval has fewer blocks than it says");
    }
    let (at, code) = bits.finish()?.marker()?;
    if code == 0xd0 | number { Ok(()) } else { broken(at, "another marker than the restart marker whose turn it is") }
}
