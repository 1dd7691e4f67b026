//! A boot sector and what it ties the volume to: the file table and its mirror, whose record 0 says again where the
//! table begins. `structures` has the sources.

use super::attributes::{Body, attributes};
use super::record::{NoRecord, Record};
use super::runs::unpack;
use super::structures::{BootSector, attribute_type, record_number};
use super::units::{Lcn, Vcn};
use crate::bytes::le_u32;
use crate::error::Result;
use crate::filesystem::anchor::{Anchor, Evidence, Format, Structure, Verdict};
use crate::source::Source;

pub(in crate::filesystem) fn anchor(sector: &[u8]) -> Option<Anchor> {
    let boot = BootSector::from_bytes(sector)?;
    let total = boot.total_sectors.checked_mul(boot.sector_size)?;
    let before = u64::from(le_u32(sector, 0x1c)?); // hidden_sectors
    Some(Anchor {
        format: Format::Ntfs,
        length: total.checked_add(boot.sector_size)?,
        backup: Some(total),
        before: before.checked_mul(boot.sector_size).filter(|before| *before > 0),
    })
}

pub(in crate::filesystem) fn evidence(sector: &[u8], volume: &Source, all: &mut Vec<Evidence>) -> Result<()> {
    let Some(boot) = BootSector::from_bytes(sector) else { return Ok(()) };
    for (structure, lcn) in [(Structure::FileTable, boot.mft), (Structure::FileTableMirror, boot.mft_mirror)] {
        let Some(offset) = boot.cluster.volume_offset(lcn).filter(|offset| *offset < boot.total_bytes()) else {
            continue;
        };
        let mut raw = vec![0; boot.record_size];
        let reality = volume.read_at(offset, &mut raw)?;
        let verdict = match Record::parse(record_number::MFT, &raw, offset, &reality) {
            Err(NoRecord::Unread) => Verdict::Unread,
            Err(NoRecord::Blank | NoRecord::Damaged) => Verdict::Absent,
            Ok(record) => match table_start(&record) {
                Some(start) if start == boot.mft => Verdict::Stands,
                // The part with the runs may lie in the hole.
                None if record.partial => Verdict::Unread,
                _ => Verdict::Absent,
            },
        };
        all.push(Evidence { structure, offset: volume.image_offset(offset), verdict });
    }
    Ok(())
}

/// Where the table begins by its own first record.
fn table_start(record: &Record) -> Option<Lcn> {
    let attributes = attributes(record);
    let data = attributes.iter().find(|one| one.header.kind == attribute_type::DATA && one.name.is_empty())?;
    let Body::NonResident(body, packed) = &data.body else { return None };
    let (runs, _) = unpack(packed, Vcn(0), body.last);
    runs.first().and_then(|run| run.place).filter(|_| record.in_use() && body.first == Vcn(0))
}
