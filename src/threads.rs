//! Work that several threads do at once.

/// More threads than this wait for the disk, or for the one that takes in what they found.
const MOST: usize = 8;

/// How many threads work at once.
pub(crate) fn count() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from).min(MOST)
}

/// Does `work` on parts of `items`, one for each thread and none shorter than `least`; answers what it gave, in the
/// order of the items.
pub(crate) fn in_parts<T: Sync, R: Send>(items: &[T], least: usize, work: impl Fn(&[T]) -> R + Sync) -> Vec<R> {
    let parts = items.len().checked_div(least.max(1)).unwrap_or(0).clamp(1, count());
    let mut parts = items.chunks(items.len().div_ceil(parts).max(1));
    let (Some(own), work) = (parts.next(), &work) else { return Vec::new() };
    std::thread::scope(|scope| {
        let start = |part| (part, std::thread::Builder::new().spawn_scoped(scope, move || work(part)));
        let others: Vec<_> = parts.map(start).collect();
        let own = work(own);
        let others = others.into_iter().map(|(part, thread)| match thread {
            Ok(thread) => thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
            // No thread is to be had: slower, and the same.
            Err(_) => work(part),
        });
        std::iter::once(own).chain(others).collect()
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn each_item_is_met_once_in_its_order(items in prop::collection::vec(any::<u8>(), 0..200), least in 0..50_usize) {
            let parts = in_parts(&items, least, <[u8]>::to_vec);
            prop_assert!(parts.len() <= count());
            prop_assert!(parts.len() <= 1 || parts.iter().rev().skip(1).all(|part| part.len() >= least));
            prop_assert_eq!(parts.concat(), items);
        }
    }
}
