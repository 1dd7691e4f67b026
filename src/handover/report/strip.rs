//! The picture of the drive's damage, with the files of this handover on it.

use crate::catalog::{Extents, ObjectKind, Place};
use crate::error::{Error, Result};
use crate::handover::results::Results;
use crate::source::Source;
use crate::survey::picture::{Chosen, ChosenPiece, Picture, Subject, marks};

/// The picture as SVG; `None` if the job has no drive to draw.
///
/// # Errors
/// [`Error::ImageIo`] when the image file can't be read.
pub(super) fn svg(results: &Results<'_>) -> Result<Option<String>> {
    let Some(disk) = results.job.disk else { return Ok(None) };
    let mut chosen = Chosen { name: "the files of this handover".to_string(), ..Chosen::default() };
    let rows = results.rows().enumerate().filter(|(_, row)| row.entry.kind != ObjectKind::Folder);
    let mut files: Vec<_> =
        rows.map(|(index, row)| (row.entry.volume, row.object.locator, row.entry.object, index)).collect();
    // In the order of the records, which lie together; a file with several names once.
    files.sort_unstable();
    files.dedup_by_key(|(volume, _, object, _)| (*volume, *object));
    for (.., index) in files {
        let row = results.row(index);
        let damaged = row.facts.state().is_loss();
        chosen.files += 1;
        chosen.damaged += u64::from(damaged);
        match results.located.extents(results.job, results.plan, index) {
            Ok(extents) => pieces(row.volume.filesystem.source(), &extents, damaged, &mut chosen.pieces),
            Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => return Err(error),
            // Nothing of it can be placed: it was counted as lost.
            Err(_) => {}
        }
    }
    let map = disk.source.map();
    let name = &results.job.image_name;
    Ok(Some(Picture::of(&Subject { name, map, volumes: marks(disk), chosen: Some(chosen) }).svg()))
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
        into.push(ChosenPiece { range: start..start.saturating_add(run.length), damaged });
    }
}
