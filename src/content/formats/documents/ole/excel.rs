//! Excel's records ([MS-XLS] 2.1.4 and 2.1.7.20; older ones from memory): type, length, data, from a beginning to an end,
//! for the table as a whole and for each sheet.

use super::compound::Compound;
use super::stream::Stream;
use crate::bytes::{le_u16, le_u32};
use crate::content::formats::{Step, Stop, Subject, broken};

const END: u16 = 0x000A;
const BOUND_SHEET: u16 = 0x0085;
const FILE_PASS: u16 = 0x002F;
/// Beginnings, by version: 2, 3, 4, and 5 to 8.
const BEGINNINGS: [u16; 4] = [0x0009, 0x0209, 0x0409, 0x0809];
/// The longest record ([MS-XLS] 2.1.4).
const LONGEST: u16 = 8224;
/// Charts stand in sheets, and tables in charts.
const DEEPEST: usize = 16;

/// Whether a file opens with a beginning, as before there were compound files.
pub(super) fn opens(head: &[u8]) -> bool {
    matches!(
        (le_u16(head, 0), le_u16(head, 2), le_u16(head, 6)),
        (Some(0x0009), Some(4), Some(0x10 | 0x20 | 0x40))
            | (Some(0x0209 | 0x0409), Some(6), Some(0x10 | 0x20 | 0x40 | 0x100))
            | (Some(0x0809), Some(8 | 16), Some(0x05 | 0x10 | 0x20 | 0x40 | 0x100))
    )
}

pub(super) fn check(compound: &Compound<'_>) -> Step<()> {
    let stream = match compound.stream("Workbook")? {
        Some(stream) => Some(stream),
        None => compound.stream("Book")?,
    };
    let Some(stream) = stream else { return broken(0, "it has no tables") };
    check_stream(compound.subject, &stream)
}

/// What was seen between a beginning and its end.
#[derive(Default)]
struct Seen {
    /// Where the next thing begins.
    end: u64,
    sheets: Vec<u64>,
    encrypted: bool,
}

pub(super) fn check_stream(subject: &Subject<'_>, stream: &Stream) -> Step<()> {
    let mut all = records(subject, stream, 0)?;
    all.sheets.sort_unstable();
    all.sheets.dedup();
    let mut at = all.end;
    for sheet in all.sheets {
        if sheet < at {
            return broken(stream.place(sheet), "a sheet begins within another part");
        }
        at = records(subject, stream, sheet)?.end;
    }
    if all.encrypted {
        return Err(Stop::Protected { why: "it is encrypted with a password".to_string() });
    }
    Ok(())
}

/// The records from a beginning to its end.
fn records(subject: &Subject<'_>, stream: &Stream, start: u64) -> Step<Seen> {
    let mut seen = Seen { end: start, ..Seen::default() };
    let mut depth = 0_usize;
    loop {
        let at = seen.end;
        let head: [u8; 4] = stream.array(subject, at)?;
        let (kind, length) = (le_u16(&head, 0).unwrap_or_default(), le_u16(&head, 2).unwrap_or_default());
        seen.end = at.saturating_add(4).saturating_add(length.into());
        if length > LONGEST || seen.end > stream.length() {
            return broken(stream.place(at), "a record of it is longer than can be");
        }
        if BEGINNINGS.contains(&kind) {
            depth = depth.saturating_add(1);
        } else if depth == 0 {
            return broken(stream.place(at), "a sheet does not begin where it should");
        }
        match kind {
            END => depth = depth.saturating_sub(1),
            FILE_PASS => seen.encrypted = true,
            BOUND_SHEET if depth == 1 => {
                let place: [u8; 4] = stream.array(subject, at.saturating_add(4))?;
                seen.sheets.push(le_u32(&place, 0).unwrap_or_default().into());
            }
            _ => {}
        }
        if depth == 0 {
            return Ok(seen);
        }
        if depth > DEEPEST {
            return broken(stream.place(at), "sheets stand in sheets without end");
        }
    }
}
