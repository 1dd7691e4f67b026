//! NTFS volumes, as `sparse.rs` packs them: sweep, what it means, where everything lies, and the bytes of it.

use handback::catalog::{Extents, ObjectKind, State};
use handback::filesystem::{self, Filesystem, SweepOptions, Swept};
use handback::progress::Silent;
use handback::survey;

use super::sparse::{CROSS_CHECK, DELETED, Sparse};
use super::{open_volume, read_content};

/// Bytes of one file that are read, and of all files of an input.
const CAP: usize = 2 << 20;
const ALL: usize = 8 << 20;

pub(super) fn check(data: &[u8]) {
    let sparse = Sparse::parse(data);
    let Some(volume) = open_volume(&sparse.source()) else { return };
    let cross_check = sparse.has(CROSS_CHECK);
    sweep_for(&*volume, SweepOptions { deleted: sparse.has(DELETED), cross_check, ..SweepOptions::default() });
}

/// Sweeps a volume and reads what it lists.
pub(super) fn sweep(volume: &dyn Filesystem, deleted: bool) {
    sweep_for(volume, SweepOptions { deleted, ..SweepOptions::default() });
}

fn sweep_for(volume: &dyn Filesystem, options: SweepOptions) {
    let Ok(swept) = volume.sweep(options, &Silent) else { return };
    let catalog = &swept.catalog;
    let _ = survey::survey(catalog);
    survey::recycle::read(volume, catalog).expect("an image in memory can't fail");
    let mut read = 0;
    for (id, object) in catalog.objects() {
        let path = catalog.first_path(id);
        assert!(path.starts_with('/'), "{path:?}: {object:?}");
        assert!(catalog.names_of(id).next().is_some(), "nothing is without a name");
        let _ = volume.link_target(catalog, id).expect("an image in memory can't fail");
        let Ok(extents) = volume.extents(catalog, id) else {
            assert_ne!(object.facts.state(), State::Whole, "what can't be placed isn't whole: {object:?}");
            continue;
        };
        if matches!(object.kind, ObjectKind::File | ObjectKind::Stream) && read < ALL {
            read += content(volume, &swept, &extents, object.facts.state());
        }
    }
}

/// Reads one content and holds what the sweep said against it; how many bytes that was.
fn content(volume: &dyn Filesystem, swept: &Swept, extents: &Extents, state: State) -> usize {
    let damage = filesystem::damage(volume.source(), extents);
    let content = read_content(volume.source(), extents, CAP);
    if let Some(outcome) = content.outcome {
        if !damage.encoded {
            assert_eq!(outcome.gaps, damage.gaps, "the look ahead and the reading agree");
        }
        if state == State::Whole {
            assert!(outcome.gaps.is_empty() && !outcome.unknown, "{state} and {outcome:?} in {:?}", swept.facts);
        }
    }
    content.bytes.len()
}
