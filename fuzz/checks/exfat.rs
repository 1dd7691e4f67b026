//! exFAT volumes, as `sparse.rs` packs them: what holds for any volume, and that no entry is shown twice, whatever leads
//! to it.

use std::collections::HashSet;

use handback::catalog::{Distrust, State};
use handback::filesystem::exfat::ExFat;
use handback::filesystem::exfat::headless::{self, Traces};
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
    for (id, object) in swept.catalog.objects() {
        if let Some(address) = swept.catalog.address(id) {
            assert!(addresses.insert(address.clone()), "two objects have the address {address}");
        }
        let nothing_proves = object.facts.distrust.contains(Distrust::Deleted)
            || object.facts.distrust.contains(Distrust::FolderDoubtful);
        assert!(!nothing_proves || object.facts.state() <= State::Doubtful, "{object:?}");
    }
    let facts = &swept.facts;
    for range in [facts.used_bytes, facts.unexplained_bytes].into_iter().flatten() {
        assert!(range.at_least <= range.at_most && range.at_most <= facts.total_bytes, "{facts:?}");
    }
}

/// Without boot sectors: what is found opens again, and a layout that somebody wrote down is trusted in nothing.
fn headless(sparse: &Sparse) {
    let source = sparse.source();
    let Ok(Some(found)) = headless::find(&source) else { return };
    let mut traces = Traces::new();
    super::look(&source, |offset, sector| traces.look(offset, sector));
    let Ok(volumes) = traces.volumes(&source) else { return };
    let moved = headless::Geometry { cluster_size: found.cluster_size.wrapping_mul(2), ..found.clone() };
    for geometry in volumes.iter().chain([&found, &moved]) {
        let window = source.window(geometry.start, source.length().saturating_sub(geometry.start));
        let Ok(Some(volume)) = ExFat::open_at(&window, geometry) else { continue };
        let Ok(swept) = volume.sweep(SweepOptions::default(), &Silent) else { continue };
        let whole = swept.catalog.objects().any(|(_, object)| object.facts.state() == State::Whole);
        assert!(!whole || *geometry != moved, "whole by a layout that nobody found");
    }
}
