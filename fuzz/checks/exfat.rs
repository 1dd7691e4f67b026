//! exFAT volumes, as `sparse.rs` packs them: what holds for any volume, and that no entry is shown twice, whatever leads
//! to it.

use std::collections::HashSet;

use handback::catalog::{Distrust, State};
use handback::filesystem::SweepOptions;
use handback::progress::Silent;

use super::open_volume;
use super::sparse::{DELETED, Sparse};

pub(super) fn check(data: &[u8]) {
    super::ntfs::check(data);
    let sparse = Sparse::parse(data);
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
