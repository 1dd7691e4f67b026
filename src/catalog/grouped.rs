//! The names of each object side by side.

use super::{NameEntry, NameId, ObjectId};

/// Names by an object of theirs: those of one are one stretch.
#[derive(Debug, Default)]
pub(super) struct Grouped {
    names: Vec<NameId>,
    /// Where the stretch of each object begins; at last, where the last one ends.
    first: Vec<u32>,
}

fn index(number: u32) -> usize {
    usize::try_from(number).unwrap_or(usize::MAX)
}

impl Grouped {
    /// Groups fewer than 2^32 `names`, each in its order, by which of `count` objects `key` gives. Names of no such
    /// object are left out: nobody comes by them.
    pub(super) fn new(count: usize, names: &[NameEntry], key: impl Fn(&NameEntry) -> ObjectId) -> Self {
        let object = |name: &NameEntry| key(name).index().filter(|object| *object < count);
        // First how many names each object has, one place behind its own, then where they begin.
        let mut first = vec![0_u32; count.saturating_add(1)];
        for object in names.iter().filter_map(object) {
            if let Some(many) = first.get_mut(object.saturating_add(1)) {
                *many = many.saturating_add(1);
            }
        }
        let mut begin = 0_u32;
        for slot in &mut first {
            begin = begin.saturating_add(*slot);
            *slot = begin;
        }
        let mut next = first.clone();
        let mut grouped = vec![NameId(0); index(begin)];
        for (id, name) in (0_u32..).map(NameId).zip(names) {
            let Some(next) = object(name).and_then(|object| next.get_mut(object)) else { continue };
            if let Some(slot) = grouped.get_mut(index(*next)) {
                *slot = id;
            }
            *next = next.saturating_add(1);
        }
        Self { names: grouped, first }
    }

    /// The names of an object.
    pub(super) fn of(&self, object: ObjectId) -> &[NameId] {
        let place = |at: Option<usize>| at.and_then(|at| self.first.get(at)).copied().map(index);
        let (start, end) = (place(object.index()), place(object.index().and_then(|index| index.checked_add(1))));
        let range = start.zip(end).map(|(start, end)| start..end);
        range.and_then(|range| self.names.get(range)).unwrap_or_default()
    }

    /// The names of each object, to be sorted.
    pub(super) fn groups_mut(&mut self) -> impl Iterator<Item = &mut [NameId]> {
        let ends = self.first.iter().skip(1).copied().map(index);
        let mut rest = self.names.as_mut_slice();
        let mut at = 0;
        ends.map(move |end| {
            let (group, others) =
                std::mem::take(&mut rest).split_at_mut_checked(end.saturating_sub(at)).unwrap_or_default();
            (rest, at) = (others, end);
            group
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::Text;
    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn each_object_has_its_names_in_their_order(objects in prop::collection::vec(0..12_u32, 0..40), count in 0..12_usize) {
            let entry = |object: &u32| NameEntry { parent: ObjectId(0), object: ObjectId(*object), text: Text::default() };
            let names: Vec<NameEntry> = objects.iter().map(entry).collect();
            let mut grouped = Grouped::new(count, &names, |name| name.object);
            let of = |object: usize| -> Vec<NameId> {
                let ids = (0_u32..).zip(&objects).filter(|(_, one)| **one as usize == object);
                ids.map(|(id, _)| NameId(id)).collect()
            };
            for object in 0..12 {
                let expected = if object < count { of(object) } else { Vec::new() };
                prop_assert_eq!(grouped.of(ObjectId(object as u32)), expected);
            }
            let groups: Vec<Vec<NameId>> = grouped.groups_mut().map(|group| group.to_vec()).collect();
            prop_assert_eq!(groups, (0..count).map(of).collect::<Vec<_>>());
        }
    }
}
