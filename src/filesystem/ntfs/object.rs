//! From what a file's records say to objects of the catalog.

use std::collections::HashSet;

use enumset::EnumSet;

use super::attributes::attributes;
use super::extents::{Absent, Placed, place};
use super::file::{File, Stream};
use super::reparse::{self, Meaning};
use super::structures::{BootSector, FileName, attribute_flag, attribute_type, file_attribute};
use super::units::Reference;
use crate::catalog::{
    Attribute, Distrust, Extents, Facts, Incomplete, Object, ObjectKind, Place, Timestamp, Unlocated,
};
use crate::filesystem::damage;
use crate::source::Source;

/// The stream in which Windows keeps what it compressed by its own means.
pub(super) const SYSTEM_COMPRESSED_STREAM: &str = "WofCompressedData";

/// A file and its streams.
pub(super) struct Made {
    pub(super) object: Object,
    /// Alternate streams with their names.
    pub(super) streams: Vec<(Vec<u16>, Object)>,
}

/// The names to show: a name made for DOS only where its longer one is not there, and each name once.
pub(super) fn shown_names(names: &[FileName]) -> Vec<&FileName> {
    const WIN32: u8 = 1;
    if let [one] = names {
        return vec![one];
    }
    let long: HashSet<Reference> =
        names.iter().filter(|name| name.namespace == WIN32).map(|name| name.parent).collect();
    let mut seen = HashSet::new();
    names
        .iter()
        .filter(|name| name.namespace != FileName::DOS || !long.contains(&name.parent))
        .filter(|name| seen.insert((name.parent, name.units.as_slice())))
        .collect()
}

/// Makes the objects of a file. `number` is its record's.
pub(super) fn make(volume: &Source, boot: &BootSector, number: u64, is_folder: bool, file: &File) -> Made {
    let meaning = file.reparse.as_deref().map(reparse::meaning);
    let kind = match meaning {
        Some(Meaning::Link) => ObjectKind::Link,
        Some(Meaning::Special) if !is_folder => ObjectKind::Other,
        _ if is_folder => ObjectKind::Folder,
        _ => ObjectKind::File,
    };
    let mut object = Object::new(kind, number);
    describe(&mut object, file, meaning);
    object.facts = facts(file);
    match kind {
        ObjectKind::File => content(volume, boot, file, meaning, &mut object),
        ObjectKind::Folder if file.incomplete => {
            object.incomplete.insert(Incomplete::RecordLost);
        }
        _ => {}
    }
    let storage: Vec<u16> = SYSTEM_COMPRESSED_STREAM.encode_utf16().collect();
    let named = file.streams.iter().filter(|(name, _)| !name.is_empty());
    let streams = named
        .filter(|(name, _)| meaning != Some(Meaning::SystemCompressed) || **name != storage)
        .map(|(name, stream)| {
            let mut object = Object::new(ObjectKind::Stream, number);
            object.facts = facts(file);
            placed(volume, boot, stream, Absent::Zeros, &mut object);
            (name.clone(), object)
        })
        .chain(file.lost_streams.iter().filter(|name| !name.is_empty()).map(|name| {
            let mut object = Object::new(ObjectKind::Stream, number);
            object.facts = facts(file);
            object.facts.unlocated = Some(Unlocated::DescriptionLost);
            (name.clone(), object)
        }))
        .collect();
    Made { object, streams }
}

/// Facts that concern all streams of a file.
fn facts(file: &File) -> Facts {
    Facts { distrust: file.distrust, unknown: file.unknown, ..Facts::SOUND }
}

fn describe(object: &mut Object, file: &File, meaning: Option<Meaning>) {
    if let Some(information) = &file.information {
        object.set_times(Timestamp::from_filetime(information.created), Timestamp::from_filetime(information.modified));
        for (bit, attribute) in [
            (file_attribute::READ_ONLY, Attribute::ReadOnly),
            (file_attribute::HIDDEN, Attribute::Hidden),
            (file_attribute::SYSTEM, Attribute::System),
        ] {
            if information.attributes & bit != 0 {
                object.attributes.insert(attribute);
            }
        }
    }
    if meaning == Some(Meaning::Cloud) {
        object.attributes.insert(Attribute::Cloud);
    }
}

/// The main stream of a file.
fn content(volume: &Source, boot: &BootSector, file: &File, meaning: Option<Meaning>, object: &mut Object) {
    let Some(stream) = file.streams.get(&Vec::new()) else {
        // The size in a name is often old, and better than none.
        object.size = file.names.iter().map(|name| name.size).max().unwrap_or(0);
        if file.incomplete || file.lost_streams.contains(&Vec::new()) {
            object.facts.unlocated = Some(Unlocated::DescriptionLost);
        } else {
            object.facts.distrust.insert(Distrust::RecordInconsistent);
        }
        return;
    };
    let absent = if meaning == Some(Meaning::Cloud) { Absent::NeverHere } else { Absent::Zeros };
    let Some(extents) = placed(volume, boot, stream, absent, object) else {
        object.size = file.names.iter().map(|name| name.size).max().unwrap_or(0);
        return;
    };
    // What has all its clusters is ordinary content, whatever the tag says.
    let elsewhere = match meaning {
        Some(Meaning::SystemCompressed) => Some(Unlocated::SystemCompressed),
        Some(Meaning::Elsewhere) => Some(Unlocated::ContentElsewhere),
        _ => None,
    };
    if let (Some(why), Extents::Runs(runs)) = (elsewhere, &extents)
        && runs.size > 0
        && runs.runs.iter().any(|run| !matches!(run.place, Place::At(_)))
    {
        object.facts.unlocated = Some(why);
    }
}

/// Enters what a stream's runs say into its object.
fn placed(volume: &Source, boot: &BootSector, stream: &Stream, absent: Absent, object: &mut Object) -> Option<Extents> {
    if stream.flags & attribute_flag::COMPRESSION_MASK != 0 {
        object.attributes.insert(Attribute::Compressed);
    }
    if stream.flags & attribute_flag::SPARSE != 0 {
        object.attributes.insert(Attribute::Sparse);
    }
    match place(boot, stream, absent) {
        Ok(Placed { extents, distrust, encrypted, allocated }) => {
            object.size = extents.size();
            object.place = extents.first_place();
            object.allocated = allocated;
            object.facts.distrust.insert_all(distrust);
            object.facts.encrypted = encrypted;
            if encrypted {
                object.attributes.insert(Attribute::Encrypted);
            }
            damage(volume, &extents).enter(&mut object.facts);
            Some(extents)
        }
        Err(why) => {
            object.facts.unlocated = Some(why);
            None
        }
    }
}

/// Whether a record has an attribute list: its file is put together after the sweep.
pub(super) fn has_list(record: &super::record::Record) -> bool {
    attributes(record).list.iter().any(|one| one.header.kind == attribute_type::ATTRIBUTE_LIST)
}

/// Conditions that the table's bitmap shows.
pub(super) fn bitmap_distrust(in_use: Option<bool>) -> EnumSet<Distrust> {
    match in_use {
        Some(false) => EnumSet::only(Distrust::RecordFree),
        // Evidence that lies in a hole proves nothing and spoils nothing.
        Some(true) | None => EnumSet::empty(),
    }
}
