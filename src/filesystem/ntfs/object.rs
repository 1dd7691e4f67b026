//! From what a file's records say to objects of the catalog.

use std::collections::HashSet;

use enumset::EnumSet;

use super::attributes::walk;
use super::extents::{Absent, Placed, place};
use super::file::{File, Stream};
use super::reparse::{self, Meaning};
use super::structures::{BootSector, FileName, attribute_flag, attribute_type, file_attribute};
use super::units::Reference;
use crate::catalog::{
    Attribute, Distrust, Extents, Facts, Incomplete, Object, ObjectKind, Packed, Place, Timestamp, Unlocated,
};
use crate::filesystem::damage;
use crate::source::Source;

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
        ObjectKind::File => content(volume, boot, file, &mut object),
        ObjectKind::Folder if file.incomplete => {
            object.incomplete.insert(Incomplete::RecordLost);
        }
        _ => {}
    }
    if file.streams.named.is_empty() && file.lost_streams.is_empty() {
        return Made { object, streams: Vec::new() };
    }
    let is_packed = matches!(meaning, Some(Meaning::SystemCompressed(..)));
    let storage = system_compressed_stream();
    let named = file.streams.named.iter();
    let streams = named
        .filter(|(name, _)| !is_packed || **name != storage)
        .map(|(name, stream)| {
            let mut object = Object::new(ObjectKind::Stream, number);
            object.facts = facts(file);
            alternate(volume, boot, stream, &mut object);
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

/// Where the main content of a file lies, or why nothing of it can be placed.
pub(super) fn main_content(boot: &BootSector, file: &File) -> Result<Placed, Unlocated> {
    let meaning = file.reparse.as_deref().map(reparse::meaning);
    let stream = file.streams.get(&[]).ok_or(Unlocated::DescriptionLost)?;
    let absent = if meaning == Some(Meaning::Cloud) { Absent::NeverHere } else { Absent::Zeros };
    let placed = place(boot, stream, absent)?;
    // What has all its clusters is ordinary content, whatever the tag says.
    let here = match &placed.extents {
        Extents::Runs(runs) => runs.size == 0 || runs.runs.iter().all(|run| matches!(run.place, Place::At(_))),
        Extents::Resident(_) | Extents::Packed(_) => true,
    };
    match meaning {
        Some(Meaning::SystemCompressed(packing, chunk)) if !here => {
            let stored = file.streams.get(&system_compressed_stream()).ok_or(Unlocated::DescriptionLost)?;
            let stored = place(boot, stored, Absent::Zeros)?;
            // The main stream is one hole; what is wrong with it is no matter, but its size counts.
            let size = placed.extents.size();
            let extents = Extents::Packed(Packed { stored: Box::new(stored.extents), packing, chunk, size });
            Ok(Placed { extents, ..stored })
        }
        Some(Meaning::Elsewhere) if !here => Err(Unlocated::ContentElsewhere),
        _ => Ok(placed),
    }
}

/// The main stream of a file.
fn content(volume: &Source, boot: &BootSector, file: &File, object: &mut Object) {
    if let Some(stream) = file.streams.get(&[]) {
        flags(stream, object);
    }
    match main_content(boot, file) {
        Ok(placed) => enter(volume, placed, object),
        Err(why) => {
            // The size in a name is often old, and better than none.
            let by_name = file.names.iter().map(|name| name.size).max().unwrap_or(0);
            let by_stream = file.streams.get(&[]).and_then(Stream::size);
            object.size = by_stream.unwrap_or(by_name);
            let never_had_one = !file.incomplete && file.streams.is_empty() && file.lost_streams.is_empty();
            if why == Unlocated::DescriptionLost && never_had_one {
                object.facts.distrust.insert(Distrust::RecordInconsistent);
            } else {
                object.facts.unlocated = Some(why);
            }
        }
    }
}

fn flags(stream: &Stream, object: &mut Object) {
    if stream.flags & attribute_flag::COMPRESSION_MASK != 0 {
        object.attributes.insert(Attribute::Compressed);
    }
    if stream.flags & attribute_flag::SPARSE != 0 {
        object.attributes.insert(Attribute::Sparse);
    }
}

/// Enters what an alternate stream's runs say into its object.
fn alternate(volume: &Source, boot: &BootSector, stream: &Stream, object: &mut Object) {
    flags(stream, object);
    match place(boot, stream, Absent::Zeros) {
        Ok(placed) => enter(volume, placed, object),
        Err(why) => object.facts.unlocated = Some(why),
    }
}

fn enter(volume: &Source, placed: Placed, object: &mut Object) {
    let Placed { extents, distrust, encrypted, allocated } = placed;
    object.size = extents.size();
    object.place = extents.first_place();
    object.allocated = allocated;
    object.facts.distrust.insert_all(distrust);
    object.facts.encrypted = encrypted;
    if encrypted {
        object.attributes.insert(Attribute::Encrypted);
    }
    damage(volume, &extents).enter(&mut object.facts);
}

/// The name of the stream in which Windows keeps what it compressed by its own means.
fn system_compressed_stream() -> Vec<u16> {
    "WofCompressedData".encode_utf16().collect()
}

/// Whether a record has an attribute list: its file is put together after the sweep.
pub(super) fn has_list(record: &super::record::Record) -> bool {
    walk(record).any(|one| one.header.kind == attribute_type::ATTRIBUTE_LIST)
}

/// Conditions that the table's bitmap shows.
pub(super) fn bitmap_distrust(in_use: Option<bool>) -> EnumSet<Distrust> {
    match in_use {
        Some(false) => EnumSet::only(Distrust::RecordFree),
        // Evidence that lies in a hole proves nothing and spoils nothing.
        Some(true) | None => EnumSet::empty(),
    }
}
