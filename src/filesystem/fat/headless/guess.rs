//! Layouts that what was seen allows. Nothing is decided here: `proof` holds each against the volume.

use std::collections::{BTreeMap, BTreeSet};

use super::super::structures::{ENTRY, ShortEntry, attribute};
use super::super::units::FIRST;
use super::geometry::{Evidence, Geometry, MOST_CLUSTER, MOST_ROOT, ROOTS, UNIT, most_clusters, most_table};
use super::traces::{Dots, Opening, Traces};
use crate::bytes::to_u64;
use crate::error::Result;
use crate::source::Source;

/// Folders that each is compared with: those that lie next on the volume mostly belong to it.
const NEIGHBOURS: usize = 8;
/// Layouts that are looked at, and how many of them are held against the whole volume. A volume has a handful; many
/// openings that belong together in no way are garbage, or made on purpose.
const MOST_LOOKS: usize = 4096;
const MOST_PROOFS: usize = 48;
/// Bytes of tables that are read for proofs, all layouts together: those of three volumes of 2 TiB.
const MOST_TABLE_BYTES: u64 = 2 << 30;
/// How much of the root folder is looked at, in bytes, and how many folders that it names.
const LOOK: u64 = 32 << 10;
const MOST_NAMED: u64 = 64;

/// Cluster sizes in bytes.
fn cluster_sizes() -> impl Iterator<Item = u64> {
    std::iter::successors(Some(UNIT), |size| size.checked_mul(2)).take_while(|size| *size <= MOST_CLUSTER)
}

/// Where cluster 2 lies and how large clusters are, if two folders lie in the clusters that they name; and how many pairs
/// of folders say so.
fn lines(folders: &[Dots], bits: u8) -> BTreeMap<(u64, u64), u64> {
    let mut lines = BTreeMap::new();
    for (index, one) in folders.iter().enumerate() {
        for other in folders.iter().skip(index.saturating_add(1)).take(NEIGHBOURS) {
            if let Some(line) = line(one, other, bits) {
                let count: &mut u64 = lines.entry(line).or_default();
                *count = count.saturating_add(1);
            }
        }
    }
    lines
}

fn line(one: &Dots, other: &Dots, bits: u8) -> Option<(u64, u64)> {
    let clusters = u64::from(other.own(bits).checked_sub(one.own(bits))?);
    let bytes = other.offset.checked_sub(one.offset)?;
    let size = bytes.checked_div(clusters).filter(|size| size.checked_mul(clusters) == Some(bytes))?;
    let sound = size.is_power_of_two() && (UNIT..=MOST_CLUSTER).contains(&size);
    let before = u64::from(one.own(bits).checked_sub(FIRST)?).checked_mul(size)?;
    one.offset.checked_sub(before).filter(|_| sound).map(|data| (data, size))
}

/// The layouts worth holding against the volume, the likeliest first; places count from the source's start.
pub(super) fn guesses(source: &Source, traces: &Traces) -> Result<Vec<Geometry>> {
    let mut all = Guesses { source, traces, seen: BTreeSet::new(), found: Vec::new() };
    for bits in [12, 16, 32] {
        let lines = lines(&traces.folders, bits);
        let openings: Vec<Opening> = traces.openings.iter().filter(|one| one.has(bits)).copied().collect();
        all.pairs(bits, &openings, &lines)?;
        all.singles(bits, &openings, &lines)?;
    }
    let mut found = all.found;
    // Where the root's folders lie as some layout has them, one for which none do is none.
    let most = found.iter().map(|(hits, _)| *hits).max().unwrap_or(0);
    found.retain(|(hits, _)| *hits > 0 || most == 0);
    found.sort_by_key(|(hits, _)| std::cmp::Reverse(*hits));
    let mut left = MOST_TABLE_BYTES;
    found.retain(|(_, geometry)| {
        let rest = left.checked_sub(geometry.tables.saturating_mul(geometry.table_length));
        left = rest.unwrap_or(left);
        rest.is_some()
    });
    Ok(found.into_iter().take(MOST_PROOFS).map(|(_, geometry)| geometry).collect())
}

struct Guesses<'a> {
    source: &'a Source,
    traces: &'a Traces,
    seen: BTreeSet<(u8, u64, u64, u64, u64, u64, u32)>,
    /// With the number of the root's folders that lie where they should.
    found: Vec<(u64, Geometry)>,
}

/// Where tables are, before anything is said of clusters.
#[derive(Clone, Copy)]
struct Tables {
    bits: u8,
    start: u64,
    length: u64,
    count: u64,
    media: u8,
}

impl Tables {
    fn end(&self) -> u64 {
        self.start.saturating_add(self.length.saturating_mul(self.count))
    }
}

impl Guesses<'_> {
    /// Two openings: the distance between them is a table's length.
    fn pairs(&mut self, bits: u8, openings: &[Opening], lines: &BTreeMap<(u64, u64), u64>) -> Result<()> {
        for (index, one) in openings.iter().enumerate() {
            for other in openings.iter().skip(index.saturating_add(1)) {
                let length = other.offset.saturating_sub(one.offset);
                if length > most_table(bits) {
                    break;
                }
                if one.media != other.media {
                    continue;
                }
                let tables = Tables { bits, start: one.offset, length, count: 2, media: one.media };
                if bits == 32 {
                    for size in cluster_sizes() {
                        self.thirty_two(tables, size)?;
                    }
                    continue;
                }
                let root = tables.end();
                for (data, size) in ends(lines, root.saturating_add(UNIT)..=root.saturating_add(MOST_ROOT)) {
                    self.add(tables, data.saturating_sub(root), 0, size)?;
                }
                for length in ROOTS {
                    for size in cluster_sizes() {
                        self.add(tables, length, 0, size)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// One opening: the other one is lost, or there is only one table. Where the tables end, the folders tell.
    fn singles(&mut self, bits: u8, openings: &[Opening], lines: &BTreeMap<(u64, u64), u64>) -> Result<()> {
        for one in openings {
            let after = one.offset.saturating_add(UNIT);
            let reach = most_table(bits).saturating_mul(2).saturating_add(MOST_ROOT);
            for (data, size) in ends(lines, after..=one.offset.saturating_add(reach)) {
                if bits == 32 {
                    self.alone(bits, *one, data, 0, size)?;
                    continue;
                }
                let labels = self.traces.labels.iter().copied().filter(|label| (after..data).contains(label));
                let usual = ROOTS.into_iter().filter_map(|length| data.checked_sub(length));
                let roots: BTreeSet<u64> = labels.chain(usual).collect();
                for root in roots.into_iter().filter(|root| *root > one.offset) {
                    self.alone(bits, *one, root, data.saturating_sub(root), size)?;
                }
            }
        }
        Ok(())
    }

    /// Tables that end at `end`, with one opening.
    fn alone(&mut self, bits: u8, one: Opening, end: u64, root_length: u64, size: u64) -> Result<()> {
        let media = one.media;
        let room = end.saturating_sub(one.offset);
        // It is the second one's, and the first one's lies before it where nothing was read.
        let first = one.offset.checked_sub(room).filter(|first| *first >= UNIT);
        if self.traces.openings.iter().any(|other| Some(other.offset) == first) {
            return Ok(());
        }
        if let Some(start) = first
            && self.is_lost(start)?
        {
            return self.with_root(Tables { bits, start, length: room, count: 2, media }, root_length, size);
        }
        // It is the first one's, and the second one's lies half way. Where that one was read, they are a pair.
        let half = room / 2;
        if self.traces.openings.iter().any(|other| one.offset.checked_add(half) == Some(other.offset)) {
            return Ok(());
        }
        if half.checked_rem(UNIT) == Some(0) && half >= UNIT && self.is_lost(one.offset.saturating_add(half))? {
            let tables = Tables { bits, start: one.offset, length: half, count: 2, media };
            self.with_root(tables, root_length, size)?;
            // Where nothing was read, nothing tells this from a single table.
            if !self.source.reality(one.offset.saturating_add(half), UNIT).is_all_there() {
                return Ok(());
            }
        }
        self.with_root(Tables { bits, start: one.offset, length: room, count: 1, media }, root_length, size)
    }

    fn with_root(&mut self, tables: Tables, root_length: u64, size: u64) -> Result<()> {
        if tables.bits == 32 { self.thirty_two(tables, size) } else { self.add(tables, root_length, 0, size) }
    }

    /// FAT32's root folder begins in cluster 2, as all tools write it, or where a list opens with a label.
    fn thirty_two(&mut self, tables: Tables, size: u64) -> Result<()> {
        let data = tables.end();
        self.add(tables, 0, FIRST, size)?;
        let labels: Vec<u64> = self.traces.labels.iter().filter_map(|label| label.checked_sub(data)).collect();
        for inside in labels {
            let cluster = inside.checked_div(size).filter(|index| index.checked_mul(size) == Some(inside));
            let cluster = cluster.and_then(|index| u32::try_from(index).ok()?.checked_add(FIRST));
            if let Some(cluster) = cluster.filter(|cluster| *cluster != FIRST) {
                self.add(tables, 0, cluster, size)?;
            }
        }
        Ok(())
    }

    fn add(&mut self, tables: Tables, root_length: u64, root_cluster: u32, cluster_size: u64) -> Result<()> {
        let Tables { bits, start, length, count, media } = tables;
        let key = (bits, start, length, count, root_length, cluster_size, root_cluster);
        if self.seen.len() >= MOST_LOOKS || !self.seen.insert(key) {
            return Ok(());
        }
        let geometry = Geometry {
            start: 0,
            bits,
            tables_start: start,
            table_length: length,
            tables: count,
            root_length,
            root_cluster,
            cluster_size,
            clusters: most_clusters(bits, length),
            media,
            evidence: Evidence::default(),
            contested: false,
        };
        if geometry.boot().is_none() {
            return Ok(());
        }
        let (right, wrong) = root_folders(self.source, &geometry)?;
        // Where nothing says how long the root is, it most likely has 512 entries.
        let unusual = ROOTS.iter().skip(1).any(|length| *length == root_length);
        if right >= wrong && (right > 0 || !unusual) {
            self.found.push((right, geometry));
        }
        Ok(())
    }

    /// Whether nothing, or only zeros, was read where a table should open.
    fn is_lost(&self, offset: u64) -> Result<bool> {
        const OPENING: usize = 8;
        let read = self.source.read_real(offset, OPENING)?;
        Ok(read.is_none_or(|(bytes, _)| bytes.iter().all(|byte| *byte == 0)))
    }
}

/// The lines of which cluster 2 lies in a range.
fn ends(lines: &BTreeMap<(u64, u64), u64>, range: std::ops::RangeInclusive<u64>) -> Vec<(u64, u64)> {
    let (start, end) = range.into_inner();
    lines.range((start, 0)..=(end, u64::MAX)).map(|(line, _)| *line).take(MOST_LOOKS).collect()
}

/// How many folders that the first part of the root names lie where the layout has them, and how many do not.
fn root_folders(source: &Source, geometry: &Geometry) -> Result<(u64, u64)> {
    let data = geometry.data_start();
    let place = |cluster: u32| {
        let index = cluster.checked_sub(FIRST)?;
        data.checked_add(u64::from(index).checked_mul(geometry.cluster_size)?)
    };
    let (start, length) = if geometry.bits == 32 {
        (place(geometry.root_cluster), geometry.cluster_size)
    } else {
        (Some(geometry.root_start()), geometry.root_length)
    };
    let (Some(start), end) = (start, length.min(LOOK)) else { return Ok((0, 0)) };
    let (mut right, mut wrong, mut at) = (0_u64, 0_u64, 0_u64);
    while at < end && right.saturating_add(wrong) < MOST_NAMED {
        let entry = source.read_real(start.saturating_add(at), ENTRY)?;
        at = at.saturating_add(to_u64(ENTRY));
        let Some(entry) = entry.and_then(|(bytes, _)| ShortEntry::from_bytes(&bytes)) else { continue };
        match entry.name.first() {
            Some(0) => break,
            Some(0xe5 | b'.') => continue,
            _ => {}
        }
        if !entry.is_folder() || entry.attributes & attribute::LABEL != 0 {
            continue;
        }
        let high = if geometry.bits == 32 { u32::from(entry.first_cluster_high) << 16 } else { 0 };
        let cluster = high | u32::from(entry.first_cluster_low);
        let Some(offset) = place(cluster) else {
            wrong = wrong.saturating_add(1);
            continue;
        };
        if let Some((bytes, _)) = source.read_real(offset, ENTRY.saturating_mul(2))? {
            let is_there = Dots::from_sector(offset, &bytes).is_some_and(|dots| dots.own(geometry.bits) == cluster);
            let count = if is_there { &mut right } else { &mut wrong };
            *count = count.saturating_add(1);
        }
    }
    Ok((right, wrong))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_folders_give_cluster_size_and_start() {
        let dots = |offset, own| Dots { offset, own, above: 0 };
        assert_eq!(line(&dots(10_240, 3), &dots(18_432, 7), 16), Some((8192, 2048)));
        // A higher number before a lower one, a distance that is no power of two, one cluster twice.
        for (one, other) in [((18_432, 7), (20_480, 3)), ((10_240, 3), (16_384, 7)), ((10_240, 3), (18_432, 3))] {
            assert_eq!(line(&dots(one.0, one.1), &dots(other.0, other.1), 16), None);
        }
        // Cluster 2 would lie before the volume.
        assert_eq!(line(&dots(2048, 7), &dots(4096, 8), 16), None);
        let all = [dots(10_240, 3), dots(12_288, 4), dots(18_432, 7), dots(18_944, 9)];
        assert_eq!(lines(&all, 16).get(&(8192, 2048)), Some(&3));
    }

    #[test]
    fn there_are_eleven_cluster_sizes() {
        assert_eq!((cluster_sizes().count(), cluster_sizes().last()), (11, Some(MOST_CLUSTER)));
    }
}
