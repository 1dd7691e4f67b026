//! Whether a system sleeps on the volume.

use super::Ntfs;
use crate::catalog::{Catalog, Extents, Lookup, Place, Run};
use crate::error::Result;
use crate::filesystem::Filesystem;

/// How much of a sleeping system's memory file is looked at.
const SLEEP_MAGIC: usize = 4;

/// Whether a sleeping system's memory file says so: `hibr` or `HIBR` at its start (from memory; ntfs-3g's check of the
/// same file agrees).
pub(super) fn hibernated(ntfs: &Ntfs, catalog: &Catalog) -> Result<Option<bool>> {
    let Lookup::Found(object, Some(_)) = catalog.find("/hiberfil.sys") else { return Ok(Some(false)) };
    let Ok(extents) = ntfs.extents(catalog, object) else { return Ok(None) };
    let head = match extents {
        Extents::Resident(bytes) => bytes,
        Extents::Packed(_) => return Ok(None),
        Extents::Runs(runs) => {
            let Some(Run { place: Place::At(offset), .. }) = runs.runs.first().copied() else {
                return Ok(None);
            };
            match ntfs.source.read_real(offset, SLEEP_MAGIC)? {
                Some((bytes, _)) => bytes,
                None => return Ok(None),
            }
        }
    };
    Ok(Some(matches!(head.get(..SLEEP_MAGIC), Some(b"hibr" | b"HIBR"))))
}
