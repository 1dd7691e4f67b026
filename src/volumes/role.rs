//! What a volume is for.

use serde::Serialize;

use super::{Content, Volume};
use crate::partition::{Partition, Purpose, TypeCode};

/// What a volume is for. The customer's files are on the main ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// The computer starts from it: EFI system partitions, "System Reserved".
    Start,
    /// It brings back or mends the system.
    Recovery,
    /// It holds no filesystem by design: no choice and no fault.
    Reserved,
    /// Every other, also Windows' own drive C.
    Main,
}

/// What the partition's type says; a volume without a partition is a main one.
pub(super) fn by_type(partition: Option<&Partition>) -> Role {
    match partition.map_or(Purpose::Data, |partition| partition.code.purpose()) {
        Purpose::Start => Role::Start,
        Purpose::Recovery => Role::Recovery,
        Purpose::Reserved | Purpose::Extended | Purpose::Protective => Role::Reserved,
        Purpose::Data | Purpose::DynamicDisk | Purpose::StorageSpaces => Role::Main,
    }
}

/// Windows' start volume on an MBR drive is no larger than this; 100 to 550 MB are usual.
const LARGEST_START: u64 = 1 << 30;
/// The name that Windows gives it in English.
const START_LABEL: &str = "System Reserved";

/// Windows' start volume on an MBR drive has no type of its own. It is an NTFS volume below 1 GiB that either bears the
/// label "System Reserved", or (Windows translates the label) is flagged active beside a larger main volume.
pub(super) fn find_windows_start(volumes: &mut [Volume]) {
    let largest = volumes.iter().filter(|one| one.role == Role::Main).map(|one| one.length).max().unwrap_or(0);
    for volume in volumes.iter_mut().filter(|one| one.role == Role::Main && one.length < LARGEST_START) {
        let Some(partition) = &volume.partition else { continue };
        if !matches!(partition.code, TypeCode::Mbr(_)) {
            continue;
        }
        let Content::Readable(filesystem) = &volume.content else { continue };
        let labelled = filesystem.facts().label.as_deref() == Some(START_LABEL);
        let ntfs = filesystem.facts().filesystem == "NTFS";
        if ntfs && (labelled || (partition.bootable && volume.length < largest)) {
            volume.role = Role::Start;
        }
    }
}
