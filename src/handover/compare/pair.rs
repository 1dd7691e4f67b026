//! Which file of one list is which of the other: first by path and digest, then by path, then by digest.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use enumset::EnumSet;

use super::{Comparison, Differences, Known, MatchedBy, Side};
use crate::catalog::State;
use crate::handover::digests::{Algorithm, Hasher};
use crate::handover::hex;

/// One file of a list, as small as it goes: there may be millions.
#[derive(Debug, Clone)]
pub(super) struct Item {
    pub(super) volume: Option<u32>,
    pub(super) path: Box<str>,
    pub(super) digest: Box<[u8]>,
    pub(super) size: Option<u64>,
    pub(super) state: Option<State>,
    pub(super) has_gaps: Option<bool>,
}

impl Item {
    fn place(&self) -> (Option<u32>, &str) {
        (self.volume, &self.path)
    }

    fn order(&self, other: &Self) -> Ordering {
        self.place().cmp(&other.place()).then_with(|| self.digest.cmp(&other.digest))
    }

    /// The last part of its path.
    fn name(&self) -> &str {
        self.path.rsplit('/').next().unwrap_or_default()
    }

    pub(super) fn known(&self) -> Known {
        Known {
            volume: self.volume,
            path: self.path.to_string(),
            digest: hex::of(&self.digest),
            size: self.size,
            state: self.state,
            has_gaps: self.has_gaps,
        }
    }
}

/// Two lists on their way to a [`Comparison`].
pub(super) struct Pairs {
    algorithm: Algorithm,
    /// The digest of nothing: what has it has no content that could be known again.
    empty: Box<[u8]>,
    /// The first list, sorted.
    first: Vec<Item>,
    /// By item of the first list: whether it was found.
    found: Vec<bool>,
    /// What of the second list has no same in the first.
    second: Vec<Item>,
    same: u64,
    same_with_gaps: u64,
}

impl Pairs {
    pub(super) fn new(algorithm: Algorithm) -> Self {
        let empty = Hasher::new(EnumSet::only(algorithm)).finish().pop().map(|(_, digest)| digest).unwrap_or_default();
        Self {
            algorithm,
            empty: hex::bytes(&empty).unwrap_or_default().into(),
            first: Vec::new(),
            found: Vec::new(),
            second: Vec::new(),
            same: 0,
            same_with_gaps: 0,
        }
    }

    /// The next of the first list.
    pub(super) fn first(&mut self, item: Item) {
        self.first.push(item);
    }

    /// The first list is complete.
    pub(super) fn sort(&mut self) {
        self.first.sort_unstable_by(Item::order);
        self.found = vec![false; self.first.len()];
    }

    /// The next of the second list.
    pub(super) fn second(&mut self, item: Item) {
        let start = self.first.partition_point(|one| one.order(&item) == Ordering::Less);
        let same = self.first[start..].iter().take_while(|one| one.order(&item) == Ordering::Equal).count();
        match (start..start + same).find(|index| !self.found[*index]) {
            Some(index) => {
                self.found[index] = true;
                self.same += 1;
                self.same_with_gaps +=
                    u64::from([&self.first[index], &item].iter().any(|one| one.has_gaps == Some(true)));
            }
            None => self.second.push(item),
        }
    }

    pub(super) fn finish(mut self, a: Side, b: Side, matched_by: MatchedBy) -> Comparison {
        let mut comparison = Comparison {
            a,
            b: Some(b),
            algorithm: self.algorithm,
            matched_by,
            same: self.same,
            same_with_gaps: self.same_with_gaps,
            changed: Differences::default(),
            missing: Differences::default(),
            new: None,
            moved: Differences::default(),
        };
        self.second.sort_unstable_by(Item::order);
        let mut rest = Vec::new();
        for item in std::mem::take(&mut self.second) {
            let start = self.first.partition_point(|one| one.place() < item.place());
            let count = self.first[start..].iter().take_while(|one| one.place() == item.place()).count();
            match (start..start + count).find(|index| !self.found[*index]) {
                Some(index) => {
                    self.found[index] = true;
                    comparison.changed.add(Some(self.first[index].known()), Some(item.known()), None);
                }
                None => rest.push(item),
            }
        }
        let left: Vec<Item> =
            self.first.into_iter().zip(self.found).filter_map(|(item, found)| (!found).then_some(item)).collect();
        let partners = partners(&left, &rest, &self.empty);
        let mut taken = vec![false; rest.len()];
        for (item, partner) in left.iter().zip(&partners) {
            match partner {
                Some(index) => {
                    taken[*index] = true;
                    comparison.moved.add(Some(item.known()), Some(rest[*index].known()), None);
                }
                None => comparison.missing.add(Some(item.known()), None, None),
            }
        }
        let mut new = Differences::default();
        for (item, _) in rest.iter().zip(taken).filter(|(_, taken)| !taken) {
            new.add(None, Some(item.known()), None);
        }
        comparison.new = Some(new);
        comparison
    }
}

/// By item of the first list: which item of the second has the same content, each at most once. Of several, one with the
/// same name is taken first, and then one after the other; both lists are sorted by path.
fn partners(left: &[Item], rest: &[Item], empty: &[u8]) -> Vec<Option<usize>> {
    let mut by_digest: BTreeMap<&[u8], Vec<usize>> = BTreeMap::new();
    for (index, item) in rest.iter().enumerate().filter(|(_, item)| *item.digest != *empty) {
        by_digest.entry(&item.digest).or_default().push(index);
    }
    let mut taken = vec![false; rest.len()];
    let mut partners = vec![None; left.len()];
    // With many equal files each would be looked at for each other: by name they are counted off instead.
    let mut by_name: BTreeMap<(&[u8], &str), Vec<usize>> = BTreeMap::new();
    for (digest, indices) in &by_digest {
        for index in indices.iter().rev() {
            by_name.entry((digest, rest[*index].name())).or_default().push(*index);
        }
    }
    for (item, partner) in left.iter().zip(&mut partners) {
        *partner = by_name.get_mut(&(&*item.digest, item.name())).and_then(Vec::pop);
        if let Some(index) = *partner {
            taken[index] = true;
        }
    }
    for indices in by_digest.values_mut() {
        indices.retain(|index| !taken[*index]);
        indices.reverse();
    }
    for (item, partner) in left.iter().zip(&mut partners).filter(|(_, partner)| partner.is_none()) {
        *partner = by_digest.get_mut(&*item.digest).and_then(Vec::pop);
    }
    partners
}
