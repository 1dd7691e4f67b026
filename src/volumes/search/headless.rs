//! FAT and exFAT volumes that have lost every copy of their boot sector, as places.

use std::collections::BTreeSet;

use super::candidate::{Candidate, Place, Proof};
use crate::error::Result;
use crate::filesystem::{Evidence, Structure, Verdict, exfat, fat};
use crate::partition::boot_sector;
use crate::source::Source;
use crate::volumes::Kind;

/// Bytes of a volume's first sector.
const SECTOR: usize = 512;

/// Entries of 12 bits in a sector of 4,096 bytes, the most that the last sector of a table may hold beyond the volume.
const MOST_SPARE: u64 = 2731;

/// The bitmap of an exFAT volume says how many clusters there are to within seven.
const MOST_SPARE_BITS: u64 = 8;

/// What the pass noted of them.
#[derive(Debug, Default)]
pub(super) struct Traces {
    fat: fat::headless::Traces,
    exfat: exfat::headless::Traces,
}

impl Traces {
    /// Looks at a sector that was read.
    pub(super) fn look(&mut self, offset: u64, sector: &[u8]) {
        self.fat.look(offset, sector);
        self.exfat.look(offset, sector);
    }
}

/// Adds the volumes that no boot sector among `candidates` explains.
pub(super) fn add(source: &Source, mut traces: Traces, candidates: &mut Vec<(Candidate, Vec<u64>)>) -> Result<()> {
    // Tables and root folders that a boot sector explains are not held against every layout that there can be.
    let explained: BTreeSet<u64> = candidates.iter().flat_map(|(one, _)| structures(one)).collect();
    traces.fat.forget_at(&explained);
    traces.exfat.forget_at(&explained);
    let mut found = Vec::new();
    for geometry in traces.exfat.volumes(source)? {
        let at = geometry.start.saturating_add(geometry.table_start.unwrap_or(geometry.heap_start));
        let spare = MOST_SPARE_BITS.saturating_mul(geometry.cluster_size);
        let length = cut(geometry.start, geometry.total_bytes(), spare, candidates);
        found.push((at, vec![at], Kind::ExFat, Place::ExFatHeadless { geometry, length }));
    }
    for geometry in traces.fat.volumes(source)? {
        let at = geometry.start.saturating_add(geometry.tables_start);
        let tables = (0..geometry.tables).map(|table| at.saturating_add(table.saturating_mul(geometry.table_length)));
        let tables = tables.collect();
        let kind = match geometry.bits {
            12 => Kind::Fat12,
            16 => Kind::Fat16,
            _ => Kind::Fat32,
        };
        let spare = MOST_SPARE.saturating_mul(geometry.cluster_size);
        let length = cut(geometry.start, geometry.total_bytes(), spare, candidates);
        found.push((at, tables, kind, Place::FatHeadless { geometry, length }));
    }
    for (at, tables, kind, place) in found {
        if candidates.iter().any(|(one, _)| explains(one, at)) {
            continue;
        }
        let first = source.read_real(place.start(), SECTOR)?;
        let formatted_over = first.is_some_and(|(bytes, _)| boot_sector::recognise(&bytes).is_some());
        let table = |offset| Evidence { structure: Structure::AllocationTable, offset, verdict: Verdict::Stands };
        let evidence = tables.into_iter().map(table).collect();
        candidates.push((Candidate { place, kind, evidence, formatted_over }, Vec::new()));
    }
    Ok(())
}

/// Where the tables and the root folder stand of a volume that is proven by a boot sector.
fn structures(candidate: &Candidate) -> impl Iterator<Item = u64> + '_ {
    let is_one = |structure| matches!(structure, Structure::AllocationTable | Structure::RootFolder);
    let proven = candidate.proof_of_old() == Proof::Proven;
    let stands = candidate.evidence.iter().filter(move |one| proven && one.verdict == Verdict::Stands);
    stands.filter(move |one| is_one(one.structure)).map(|one| one.offset)
}

/// Whether a proven volume says that its own table opens at a byte.
fn explains(candidate: &Candidate, at: u64) -> bool {
    candidate.proof_of_old() == Proof::Proven
        && candidate.evidence.iter().any(|one| {
            one.structure == Structure::AllocationTable && one.verdict == Verdict::Stands && one.offset == at
        })
}

/// The length of a volume of which only the most is known: where a proven one begins in its last few clusters, it ends
/// before that.
fn cut(start: u64, most: u64, spare: u64, candidates: &[(Candidate, Vec<u64>)]) -> u64 {
    let end = start.saturating_add(most);
    let next = candidates
        .iter()
        .filter(|(one, _)| one.proof() == Proof::Proven)
        .map(|(one, _)| one.place.start())
        .filter(|next| *next < end && next.saturating_add(spare) >= end && *next > start)
        .min();
    next.map_or(most, |next| next.saturating_sub(start))
}
