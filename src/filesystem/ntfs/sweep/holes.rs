//! What the holes of the volume are for.

use super::super::Ntfs;
use super::super::mirror::MIRRORED;
use super::Sweep;
use crate::bytes::to_u64;
use crate::filesystem::claims::Owner;
use crate::filesystem::hole_use::{self, Allocation, Clusters, Ground};
use crate::filesystem::{HoleUse, Use};

/// Bytes of $Boot, which begins the volume (from memory, and what mkntfs writes).
const BOOT: u64 = 8192;

/// Where clusters lie: from the volume's first byte on.
fn clusters(ntfs: &Ntfs) -> Clusters {
    Clusters { start: 0, size: ntfs.boot.cluster.0, numbers: 0..ntfs.boot.total_clusters() }
}

/// What the holes are for; `ground` is `None` if there are none.
pub(super) fn of(ntfs: &Ntfs, ground: Option<Ground>, allocation: Option<Allocation<'_>>) -> HoleUse {
    ground.map(|ground| hole_use::hole_use(&ntfs.source, &clusters(ntfs), &ground, allocation)).unwrap_or_default()
}

impl Sweep<'_> {
    /// What has which clusters, if the volume has holes.
    pub(super) fn ground(&self) -> Option<Ground> {
        let ntfs = self.ntfs;
        if !hole_use::has_holes(&ntfs.source) {
            return None;
        }
        // Where these stand is known also if the records that describe them are lost.
        let boot = &ntfs.boot;
        let end = boot.total_bytes();
        let mirror = boot.cluster.volume_offset(boot.mft_mirror).unwrap_or(end);
        let mirror = mirror..mirror.saturating_add(to_u64(boot.record_size).saturating_mul(MIRRORED)).min(end);
        let pieces = ntfs.table.pieces.iter().filter_map(|piece| {
            let length = piece.range.end.saturating_sub(piece.range.start);
            piece.place.map(|place| place..place.saturating_add(length))
        });
        // Without a boot sector the volume's length is known to a cluster: its backup stands somewhere behind the last.
        let behind = if boot.serial.is_some() { boot.sector_size } else { boot.cluster.0 };
        let own = [0..BOOT.min(end), end..end.saturating_add(behind), mirror];
        // The filesystem's own files below $Extend are described like any other.
        let hidden = self.tree.own_slots();
        Some(Ground::of(&self.claims, &clusters(ntfs), own.into_iter().chain(pieces), |owner| match owner {
            Owner::Object(slot) | Owner::Found(slot) if !hidden.contains(&slot) => Use::Files,
            Owner::SetAside => Use::SetAside,
            Owner::Object(_) | Owner::Found(_) | Owner::Other => Use::Metadata,
        }))
    }
}
