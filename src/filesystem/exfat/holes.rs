//! What the holes of the volume are for.

use super::ExFat;
use super::structures::BOOT_SECTORS;
use super::sweep::Sweep;
use crate::catalog::ObjectKind;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::Owner;
use crate::filesystem::hole_use::{self, Allocation, Clusters, Ground};
use crate::filesystem::{HoleUse, Use};

impl Sweep<'_> {
    fn clusters(&self) -> Clusters {
        let heap = self.heap;
        Clusters { start: heap.start, size: heap.cluster_size, numbers: 0..u64::from(heap.count) }
    }

    /// What has which clusters, if the volume has holes.
    pub(super) fn ground(&mut self, exfat: &ExFat) -> Option<Ground> {
        if !hole_use::has_holes(self.source) {
            return None;
        }
        let sector = &exfat.boot.sector;
        let boot = BOOT_SECTORS.saturating_mul(2).saturating_mul(sector.sector_size);
        let fats = sector.fat_length.saturating_mul(u64::from(sector.fats));
        let own = [0..boot, sector.fat_start..sector.fat_start.saturating_add(fats)];
        let clusters = self.clusters();
        let tree = &mut self.tree;
        Some(Ground::of(&self.claims, &clusters, own, |owner| match owner {
            Owner::Object(slot) | Owner::Found(slot) => {
                let is_folder = tree.object_mut(slot).is_some_and(|object| object.kind == ObjectKind::Folder);
                if is_folder { Use::Metadata } else { Use::Files }
            }
            // Lists of folders that were found without an entry.
            Owner::SetAside | Owner::Other => Use::Metadata,
        }))
    }

    /// What the holes are for; `doubted`: something speaks against the bitmap or against where it was looked for.
    pub(super) fn holes(&self, ground: Option<Ground>, bitmap: Option<&Bitmap>, doubted: bool) -> HoleUse {
        let Some(ground) = ground else { return HoleUse::default() };
        let sure = self.bitmap_vouched && !doubted;
        let allocation = bitmap.map(|bitmap| Allocation { bitmap, sure });
        hole_use::hole_use(self.source, &self.clusters(), &ground, allocation)
    }
}
