//! $MFTMirr: the second copy of the file table's first records.

use super::record::{NoRecord, Record};
use super::structures::{BootSector, record_number};
use super::table::Table;
use crate::bytes::to_u64;
use crate::catalog::{FindingKind, Findings};
use crate::error::Result;
use crate::source::Source;

/// How many records are mirrored at least: $MFT, $MFTMirr, $LogFile and $Volume. With clusters of more bytes than these,
/// the mirror has more of them; whether a driver keeps those up is its own affair.
const MIRRORED: u64 = 4;

/// What stands at a record's place in the mirror, and where that is in the volume; `None` if it has no place.
fn look(source: &Source, boot: &BootSector, number: u64) -> Result<Option<(u64, Result<Record, NoRecord>)>> {
    let start = boot.cluster.volume_offset(boot.mft_mirror);
    let within = number.checked_mul(to_u64(boot.record_size));
    let Some(offset) = start.zip(within).and_then(|(start, within)| start.checked_add(within)) else { return Ok(None) };
    if offset >= boot.total_bytes() {
        return Ok(None);
    }
    let mut raw = vec![0; boot.record_size];
    let reality = source.read_at(offset, &mut raw)?;
    Ok(Some((offset, Record::parse(number, &raw, offset, &reality))))
}

/// A record in use from the mirror.
pub(super) fn read(source: &Source, boot: &BootSector, number: u64) -> Result<Option<Record>> {
    let found = look(source, boot, number)?;
    Ok(found.and_then(|(_, parsed)| parsed.ok()).filter(Record::in_use))
}

/// Holds the mirror against the records. What was not read on either side proves nothing.
pub(super) fn compare(source: &Source, boot: &BootSector, table: &Table, findings: &mut Findings) -> Result<()> {
    for number in 0..MIRRORED {
        let Some((offset, mirrored)) = look(source, boot, number)? else { continue };
        let what = match (table.read(source, number)?, mirrored) {
            (Ok(record), Ok(mirrored)) if !record.partial && !mirrored.partial => {
                if says_the_same(&record, &mirrored) {
                    continue;
                }
                "the two differ"
            }
            (Ok(record), Err(NoRecord::Damaged | NoRecord::Blank)) if !record.partial => "in the mirror is no record",
            _ => continue,
        };
        findings.add(FindingKind::MirrorDiffers, Some(source.image_offset(offset)), Some(number), || what);
    }
    Ok(())
}

/// Whether two copies say the same of the file. How often each was written is no matter.
fn says_the_same(one: &Record, other: &Record) -> bool {
    let body = |record: &Record| record.bytes.get(record.header.first_attribute..).map(<[u8]>::to_vec);
    let head = |record: &Record| {
        let head = &record.header;
        (head.flags, head.sequence, head.links, head.first_attribute, head.base)
    };
    head(one) == head(other) && body(one) == body(other)
}

/// The table's first record, from its place or from the mirror.
pub(super) fn first_record(volume: &Source, boot: &BootSector, findings: &mut Findings) -> Result<Option<Record>> {
    let places = [(boot.mft, false), (boot.mft_mirror, true)];
    for (lcn, mirror) in places {
        let Some(offset) = boot.cluster.volume_offset(lcn).filter(|offset| *offset < boot.total_bytes()) else {
            continue;
        };
        let mut raw = vec![0; boot.record_size];
        let reality = volume.read_at(offset, &mut raw)?;
        let parsed = Record::parse(record_number::MFT, &raw, offset, &reality);
        match parsed {
            Ok(record) if record.in_use() && !record.partial && !record.other_number => {
                if mirror {
                    findings.add(
                        FindingKind::MirrorUsed,
                        Some(volume.image_offset(offset)),
                        None,
                        || "for the file table's own record",
                    );
                }
                return Ok(Some(record));
            }
            Ok(_) | Err(NoRecord::Damaged | NoRecord::Blank) => {
                findings.add(FindingKind::RecordDamaged, Some(volume.image_offset(offset)), Some(0), || {
                    if mirror { "in the mirror" } else { "the file table's own record" }
                });
            }
            Err(NoRecord::Unread) => {
                findings.add(FindingKind::RecordUnread, Some(volume.image_offset(offset)), Some(0), || {
                    if mirror { "in the mirror" } else { "the file table's own record" }
                });
            }
        }
    }
    Ok(None)
}
