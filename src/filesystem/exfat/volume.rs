//! Opening a volume: its boot sectors, and what its root folder tells of it.

use std::collections::HashSet;

use super::ExFat;
use super::boot::{self, Boot};
use super::chain::{Budget, follow};
use super::entry_set::{self, Item};
use super::headless::{self, Geometry};
use super::list::List;
use super::own::Own;
use super::structures::BootSector;
use super::table::Table;
use crate::catalog::{FindingKind, Findings};
use crate::error::Result;
use crate::filesystem::VolumeFacts;
use crate::source::Source;

/// How much of the root's list is looked at for the volume's own entries, in bytes: they are written first.
const LOOK: u64 = 1 << 20;

pub(super) fn open(source: &Source) -> Result<Option<ExFat>> {
    let mut findings = Findings::default();
    let Some(boot) = boot::find(source, &mut findings)? else { return Ok(None) };
    // Everything hangs on the boot sector.
    let source = if boot.unknown { source.unvouched() } else { source.clone() };
    let sector = &boot.sector;
    if sector.length > source.length_in_image() {
        findings.add(FindingKind::VolumePastEnd, Some(source.image_offset(0)), None, || {
            format!("it has {} bytes, of which {} are in the image", sector.length, source.length_in_image())
        });
    }
    let own = own(&source, &boot)?;
    let facts = facts(&source, &boot, &own, &mut findings);
    Ok(Some(ExFat { source, boot, own, facts, findings, doubted: false }))
}

/// Opens a volume whose boot sectors are lost by what was found of it.
pub(super) fn open_headless(source: &Source, geometry: &Geometry) -> Result<Option<ExFat>> {
    let Some(sector) = geometry.boot() else { return Ok(None) };
    // Everything hangs on what was found all over the volume.
    let vague = source.reality(0, source.length_in_image()).unknown;
    let source = if vague { source.unvouched() } else { source.clone() };
    let mut findings = Findings::default();
    let start = Some(source.image_offset(0));
    findings.add(FindingKind::HeadRebuilt, start, None, || headless::words(geometry));
    let doubted = !geometry.is_proven();
    if doubted {
        findings.add(FindingKind::GeometryDoubtful, start, None, || headless::lacks(geometry));
    }
    // Neither flags nor a checksum are left.
    let boot = Boot { sector, flags: None, doubted: false, unknown: vague };
    let own = own(&source, &boot)?;
    let facts = VolumeFacts { version: None, serial: None, ..facts(&source, &boot, &own, &mut findings) };
    Ok(Some(ExFat { source, boot, own, facts, findings, doubted }))
}

/// The volume's own entries in the root folder.
fn own(source: &Source, boot: &Boot) -> Result<Own> {
    let heap = boot.sector.heap;
    let mut table = Table::new(source, &boot.sector, boot.flags);
    let chain = follow(&mut table, heap, boot.sector.root, 1, &mut Budget::of(heap))?;
    let mut visited = HashSet::new();
    let mut list = List::new(source, heap, &chain.runs, LOOK, &mut visited);
    let mut own = Own::default();
    while let Some(item) = entry_set::next(&mut list, false)? {
        if let Item::Own { entry, .. } = item {
            own.add(&entry);
        }
    }
    Ok(own)
}

fn facts(source: &Source, boot: &Boot, own: &Own, findings: &mut Findings) -> VolumeFacts {
    let sector = &boot.sector;
    let has = |flag| boot.flags.map(|flags| flags & flag != 0);
    let start = Some(source.image_offset(0));
    if has(BootSector::DIRTY) == Some(true) {
        findings.add(FindingKind::VolumeDirty, start, None, || "");
    }
    if has(BootSector::MEDIA_FAILURE) == Some(true) {
        findings.add(FindingKind::VolumeErrors, start, None, || "the volume's flag for it is set");
    }
    let serial = sector.serial;
    VolumeFacts {
        filesystem: "exFAT",
        version: Some(format!("{}.{:02}", sector.revision.0, sector.revision.1)),
        label: own.label.clone(),
        serial: Some(format!("{:04X}-{:04X}", serial >> 16, serial & 0xffff)),
        guid: own.guid.clone(),
        cluster_size: sector.heap.cluster_size,
        sector_size: sector.sector_size,
        total_bytes: sector.length,
        dirty: has(BootSector::DIRTY),
        ..VolumeFacts::default()
    }
}
