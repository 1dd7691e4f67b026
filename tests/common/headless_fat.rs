//! Volumes whose boot sectors are lost, held against the truth of the fixtures.

#![allow(dead_code, reason = "each test file uses its part")]

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use handback::catalog::{Completeness, ObjectId, ObjectKind, State};
use handback::filesystem::{Filesystem, SweepOptions, Swept};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;
use sha2::{Digest, Sha256};

use super::{edit, fixture};

/// An image of which these ranges were not read; or read as zeros, with a map that says that all is well.
pub(crate) fn source(bytes: &[u8], holes: &[Range<u64>], zeroed: bool) -> Source {
    let mut bytes = bytes.to_vec();
    let mut segments = Vec::new();
    for hole in holes {
        if zeroed {
            let range = usize::try_from(hole.start).expect("small")..usize::try_from(hole.end).expect("small");
            bytes[range].fill(0);
        } else {
            segments.push(Segment { range: hole.clone(), state: ByteState::Unread });
        }
    }
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &segments).expect("sorted");
    Source::new(image, &map, 512)
}

#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Count {
    pub(crate) files: u64,
    /// Found at their path with their size and SHA-256; by state.
    pub(crate) right: BTreeMap<&'static str, u64>,
    /// Found with other bytes, or fewer.
    pub(crate) other: BTreeMap<&'static str, u64>,
    pub(crate) gone: u64,
}

/// Holds a catalog against the truth. Nothing whole may differ, and no complete folder may lack a name.
pub(crate) fn count(name: &str, volume: &dyn Filesystem, swept: &Swept) -> Count {
    let mut count = Count::default();
    let catalog = &swept.catalog;
    let by_path: BTreeMap<String, _> = catalog.objects().map(|(id, _)| (catalog.first_path(id), id)).collect();
    for truth in fixture::truth(name).iter().filter(|truth| !truth.has("deleted")) {
        let path = truth.path_text();
        let path = if name == "card" { path.strip_prefix("1:").expect("on a disk").to_string() } else { path };
        let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
        let Some(id) = by_path.get(&path).copied() else {
            let home = by_path.get(if folder.is_empty() { "/" } else { folder });
            if let Some(home) = home {
                let word = catalog.object(*home).completeness();
                assert_ne!(word, Completeness::Complete, "{name}: {path} is gone and its folder is complete");
            }
            count.gone += u64::from(truth.kind == "file");
            count.files += u64::from(truth.kind == "file");
            continue;
        };
        if truth.kind != "file" {
            continue;
        }
        count.files += 1;
        let object = catalog.object(id);
        let state = object.facts.state();
        let same = object.facts.unlocated.is_none() && Some(hash(volume, swept, id)) == truth.sha256;
        assert!(same || state != State::Whole, "{name}: {path} is called whole and is not");
        let tally = if same { &mut count.right } else { &mut count.other };
        *tally.entry(state.word()).or_default() += 1;
    }
    let all: u64 = catalog
        .objects()
        .filter(|(_, object)| object.kind == ObjectKind::File && object.facts.state() == State::Whole)
        .count() as u64;
    assert!(all <= count.right.get("whole").copied().unwrap_or(0), "{name}: something whole that was never written");
    count
}

pub(crate) fn opened(source: &Source) -> Option<(Box<dyn Filesystem>, Swept)> {
    let volume = edit::any(source)?;
    let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
    Some((volume, swept))
}

/// The SHA-256 of a file, in hexadecimal digits.
fn hash(volume: &dyn Filesystem, swept: &Swept, id: ObjectId) -> String {
    let mut hash = Sha256::new();
    let extents = volume.extents(&swept.catalog, id).expect("a placed file");
    handback::content::read(volume.source(), &extents, &mut |piece| {
        hash.update(piece);
        Ok(())
    })
    .expect("an image in memory");
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Counts are what `docs/damage.md` keeps.
#[expect(clippy::print_stdout, reason = "the counts are what docs/damage.md keeps")]
pub(crate) fn say(text: &str) {
    println!("{text}");
}
