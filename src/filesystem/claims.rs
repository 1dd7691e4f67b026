//! Claims: which clusters each object says are its own, held against one another and against the allocation bitmap.
//!
//! During a sweep all runs go to one pooled list. It serves three questions: do two live objects claim one cluster,
//! does the bitmap call a claimed cluster free, and how much is in use that nobody claims?

use std::collections::BTreeSet;
use std::ops::Range;

use super::bitmap::Bitmap;

/// Whom a claim belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Owner {
    /// An object of the reader's own list, by its place in it.
    Object(u32),
    /// The filesystem itself, or something of a file that is no content.
    Other,
    /// Clusters set aside because they are bad: they may lie in a file, too.
    SetAside,
    /// An object that nothing proves to be in force, by its place in the reader's list: it spoils nobody's claim.
    Found(u32),
}

#[derive(Debug, Clone, Copy)]
struct Claim {
    start: u64,
    length: u64,
    owner: Owner,
}

/// The pooled list of runs, in clusters.
#[derive(Debug, Default, Clone)]
pub(crate) struct Claims(Vec<Claim>);

/// What the claims of a volume came to. Numbers are clusters.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Settled {
    /// Objects that share a cluster with another claim.
    pub(crate) twice: BTreeSet<u32>,
    /// Objects with a cluster that the bitmap calls free.
    pub(crate) free: BTreeSet<u32>,
    /// In use by the bitmap.
    pub(crate) used: Span,
    /// In use by the bitmap, and claimed by nobody.
    pub(crate) unexplained: Span,
    /// All clusters that live objects claim, in order and joined.
    pub(crate) live: Vec<Range<u64>>,
    /// Whether the bitmap calls a cluster free that something in force has: it is not to be relied on.
    pub(crate) contradicted: bool,
}

/// At least so many, at most so many.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Span {
    pub(crate) at_least: u64,
    pub(crate) at_most: u64,
}

impl Claims {
    /// Adds a run of clusters.
    pub(crate) fn add(&mut self, start: u64, length: u64, owner: Owner) {
        if length > 0 {
            self.0.push(Claim { start, length, owner });
        }
    }

    /// Adds the claims of objects whose list begins at `first` of this one's.
    pub(crate) fn append(&mut self, other: Self, first: u32) {
        self.0.extend(other.0.into_iter().map(|claim| Claim {
            owner: match claim.owner {
                Owner::Object(object) => Owner::Object(object.saturating_add(first)),
                Owner::Found(object) => Owner::Found(object.saturating_add(first)),
                owner @ (Owner::Other | Owner::SetAside) => owner,
            },
            ..claim
        }));
    }

    /// All runs, in the order they were added.
    pub(crate) fn all(&self) -> impl Iterator<Item = (Range<u64>, Owner)> + '_ {
        self.0.iter().map(|claim| (claim.start..claim.start.saturating_add(claim.length), claim.owner))
    }

    /// Holds all claims against one another and against the bitmap of a volume of `clusters` clusters; `None` for a
    /// bitmap that can't be had, which proves nothing and spoils nothing.
    pub(crate) fn settle(mut self, bitmap: Option<&Bitmap>, clusters: u64) -> Settled {
        self.0.sort_unstable_by_key(|claim| (claim.start, claim.owner));
        let mut settled = Settled::default();
        // The claim that reaches furthest of those before: whatever overlaps any of them overlaps it.
        let mut furthest: Option<(u64, Owner)> = None;
        for Claim { start, length, owner } in self.0 {
            let end = start.saturating_add(length);
            match settled.live.last_mut() {
                Some(last) if start <= last.end => last.end = last.end.max(end),
                _ => settled.live.push(start..end),
            }
            if matches!(owner, Owner::SetAside | Owner::Found(_)) {
                continue;
            }
            if let Some((_, other)) = furthest.filter(|(reach, _)| start < *reach) {
                for owner in [owner, other] {
                    if let Owner::Object(object) = owner {
                        settled.twice.insert(object);
                    }
                }
            }
            if furthest.is_none_or(|(reach, _)| end > reach) {
                furthest = Some((end, owner));
            }
            if let (Owner::Object(object), Some(bitmap)) = (owner, bitmap)
                && !settled.free.contains(&object)
                && bitmap.has_free(start..end)
            {
                settled.free.insert(object);
                settled.contradicted = true;
            }
            settled.contradicted |= owner == Owner::Other
                && !settled.contradicted
                && bitmap.is_some_and(|bitmap| bitmap.has_free(start..end));
        }
        if let Some(bitmap) = bitmap {
            settled.weigh(bitmap, clusters);
        }
        settled
    }
}

impl Settled {
    /// Counts what is in use, and what of it lies between the claims.
    fn weigh(&mut self, bitmap: &Bitmap, clusters: u64) {
        let span = |range: Range<u64>| {
            let bits = bitmap.count(range.start..range.end.max(range.start));
            Span { at_least: bits.set, at_most: bits.set.saturating_add(bits.unknown) }
        };
        self.used = span(0..clusters);
        let mut at = 0;
        let mut unexplained = Span::default();
        let end = clusters..clusters;
        for claimed in self.live.iter().chain([&end]) {
            let between = span(at..claimed.start.min(clusters));
            unexplained.at_least = unexplained.at_least.saturating_add(between.at_least);
            unexplained.at_most = unexplained.at_most.saturating_add(between.at_most);
            at = claimed.end.max(at);
        }
        self.unexplained = unexplained;
    }

    /// Runs of clusters below `clusters` that the bitmap calls in use and nobody claims, in order: where a folder may lie
    /// whose own entry is lost. What the bitmap doesn't speak of is not among them.
    pub(crate) fn unclaimed(&self, bitmap: &Bitmap, clusters: u64) -> Vec<Range<u64>> {
        let mut found: Vec<Range<u64>> = Vec::new();
        let mut at = 0;
        let end = clusters..clusters;
        for claimed in self.live.iter().chain([&end]) {
            for cluster in at..claimed.start.min(clusters) {
                if bitmap.get(cluster) != Some(true) {
                    continue;
                }
                match found.last_mut() {
                    Some(last) if last.end == cluster => last.end = cluster.saturating_add(1),
                    _ => found.push(cluster..cluster.saturating_add(1)),
                }
            }
            at = claimed.end.max(at);
        }
        found
    }

    /// The parts of a run of clusters that live objects claim or the bitmap calls in use; for runs of deleted files.
    pub(crate) fn claimed(&self, run: Range<u64>, bitmap: Option<&Bitmap>) -> Vec<Range<u64>> {
        let mut claimed: Vec<Range<u64>> = Vec::new();
        let mut push = |range: Range<u64>| match claimed.last_mut() {
            Some(last) if last.end >= range.start => last.end = last.end.max(range.end),
            _ => claimed.push(range),
        };
        let mut live = self.live.partition_point(|claim| claim.end <= run.start);
        let mut at = run.start;
        while at < run.end {
            let next = self.live.get(live).filter(|claim| claim.start < run.end);
            let free_end = next.map_or(run.end, |claim| claim.start.max(at));
            for cluster in at..free_end {
                if bitmap.and_then(|bitmap| bitmap.get(cluster)) == Some(true) {
                    push(cluster..cluster.saturating_add(1));
                }
            }
            let Some(claim) = next else { break };
            push(free_end..claim.end.min(run.end));
            at = claim.end.max(free_end);
            live = live.saturating_add(1);
        }
        claimed
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const CLUSTERS: u64 = 64;

    fn owner() -> impl Strategy<Value = Owner> {
        prop_oneof![
            (0..6_u32).prop_map(Owner::Object),
            (0..6_u32).prop_map(Owner::Found),
            Just(Owner::Other),
            Just(Owner::SetAside)
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn settling_equals_looking_at_each_cluster(
            runs in prop::collection::vec((0..CLUSTERS, 1..8_u64, owner()), 0..12),
            bits in prop::collection::vec(any::<u8>(), 8), hole in 0..8_u64,
        ) {
            let bitmap = Bitmap::new(bits, vec![hole..hole + 1]);
            let mut claims = Claims::default();
            let mut each: Vec<Vec<Owner>> = vec![Vec::new(); CLUSTERS as usize + 8];
            for (start, length, owner) in &runs {
                claims.add(*start, *length, *owner);
                for cluster in *start..start + length {
                    each[cluster as usize].push(*owner);
                }
            }
            let settled = claims.settle(Some(&bitmap), CLUSTERS);
            let (mut twice, mut free) = (BTreeSet::new(), BTreeSet::new());
            let (mut used, mut unexplained) = (Span::default(), Span::default());
            let mut contradicted = false;
            for (cluster, owners) in each.iter().enumerate() {
                let bit = bitmap.get(cluster as u64);
                let in_force = |owner: &&Owner| matches!(owner, Owner::Object(_) | Owner::Other);
                let claimants = owners.iter().filter(in_force).count();
                contradicted |= claimants > 0 && bit == Some(false);
                for owner in owners {
                    let Owner::Object(object) = owner else { continue };
                    if claimants > 1 {
                        twice.insert(*object);
                    }
                    if bit == Some(false) {
                        free.insert(*object);
                    }
                }
                if cluster < CLUSTERS as usize {
                    let count = |span: &mut Span| {
                        span.at_least += u64::from(bit == Some(true));
                        span.at_most += u64::from(bit != Some(false));
                    };
                    count(&mut used);
                    if owners.is_empty() {
                        count(&mut unexplained);
                    }
                }
            }
            prop_assert_eq!((&settled.twice, &settled.free), (&twice, &free));
            prop_assert_eq!((settled.used, settled.unexplained), (used, unexplained));
            prop_assert_eq!(settled.contradicted, contradicted);
            let claimed: Vec<u64> = settled.claimed(3..40, Some(&bitmap)).into_iter().flatten().collect();
            let expected: Vec<u64> = (3..40)
                .filter(|cluster| !each[*cluster as usize].is_empty() || bitmap.get(*cluster) == Some(true))
                .collect();
            prop_assert_eq!(claimed, expected);
            let unclaimed = settled.unclaimed(&bitmap, CLUSTERS);
            prop_assert!(unclaimed.windows(2).all(|pair| pair[0].end < pair[1].start));
            let unclaimed: Vec<u64> = unclaimed.into_iter().flatten().collect();
            let expected: Vec<u64> = (0..CLUSTERS)
                .filter(|cluster| each[*cluster as usize].is_empty() && bitmap.get(*cluster) == Some(true))
                .collect();
            prop_assert_eq!(unclaimed, expected);
        }
    }

    #[test]
    fn without_a_bitmap_only_claims_count() {
        let mut claims = Claims::default();
        claims.add(3, 2, Owner::Object(1));
        claims.add(4, 2, Owner::Object(2));
        let settled = claims.settle(None, CLUSTERS);
        assert_eq!((settled.twice.len(), settled.free.len(), settled.used), (2, 0, Span::default()));
    }
}
