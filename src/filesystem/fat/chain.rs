//! Chains of clusters: followed to their end, and what speaks against them.

use std::collections::HashSet;

use enumset::EnumSet;

use super::table::{Entry, Link, Tables};
use super::units::{Cluster, Layout};
use crate::catalog::{Distrust, FindingKind, Place, Run, Runs};
use crate::catalog::{Encoding, Extents};

/// How many links are followed for each cluster of the volume. Sound chains need one; chains that run into one another
/// could need any number.
const STEPS_PER_CLUSTER: u64 = 16;
/// Links that may be followed on any volume, however small.
const LEAST_STEPS: u64 = 1 << 16;

/// Links that may still be followed, so that chains that cross a thousand times take no longer than sound ones.
#[derive(Debug)]
pub(super) struct Steps(u64);

impl Steps {
    pub(super) fn for_volume(layout: &Layout) -> Self {
        Self(u64::from(layout.end).saturating_mul(STEPS_PER_CLUSTER).saturating_add(LEAST_STEPS))
    }

    fn take(&mut self) -> bool {
        match self.0.checked_sub(1) {
            Some(left) => {
                self.0 = left;
                true
            }
            None => false,
        }
    }
}

/// How a chain ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    /// With the mark of an end.
    Marked,
    /// After as many clusters as were asked for.
    Enough,
    /// At a cluster that the table calls free.
    Free,
    /// At a cluster that is set aside as bad.
    Bad,
    /// With a number that no cluster has.
    OutOfRange,
    /// At a link that was not read.
    Missing,
    /// In itself.
    Loop,
    /// Nowhere: too many links were followed on this volume.
    TooMany,
}

/// A chain.
#[derive(Debug, Clone)]
pub(super) struct Chain {
    /// First clusters and numbers of clusters, in file order; no cluster twice.
    pub(super) runs: Vec<(Cluster, u64)>,
    /// All clusters.
    pub(super) clusters: u64,
    pub(super) end: End,
    pub(super) distrust: EnumSet<Distrust>,
    /// Whether nobody vouches for some of the links.
    pub(super) unknown: bool,
}

/// How what two tables say of one chain compares.
#[derive(Debug, Default)]
struct Compared {
    same: bool,
    /// The other says that there is nothing, or nothing that can be.
    nothing: bool,
    otherwise: bool,
}

/// Follows a chain from `first`, which exists, for at most `most` clusters.
pub(super) fn follow(tables: &Tables, first: Cluster, most: u64, steps: &mut Steps) -> Chain {
    let chain = follow_active(tables, first, most, steps);
    // Where the active table breaks a chain, the other one may still have it; that makes no proof.
    if tables.differ() && !matches!(chain.end, End::Marked | End::Enough | End::TooMany) {
        let mut other = walk(first, most, steps, |cluster| {
            tables.differing(cluster).unwrap_or(Entry { link: Link::Missing, unknown: false, from_other: true })
        });
        if matches!(other.end, End::Marked | End::Enough) && other.clusters >= chain.clusters {
            other.distrust.insert(Distrust::OtherTable);
            return other;
        }
    }
    chain
}

fn follow_active(tables: &Tables, first: Cluster, most: u64, steps: &mut Steps) -> Chain {
    let mut compared = Compared::default();
    let mut from_other = false;
    let mut chain = walk(first, most, steps, |cluster| {
        let entry = tables.entry(cluster);
        from_other |= entry.from_other;
        if let Some(other) = tables.differing(cluster).filter(|_| !entry.from_other && entry.link != Link::Missing) {
            match other.link {
                Link::Missing => {}
                link if link == entry.link => compared.same = true,
                Link::Free | Link::OutOfRange(_) => compared.nothing = true,
                _ => compared.otherwise = true,
            }
        }
        entry
    });
    if from_other && !tables.other_is_trusted() {
        chain.distrust.insert(Distrust::OtherTable);
    }
    // A second table that was not kept up costs a sound chain nothing.
    if compared.otherwise || (compared.nothing && (compared.same || !matches!(chain.end, End::Marked | End::Enough))) {
        chain.distrust.insert(Distrust::TablesDiffer);
    }
    chain
}

/// Follows links until something ends them. A loop is noticed when a cluster comes back that was put by (Brent's way:
/// every time the count doubles), and the chain is then cut where it first meets itself.
fn walk(first: Cluster, most: u64, steps: &mut Steps, mut entry: impl FnMut(Cluster) -> Entry) -> Chain {
    let mut chain =
        Chain { runs: Vec::new(), clusters: 0, end: End::Enough, distrust: EnumSet::empty(), unknown: false };
    let (mut at, mut put_by, mut next_put_by) = (first, None, 1_u64);
    while chain.clusters < most {
        if put_by == Some(at) {
            chain.end = End::Loop;
            chain.distrust.insert(Distrust::ChainLoop);
            cut_loop(&mut chain);
            break;
        }
        if !steps.take() {
            chain.end = End::TooMany;
            break;
        }
        if chain.clusters == next_put_by {
            put_by = Some(at);
            next_put_by = next_put_by.saturating_mul(2);
        }
        chain.push(at);
        let Entry { link, unknown, .. } = entry(at);
        chain.unknown |= unknown;
        let (end, distrust) = match link {
            Link::Next(next) => {
                at = next;
                continue;
            }
            Link::End => (End::Marked, None),
            Link::Free => (End::Free, Some(Distrust::ClustersFree)),
            Link::Bad => (End::Bad, Some(Distrust::ClusterBad)),
            Link::OutOfRange(_) => (End::OutOfRange, Some(Distrust::OutsideVolume)),
            Link::Missing => (End::Missing, Some(Distrust::ChainPartlyRead)),
        };
        chain.end = end;
        chain.distrust.extend(distrust);
        break;
    }
    chain
}

/// Cuts a chain that runs in a loop where it comes back to a cluster for the first time.
fn cut_loop(chain: &mut Chain) {
    let mut seen = HashSet::new();
    let (runs, mut cut) = (std::mem::take(&mut chain.runs), false);
    chain.clusters = 0;
    for (start, length) in runs {
        for step in 0..length {
            let Some(number) = u32::try_from(step).ok().and_then(|step| start.0.checked_add(step)) else { return };
            cut |= !seen.insert(number);
            if cut {
                return;
            }
            chain.push(Cluster(number));
        }
    }
}

impl Chain {
    fn push(&mut self, cluster: Cluster) {
        self.clusters = self.clusters.saturating_add(1);
        if let Some((start, length)) = self.runs.last_mut()
            && start.number().saturating_add(*length) == cluster.number()
        {
            *length = length.saturating_add(1);
        } else {
            self.runs.push((cluster, 1));
        }
    }

    /// Takes the last cluster away, which was only asked for to see whether there is one.
    pub(super) fn drop_last(&mut self) {
        let Some((_, length)) = self.runs.last_mut() else { return };
        *length = length.saturating_sub(1);
        self.clusters = self.clusters.saturating_sub(1);
        self.runs.retain(|(_, length)| *length > 0);
    }

    /// A stretch of clusters that nothing but a guess puts together, cut at the volume's end.
    pub(super) fn guess(layout: &Layout, first: Cluster, clusters: u64) -> Self {
        let there = u64::from(layout.end).saturating_sub(first.number()).min(clusters);
        Self {
            runs: if there > 0 { vec![(first, there)] } else { Vec::new() },
            clusters: there,
            end: End::Enough,
            distrust: Distrust::ContiguousGuess.into(),
            unknown: false,
        }
    }

    /// What is to be found about how it ends, if anything.
    pub(super) fn finding(&self) -> Option<FindingKind> {
        match self.end {
            End::Marked | End::Enough => None,
            End::Free | End::Bad | End::OutOfRange => Some(FindingKind::ChainBroken),
            End::Missing => Some(FindingKind::ChainUnread),
            End::Loop => Some(FindingKind::ChainLoop),
            End::TooMany => Some(FindingKind::ChainsCross),
        }
    }

    /// Where a file of `size` bytes lies that has this chain.
    pub(super) fn extents(&self, layout: &Layout, size: u64) -> Extents {
        let mut runs = Vec::with_capacity(self.runs.len().saturating_add(1));
        let mut at = 0_u64;
        for (start, length) in &self.runs {
            if at >= size {
                break;
            }
            let length = layout.bytes(*length);
            runs.push(Run { start: at, length, place: Place::At(layout.offset(*start)) });
            at = at.saturating_add(length);
        }
        if at < size {
            runs.push(Run { start: at, length: size.saturating_sub(at), place: Place::Lost });
        }
        Extents::Runs(Runs { runs, size, valid_size: size, encoding: Encoding::Plain })
    }
}

#[cfg(test)]
mod tests;
