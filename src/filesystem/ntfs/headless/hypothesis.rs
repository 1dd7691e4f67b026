//! From traces to volumes: guesses at start, cluster size and table, and what becomes of each when it is looked at.

use std::collections::{BTreeMap, BTreeSet};

use super::super::attributes::{Body, attributes};
use super::super::file::Parts;
use super::super::record::Record;
use super::super::runs::unpack;
use super::super::structures::{BootSector, FileName, RecordHeader, attribute_type, record_number};
use super::super::table::Table;
use super::super::units::{ClusterSize, Lcn, Vcn};
use super::geometry::{Geometry, TablePlace};
use super::proof::{cluster_sizes, first_block, most_given, prove, total_bytes};
use super::rebuild::{Layout, pieces, strays, table};
use super::traces::Traces;
use crate::bytes::to_u64;
use crate::catalog::Findings;
use crate::error::Result;
use crate::source::Source;

/// Guesses that are looked at in full. Each real, old or nested volume makes two; looking at one reads a few megabytes.
const MOST_GUESSES: usize = 256;

/// Records after a table's own that say how large clusters are: those of the filesystem's own files.
const NEIGHBOURS: u64 = 16;

/// Records that are asked where those are lost: many customers' files stand in their records.
const MOST_NEIGHBOURS: u64 = 1024;

/// Root folders without a described table around them that are looked at.
const MOST_ROOTS: usize = 64;

/// A guess at a volume whose table's own record was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Guess {
    start: u64,
    cluster: u64,
    record_size: u64,
    mft: u64,
    mirror: u64,
}

impl Guess {
    fn boot(&self, total: u64) -> BootSector {
        boot_of(self.cluster, self.record_size, Lcn(self.mft), Lcn(self.mirror), total)
    }
}

/// A guess at a volume whose table's own record is lost.
#[derive(Debug, Clone, Copy)]
struct Start {
    start: u64,
    cluster: u64,
    record_size: u64,
    /// Bytes of the volume, if a record near its root folder says it.
    total: Option<u64>,
}

/// What a boot sector would say.
pub(super) fn boot_of(cluster: u64, record_size: u64, mft: Lcn, mft_mirror: Lcn, total: u64) -> BootSector {
    BootSector {
        // Nothing but the boot sector tells it, and nothing but the boot sector counts in it.
        sector_size: crate::source::SMALLEST_SECTOR,
        cluster: ClusterSize(cluster),
        total_sectors: total.checked_div(crate::source::SMALLEST_SECTOR).unwrap_or(0),
        mft,
        mft_mirror,
        record_size: crate::bytes::at_most(record_size, usize::MAX),
        serial: None,
    }
}

impl Traces {
    /// The volumes that the traces show in the source in which they were found, in the order in which they begin.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    pub fn volumes(self, source: &Source) -> Result<Vec<Geometry>> {
        self.geometries(source, None, true)
    }

    /// As [`Traces::volumes`]; with `only`, those that begin there. `searched`: whether the traces are of all of the
    /// source.
    pub(super) fn geometries(&self, source: &Source, only: Option<u64>, searched: bool) -> Result<Vec<Geometry>> {
        let mut found: Vec<Geometry> = Vec::new();
        for guess in self.guesses(source, only)? {
            found.extend(self.described(source, guess)?);
        }
        // What was not looked for is not lost.
        let starts = if searched { self.starts(source, only, &found)? } else { Vec::new() };
        for start in starts {
            found.extend(self.put_together(source, start)?);
        }
        for geometry in &mut found {
            geometry.searched = searched && !self.full;
        }
        settle(&mut found);
        Ok(found)
    }

    /// Guesses from records that say of themselves that they are number 0: as the table's own, and as its copy.
    fn guesses(&self, source: &Source, only: Option<u64>) -> Result<BTreeSet<Guess>> {
        let mut guesses = BTreeSet::new();
        for (offset, size) in &self.firsts {
            let size = u64::from(*size);
            let near = neighbours(source, *offset, size, NEIGHBOURS)?;
            let Some(own) = near.first().filter(|record| record.number == record_number::MFT) else { continue };
            let Some(mft) = first_cluster(own).filter(|_| says_it_is_the_table(own)) else { continue };
            let Some(cluster) = most_given(near.iter().flat_map(cluster_sizes)) else { continue };
            let copy = near.iter().find(|record| record.number == record_number::MIRROR);
            let mirror = copy.and_then(first_cluster);
            for lcn in [Some(mft), mirror].into_iter().flatten() {
                let Some(start) = ClusterSize(cluster).volume_offset(lcn).and_then(|at| offset.checked_sub(at)) else {
                    continue;
                };
                let guess = Guess { start, cluster, record_size: size, mft: mft.0, mirror: mirror.unwrap_or(mft).0 };
                let is_wanted = only.is_none_or(|only| only == start) && start.is_multiple_of(512);
                if is_wanted && guesses.len() < MOST_GUESSES && has_records(source, guess)? {
                    guesses.insert(guess);
                }
            }
        }
        // The copy of a record that has been lost says the same of the table, and nothing of the mirror.
        let known: BTreeSet<_> = guesses.iter().filter(|one| one.mirror != one.mft).map(place).collect();
        guesses.retain(|one| one.mirror != one.mft || !known.contains(&place(one)));
        Ok(guesses)
    }

    /// Looks at a guess.
    fn described(&self, source: &Source, guess: Guess) -> Result<Option<Geometry>> {
        let window = source.window(guess.start, source.length().saturating_sub(guess.start));
        let look = |total: u64| -> Result<(BootSector, Table)> {
            let boot = guess.boot(total);
            let table = Table::described(&window, &boot, &mut Findings::default())?;
            Ok((boot, table.unwrap_or_default()))
        };
        let (boot, table) = look(window.length())?;
        let total = total_bytes(Parts { volume: &window, boot: &boot, table: &table })?;
        let (boot, table) = match total {
            Some(total) => look(total)?,
            None => (boot, table),
        };
        let proof = prove(Parts { volume: &window, boot: &boot, table: &table })?;
        if !proof.evidence.is_plausible() {
            return Ok(None);
        }
        let total_bytes = total.unwrap_or(window.length());
        let layout = Layout {
            start: guess.start,
            end: guess.start.saturating_add(total_bytes),
            cluster: guess.cluster,
            record_size: guess.record_size,
        };
        let mirror = boot.cluster.volume_offset(boot.mft_mirror);
        let (placed, elsewhere) = strays(&table, &self.stretches, layout, mirror);
        Ok(Some(Geometry {
            start: guess.start,
            total_bytes,
            total_is_known: total.is_some(),
            cluster_size: guess.cluster,
            record_size: guess.record_size,
            table: TablePlace::Described { mft: guess.mft, mirror: guess.mirror },
            evidence: proof.evidence,
            searched: false,
            contested: elsewhere > placed,
        }))
    }

    /// Where volumes begin whose table's own record is lost.
    fn starts(&self, source: &Source, only: Option<u64>, found: &[Geometry]) -> Result<Vec<Start>> {
        let mut starts: BTreeMap<u64, Start> = BTreeMap::new();
        let root = record_number::ROOT;
        let with_root = self.stretches.iter().filter(|stretch| stretch.offset_of(root).is_some()).take(MOST_ROOTS);
        let mut anchors: Vec<_> = with_root.collect();
        let mut count = NEIGHBOURS;
        // Where the volume begins is known: any records will do to tell how large clusters are.
        if anchors.is_empty() && only.is_some() {
            anchors.extend(self.stretches.iter().max_by_key(|stretch| stretch.records));
            count = MOST_NEIGHBOURS;
        }
        for stretch in anchors {
            let record_size = u64::from(stretch.record_size);
            let offset = stretch.offset_of(root).unwrap_or(stretch.offset);
            let near = neighbours(source, offset, record_size, count)?;
            let Some(cluster) = most_given(near.iter().flat_map(cluster_sizes)) else { continue };
            let total = near.iter().find_map(|record| own_total(record, cluster));
            let mut add = |start: u64| {
                if start.is_multiple_of(512) && only.is_none_or(|only| only == start) {
                    starts.entry(start).or_insert(Start { start, cluster, record_size, total });
                }
            };
            if let Some(only) = only {
                add(only);
                continue;
            }
            let Some((lcn, ..)) = near.iter().find(|one| one.number == root).and_then(first_block) else { continue };
            let Some(inside) = ClusterSize(cluster).volume_offset(lcn) else { continue };
            for block in self.blocks.iter().filter(|block| block.vcn == Vcn(0)) {
                if let Some(start) = block.offset.checked_sub(inside) {
                    add(start);
                }
            }
        }
        let is_new = |start: &u64| found.iter().all(|geometry| geometry.start != *start);
        Ok(starts.into_values().filter(|one| is_new(&one.start)).take(MOST_GUESSES).collect())
    }

    /// Puts a table together from records that say their own numbers.
    fn put_together(&self, source: &Source, guess: Start) -> Result<Option<Geometry>> {
        let Start { start, cluster, record_size, total } = guess;
        let window = source.window(start, source.length().saturating_sub(start));
        let total_bytes = total.unwrap_or(window.length()).min(window.length());
        let layout = Layout { start, end: start.saturating_add(total_bytes), cluster, record_size };
        let pieces = pieces(&self.stretches, layout);
        let Some(table) = table(&pieces, record_size) else { return Ok(None) };
        // Without a place for the mirror: it is lost, too.
        let nowhere = Lcn(total_bytes.div_ceil(cluster));
        let boot = boot_of(cluster, record_size, nowhere, nowhere, total_bytes);
        let proof = prove(Parts { volume: &window, boot: &boot, table: &table })?;
        if !proof.evidence.is_plausible() {
            return Ok(None);
        }
        let (placed, elsewhere) = strays(&table, &self.stretches, layout, None);
        Ok(Some(Geometry {
            start,
            total_bytes,
            total_is_known: total.is_some(),
            cluster_size: cluster,
            record_size,
            table: TablePlace::Pieces(pieces),
            evidence: proof.evidence,
            searched: false,
            contested: elsewhere > placed,
        }))
    }
}

fn place(guess: &Guess) -> (u64, u64, u64) {
    (guess.start, guess.cluster, guess.mft)
}

/// Where the table and its mirror begin in the source, by a geometry that says it.
fn described_at(geometry: &Geometry) -> Option<(u64, u64)> {
    let TablePlace::Described { mft, mirror } = geometry.table else { return None };
    let place = |lcn: u64| geometry.start.checked_add(lcn.checked_mul(geometry.cluster_size)?);
    Some((place(mft)?, place(mirror)?))
}

/// Says of each which others contest it, and leaves of those that begin in one place and can't all be right the ones
/// that are proven, or the best.
fn settle(found: &mut Vec<Geometry>) {
    found.sort_by_key(|geometry| (geometry.start, std::cmp::Reverse(geometry.evidence.weight())));
    let mut kept: Vec<Geometry> = Vec::new();
    for geometry in found.drain(..) {
        let beside = kept.last().is_some_and(|last| last.start == geometry.start);
        if !beside || geometry.evidence.is_proof() {
            kept.push(geometry);
        }
    }
    // The copies of a table's first records are no table of their own.
    let mirrors: BTreeMap<u64, (bool, u64, u64)> = kept
        .iter()
        .filter_map(|one| Some((described_at(one)?.1, one.evidence.weight())))
        .filter(|(place, _)| kept.iter().any(|one| described_at(one).is_some_and(|(table, _)| table == *place)))
        .collect();
    kept.retain(|one| {
        let as_mirror = described_at(one).and_then(|(table, _)| mirrors.get(&table));
        as_mirror.is_none_or(|better| *better <= one.evidence.weight())
    });
    // A volume that doesn't say where it ends, ends where the next one begins.
    let starts: Vec<u64> = kept.iter().filter(|one| one.evidence.is_proof()).map(|one| one.start).collect();
    for geometry in kept.iter_mut().filter(|geometry| !geometry.total_is_known) {
        if let Some(next) = starts.iter().find(|start| **start > geometry.start) {
            geometry.total_bytes = geometry.total_bytes.min(next.saturating_sub(geometry.start));
        }
    }
    let proven: Vec<(u64, u64, u64)> = kept
        .iter()
        .enumerate()
        .filter(|(_, one)| one.evidence.is_proof())
        .map(|(index, one)| (to_u64(index), one.start, one.end()))
        .collect();
    for (index, geometry) in (0..).zip(&mut kept) {
        geometry.contested |= proven
            .iter()
            .any(|(other, start, end)| *other != index && *start < geometry.end() && geometry.start < *end);
    }
    *found = kept;
}

/// The records in use at a place and behind it.
fn neighbours(source: &Source, offset: u64, size: u64, count: u64) -> Result<Vec<Record>> {
    let mut records = Vec::new();
    let mut raw = vec![0; crate::bytes::at_most(size, usize::MAX)];
    for index in 0..count {
        let Some(at) = index.checked_mul(size).and_then(|inside| offset.checked_add(inside)) else { break };
        let reality = source.read_at(at, &mut raw)?;
        let number = RecordHeader::from_bytes(&raw).and_then(|header| header.own_number);
        let Some(number) = number else { continue };
        if let Ok(record) = Record::parse(u64::from(number), &raw, at, &reality)
            && record.in_use()
        {
            records.push(record);
        }
    }
    Ok(records)
}

/// The first cluster of a record's unnamed content.
fn first_cluster(record: &Record) -> Option<Lcn> {
    attributes(record).iter().find_map(|one| match &one.body {
        Body::NonResident(body, packed)
            if one.header.kind == attribute_type::DATA && one.name.is_empty() && body.first == Vcn(0) =>
        {
            unpack(packed, body.first, body.last).0.first()?.place
        }
        _ => None,
    })
}

/// Whether a record has the table's name, or one that stands in another record.
fn says_it_is_the_table(record: &Record) -> bool {
    let is_its_name = |value: &[u8]| {
        FileName::from_bytes(value).is_some_and(|name| name.units.iter().copied().eq("$MFT".encode_utf16()))
    };
    record.is_base()
        && attributes(record).iter().any(|one| match one.header.kind {
            attribute_type::FILE_NAME => one.value().is_some_and(is_its_name),
            kind => kind == attribute_type::ATTRIBUTE_LIST,
        })
}

/// Whether records lie where a guess says: a first look, so that few guesses are looked at in full.
fn has_records(source: &Source, guess: Guess) -> Result<bool> {
    const LOOKED_AT: u64 = 64;
    const LEAST: u64 = 4;
    let Some(table) = ClusterSize(guess.cluster).volume_offset(Lcn(guess.mft)) else { return Ok(false) };
    let Some(table) = guess.start.checked_add(table) else { return Ok(false) };
    let mut raw = vec![0; 512];
    let mut right = 0_u64;
    for number in 0..LOOKED_AT {
        let at = number.saturating_mul(guess.record_size).saturating_add(table);
        if !source.read_at(at, &mut raw)?.is_all_there() {
            continue;
        }
        let header = RecordHeader::from_bytes(&raw);
        if header.and_then(|header| header.own_number).map(u64::from) == Some(number) {
            right = right.saturating_add(1);
        }
    }
    Ok(right >= LEAST)
}

/// The bytes of the volume, if a record is $BadClus.
fn own_total(record: &Record, cluster: u64) -> Option<u64> {
    if record.number != record_number::BAD_CLUSTERS || record.other_number {
        return None;
    }
    attributes(record).iter().find_map(|one| match &one.body {
        Body::NonResident(body, _)
            if one.header.kind == attribute_type::DATA && one.name.iter().copied().eq("$Bad".encode_utf16()) =>
        {
            body.size.checked_div(cluster)?.checked_mul(cluster).filter(|bytes| *bytes > 0)
        }
        _ => None,
    })
}
