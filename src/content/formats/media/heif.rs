//! HEIF pictures, HEIC and AVIF among them (ISO/IEC 23008-12; the boxes: ISO/IEC 14496-12, 8.11): each item's bytes
//! lie in the file, and coded pictures hold together.

use std::collections::{BTreeMap, BTreeSet};

use super::boxes::{Atom, Part, Parts, atoms, first, inside, parts};
use super::codec::{self, Codec};
use super::films;
use super::tracks::{Budget, budget};
use crate::bytes::{array, be_u16, be_u32, be_u64, to_u64, to_usize, u8_at};
use crate::content::formats::{MOST_AT_ONCE, Step, Strength, Subject, broken, unchecked};

pub(super) fn check(subject: &Subject<'_>) -> Step<Strength> {
    let parts = parts(subject)?;
    if let Some((_, end)) = parts.cut {
        let missing = end.saturating_sub(subject.size());
        return broken(subject.size(), format!("the file ends {missing} bytes too early"));
    }
    let (meta, moov) = (parts.first(b"meta"), parts.first(b"moov"));
    if let Some(meta) = meta {
        items(subject, &parts, meta)?;
    }
    // Series of pictures have tracks, as films do.
    if let Some(moov) = moov {
        films::index(subject, &parts, moov)?;
    }
    if meta.is_none() && moov.is_none() {
        return broken(parts.strange.unwrap_or(subject.size()), "the picture's index is missing");
    }
    Ok(Strength::Structure)
}

/// Checks all items that `meta` names.
fn items(subject: &Subject<'_>, parts: &Parts, meta: &Part) -> Step<()> {
    let Some(length) = to_usize(meta.end.saturating_sub(meta.body)).filter(|length| *length <= MOST_AT_ONCE) else {
        return unchecked("the picture's index is too long");
    };
    let body = subject.bytes(meta.body, length)?;
    let children = atoms(body.get(4..).unwrap_or_default(), meta.body.saturating_add(4))?;
    let Some(iloc) = first(&children, b"iloc") else {
        return broken(meta.at, "the picture's index does not say where the picture lies");
    };
    let infos = infos(&children, meta)?;
    let properties = Properties::of(&children)?;
    if let Some(pitm) = first(&children, b"pitm") {
        let main = match u8_at(pitm.body, 0) {
            Some(0) => be_u16(pitm.body, 4).map(u32::from),
            _ => be_u32(pitm.body, 4),
        };
        if main.is_none_or(|main| !infos.contains_key(&main)) {
            return broken(pitm.at, "the picture's index names a main picture that is not there");
        }
    }
    let inner = first(&children, b"idat").map_or(0, |idat| to_u64(idat.body.len()));
    let budget = budget(subject);
    let Some(located) = Located::all(&iloc) else {
        return broken(iloc.at, "the table of the picture's parts ends too early");
    };
    for item in &located {
        let codec = infos.get(&item.id).map_or(Codec::Other, |kind| properties.codec(item.id, *kind));
        place(subject, parts, item, inner, codec, &budget)?;
    }
    let placed: BTreeSet<u32> = located.iter().map(|item| item.id).collect();
    for (id, kind) in &infos {
        if matches!(kind, b"hvc1" | b"av01" | b"grid" | b"jpeg") && !placed.contains(id) {
            return broken(iloc.at, "a part of the picture is named, and nothing says where it lies");
        }
    }
    Ok(())
}

/// Checks where one item lies.
fn place(subject: &Subject<'_>, parts: &Parts, item: &Located, inner: u64, codec: Codec, budget: &Budget) -> Step<()> {
    let mut sample = Vec::new();
    for (offset, length) in &item.extents {
        let Some(end) = offset.checked_add(*length) else {
            return broken(item.said_at, "a part of the picture lies at an impossible place");
        };
        match item.method {
            0 if end > subject.size() => {
                return broken(subject.size(), "the file ends before the picture does");
            }
            // 0 bytes mean "to the end of the file".
            0 if *length > 0 && !parts.in_one(*offset, *length) => {
                return broken(item.said_at, "a part of the picture lies where no picture is");
            }
            1 if end > inner => {
                return broken(item.said_at, "a part of the picture lies past the place for small parts");
            }
            0 if codec.says_something() => {
                match budget.get().checked_sub(*length) {
                    Some(left) => budget.set(left),
                    None => return unchecked("its index names the same bytes again and again"),
                }
                let Some(length) = to_usize(*length).filter(|length| *length <= MOST_AT_ONCE) else {
                    return unchecked("a part of the picture is too large to be looked into");
                };
                sample.extend(subject.bytes(*offset, length)?);
                if sample.len() > MOST_AT_ONCE {
                    return unchecked("a part of the picture is too large to be looked into");
                }
            }
            _ => {}
        }
    }
    codec.check(&sample).or_else(|(inside, why)| {
        // With one extent the place is exact; with more it is the part's beginning.
        let start = item.extents.first().map_or(0, |(offset, _)| *offset);
        let at = if item.extents.len() == 1 { start.saturating_add(to_u64(inside)) } else { start };
        broken(at, format!("the picture is damaged: {why}"))
    })
}

/// Numbers and kinds of items: `iinf` with `infe` (8.11.6); kinds are there from version 2 on.
fn infos(children: &[Atom<'_>], meta: &Part) -> Step<BTreeMap<u32, [u8; 4]>> {
    let Some(iinf) = first(children, b"iinf") else {
        return broken(meta.at, "the picture's index does not name its parts");
    };
    let (skip, count) = match u8_at(iinf.body, 0) {
        Some(0) => (6, be_u16(iinf.body, 4).map(u32::from)),
        _ => (8, be_u32(iinf.body, 4)),
    };
    let entries = atoms(iinf.body.get(skip..).unwrap_or_default(), iinf.body_at.saturating_add(to_u64(skip)))?;
    if count.map(u64::from) != Some(to_u64(entries.len())) {
        return broken(iinf.at, "the picture's index names more or fewer parts than it counts");
    }
    let read = |infe: &Atom<'_>| match u8_at(infe.body, 0)? {
        0 | 1 => Some((u32::from(be_u16(infe.body, 4)?), [0; 4])),
        2 => Some((u32::from(be_u16(infe.body, 4)?), array(infe.body, 8)?)),
        _ => Some((be_u32(infe.body, 4)?, array(infe.body, 10)?)),
    };
    Ok(entries.iter().filter_map(read).collect())
}

/// Which item is coded how: `iprp` (23008-12, 9.3) lists properties, and which items they are of.
struct Properties {
    codecs: Vec<Option<Codec>>,
    /// The numbers of each item's properties, from 1.
    of_items: BTreeMap<u32, Vec<usize>>,
}

impl Properties {
    fn of(children: &[Atom<'_>]) -> Step<Self> {
        let iprp = inside(children, b"iprp")?;
        let codecs = inside(&iprp, b"ipco")?
            .iter()
            .map(|property| match &property.kind {
                b"hvcC" => codec::hevc(property.body),
                b"avcC" => codec::avc(property.body),
                _ => None,
            })
            .collect();
        let mut of_items = BTreeMap::new();
        for ipma in iprp.iter().filter(|atom| atom.kind == *b"ipma") {
            if associations(ipma.body, &mut of_items).is_none() {
                return broken(ipma.at, "the table of the picture's properties ends too early");
            }
        }
        Ok(Self { codecs, of_items })
    }

    fn codec(&self, item: u32, kind: [u8; 4]) -> Codec {
        if kind == *b"av01" {
            return Codec::Av1;
        }
        if !matches!(&kind, b"hvc1" | b"avc1") {
            return Codec::Other;
        }
        let numbers = self.of_items.get(&item).map(Vec::as_slice).unwrap_or_default();
        let mut codecs = numbers.iter().take(256).filter_map(|number| *self.codecs.get(number.checked_sub(1)?)?);
        codecs.next().unwrap_or(Codec::NoZeros)
    }
}

/// `ipma`: for each item its number, how many properties, and their numbers in 7 or 15 bits.
fn associations(body: &[u8], into: &mut BTreeMap<u32, Vec<usize>>) -> Option<()> {
    let flags = be_u32(body, 0)?;
    let mut at = 8_usize;
    for _ in 0..be_u32(body, 4)? {
        let item = if flags >> 24 == 0 {
            let item = u32::from(be_u16(body, at)?);
            at = at.checked_add(2)?;
            item
        } else {
            let item = be_u32(body, at)?;
            at = at.checked_add(4)?;
            item
        };
        let count = u8_at(body, at)?;
        at = at.checked_add(1)?;
        for _ in 0..count {
            let number = if flags & 1 == 0 { u16::from(u8_at(body, at)? & 0x7f) } else { be_u16(body, at)? & 0x7fff };
            at = at.checked_add(if flags & 1 == 0 { 1 } else { 2 })?;
            into.entry(item).or_default().push(usize::from(number));
        }
    }
    Some(())
}

/// Where an item lies: `iloc` (8.11.3).
struct Located {
    id: u32,
    /// 0: in the file; 1: in `idat`; 2: in another item.
    method: u8,
    extents: Vec<(u64, u64)>,
    said_at: u64,
}

impl Located {
    fn all(iloc: &Atom<'_>) -> Option<Vec<Self>> {
        let body = iloc.body;
        let version = u8_at(body, 0)?;
        let sizes = be_u16(body, 4)?;
        let [offset_size, length_size, base_size, index_size] =
            [12, 8, 4, 0].map(|shift| usize::from((sizes >> shift) & 15));
        let mut at = 6_usize;
        let mut take = |width: usize| -> Option<u64> {
            let value = match width {
                0 => 0,
                2 => u64::from(be_u16(body, at)?),
                4 => u64::from(be_u32(body, at)?),
                8 => be_u64(body, at)?,
                _ => return None,
            };
            at = at.checked_add(width)?;
            Some(value)
        };
        let wide = if version < 2 { 2 } else { 4 };
        let mut items = Vec::new();
        for _ in 0..take(wide)? {
            let id = u32::try_from(take(wide)?).ok()?;
            let method = if version == 0 { 0 } else { u8::try_from(take(2)? & 15).ok()? };
            // Data in another file is not this file's matter.
            let here = take(2)? == 0;
            let base = take(base_size)?;
            let mut extents = Vec::new();
            let count = take(2)?;
            // Entries without a field take no room, and there may be many.
            let is_nothing = (offset_size, length_size) == (0, 0) && (version == 0 || index_size == 0);
            for _ in 0..if is_nothing { 0 } else { count } {
                if version > 0 {
                    take(index_size)?;
                }
                let (offset, length) = (take(offset_size)?, take(length_size)?);
                // Without a field in the table there is nothing to go through.
                if here && (offset_size, length_size) != (0, 0) {
                    extents.push((base.saturating_add(offset), length));
                }
            }
            items.push(Self { id, method, extents, said_at: iloc.at });
        }
        Some(items)
    }
}
