//! What is kept of a sound image's files, folders and links.

use std::collections::BTreeSet;
use std::ops::Range;

use handback::catalog::{Catalog, Completeness, Extents, ObjectId, Place, State};
use handback::content::Outcome;
use handback::filesystem::Filesystem;
use handback::source::Source;
use sha2::{Digest, Sha256};

/// The volume's first byte in the image, and the address of a file or folder in it: paths change when folders are lost.
pub(crate) type Key = (u64, String);

/// A file or stream of the sound image.
pub(crate) struct Sound {
    pub(crate) extents: Extents,
    pub(crate) sha256: [u8; 32],
    pub(crate) state: State,
}

/// A sound link: where it points is all that it holds.
pub(crate) struct SoundLink {
    pub(crate) target: Option<String>,
    pub(crate) state: State,
}

/// What a sound folder lists: addresses and names.
pub(crate) struct SoundFolder {
    pub(crate) names: BTreeSet<(String, String)>,
    pub(crate) completeness: Completeness,
}

/// The SHA-256 of a file's content, and what reading it showed.
pub(crate) fn hash(volume: &dyn Filesystem, extents: &Extents) -> ([u8; 32], Outcome) {
    let mut hash = Sha256::new();
    let outcome = handback::content::read(volume.source(), extents, &mut |piece| {
        hash.update(piece);
        Ok(())
    })
    .expect("an image in memory");
    (hash.finalize().into(), outcome)
}

/// Addresses and names of what stands in a folder.
pub(crate) fn listed(catalog: &Catalog, folder: ObjectId) -> BTreeSet<(String, String)> {
    catalog
        .children(folder)
        .filter_map(|name| Some((catalog.address(catalog.named_object(name))?, catalog.name(name).text().into_owned())))
        .collect()
}

/// The address of the file that a stream belongs to.
pub(crate) fn owner(address: &str) -> Option<String> {
    let mut parts = address.splitn(3, ':');
    let owner = format!("{}:{}", parts.next()?, parts.next()?);
    parts.next().map(|_| owner)
}

/// Whether some of a file's content lies in what was changed.
pub(crate) fn touches(volume: &Source, extents: &Extents, changed: &[Range<u64>]) -> bool {
    let runs = match extents {
        Extents::Resident(_) => return false,
        Extents::Packed(packed) => return touches(volume, &packed.stored, changed),
        Extents::Runs(runs) => runs,
    };
    runs.runs.iter().any(|run| match run.place {
        Place::At(offset) => {
            let start = volume.image_offset(offset);
            changed.iter().any(|one| one.start < start + run.length && start < one.end)
        }
        _ => false,
    })
}
