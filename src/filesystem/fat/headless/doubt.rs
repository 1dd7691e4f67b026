//! What a layout that is not proven means for everything on the volume.

use super::super::sweep::{Sweep, index};
use crate::catalog::{Distrust, Incomplete, ObjectKind};

impl Sweep<'_> {
    /// Nothing is shown to lie where it seems to.
    pub(in crate::filesystem::fat) fn doubt_all(&mut self) {
        for owner in 0..index(self.known.len()) {
            self.with(owner, |object| {
                object.facts.distrust.insert(Distrust::GeometryDoubtful);
                if object.kind == ObjectKind::Folder {
                    object.incomplete.insert(Incomplete::TableDoubtful);
                }
            });
        }
    }
}
