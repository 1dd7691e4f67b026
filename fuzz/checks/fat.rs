//! FAT volumes, as `sparse.rs` packs them: what holds for any volume, and what only a list without order could break.

use std::collections::HashSet;

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
