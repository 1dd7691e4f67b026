//! What stands where on a sound NTFS volume. Offsets are those of `src/filesystem/ntfs/structures.rs`, sources there.

use std::ops::Range;

use handback::source::Source;

use super::{Anatomy, Format, bytes, index, u16_at, u32_at, u64_at};

/// Boot sectors, records in use, index blocks and attribute lists outside records are its structures.
pub(crate) struct Ntfs;

impl Format for Ntfs {
    fn begins(&self, first: &[u8]) -> bool {
        &first[3..11] == b"NTFS    "
    }

    fn enter(&self, source: &Source, start: u64, into: &mut Anatomy) {
        enter(into, source, start);
    }

    fn quiet(&self) -> &[&str] {
        &["$LogFile", "content of the filesystem's own"]
    }
}

/// A record or block with its fixups undone.
pub(crate) fn unfixed(raw: &[u8]) -> Vec<u8> {
    let mut bytes = raw.to_vec();
    let (offset, count) = (usize::from(u16_at(raw, 4)), usize::from(u16_at(raw, 6)));
    for index in 1..count {
        bytes.copy_within(offset + 2 * index..offset + 2 * index + 2, index * 512 - 2);
    }
    bytes
}

/// The opposite: the last word of each stride goes into the array, and the sequence number in its place.
pub(crate) fn fixed(plain: &[u8], offset: usize, count: usize) -> Vec<u8> {
    let mut bytes = plain.to_vec();
    for index in 1..count {
        bytes.copy_within(index * 512 - 2..index * 512, offset + 2 * index);
        bytes.copy_within(offset..offset + 2, index * 512 - 2);
    }
    bytes
}

/// The attributes of a record without fixups: where each starts, and its bytes.
pub(crate) fn attributes(record: &[u8]) -> Vec<(usize, &[u8])> {
    let mut all = Vec::new();
    let mut at = usize::from(u16_at(record, 0x14));
    while at + 8 <= record.len() && u32_at(record, at) != u32::MAX {
        let length = index(u32_at(record, at + 4).into());
        if length == 0 {
            break;
        }
        all.push((at, &record[at..at + length]));
        at += length;
    }
    all
}

/// First cluster of the stream, first cluster of the volume and length of each run that has a place.
fn runs(attribute: &[u8]) -> Vec<(u64, u64, u64)> {
    let mut all = Vec::new();
    let (mut at, mut vcn, mut lcn) = (usize::from(u16_at(attribute, 0x20)), u64_at(attribute, 0x10), 0_i64);
    while attribute[at] != 0 {
        let (lengths, places) = (usize::from(attribute[at] & 15), usize::from(attribute[at] >> 4));
        let number = |from: usize, count: usize, signed: bool| {
            let negative = signed && count > 0 && attribute[from + count - 1] & 0x80 != 0;
            let mut bytes = [if negative { 0xff } else { 0 }; 8];
            bytes[..count].copy_from_slice(&attribute[from..from + count]);
            i64::from_le_bytes(bytes)
        };
        let length = u64::try_from(number(at + 1, lengths, false)).expect("a length");
        if places > 0 {
            lcn += number(at + 1 + lengths, places, true);
            // $BadClus has a run of the whole volume without a place; -1 is an old form of one.
            if let Ok(lcn) = u64::try_from(lcn) {
                all.push((vcn, lcn, length));
            }
        }
        vcn += length;
        at += 1 + lengths + places;
    }
    all
}

fn name(attribute: &[u8]) -> String {
    let at = usize::from(u16_at(attribute, 0x0a));
    let units: Vec<u16> = (0..usize::from(attribute[9])).map(|one| u16_at(attribute, at + 2 * one)).collect();
    String::from_utf16_lossy(&units)
}

/// What an attribute's clusters hold.
fn kind_of(attribute: &[u8], record: u64) -> &'static str {
    let compressed = u16_at(attribute, 0x0c) & 0xff != 0;
    match (u32_at(attribute, 0), record) {
        (0x20, 0) => "$MFT's attribute list",
        (0x20, _) => "attribute list",
        (0xa0, 0..=4 | 6..=23) => "index block of the filesystem's own",
        (0xa0, _) => "index block",
        (0xb0, 0) => "$MFT's bitmap",
        (0x80, 1) => "$MFTMirr",
        (0x80, 2) => "$LogFile",
        (0x80, 6) => "$Bitmap",
        (0x80, 0..=23) => "content of the filesystem's own",
        (0x80, _) if name(attribute) == "WofCompressedData" => "system-compressed content",
        (0x80, _) if compressed => "compressed content",
        (0x80, _) => "file content",
        _ => "other attribute",
    }
}

struct Reader<'a> {
    source: &'a Source,
    start: u64,
    cluster: u64,
    record_size: u64,
    /// Bytes of the table and where they are in the image.
    table: Vec<(u64, u64, u64)>,
}

impl Reader<'_> {
    fn bytes(&self, range: Range<u64>) -> Vec<u8> {
        bytes(self.source, range)
    }

    /// Image ranges of the runs of an attribute, in order.
    fn places(&self, attribute: &[u8]) -> Vec<Range<u64>> {
        let at = |lcn: u64| self.start + lcn * self.cluster;
        runs(attribute).into_iter().map(|(_, lcn, length)| at(lcn)..at(lcn + length)).collect()
    }

    fn grow(&mut self, record: &[u8]) {
        for (_, attribute) in attributes(record) {
            if u32_at(attribute, 0) == 0x80 && attribute[8] == 1 {
                for (vcn, lcn, length) in runs(attribute) {
                    let place = (vcn * self.cluster, self.start + lcn * self.cluster, length * self.cluster);
                    if !self.table.contains(&place) {
                        self.table.push(place);
                    }
                }
            }
        }
        self.table.sort_unstable();
    }

    /// Image ranges of a record; several where clusters are smaller than it and lie apart.
    fn record(&self, number: u64) -> Option<Vec<Range<u64>>> {
        let (mut at, end) = (number * self.record_size, (number + 1) * self.record_size);
        let mut ranges: Vec<Range<u64>> = Vec::new();
        while at < end {
            let (first, place, length) =
                *self.table.iter().find(|(first, _, length)| (*first..first + length).contains(&at))?;
            let stop = end.min(first + length);
            ranges.push(place + at - first..place + stop - first);
            at = stop;
        }
        Some(ranges)
    }
}

fn enter(into: &mut Anatomy, source: &Source, start: u64) {
    let mut reader = Reader { source, start, cluster: 0, record_size: 0, table: Vec::new() };
    let boot = reader.bytes(start..start + 512);
    let sector_size = u64::from(u16_at(&boot, 0x0b));
    let sectors = match u64::from(boot[0x0d]) {
        exponent @ 0xe0.. => 1 << (256 - exponent),
        count => count,
    };
    reader.cluster = sectors * sector_size;
    reader.record_size = match i8::from_le_bytes([boot[0x40]]) {
        clusters @ 1.. => u64::try_from(clusters).expect("positive") * reader.cluster,
        exponent => 1 << exponent.unsigned_abs(),
    };
    let end = start + u64_at(&boot, 0x28) * sector_size;
    into.volume(start..end + 512);
    for (range, kind) in [(start..start + 512, "boot sector"), (end..end + 512, "backup boot sector")] {
        into.add(&range, kind, start, None);
        into.piece(range, kind);
    }
    let mft = start + u64_at(&boot, 0x30) * reader.cluster;
    let first = unfixed(&reader.bytes(mft..mft + reader.record_size));
    reader.grow(&first);
    // Further parts of the table stand in extension records that lie in the parts known so far.
    let mut size = 0;
    for number in 0_u64.. {
        let Some(ranges) = reader.record(number) else { break };
        size = number + 1;
        let raw: Vec<u8> = ranges.iter().flat_map(|range| reader.bytes(range.clone())).collect();
        if raw.starts_with(b"FILE")
            && u16_at(&raw, 0x16) & 1 != 0
            && u64_at(&raw, 0x20) & 0xffff_ffff_ffff == 0
            && u64_at(&raw, 0x20) != 0
        {
            reader.grow(&unfixed(&raw));
        }
    }
    for number in 0..size {
        let ranges = reader.record(number).expect("seen above");
        let raw: Vec<u8> = ranges.iter().flat_map(|range| reader.bytes(range.clone())).collect();
        record(into, &reader, number, &ranges, &raw);
    }
}

fn record(into: &mut Anatomy, reader: &Reader<'_>, number: u64, ranges: &[Range<u64>], raw: &[u8]) {
    let in_use = raw.starts_with(b"FILE") && u16_at(raw, 0x16) & 1 != 0;
    let base = if in_use { u64_at(raw, 0x20) } else { 0 };
    let owner = if base == 0 { number } else { base & 0xffff_ffff_ffff };
    let kind = match (in_use, number, base) {
        (false, ..) => "free file record",
        (true, 0, _) => "$MFT's record 0",
        (true, 5, _) => "root folder's record",
        // mkntfs makes $Quota, $ObjId and $Reparse the records after the reserved ones.
        (true, 1..=26, _) if base == 0 => "record of the filesystem's own",
        (true, _, 0) => "file record",
        (true, ..) if owner == 0 => "extension record of $MFT",
        (true, ..) => "extension record",
    };
    let used = if in_use { u64::from(u32_at(raw, 0x18)) } else { u64::MAX };
    let mut within = 0;
    for range in ranges {
        for at in range.clone().step_by(512) {
            let kind = if within < used { kind } else { "unused end of a record" };
            into.add(&(at..at + 512), kind, reader.start, Some(owner));
            within += 512;
        }
    }
    if !in_use {
        return;
    }
    if let [one] = ranges {
        into.piece(one.clone(), kind);
    }
    for (_, attribute) in attributes(&unfixed(raw)) {
        if attribute[8] != 1 || (number == 0 && u32_at(attribute, 0) == 0x80) {
            continue;
        }
        let kind = kind_of(attribute, owner);
        if owner == 0 && u32_at(attribute, 0) == 0x80 {
            continue;
        }
        for place in reader.places(attribute) {
            // $BadClus and preallocated ends may be as long as the volume; only what is there counts.
            let place = place.start..place.end.min(reader.source.length());
            into.add(&place, kind, reader.start, Some(owner));
            match kind {
                "index block" => {
                    // All that mkntfs makes.
                    let block = 4096;
                    let mut at = place.start;
                    while at + block <= place.end {
                        if reader.bytes(at..at + 4) == b"INDX" {
                            into.piece(at..at + block, kind);
                        }
                        at += block;
                    }
                }
                "attribute list" | "$MFT's attribute list" => {
                    let used = u64_at(attribute, 0x30).min(place.end - place.start);
                    into.piece(place.start..place.start + used, kind);
                }
                _ => {}
            }
        }
    }
}
