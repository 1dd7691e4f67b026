//! Looks for records, and opens what they show.

use super::super::file::Parts;
use super::super::structures::{BootSector, MAX_CLUSTER, MAX_RECORD};
use super::super::table::{Doubt, Table};
use super::super::units::Lcn;
use super::super::{Ntfs, volume};
use super::geometry::{Geometry, TablePiece, TablePlace};
use super::hypothesis::boot_of;
use super::proof::{prove, total_bytes};
use super::rebuild::{Layout, pieces, table};
use super::traces::Traces;
use crate::bytes::to_u64;
use crate::catalog::{FindingKind, Findings};
use crate::error::Result;
use crate::filesystem::first_look;
use crate::source::Source;

/// How much is looked through around a usual place, in bytes.
const AROUND: u64 = 1 << 20;

const SECTOR: usize = 512;

/// Opens a volume that begins at the source's first byte, by its records alone.
pub(in crate::filesystem::ntfs) fn open(source: &Source) -> Result<Option<Ntfs>> {
    let length = source.length_in_image();
    let mut traces = Traces::new();
    let searched = first_look::is_all(length);
    if searched {
        look_through(source, 0, length, &mut traces)?;
    } else {
        let mut end = 0;
        for place in usual_places(length) {
            let start = place.max(end);
            end = place.saturating_add(AROUND).min(length).max(end);
            look_through(source, start, end, &mut traces)?;
        }
    }
    let found = traces.geometries(source, Some(0), searched)?;
    match found.iter().max_by_key(|geometry| geometry.evidence.weight()) {
        Some(best) => open_at(source, best),
        None => Ok(None),
    }
}

/// Where the table and its mirror usually are, as bytes of a volume of `length` bytes, in order. Windows keeps the mirror
/// at cluster 2 and makes the table 3 GiB into the volume or, in a small one, at a third of it; mkntfs makes the
/// table at 16 KiB or the cluster after and the mirror in the middle.
fn usual_places(length: u64) -> Vec<u64> {
    const WINDOWS_TABLE: u64 = 0xc_0000 * 4096;
    let mut places = vec![0];
    let mut cluster = to_u64(SECTOR);
    while cluster <= MAX_CLUSTER {
        places.extend([cluster, cluster.saturating_mul(2), cluster.saturating_mul(4)]);
        // By older systems always so many clusters into it.
        places.extend(cluster.checked_mul(0xc_0000));
        places.push(crate::bytes::round_down(length.checked_div(2).unwrap_or(0), cluster));
        cluster = cluster.saturating_mul(2);
    }
    places.push(WINDOWS_TABLE);
    for part in [length.checked_div(2), length.checked_div(3)] {
        places.extend(part.map(|part| part.saturating_sub(AROUND.checked_div(2).unwrap_or(0))));
    }
    for place in &mut places {
        *place = crate::bytes::round_down(*place, to_u64(SECTOR));
    }
    places.retain(|place| *place < length);
    places.sort_unstable();
    places
}

/// Shows the sectors of a stretch to the traces.
fn look_through(source: &Source, start: u64, end: u64, traces: &mut Traces) -> Result<()> {
    first_look::sectors(source, start..end, &mut |offset, sector| {
        traces.look(offset, sector);
        Ok(())
    })
}

/// Opens the volume that fills `window` by a geometry that may be anybody's: what it says is looked at again.
pub(in crate::filesystem::ntfs) fn open_at(window: &Source, geometry: &Geometry) -> Result<Option<Ntfs>> {
    let (cluster, record_size) = (geometry.cluster_size, geometry.record_size);
    let can_be = |size: u64, most: u64| size.is_power_of_two() && (to_u64(SECTOR)..=most).contains(&size);
    if !can_be(cluster, MAX_CLUSTER) || !can_be(record_size, MAX_RECORD) {
        return Ok(None);
    }
    let mut findings = Findings::default();
    let (mft, mirror) = match &geometry.table {
        TablePlace::Described { mft, mirror } => (Lcn(*mft), Lcn(*mirror)),
        TablePlace::Pieces(_) => (Lcn(u64::MAX), Lcn(u64::MAX)),
    };
    let mut boot = boot_of(cluster, record_size, mft, mirror, window.length());
    let look = |boot: &BootSector, findings: &mut Findings| -> Result<Option<Table>> {
        match &geometry.table {
            TablePlace::Described { .. } => Table::described(window, boot, findings),
            TablePlace::Pieces(pieces) => Ok(table(pieces, record_size)),
        }
    };
    let Some(mut table) = look(&boot, &mut Findings::default())? else { return Ok(None) };
    // What the volume's own files say of its length goes before what somebody wrote down.
    if let Some(total) = total_bytes(Parts { volume: window, boot: &boot, table: &table })? {
        boot = boot_of(cluster, record_size, mft, mirror, total);
    } else {
        boot = boot_of(cluster, record_size, mft, mirror, geometry.total_bytes.min(window.length()));
    }
    match look(&boot, &mut findings)? {
        Some(again) => table = again,
        None => return Ok(None),
    }
    let proof = prove(Parts { volume: window, boot: &boot, table: &table })?;
    let evidence = proof.evidence;
    if !evidence.is_plausible() {
        return Ok(None);
    }
    table.unknown |= proof.unknown;
    findings.add(FindingKind::HeadRebuilt, Some(window.image_offset(0)), None, || {
        format!(
            "clusters of {cluster} bytes, by {} attributes; {} records say the number of their place, {} another; {} \
             folders' lists are where their records say, {} are not; {} clusters have what belongs there",
            evidence.sizes,
            evidence.records,
            evidence.other_records,
            evidence.lists,
            evidence.other_lists,
            evidence.places
        )
    });
    if table.own_record_is_lost {
        findings.add(FindingKind::TableRebuilt, Some(window.image_offset(0)), None, || "");
    }
    let proven = Geometry { evidence, ..geometry.clone() }.is_proven();
    if !proven {
        table.doubt = Doubt::Layout;
        findings.add(FindingKind::GeometryDoubtful, Some(window.image_offset(0)), None, || {
            if geometry.contested {
                "another layout is as likely, or more records are elsewhere than where this one has them"
            } else if geometry.searched {
                "too little of what could prove it was found, or too much speaks against it"
            } else {
                "only the usual places were looked at: search the whole image (`layout --search`)"
            }
        });
    }
    volume::finish(window, boot, table, findings).map(Some)
}

/// The pieces of a table whose own record is lost, in a volume whose boot sector is not: all of a small volume is looked
/// through, of a large one what follows the table's first record.
pub(in crate::filesystem::ntfs) fn pieces_from_start(volume: &Source, boot: &BootSector) -> Result<Vec<TablePiece>> {
    let length = boot.total_bytes().min(volume.length_in_image());
    let mut traces = Traces::new();
    if first_look::is_all(length) {
        look_through(volume, 0, length, &mut traces)?;
    } else {
        let mut at = boot.cluster.volume_offset(boot.mft).unwrap_or(length);
        while at < length {
            let seen = traces.records();
            let end = at.saturating_add(AROUND).min(length);
            look_through(volume, at, end, &mut traces)?;
            if traces.records() == seen {
                break;
            }
            at = end;
        }
    }
    let layout = Layout { start: 0, end: length, cluster: boot.cluster.0, record_size: to_u64(boot.record_size) };
    Ok(pieces(&traces.stretches, layout))
}
