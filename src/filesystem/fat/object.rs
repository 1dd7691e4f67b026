//! From what a folder says of a file to an object of the catalog.

use super::chain::{Chain, End, Steps, follow};
use super::listing::Named;
use super::structures::{BootSector, ShortEntry, attribute};
use super::table::Tables;
use super::units::{Cluster, Layout};
use crate::catalog::{
    Attribute, Distrust, Extents, Facts, FindingKind, Findings, Object, ObjectKind, Runs, Timestamp, Unlocated,
};
use crate::filesystem::damage;
use crate::source::Source;

/// What is needed to place a file.
#[derive(Clone, Copy)]
pub(super) struct Parts<'a> {
    pub(super) source: &'a Source,
    pub(super) boot: &'a BootSector,
    pub(super) layout: &'a Layout,
    pub(super) tables: &'a Tables,
}

/// An object for an entry, as yet without its content.
pub(super) fn describe(named: &Named) -> Object {
    let entry = &named.entry;
    let kind = if entry.is_folder() { ObjectKind::Folder } else { ObjectKind::File };
    let mut object = Object::new(kind, named.offset);
    object.facts = Facts { distrust: named.distrust, ..Facts::SOUND };
    let (date, time, fine) = entry.created;
    object.set_times(Timestamp::from_dos(date, time, fine), Timestamp::from_dos(entry.modified.0, entry.modified.1, 0));
    for (bit, attribute) in [
        (attribute::READ_ONLY, Attribute::ReadOnly),
        (attribute::HIDDEN, Attribute::Hidden),
        (attribute::SYSTEM, Attribute::System),
    ] {
        if entry.attributes & bit != 0 {
            object.attributes.insert(attribute);
        }
    }
    object
}

/// Enters where a file lies and what is missing of it, and answers its chain.
pub(super) fn place(
    parts: Parts<'_>,
    named: &Named,
    object: &mut Object,
    steps: &mut Steps,
    findings: &mut Findings,
) -> Option<Chain> {
    let entry = &named.entry;
    object.size = u64::from(entry.size);
    if entry.flags & ShortEntry::ENCRYPTED != 0 {
        object.facts.encrypted = true;
        object.attributes.insert(Attribute::Encrypted);
    }
    let first = Cluster(entry.first_cluster(parts.boot.width));
    let offset = Some(parts.source.image_offset(named.offset));
    let mut find = |kind: FindingKind, detail: String| findings.add(kind, offset, None, || detail);
    if first == Cluster(0) && object.size == 0 {
        return None;
    }
    if !parts.layout.has(first) {
        find(FindingKind::FirstClusterBad, format!("cluster {}, {} bytes", first.0, object.size));
        if object.size == 0 {
            object.facts.distrust.insert(Distrust::RecordInconsistent);
        } else {
            object.facts.unlocated = Some(Unlocated::DescriptionLost);
        }
        return None;
    }
    let deleted = object.facts.distrust.contains(Distrust::Deleted);
    let chain = chain_of(parts, first, object.size, deleted, steps);
    let needed = parts.layout.clusters_for(object.size);
    if let Some(kind) = chain.finding() {
        find(kind, format!("after {} of {needed} clusters", chain.clusters));
    } else if !deleted && chain.end == End::Marked && chain.clusters < needed {
        find(FindingKind::ChainShort, format!("{} of {needed} clusters", chain.clusters));
    } else if !deleted && chain.clusters > needed {
        find(FindingKind::ChainLong, format!("{} clusters where {needed} are needed", chain.clusters));
    }
    object.allocated = parts.layout.bytes(chain.clusters);
    object.place = parts.layout.offset(first);
    object.facts.distrust.insert_all(chain.distrust);
    object.facts.unknown |= chain.unknown;
    damage(parts.source, &chain.extents(parts.layout, object.size)).enter(&mut object.facts);
    Some(chain)
}

/// The chain of a file. A deleted file has none any more: that it lies in one piece is a guess.
fn chain_of(parts: Parts<'_>, first: Cluster, size: u64, deleted: bool, steps: &mut Steps) -> Chain {
    if deleted {
        Chain::guess(parts.layout, first, parts.layout.clusters_for(size))
    } else {
        // To its very end, as a chain that is broken further on is no sound one.
        follow(parts.tables, first, u64::MAX, steps)
    }
}

/// Where a file lies, found again from what its object says.
pub(super) fn extents(parts: Parts<'_>, object: &Object) -> Extents {
    match parts.layout.cluster_at(object.place) {
        Some(first) if object.size > 0 => {
            let deleted = object.facts.distrust.contains(Distrust::Deleted);
            let mut steps = Steps::for_volume(parts.layout);
            chain_of(parts, first, object.size, deleted, &mut steps).extents(parts.layout, object.size)
        }
        _ => Extents::Runs(Runs {
            runs: Vec::new(),
            size: object.size,
            valid_size: object.size,
            encoding: crate::catalog::Encoding::Plain,
        }),
    }
}
