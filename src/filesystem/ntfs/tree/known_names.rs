//! The names of a tree, looked up while folders' own lists are held against them.

use super::{FoundName, Known, Reference, record_number};
use crate::catalog::Texts;

/// Names in two orders. There are millions, so they stay where they are, and only their places are put in order.
pub(in crate::filesystem::ntfs) struct KnownNames<'t> {
    names: &'t [FoundName],
    texts: &'t Texts,
    by_record: Vec<u32>,
    by_folder: Vec<u32>,
    /// By place: whether the list of the folder that the name stands in has it.
    is_listed: Vec<bool>,
}

type Key = fn(&FoundName) -> u64;

const RECORD: Key = |name| name.record;
const FOLDER: Key = |name| name.parent().record;

impl<'t> KnownNames<'t> {
    pub(super) fn new(names: &'t [FoundName], texts: &'t Texts) -> Self {
        let ordered = |key: Key| {
            let mut places: Vec<u32> = (0..).take(names.len()).collect();
            places.sort_by_key(|place| name_at(names, *place).map(key));
            places
        };
        let (by_record, by_folder) = (ordered(RECORD), ordered(FOLDER));
        Self { names, texts, by_record, by_folder, is_listed: vec![false; names.len()] }
    }

    /// Notes that a folder's list gives a record this name, as it is stored, and says whether the record has it there, too.
    pub(in crate::filesystem::ntfs) fn list(&mut self, folder: Known, record: u64, stored: &[u8]) -> bool {
        let mut is_shown = false;
        for place in stretch(self.names, &self.by_record, RECORD, record) {
            let Some(name) = name_at(self.names, *place) else { continue };
            let parent = name.parent();
            let is_root = parent.record == record_number::ROOT && parent.record == folder.record;
            let is_here = is_root || stands_in(parent, folder);
            if is_here && self.texts.get(name.text).as_bytes() == stored {
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
        let listed = |place: u32| usize::try_from(place).ok().and_then(|index| self.is_listed.get(index)).copied();
        let mut records: Vec<u64> = stretch(self.names, &self.by_folder, FOLDER, folder.record)
            .iter()
            .filter(|place| listed(**place) == Some(false))
            .filter_map(|place| name_at(self.names, *place))
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

fn name_at(names: &[FoundName], place: u32) -> Option<&FoundName> {
    super::at(names, place)
}

/// Of places in the order of a key those of the names with this value, in the order in which they were found.
fn stretch<'o>(names: &[FoundName], order: &'o [u32], key: Key, value: u64) -> &'o [u32] {
    let of = |place: &u32| name_at(names, *place).map(key);
    let from = order.partition_point(|place| of(place) < Some(value));
    let rest = order.get(from..).unwrap_or_default();
    rest.get(..rest.partition_point(|place| of(place) == Some(value))).unwrap_or_default()
}
