//! WMV and WMA: Advanced Systems Format (Microsoft, "ASF Specification", 1.2): objects with a mark of 16 bytes and a
//! length; the film lies in packets of one length.

use crate::bytes::{array, le_u32, le_u64, to_u64, to_usize};
use crate::content::formats::{Format, MOST_AT_ONCE, Step, Strength, Subject, broken};

pub(super) const FORMATS: &[Format] = &[Format { name: "WMV/WMA", endings: &["wmv", "wma", "asf"], opens, check }];

/// ASF_Header_Object (10.1).
const HEADER: [u8; 16] = [0x30, 0x26, 0xb2, 0x75, 0x8e, 0x66, 0xcf, 0x11, 0xa6, 0xd9, 0, 0xaa, 0, 0x62, 0xce, 0x6c];
/// ASF_Data_Object (10.1).
const DATA: [u8; 16] = [0x36, 0x26, 0xb2, 0x75, 0x8e, 0x66, 0xcf, 0x11, 0xa6, 0xd9, 0, 0xaa, 0, 0x62, 0xce, 0x6c];
/// ASF_File_Properties_Object (10.2).
const PROPERTIES: [u8; 16] =
    [0xa1, 0xdc, 0xab, 0x8c, 0x47, 0xa9, 0xcf, 0x11, 0x8e, 0xe4, 0, 0xc0, 0x0c, 0x20, 0x53, 0x65];

/// Bytes of a data object before its packets (5.1).
const BEFORE_PACKETS: u64 = 50;

fn opens(head: &[u8]) -> bool {
    head.starts_with(&HEADER)
}

/// What the file's properties say (3.2).
#[derive(Debug, Clone, Copy)]
struct Properties {
    at: u64,
    packets: u64,
    packet: u32,
    /// Written while it was sent: counts and lengths are not there.
    live: bool,
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut at = 0_u64;
    let mut properties = None;
    let mut data = false;
    while at < subject.size() {
        let left = subject.size().saturating_sub(at);
        if left < 24 {
            return broken(at, "the file ends within one of its parts");
        }
        let head = subject.bytes(at, 24)?;
        let (mark, length) = (array::<16>(&head, 0), le_u64(&head, 16).unwrap_or_default());
        let live = properties.is_some_and(|properties: Properties| properties.live);
        if mark == Some(DATA) && live && length < 24 {
            return Ok(Strength::Opening);
        }
        if length < 24 {
            return broken(at, "a part of the film has an impossible length");
        }
        if length > left {
            let what =
                if data { "the file ends within the film's index" } else { "the file ends before the film does" };
            return broken(subject.size(), what);
        }
        if mark == Some(HEADER) && at == 0 {
            properties = Some(header(subject, length)?);
        } else if mark == Some(DATA) {
            data = true;
            if let Some(properties) = properties {
                packets(subject, at, length, properties)?;
            }
        }
        at = at.saturating_add(length);
    }
    if data { Ok(Strength::Structure) } else { broken(subject.size(), "there is no film and no sound in it") }
}

/// The objects in the header fill it.
fn header(subject: &Subject<'_>, length: u64) -> Step<Properties> {
    let bytes = subject.bytes(0, to_usize(length).unwrap_or(MOST_AT_ONCE).min(MOST_AT_ONCE))?;
    let mut at = 30_usize;
    let mut found = None;
    while let Some(rest) = bytes.get(at..).filter(|rest| !rest.is_empty()) {
        let place = to_u64(at);
        let Some(length) = le_u64(rest, 16).and_then(to_usize).filter(|length| *length >= 24 && *length <= rest.len())
        else {
            return broken(place, "the header of the film is damaged");
        };
        if array::<16>(rest, 0) == Some(PROPERTIES) {
            let flags = le_u32(rest, 88).unwrap_or_default();
            found = Some(Properties {
                at: place,
                packets: le_u64(rest, 56).unwrap_or_default(),
                packet: le_u32(rest, 92).unwrap_or_default(),
                live: flags & 1 != 0,
            });
        }
        at = at.saturating_add(length);
    }
    match found {
        Some(found) => Ok(found),
        None => broken(0, "the header of the film does not describe it"),
    }
}

/// The packets fill the data object, and all open alike.
fn packets(subject: &Subject<'_>, at: u64, length: u64, properties: Properties) -> Step<()> {
    let packet = u64::from(properties.packet);
    let first = at.saturating_add(BEFORE_PACKETS);
    // Real packets have thousands of bytes.
    if packet < 64 || properties.live {
        return Ok(());
    }
    let room = length.saturating_sub(BEFORE_PACKETS);
    if properties.packets.saturating_mul(packet) > room {
        return broken(properties.at, "the film has more packets than there is room for");
    }
    // Error correction data, two bytes of it (5.2.1): what all programs write.
    let opening = |place: u64| -> Step<[u8; 3]> { subject.array::<3>(place) };
    if room < packet || opening(first)? != [0x82, 0, 0] {
        return Ok(());
    }
    let mut place = first;
    let end = at.saturating_add(length);
    while place.saturating_add(packet) <= end {
        if opening(place)? != [0x82, 0, 0] {
            return broken(place, "a packet of the film does not open");
        }
        place = place.saturating_add(packet);
    }
    Ok(())
}
