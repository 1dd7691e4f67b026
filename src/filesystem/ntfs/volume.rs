//! Opening a volume: boot sector or its backup, and the facts that the volume tells of itself.

use super::attributes::{Body, attributes};
use super::structures::{BootSector, StandardInformation, VolumeInformation, attribute_type, record_number, utf16};
use super::table::Table;
use super::{Ntfs, mirror};
use crate::bytes::slice;
use crate::catalog::{FindingKind, Findings, Timestamp};
use crate::error::Result;
use crate::filesystem::VolumeFacts;
use crate::source::Source;

/// Sector sizes at which a backup of the boot sector is looked for, in bytes.
const SECTOR_SIZES: [u64; 2] = [512, 4096];

pub(super) fn open(source: &Source) -> Result<Option<Ntfs>> {
    let mut findings = Findings::default();
    let Some((boot, unknown)) = boot_sector(source, &mut findings)? else { return Ok(None) };
    // Everything hangs on the boot sector and on what describes the table.
    let source = if unknown { &source.unvouched() } else { source };
    let table = Table::find(source, &boot, &mut findings)?;
    finish(source, boot, table, findings).map(Some)
}

/// Puts the volume together once it is known where its table is.
pub(super) fn finish(source: &Source, boot: BootSector, table: Table, mut findings: Findings) -> Result<Ntfs> {
    if boot.total_bytes() > source.length_in_image() {
        findings.add(FindingKind::VolumePastEnd, Some(source.image_offset(0)), None, || {
            format!("it has {} bytes, of which {} are in the image", boot.total_bytes(), source.length_in_image())
        });
    }
    let source = if table.unknown { &source.unvouched() } else { source };
    let facts = facts(source, &boot, &table, &mut findings)?;
    // Between the writing of one and of the other, a volume is dirty.
    if facts.dirty == Some(false) {
        mirror::compare(source, &boot, &table, &mut findings)?;
    }
    Ok(Ntfs { source: source.clone(), boot, table, facts, findings })
}

/// The boot sector, or the backup that stands after the volume's last sector; and whether nobody vouches for it.
fn boot_sector(source: &Source, findings: &mut Findings) -> Result<Option<(BootSector, bool)>> {
    let (first, unknown) = match source.read_real(0, BootSector::LENGTH)? {
        Some((bytes, unknown)) => (Some(bytes), unknown),
        None => (None, false),
    };
    let parsed = first.as_deref().and_then(BootSector::from_bytes);
    if let Some(boot) = parsed {
        let offset = boot.total_bytes();
        if let Some((bytes, _)) = source.read_real(offset, BootSector::LENGTH)?
            && first.as_deref() != Some(&bytes)
            && slice(&bytes, 0x03, 8) == Some(b"NTFS    ")
        {
            findings.add(
                FindingKind::BootSectorsDiffer,
                Some(source.image_offset(offset)),
                None,
                || "the first one was used",
            );
        }
        return Ok(Some((boot, unknown)));
    }
    // A sound boot sector of something else makes this volume something else, whatever an old backup says.
    if first.as_deref().is_some_and(|bytes| slice(bytes, 0x1fe, 2) == Some(&[0x55, 0xaa])) {
        return Ok(None);
    }
    for sector in SECTOR_SIZES {
        let Some(offset) = source.length().checked_sub(sector).filter(|offset| offset.is_multiple_of(sector)) else {
            continue;
        };
        let Some((bytes, unknown)) = source.read_real(offset, BootSector::LENGTH)? else { continue };
        let Some(boot) = BootSector::from_bytes(&bytes) else { continue };
        // A stale backup of an earlier, larger volume does not know this one's length.
        if boot.total_bytes() != offset || !has_table(source, &boot)? {
            continue;
        }
        findings.add(
            FindingKind::BackupBootUsed,
            Some(source.image_offset(offset)),
            None,
            || "the first boot sector can't be used",
        );
        return Ok(Some((boot, unknown)));
    }
    Ok(None)
}

/// Whether a file record stands where a boot sector says that the table or its mirror starts.
fn has_table(source: &Source, boot: &BootSector) -> Result<bool> {
    for lcn in [boot.mft, boot.mft_mirror] {
        if let Some(offset) = boot.cluster.volume_offset(lcn)
            && let Some((bytes, _)) = source.read_real(offset, 4)?
            && bytes == b"FILE"
        {
            return Ok(true);
        }
    }
    Ok(false)
}

fn facts(source: &Source, boot: &BootSector, table: &Table, findings: &mut Findings) -> Result<VolumeFacts> {
    let mut facts = VolumeFacts {
        filesystem: "NTFS",
        serial: boot.serial.map(|serial| format!("{serial:016X}")),
        cluster_size: boot.cluster.0,
        sector_size: boot.sector_size,
        total_bytes: boot.total_bytes(),
        ..VolumeFacts::default()
    };
    let record = match table.read(source, record_number::VOLUME)? {
        Ok(record) if record.in_use() => record,
        _ => match mirror::read(source, boot, record_number::VOLUME)? {
            Some(record) => {
                findings.add(
                    FindingKind::MirrorUsed,
                    None,
                    Some(record_number::VOLUME),
                    || "for the record that names the volume",
                );
                record
            }
            None => return Ok(facts),
        },
    };
    for attribute in attributes(&record) {
        let Body::Resident(value) = attribute.body else { continue };
        match attribute.header.kind {
            attribute_type::STANDARD_INFORMATION => {
                let created =
                    StandardInformation::from_bytes(value).and_then(|one| Timestamp::from_filetime(one.created));
                facts.set_created(created);
            }
            attribute_type::VOLUME_NAME => {
                facts.label = Some(String::from_utf16_lossy(&utf16(value))).filter(|label| !label.is_empty());
            }
            attribute_type::VOLUME_INFORMATION => {
                if let Some(information) = VolumeInformation::from_bytes(value) {
                    facts.version = Some(format!("{}.{}", information.major, information.minor));
                    let dirty = information.flags & VolumeInformation::DIRTY != 0;
                    facts.dirty = Some(dirty);
                    if dirty {
                        findings.add(
                            FindingKind::VolumeDirty,
                            table.image_offset(source, record_number::VOLUME),
                            None,
                            || "",
                        );
                    }
                }
            }
            _ => {}
        }
    }
    Ok(facts)
}
