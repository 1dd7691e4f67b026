//! Where volumes and chosen files lie in the image.

use std::collections::HashSet;
use std::ops::Range;

use super::{Chosen, ChosenPiece, VolumeMark};
use crate::catalog::{Catalog, Completeness, Extents, ObjectId, ObjectKind, Place};
use crate::error::{Error, Result};
use crate::filesystem::Filesystem;
use crate::progress::{Progress, Unit};
use crate::source::Source;
use crate::volumes::Disk;

/// The volumes of a drive.
#[must_use]
pub fn marks(disk: &Disk) -> Vec<VolumeMark> {
    let mark = |volume: &crate::volumes::Volume| VolumeMark {
        number: volume.number,
        start: volume.start,
        length: volume.length,
        what: volume.content.what().to_string(),
        label: volume.filesystem().and_then(|filesystem| filesystem.facts().label.clone()),
    };
    disk.volumes.iter().map(mark).collect()
}

impl Chosen {
    /// Adds a file, or a folder with all that is below it, of a volume that was swept. Content that stands in its own
    /// record has no place of its own and is only counted.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub fn add(
        &mut self,
        filesystem: &dyn Filesystem,
        catalog: &Catalog,
        object: ObjectId,
        progress: &dyn Progress,
    ) -> Result<()> {
        let files = self.files_below(catalog, object);
        progress.begin("looking where the files lie", crate::bytes::to_u64(files.len()), Unit::Files);
        for id in files {
            progress.advance(1);
            let streams = catalog.streams(id).map(|name| catalog.named_object(name));
            for part in std::iter::once(id).chain(streams) {
                let object = catalog.object(part);
                let damaged = object.facts.state().is_loss();
                if object.kind == ObjectKind::File {
                    self.files += 1;
                    self.damaged += u64::from(damaged);
                }
                match filesystem.extents(catalog, part) {
                    Ok(extents) => pieces(filesystem.source(), &extents, damaged, &mut self.pieces),
                    Err(error @ Error::ImageIo { .. }) => return Err(error),
                    // Nothing of it can be placed: it was counted as lost.
                    Err(_) => {}
                }
            }
        }
        progress.end();
        Ok(())
    }

    /// The files at and below an object, each once; folders that lost names are noted.
    fn files_below(&mut self, catalog: &Catalog, object: ObjectId) -> Vec<ObjectId> {
        let mut files = Vec::new();
        let mut linked = HashSet::new();
        // The catalog's tree has no loops and a bounded depth.
        let mut open = vec![object];
        while let Some(id) = open.pop() {
            let object = catalog.object(id);
            match object.kind {
                ObjectKind::Folder => {
                    self.incomplete |= object.completeness() == Completeness::Incomplete;
                    open.extend(catalog.children(id).map(|name| catalog.named_object(name)));
                }
                ObjectKind::File | ObjectKind::Stream => {
                    if catalog.names_of(id).nth(1).is_none() || linked.insert(id) {
                        files.push(id);
                    }
                }
                ObjectKind::Link | ObjectKind::Other => {}
            }
        }
        // In the order of the image, which is how they are best looked up.
        files.sort_by_key(|id| catalog.object(*id).locator);
        files
    }
}

fn pieces(volume: &Source, extents: &Extents, damaged: bool, into: &mut Vec<ChosenPiece>) {
    let runs = match extents {
        Extents::Resident(_) => return,
        Extents::Packed(packed) => return pieces(volume, &packed.stored, damaged, into),
        Extents::Runs(runs) => runs,
    };
    for run in &runs.runs {
        let Place::At(offset) = run.place else { continue };
        let start = volume.image_offset(offset);
        let range: Range<u64> = start..start.saturating_add(run.length);
        into.push(ChosenPiece { range, damaged });
    }
}
