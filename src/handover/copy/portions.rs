//! What one thread copies in one go: neighbours that stand in the same folder. Two threads that make files in one folder
//! would wait for each other.

/// Of more files, or more bytes, another thread may take its share.
const MOST_FILES: usize = 64;
const MOST_BYTES: u64 = 4 << 20;

/// Cuts tasks into portions, in their order. `about` tells a task's folder, and its file's size in bytes.
pub(super) fn of<F: PartialEq>(tasks: &[usize], about: impl Fn(usize) -> (F, u64)) -> Vec<Vec<usize>> {
    let mut portions: Vec<Vec<usize>> = Vec::new();
    // The folder of the last portion, and what its files have.
    let mut last: Option<(F, u64)> = None;
    for task in tasks {
        let (folder, size) = about(*task);
        match (portions.last_mut(), &mut last) {
            (Some(portion), Some((its, bytes)))
                if *its == folder && portion.len() < MOST_FILES && bytes.saturating_add(size) <= MOST_BYTES =>
            {
                portion.push(*task);
                *bytes = bytes.saturating_add(size);
            }
            _ => {
                portions.push(vec![*task]);
                last = Some((folder, size));
            }
        }
    }
    portions
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn neighbours_of_one_folder_go_together(files in prop::collection::vec((0..3_u8, 0..MOST_BYTES), 0..400)) {
            // Half of them are small.
            let about = |task: usize| (files[task].0, files[task].1 >> (task % 2 * 20));
            let tasks: Vec<usize> = (0..files.len()).collect();
            let portions = of(&tasks, about);
            prop_assert_eq!(portions.concat(), tasks);
            let bytes = |portion: &[usize]| portion.iter().map(|task| about(*task).1).sum::<u64>();
            for portion in &portions {
                prop_assert!(!portion.is_empty() && portion.len() <= MOST_FILES);
                prop_assert!(portion.len() == 1 || bytes(portion) <= MOST_BYTES);
                prop_assert!(portion.iter().all(|task| about(*task).0 == about(portion[0]).0));
            }
            for pair in portions.windows(2) {
                let next = about(pair[1][0]);
                prop_assert!(
                    about(pair[0][0]).0 != next.0
                        || pair[0].len() == MOST_FILES
                        || bytes(&pair[0]) + next.1 > MOST_BYTES
                );
            }
        }
    }
}
