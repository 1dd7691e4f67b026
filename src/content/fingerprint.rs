//! A file read once, for what its bytes come to.

use sha2::{Digest, Sha256};

use super::Outcome;
use crate::bytes::to_u64;
use crate::catalog::{Catalog, Extents, ObjectId};
use crate::error::{Error, Result};
use crate::filesystem::Filesystem;

/// A file may be larger than its volume, as holes take no room there. One that is, and has more bytes than this, is
/// taken for a damaged record: Windows makes none on a common volume (Microsoft, "NTFS overview": 16 TiB less 64 KiB
/// with clusters of 4 KiB), no disk could take its zeros, and it must not keep the others from being read.
const LARGEST_SPARSE: u64 = 1 << 44;

/// Whether a file claims so many bytes that nothing of it can be believed.
#[must_use]
pub fn claims_too_much(size: u64, volume: u64) -> bool {
    size > volume && size > LARGEST_SPARSE
}

/// Where a file's bytes lie; `None` if nothing of it can be placed, or believed.
///
/// # Errors
/// [`Error::ImageIo`] when the image file can't be read.
pub(super) fn located(filesystem: &dyn Filesystem, catalog: &Catalog, object: ObjectId) -> Result<Option<Extents>> {
    match filesystem.extents(catalog, object) {
        Ok(extents) if claims_too_much(extents.size(), filesystem.source().length()) => Ok(None),
        Ok(extents) => Ok(Some(extents)),
        Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => Err(error),
        Err(_) => Ok(None),
    }
}

/// What a file's bytes came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fingerprint {
    /// SHA-256 of the content, zeros standing for what is not there.
    pub sha256: [u8; 32],
    /// What reading showed.
    pub outcome: Outcome,
}

/// Reads a file or stream; `None` if nothing of it can be placed. `advance` hears of each piece.
///
/// # Errors
/// [`Error::ImageIo`] when the image file can't be read.
pub fn fingerprint(
    filesystem: &dyn Filesystem,
    catalog: &Catalog,
    object: ObjectId,
    advance: &mut dyn FnMut(u64),
) -> Result<Option<Fingerprint>> {
    let Some(extents) = located(filesystem, catalog, object)? else { return Ok(None) };
    let mut hash = Sha256::new();
    let outcome = super::read(filesystem.source(), &extents, &mut |piece| {
        hash.update(piece);
        advance(to_u64(piece.len()));
        Ok(())
    })?;
    Ok(Some(Fingerprint { sha256: hash.finalize().into(), outcome }))
}
