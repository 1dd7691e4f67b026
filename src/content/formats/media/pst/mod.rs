//! PST and OST, in which Outlook keeps mail ([MS-PST]): the header, the maps of what is used, both trees, and every
//! block that they lead to, each with its CRC.
//!
//! The pages of 4,096 bytes of newer OST files are not in [MS-PST]: common practice, compared with two real files.

mod layout;
mod tree;

use crate::bytes::{le_u16, le_u32, u8_at};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};
use layout::{Layout, crc, number};

pub(super) const FORMATS: &[Format] = &[Format { name: "PST", endings: &["pst", "ost"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.starts_with(b"!BDN") && matches!(head.get(8..10), Some(b"SM" | b"SO"))
}

/// A reference to a page or block: its number and its place.
#[derive(Debug, Clone, Copy)]
struct Reference {
    id: u64,
    at: u64,
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let head = subject.bytes(0, 564)?;
    let version = le_u16(&head, 10).unwrap_or_default();
    let Some(layout) = Layout::of(version) else {
        return unchecked(format!("its version ({version}) is not known"));
    };
    // dwCRCPartial (2.2.2.6): over 471 bytes from 8.
    if le_u32(&head, 4) != head.get(8..479).map(crc) {
        return broken(4, "the header does not agree with its checksum");
    }
    // dwCRCFull: over 516 bytes from 8.
    if layout.wide && le_u32(&head, 524) != head.get(8..524).map(crc) {
        return broken(524, "the header does not agree with its second checksum");
    }
    let root = head.get(layout.root..).unwrap_or_default();
    let width = layout.width();
    let field = |index: usize| {
        let at = width.saturating_mul(index).saturating_add(4);
        number(root, at, width).unwrap_or_default()
    };
    let (end, last_map) = (field(0), field(1));
    let references = [4, 6].map(|index| Reference { id: field(index), at: field(index.saturating_add(1)) });
    let maps_hold = u8_at(root, width.saturating_mul(8).saturating_add(4)).unwrap_or_default() != 0;
    if end > subject.size() {
        let missing = end.saturating_sub(subject.size());
        return broken(subject.size(), format!("the file ends {missing} bytes too early"));
    }
    if maps_hold {
        maps(subject, &layout, last_map)?;
    }
    let [nodes, blocks] = references;
    let mut walk = tree::Walk::new(subject, &layout);
    walk.tree(nodes, layout::NODES)?;
    walk.tree(blocks, layout::BLOCKS)?;
    Ok(Strength::Checksum)
}

/// The maps of used bytes (2.2.2.7.2) stand at fixed distances.
fn maps(subject: &Subject<'_>, layout: &Layout, last: u64) -> Step<()> {
    let mut at = layout.first_map;
    while at <= last && at < subject.size() {
        let page = subject.bytes(at, layout.page)?;
        let trailer = layout.page_trailer(&page);
        if trailer.kind != Some(layout::MAP) {
            return broken(at, "a map of used bytes does not stand where it has to");
        }
        if !trailer.right {
            return broken(at, "a map of used bytes does not agree with its checksum");
        }
        at = at.saturating_add(layout.map_distance);
    }
    Ok(())
}
