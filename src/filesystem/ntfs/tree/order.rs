//! The order of a catalog's objects.

use super::Slot;
use crate::catalog::ObjectId;

/// Where each object goes. Objects are large and many, so they are moved in their own list.
pub(super) struct Order {
    /// The new place of each object.
    places: Vec<u32>,
    next: u32,
}

impl Order {
    /// The place of what has none yet.
    const NONE: u32 = u32::MAX;

    pub(super) fn of(count: usize) -> Self {
        Self { places: vec![Self::NONE; count], next: 0 }
    }

    /// Puts an object behind those before.
    pub(super) fn next(&mut self, slot: Slot) -> ObjectId {
        let place = self.next;
        if let Some(slot) = usize::try_from(slot).ok().and_then(|index| self.places.get_mut(index)) {
            *slot = place;
            self.next = place.saturating_add(1);
        }
        ObjectId::nth(place)
    }

    /// Moves all objects to their places, and drops what has none.
    pub(super) fn apply<T>(mut self, objects: &mut Vec<T>) {
        let kept = usize::try_from(self.next).unwrap_or(usize::MAX);
        for place in &mut self.places {
            if *place == Self::NONE {
                *place = self.next;
                self.next = self.next.saturating_add(1);
            }
        }
        for from in 0..self.places.len() {
            // Each exchange brings one object to its place, so there are no more of them than objects.
            while let Some(to) = self.places.get(from).and_then(|to| usize::try_from(*to).ok())
                && to != from
                && to < self.places.len()
            {
                objects.swap(from, to);
                self.places.swap(from, to);
            }
        }
        objects.truncate(kept);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn objects_come_in_the_order_asked_for(
            wanted in Just((0..20_u32).collect::<Vec<_>>()).prop_shuffle(), kept in 0..=20_usize,
        ) {
            let mut order = Order::of(20);
            let ids: Vec<ObjectId> = wanted.iter().take(kept).map(|slot| order.next(*slot)).collect();
            prop_assert_eq!(ids, (0..20).map(ObjectId::nth).take(kept).collect::<Vec<_>>());
            let mut objects: Vec<u32> = (0..20).collect();
            order.apply(&mut objects);
            prop_assert_eq!(objects, &wanted[..kept]);
        }
    }
}
