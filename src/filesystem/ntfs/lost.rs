//! Records that are lost, and what folders' own lists still say of them.

use std::collections::{HashMap, HashSet};
use std::ops::Range;

use super::file::{ExtensionBudget, File, Parts};
use super::index::{self, Index, IndexBudget};
use super::object::Made;
use super::structures::{FileName, file_attribute, record_number};
use super::tree::{Known, Slot, Tree};
use super::units::Reference;
use crate::catalog::{Facts, FindingKind, Findings, Incomplete, Object, ObjectKind, Timestamp, Unlocated, stored_name};
use crate::error::Result;

/// Numbers of lost records, as ranges in order.
#[derive(Debug, Default)]
pub(super) struct LostRecords {
    ranges: Vec<Range<u64>>,
    /// How many there are; of a stretch that is not in the image only those in use count.
    pub(super) count: u64,
}

impl LostRecords {
    /// Adds records that come after all added before; `count` of them held something.
    pub(super) fn add(&mut self, records: Range<u64>, count: u64) {
        match self.ranges.last_mut() {
            Some(last) if last.end == records.start => last.end = records.end,
            _ => self.ranges.push(records),
        }
        self.count = self.count.saturating_add(count);
    }

    /// Adds those of the next part of the table.
    pub(super) fn append(&mut self, other: &Self) {
        for range in &other.ranges {
            self.add(range.clone(), 0);
        }
        self.count = self.count.saturating_add(other.count);
    }

    fn contains(&self, record: u64) -> bool {
        let next = self.ranges.partition_point(|range| range.end <= record);
        self.ranges.get(next).is_some_and(|range| range.contains(&record))
    }
}

/// What the lists brought.
#[derive(Debug, Default)]
pub(super) struct Listed {
    /// Lost records that a list names.
    pub(super) named: u64,
    /// Folders whose list was read whole, by record.
    pub(super) whole: HashSet<u64>,
    /// Folders, and records that their lists name as these describe themselves, size included.
    pub(super) confirmed: Vec<(u64, u64)>,
    /// Silent records that a list names as they are numbered now, with the names that it gives them.
    pub(super) silent: Vec<(Reference, Vec<FileName>)>,
}

/// What is looked for in the lists.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted<'a> {
    pub(super) lost: &'a LostRecords,
    /// Files that had more names than were read.
    pub(super) names_lost: &'a HashSet<u64>,
    /// Records that are no file by their own word only, in order.
    pub(super) silent: &'a [u64],
}

/// Live files and folders in the order of their records, each once.
struct Live(Vec<Known>);

impl Live {
    fn of(tree: &Tree) -> Self {
        let mut live: Vec<Known> = tree.live().collect();
        live.sort_by_key(|known| known.record);
        // Of two with one number the one that was found last counts.
        live.dedup_by(|later, earlier| {
            let is_same = later.record == earlier.record;
            if is_same {
                *earlier = *later;
            }
            is_same
        });
        Self(live)
    }

    fn get(&self, record: u64) -> Option<&Known> {
        self.0.binary_search_by_key(&record, |known| known.record).ok().and_then(|place| self.0.get(place))
    }
}

/// Reads the lists of all live folders and holds them against the records. What a list names and no record has is
/// added to the tree: a lost record as `unlocated`, a lost name of a known file as that name. A folder whose list has a
/// name that is not shown in it is not complete.
pub(super) fn read_lists(
    parts: Parts<'_>,
    tree: &mut Tree,
    wanted: Wanted<'_>,
    findings: &mut Findings,
) -> Result<Listed> {
    let Wanted { lost, names_lost, silent } = wanted;
    let live = Live::of(tree);
    let own = tree.own_files();
    let is_wanted = |known: &&Known| tree.is_folder(known.object) && !own.contains(&known.record);
    let folders: Vec<Known> = live.0.iter().filter(is_wanted).copied().collect();
    let mut budget = IndexBudget(parts.volume.length_in_image());
    let mut extensions = ExtensionBudget::for_table(parts.table);
    let mut listed = Listed::default();
    // What is to be added, once the names are no longer looked at.
    let mut new_names: Vec<(u64, Reference, Vec<u16>)> = Vec::new();
    let mut unlocated: HashMap<u64, (Reference, Vec<FileName>)> = HashMap::new();
    let mut not_shown: Vec<Slot> = Vec::new();
    {
        let mut names = tree.known_names();
        for folder in folders {
            let Ok(record) = parts.table.read(parts.volume, folder.record)? else { continue };
            let file = File::load(parts, &record, &mut extensions, &mut Findings::default())?;
            let Index { entries, whole, .. } = index::read(parts, &file, &mut budget)?;
            let offset = parts.image_offset(folder.record);
            if whole {
                listed.whole.insert(folder.record);
            } else {
                findings.add(FindingKind::IndexPartlyRead, offset, Some(folder.record), || "");
            }
            let mut disagree = |record: u64, what: &str| {
                findings.add(FindingKind::IndexDisagrees, offset, Some(folder.record), || {
                    format!("record {record}: {what}")
                });
            };
            for (reference, name) in entries {
                let stored = stored_name(name.units.iter().copied());
                let number = reference.record;
                let is_own = number < record_number::FIRST_ORDINARY || own.contains(&number);
                if name.namespace == FileName::DOS || is_own {
                    continue;
                }
                let here = Reference { record: folder.record, sequence: folder.sequence };
                let known = live.get(number);
                let is_known = known.is_some_and(|known| reference.means(known.sequence));
                let shown = names.list(folder, number, &stored) && known.is_some();
                let is_past_end = parts.table.own_record_is_lost && number >= parts.table.record_count();
                let is_lost = known.is_none() && (is_past_end || lost.contains(number));
                if is_known && shown {
                    if known.is_some_and(|known| tree.has_size(known.object, name.size)) {
                        listed.confirmed.push((folder.record, number));
                    }
                } else if is_known && names_lost.contains(&number) {
                    new_names.push((number, here, name.units.clone()));
                } else if is_lost || (known.is_none() && speaks_of_now(parts, silent, reference)?) {
                    unlocated
                        .entry(number)
                        .or_insert_with(|| (reference, Vec::new()))
                        .1
                        .push(FileName { parent: here, ..name.clone() });
                } else {
                    disagree(
                        number,
                        match known {
                            Some(_) if is_known => "the list has a name that the record has not",
                            Some(_) => "the list means an earlier file of that number",
                            None => "the list names a file that is not there",
                        },
                    );
                    if !shown && !was_deleted(parts, known.is_some(), reference)? {
                        not_shown.push(folder.object);
                    }
                }
            }
            if whole {
                for record in names.not_listed(folder) {
                    let is_own = record < record_number::FIRST_ORDINARY || own.contains(&record);
                    if !is_own && live.get(record).is_some() {
                        disagree(record, "the record has a name that the list has not");
                    }
                }
            }
        }
    }
    for folder in not_shown {
        if let Some(object) = tree.object_mut(folder) {
            object.incomplete.insert(Incomplete::ListDisagrees);
        }
    }
    for (record, parent, units) in new_names {
        tree.name(record, parent, &units)?;
    }
    let mut unlocated: Vec<(u64, (Reference, Vec<FileName>))> = unlocated.into_iter().collect();
    unlocated.sort_by_key(|(record, _)| *record);
    for (record, (reference, names)) in unlocated {
        if silent.binary_search(&record).is_ok() {
            listed.silent.push((reference, names));
        } else {
            // What lies past a table's end was not counted.
            listed.named = listed.named.saturating_add(u64::from(lost.contains(record)));
            add_unlocated(tree, reference, &names)?;
        }
    }
    Ok(listed)
}

/// Whether a silent record is the one that a list means. One that was deleted has a higher sequence number since.
fn speaks_of_now(parts: Parts<'_>, silent: &[u64], reference: Reference) -> Result<bool> {
    if silent.binary_search(&reference.record).is_err() {
        return Ok(false);
    }
    let record = parts.table.read(parts.volume, reference.record)?;
    Ok(record.is_ok_and(|record| reference.means(record.header.sequence)))
}

/// Whether what a list names was deleted since: deleting raises a record's sequence number by one, and the list was
/// written before. Whether the record was taken again is no matter.
fn was_deleted(parts: Parts<'_>, taken_again: bool, reference: Reference) -> Result<bool> {
    let Ok(record) = parts.table.read(parts.volume, reference.record)? else { return Ok(false) };
    // Numbers start over after 65,535, so half of them are later ones.
    let raised = (1..0x8000).contains(&record.header.sequence.wrapping_sub(reference.sequence));
    Ok(raised && (taken_again || !record.in_use()))
}

/// Adds what only folders' lists still name.
pub(super) fn add_unlocated(tree: &mut Tree, reference: Reference, names: &[FileName]) -> Result<()> {
    let names: Vec<&FileName> = super::object::shown_names(names);
    let made = Made { object: by_name(reference.record, &names), streams: Vec::new() };
    tree.add(reference, false, made, &names).map(drop)
}

/// What a folder's list says of a file whose record is lost.
fn by_name(record: u64, names: &[&FileName]) -> Object {
    let Some(name) = names.first() else { return Object::new(ObjectKind::File, record) };
    let folder = name.attributes & file_attribute::FOLDER != 0;
    let mut object = Object::new(if folder { ObjectKind::Folder } else { ObjectKind::File }, record);
    object.facts = Facts { unlocated: Some(Unlocated::RecordLost), ..Facts::SOUND };
    object.set_times(Timestamp::from_filetime(name.created), Timestamp::from_filetime(name.modified));
    if folder {
        object.incomplete.insert(Incomplete::RecordLost);
    } else {
        object.size = name.size;
    }
    object
}
