//! FAT volumes, as `sparse.rs` packs them: what holds for any volume, and what only a list without order could break.

use std::collections::HashSet;

use handback::catalog::State;
use handback::filesystem::fat::Fat;
use handback::filesystem::fat::headless::{self, Traces};
use handback::filesystem::{Filesystem, SweepOptions};
use handback::progress::Silent;

use super::open_volume;
use super::sparse::{DELETED, Sparse};

pub(super) fn check(data: &[u8]) {
    super::ntfs::check(data);
    let sparse = Sparse::parse(data);
    headless(&sparse);
    let Some(volume) = open_volume(&sparse.source()) else { return };
    let options = SweepOptions { deleted: sparse.has(DELETED), ..SweepOptions::default() };
    let Ok(swept) = volume.sweep(options, &Silent) else { return };
    let mut addresses = HashSet::new();
    for (id, _) in swept.catalog.objects() {
        if let Some(address) = swept.catalog.address(id) {
            assert!(addresses.insert(address.clone()), "two objects have the address {address}");
        }
    }
    let facts = &swept.facts;
    for range in [facts.used_bytes, facts.unexplained_bytes].into_iter().flatten() {
        assert!(range.at_least <= range.at_most, "{facts:?}");
    }
}

/// Without boot sectors: what is found opens again and is no better then, and nothing is whole that isn't proven. A layout
/// that somebody wrote down is trusted in nothing.
fn headless(sparse: &Sparse) {
    let source = sparse.source();
    let Ok(found) = headless::find(&source) else { return };
    let Some(found) = found else { return };
    let mut traces = Traces::new();
    super::look(&source, |offset, sector| traces.look(offset, sector));
    let Ok(volumes) = traces.volumes(&source) else { return };
    let moved = headless::Geometry { cluster_size: found.cluster_size.wrapping_mul(2), ..found.clone() };
    for (geometry, proven) in
        volumes.iter().map(|volume| (volume, false)).chain([(&found, found.is_proven()), (&moved, false)])
    {
        let window = source.window(geometry.start, source.length().saturating_sub(geometry.start));
        let Ok(Some(volume)) = Fat::open_at(&window, geometry) else { continue };
        let Ok(swept) = volume.sweep(SweepOptions::default(), &Silent) else { continue };
        let whole = swept.catalog.objects().any(|(_, object)| object.facts.state() == State::Whole);
        assert!(!whole || proven || *geometry != moved, "whole by a layout that nobody found");
    }
}
