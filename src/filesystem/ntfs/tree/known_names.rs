//! The names of a tree, looked up while folders' own lists are held against them.

use std::cmp::Ordering;

use super::{FoundName, Known, Reference, record_number};
use crate::catalog::Texts;

/// Names in two orders. There are millions, so they stay where they are, and only their places are put in order.
pub(in crate::filesystem::ntfs) struct KnownNames<'t> {
    names: Names<'t>,
    /// By record and name.
    by_record: Vec<u32>,
    by_folder: Vec<u32>,
    /// By place: whether the list of the folder that the name stands in has it.
    is_listed: Vec<bool>,
}

/// Names and what they say.
#[derive(Clone, Copy)]
struct Names<'t> {
    list: &'t [FoundName],
    texts: &'t Texts,
}

impl<'t> Names<'t> {
    fn at(self, place: u32) -> Option<&'t FoundName> {
        super::at(self.list, place)
    }

    /// A record may have tens of thousands of names, and a list as many for it.
    fn record_and_name(self, place: u32) -> Option<(u64, &'t [u8])> {
        self.at(place).map(|name| (name.record, self.texts.get(name.text).as_bytes()))
    }

    fn folder(self, place: u32) -> Option<u64> {
        self.at(place).map(|name| name.parent().record)
    }
}

impl<'t> KnownNames<'t> {
    pub(super) fn new(list: &'t [FoundName], texts: &'t Texts) -> Self {
        let names = Names { list, texts };
        let mut by_record: Vec<u32> = (0..).take(list.len()).collect();
        let mut by_folder = by_record.clone();
        by_record.sort_by(|one, two| names.record_and_name(*one).cmp(&names.record_and_name(*two)));
        by_folder.sort_by_key(|place| names.folder(*place));
        Self { names, by_record, by_folder, is_listed: vec![false; list.len()] }
    }

    /// Notes that a folder's list gives a record this name, as it is stored, and says whether the record has it there, too.
    pub(in crate::filesystem::ntfs) fn list(&mut self, folder: Known, record: u64, stored: &[u8]) -> bool {
        let names = self.names;
        let wanted = Some((record, stored));
        let mut is_shown = false;
        for place in stretch(&self.by_record, |place| names.record_and_name(place).cmp(&wanted)) {
            let Some(parent) = names.at(*place).map(FoundName::parent) else { continue };
            let is_root = parent.record == record_number::ROOT && parent.record == folder.record;
            if is_root || stands_in(parent, folder) {
                is_shown = true;
                if let Some(listed) = usize::try_from(*place).ok().and_then(|index| self.is_listed.get_mut(index)) {
                    *listed = true;
                }
            }
        }
        is_shown
    }

    /// The records that have a name in a folder which its list did not have, in order.
    pub(in crate::filesystem::ntfs) fn not_listed(&self, folder: Known) -> Vec<u64> {
        let names = self.names;
        let is_listed = |place: u32| usize::try_from(place).ok().and_then(|index| self.is_listed.get(index)).copied();
        let mut records: Vec<u64> = stretch(&self.by_folder, |place| names.folder(place).cmp(&Some(folder.record)))
            .iter()
            .filter(|place| is_listed(**place) == Some(false))
            .filter_map(|place| names.at(*place))
            .filter(|name| stands_in(name.parent(), folder))
            .map(|name| name.record)
            .collect();
        records.sort_unstable();
        records.dedup();
        records
    }
}

fn stands_in(parent: Reference, folder: Known) -> bool {
    parent.record == folder.record && parent.means(folder.sequence)
}

/// Of places in some order those that `compare` takes for the same as what is wanted.
fn stretch(order: &[u32], compare: impl Fn(u32) -> Ordering) -> &[u32] {
    let from = order.partition_point(|place| compare(*place).is_lt());
    let rest = order.get(from..).unwrap_or_default();
    rest.get(..rest.partition_point(|place| compare(*place).is_eq())).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::{FileName, Made, Tree};
    use super::*;
    use crate::catalog::{Object, ObjectKind};

    fn reference(record: u64, sequence: u16) -> Reference {
        Reference { record, sequence }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// Against the plain way: every name looked at for every question.
        #[test]
        fn names_are_found_as_if_all_were_looked_at(
            names in prop::collection::vec((24..30_u64, 4..8_u64, 1..3_u16, 0..4_u16), 0..40),
            listed in prop::collection::vec((24..30_u64, 0..4_u16), 0..20),
            folder in (4..8_u64, 1..3_u16),
        ) {
            let mut tree = Tree::default();
            let made = Made { object: Object::new(ObjectKind::File, 24), streams: Vec::new() };
            let none: [&FileName; 0] = [];
            tree.add(reference(24, 1), false, made, &none).unwrap();
            for (record, parent, sequence, letter) in &names {
                tree.name(*record, reference(*parent, *sequence), &[u16::from(b'a') + letter]).unwrap();
            }
            let folder = Known { record: folder.0, sequence: folder.1, object: 0 };
            let mut known = tree.known_names();
            for (record, letter) in &listed {
                let stored = [b'a' + u8::try_from(*letter).unwrap()];
                let has = names.iter().any(|(of, parent, sequence, own)| {
                    (of, parent, own) == (record, &folder.record, letter)
                        && (*sequence == folder.sequence || folder.record == record_number::ROOT)
                });
                prop_assert_eq!(known.list(folder, *record, &stored), has);
            }
            let mut missing: Vec<u64> = names
                .iter()
                .filter(|(_, parent, sequence, _)| (*parent, *sequence) == (folder.record, folder.sequence))
                .filter(|(record, _, _, letter)| !listed.contains(&(*record, *letter)))
                .map(|(record, ..)| *record)
                .collect();
            missing.sort_unstable();
            missing.dedup();
            prop_assert_eq!(known.not_listed(folder), missing);
        }
    }
}
