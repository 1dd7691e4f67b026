//! Holds a guess at a volume's layout against what really lies where it says.

use std::collections::{BTreeMap, BTreeSet};

use super::super::attributes::{Body, attributes};
use super::super::file::Parts;
use super::super::index_structures::{IndexBlock, IndexRoot};
use super::super::record::{Record, undo_fixups};
use super::super::runs::unpack;
use super::super::structures::{MAX_CLUSTER, attribute_flag, attribute_type, record_number};
use super::super::units::{Reference, Vcn};
use super::geometry::Evidence;
use super::traces::folder_of;
use crate::bytes::to_u64;
use crate::error::Result;

/// Records that are looked at, spread evenly over the table: 4 MB, and enough that no chance passes for a proof.
const MOST_RECORDS: u64 = 4096;

/// Folders' lists that are looked at.
const MOST_LISTS: u64 = 1024;

/// What was found, and whether nobody vouches for some of it.
pub(super) struct Proof {
    pub(super) evidence: Evidence,
    pub(super) unknown: bool,
}

/// Looks at records, the mirror and folders' lists where the layout says that they are.
pub(super) fn prove(parts: Parts<'_>) -> Result<Proof> {
    let mut proof = Gathered::default();
    let count = parts.table.record_count();
    let step = count.div_ceil(MOST_RECORDS).max(1);
    let mut number = 0;
    while number < count {
        proof.table_record(parts, number)?;
        number = number.saturating_add(step);
    }
    proof.mirror(parts)?;
    Ok(proof.finish())
}

#[derive(Default)]
struct Gathered {
    evidence: Evidence,
    unknown: bool,
    /// Records that say the right number, by the byte of the volume at which the table would begin if the piece that
    /// holds them reached back to its beginning.
    table: BTreeMap<u64, u64>,
    /// The same for what is no part of the table.
    others: BTreeSet<u64>,
}

impl Gathered {
    fn finish(mut self) -> Proof {
        // One record alone may be a stray that happens to fit.
        self.others.extend(self.table.iter().filter(|(_, records)| **records > 1).map(|(origin, _)| *origin));
        self.evidence.places = to_u64(self.others.len());
        Proof { evidence: self.evidence, unknown: self.unknown }
    }

    fn table_record(&mut self, parts: Parts<'_>, number: u64) -> Result<()> {
        let Ok(record) = parts.table.read(parts.volume, number)? else { return Ok(()) };
        if record.header.own_number.is_none() {
            return Ok(());
        }
        // A free record may have no number yet.
        if record.other_number && !record.in_use() {
            return Ok(());
        }
        if record.other_number {
            self.evidence.other_records = self.evidence.other_records.saturating_add(1);
            return Ok(());
        }
        self.evidence.records = self.evidence.records.saturating_add(1);
        self.unknown |= record.unknown;
        let start = number.saturating_mul(to_u64(parts.table.record_size));
        if let Some(place) = parts.table.places(start..start.saturating_add(1)).find_map(|piece| piece.place) {
            let records = self.table.entry(place.wrapping_sub(start)).or_default();
            *records = records.saturating_add(1);
        }
        for size in cluster_sizes(&record) {
            let count =
                if size == parts.boot.cluster.0 { &mut self.evidence.sizes } else { &mut self.evidence.other_sizes };
            *count = count.saturating_add(1);
        }
        let looked_at = self.evidence.lists.saturating_add(self.evidence.other_lists);
        if record.is_folder() && record.in_use() && record.is_base() && looked_at < MOST_LISTS {
            self.list(parts, &record)?;
        }
        Ok(())
    }

    /// The first block of a folder's list names the folder.
    fn list(&mut self, parts: Parts<'_>, record: &Record) -> Result<()> {
        let Some((lcn, clusters, size)) = first_block(record) else { return Ok(()) };
        let offset = parts.boot.cluster.volume_offset(lcn);
        let room = parts.boot.cluster.bytes(clusters).unwrap_or(0);
        let Some(offset) = offset.filter(|_| room >= to_u64(size)) else { return Ok(()) };
        let mut raw = vec![0; size];
        let reality = parts.volume.read_at(offset, &mut raw)?;
        // What was not read, or holds nothing, says nothing.
        if !reality.is_all_there() || raw.iter().all(|byte| *byte == 0) {
            return Ok(());
        }
        let block = IndexBlock::from_bytes(&raw);
        let plain = block.and_then(|block| {
            undo_fixups(&raw, size, block.update_sequence_offset, block.update_sequence_count)
                .filter(|plain| plain.len() == size && block.vcn == Vcn(0))
        });
        let here = Reference { record: record.number, sequence: record.header.sequence };
        match plain.as_deref().map(folder_of) {
            // A block without a name belongs to nobody.
            Some(None) => {}
            Some(Some(folder)) if folder == here => {
                self.evidence.lists = self.evidence.lists.saturating_add(1);
                self.others.insert(offset);
                self.unknown |= reality.unknown;
            }
            _ => self.evidence.other_lists = self.evidence.other_lists.saturating_add(1),
        }
        Ok(())
    }

    /// The copies of the table's first records, where record 1 says.
    fn mirror(&mut self, parts: Parts<'_>) -> Result<()> {
        const COPIES: u64 = 4;
        let Some(start) = parts.boot.cluster.volume_offset(parts.boot.mft_mirror) else { return Ok(()) };
        if parts.boot.mft_mirror == parts.boot.mft {
            return Ok(());
        }
        let mut right = 0_u64;
        for number in 0..COPIES {
            let inside = number.saturating_mul(to_u64(parts.table.record_size));
            let mut raw = vec![0; parts.table.record_size];
            let offset = start.saturating_add(inside);
            let reality = parts.volume.read_at(offset, &mut raw)?;
            if let Ok(record) = Record::parse(number, &raw, offset, &reality)
                && record.header.own_number.is_some()
                && !record.other_number
            {
                right = right.saturating_add(1);
                self.unknown |= reality.unknown;
            }
        }
        if right > 1 {
            self.others.insert(start);
        }
        Ok(())
    }
}

/// Where the first block of a folder's list is, by its record: cluster, clusters that follow, bytes of a block.
pub(super) fn first_block(record: &Record) -> Option<(super::super::units::Lcn, u64, usize)> {
    let found = attributes(record);
    let is_names = |name: &[u16]| name.iter().copied().eq("$I30".encode_utf16());
    let size = found.iter().find_map(|one| {
        let root = (one.header.kind == attribute_type::INDEX_ROOT && is_names(&one.name)).then(|| one.value())??;
        Some(IndexRoot::from_bytes(root)?.block_size)
    })?;
    let run = found.iter().find_map(|one| match &one.body {
        Body::NonResident(body, packed)
            if one.header.kind == attribute_type::INDEX_ALLOCATION && is_names(&one.name) && body.first == Vcn(0) =>
        {
            unpack(packed, body.first, body.last).0.first().copied()
        }
        _ => None,
    })?;
    Some((run.place?, run.length, size))
}

/// The cluster sizes that a record's attributes give: what they have in bytes, by what they have in clusters.
pub(super) fn cluster_sizes(record: &Record) -> Vec<u64> {
    let found = attributes(record);
    // A part of a stream has fewer clusters than all of it.
    if !record.is_base() || found.iter().any(|one| one.header.kind == attribute_type::ATTRIBUTE_LIST) {
        return Vec::new();
    }
    let packed_or_sparse = attribute_flag::SPARSE | attribute_flag::COMPRESSION_MASK;
    found
        .iter()
        .filter(|one| one.header.flags & packed_or_sparse == 0)
        .filter_map(|one| match &one.body {
            Body::NonResident(body, packed) if body.first == Vcn(0) => {
                let (runs, fault) = unpack(packed, body.first, body.last);
                let clusters = body.last.0.checked_add(1)?;
                let placed = fault.is_none() && runs.iter().all(|run| run.place.is_some());
                let even = body.allocated.checked_rem(clusters) == Some(0);
                let size = body.allocated.checked_div(clusters)?;
                let can_be = size.is_power_of_two() && (512..=MAX_CLUSTER).contains(&size);
                (placed && even && can_be).then_some(size)
            }
            _ => None,
        })
        .collect()
}

/// The size that is given most often; `None` if none is.
pub(super) fn most_given(sizes: impl IntoIterator<Item = u64>) -> Option<u64> {
    let mut count: BTreeMap<u64, u64> = BTreeMap::new();
    for size in sizes {
        let given = count.entry(size).or_default();
        *given = given.saturating_add(1);
    }
    count.into_iter().max_by_key(|(_, given)| *given).map(|(size, _)| size)
}

/// The bytes of the volume, by its own files: the length of $BadClus, which has a place for each cluster, else the bits
/// of $Bitmap, which are rounded up to 64.
pub(super) fn total_bytes(parts: Parts<'_>) -> Result<Option<u64>> {
    let cluster = parts.boot.cluster;
    for (number, name, bits) in [(record_number::BAD_CLUSTERS, "$Bad", 1), (record_number::BITMAP, "", 8)] {
        let Ok(record) = parts.table.read(parts.volume, number)? else { continue };
        if !record.in_use() || record.other_number {
            continue;
        }
        for attribute in attributes(&record) {
            let Body::NonResident(body, _) = attribute.body else { continue };
            let named = attribute.name.iter().copied().eq(name.encode_utf16());
            if attribute.header.kind != attribute_type::DATA || !named || body.first != Vcn(0) {
                continue;
            }
            let clusters =
                if bits == 1 { body.size.checked_div(cluster.0) } else { body.size.checked_mul(bits) }.unwrap_or(0);
            if let Some(bytes) = cluster.bytes(clusters).filter(|bytes| *bytes > 0) {
                return Ok(Some(bytes));
            }
        }
    }
    Ok(None)
}
