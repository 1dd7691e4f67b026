//! What the holes of the volume are for.

use super::sweep::Sweep;
use super::units::FIRST;
use crate::catalog::ObjectKind;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::Owner;
use crate::filesystem::hole_use::{self, Allocation, Clusters, Ground};
use crate::filesystem::{HoleUse, Use};

impl Sweep<'_> {
    /// What the holes are for. `contradicted`: something speaks against what the table calls free, such as a chain there.
    pub(super) fn holes(&mut self, bitmap: &Bitmap, contradicted: bool) -> HoleUse {
        let fat = self.fat;
        if !hole_use::has_holes(&fat.source) {
            return HoleUse::default();
        }
        let layout = &fat.layout;
        let clusters =
            Clusters { start: layout.data, size: layout.cluster, numbers: u64::from(FIRST)..u64::from(layout.end) };
        let known = &self.known;
        let builder = &mut self.builder;
        let ground = Ground::of(&self.claims, &clusters, [0..layout.data], |owner| match owner {
            Owner::SetAside => Use::SetAside,
            Owner::Other => Use::Metadata,
            Owner::Object(slot) | Owner::Found(slot) => {
                let known = usize::try_from(slot).ok().and_then(|index| known.get(index));
                // A folder without an object is one, too.
                let object = known.and_then(|known| known.id).and_then(|id| builder.object_mut(id));
                let is_file = object.is_some_and(|object| object.kind != ObjectKind::Folder);
                if is_file { Use::Files } else { Use::Metadata }
            }
        });
        let sure = !contradicted && fat.tables.allocation_is_sure();
        hole_use::hole_use(&fat.source, &clusters, &ground, Some(Allocation { bitmap, sure }))
    }
}
