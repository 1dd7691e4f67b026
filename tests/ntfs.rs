//! NTFS volumes written by outside tools, read whole: every file with its size and SHA-256, and nothing else.
//!
//! Truth: the source files that the fixture script wrote through ntfs-3g (see `test-images/README.md`).

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::fixture::{self, INNER_SLASH, Truth};
use handback::catalog::{Catalog, Completeness, FindingKind, NameId, ObjectKind, State};
use handback::filesystem::{self, ByteRange, Filesystem, SweepOptions, Swept};
use handback::progress::Silent;
use handback::source::Source;
use sha2::{Digest, Sha256};

/// Every bare NTFS volume among the fixtures.
const VOLUMES: &[&str] = &[
    "ntfs-c512",
    "ntfs-c4k",
    "ntfs-c64k",
    "ntfs-c2m",
    "ntfs-rec4k",
    "ntfs-mftfrag",
    "ntfs-attrlist",
    "ntfs-sparse",
    "ntfs-hostile",
    "ntfs-compressed",
    "ntfs-compressed-512",
    "ntfs-compressed-1k",
    "ntfs-valid",
    "ntfs-encrypted",
    "ntfs-streams",
    "ntfs-reparse",
    "ntfs-wof-lzx",
    "ntfs-wof-xpress4k",
    "ntfs-wof-xpress8k",
    "ntfs-wof-xpress16k",
    "ntfs-recycle",
    "ntfs-dirty",
    "ntfs-hibernated",
    "ntfs-faststart",
    "ntfs-resumed",
    "ntfs-deleted",
];

fn open(source: &Source) -> (Box<dyn Filesystem>, Swept) {
    let volume = filesystem::open(source).expect("an image in memory").expect("an NTFS volume");
    let swept = volume.sweep(Default::default(), &Silent).expect("an image in memory");
    (volume, swept)
}

/// The units of a path as the truth writes them.
fn path_units(catalog: &Catalog, name: NameId) -> Vec<u16> {
    let mut units = Vec::new();
    for part in catalog.line(name) {
        units.push(u16::from(b'/'));
        let inner = |unit| if unit == u16::from(b'/') { INNER_SLASH } else { unit };
        units.extend(catalog.name(part).units().into_iter().map(inner));
    }
    units
}

/// Every name of a catalog. A stream of a file with several names has as many.
fn all_names(catalog: &Catalog) -> BTreeMap<Vec<u16>, NameId> {
    let mut all = BTreeMap::new();
    let mut insert = |path: Vec<u16>, name| {
        assert!(all.insert(path, name).is_none(), "{} twice", catalog.path(name));
    };
    for (id, object) in catalog.objects() {
        for name in catalog.names_of(id) {
            let Some(owner) = object.owner else {
                if id != catalog.root() {
                    insert(path_units(catalog, name), name);
                }
                continue;
            };
            for above in catalog.names_of(owner) {
                let mut path = path_units(catalog, above);
                path.push(u16::from(b':'));
                path.extend(catalog.name(name).units());
                insert(path, name);
            }
        }
    }
    all
}

fn sha256(volume: &dyn Filesystem, catalog: &Catalog, name: NameId) -> (String, handback::content::Outcome) {
    let extents = volume.extents(catalog, catalog.named_object(name)).expect("a placed file");
    let mut hash = Sha256::new();
    let outcome = handback::content::read(volume.source(), &extents, &mut |piece| {
        hash.update(piece);
        Ok(())
    })
    .expect("an image in memory");
    (hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect(), outcome)
}

fn expected_state(truth: &Truth, best: State) -> State {
    if truth.has("unlocated") {
        State::Unlocated
    } else if truth.has("encrypted") {
        State::Locked
    } else if truth.has("absent") {
        State::Absent
    } else {
        best
    }
}

fn check(name: &str, source: &Source, best: State) {
    let (volume, Swept { catalog, facts, .. }) = open(source);
    assert_eq!(facts.filesystem, "NTFS");
    // What is in use is explained to the cluster, as nothing is damaged.
    assert_eq!(facts.unexplained_bytes, Some(ByteRange { at_least: 0, at_most: 0 }), "{name}");
    assert!(facts.used_bytes.is_some_and(|used| used.at_least > 0 && used.at_least == used.at_most), "{name}");
    let mut names = all_names(&catalog);
    let mut compared = 0;
    let mut done = BTreeSet::new();
    for truth in fixture::truth(name).iter().filter(|truth| !truth.has("deleted")) {
        let path = truth.path_text();
        let id = names.remove(&truth.path).unwrap_or_else(|| panic!("{name}: {path} is missing"));
        let object = catalog.object(catalog.named_object(id));
        if object.kind == ObjectKind::Stream {
            done.insert(catalog.named_object(id));
        }
        assert_eq!(object.kind.word(), truth.kind, "{name}: {path}");
        match object.kind {
            ObjectKind::File | ObjectKind::Stream => {
                assert_eq!(Some(object.size), truth.size, "{name}: {path}");
                let state = expected_state(truth, best);
                let mut facts = object.facts.clone();
                if state == State::Unlocated {
                    assert_eq!(facts.state(), state, "{name}: {path}");
                    continue;
                }
                let (hash, outcome) = sha256(volume.as_ref(), &catalog, id);
                facts.after_reading(&outcome.gaps, outcome.unknown);
                assert_eq!(facts.state(), state, "{name}: {path} {:?}", facts.reasons());
                assert_eq!(outcome.length, object.size, "{name}: {path}");
                if let Some(sha256) = &truth.sha256 {
                    assert_eq!(hash, *sha256, "{name}: {path}");
                    compared += 1;
                }
            }
            ObjectKind::Folder => {
                let complete = if best == State::Whole { Completeness::Complete } else { Completeness::Unproven };
                assert_eq!(object.completeness(), complete, "{name}: {path} {:?}", object.incomplete);
            }
            ObjectKind::Link | ObjectKind::Other => {}
        }
        // Deleting from a folder changes its time after the truth was written.
        let settled = name != "ntfs-deleted" || truth.kind != "folder";
        if let Some(modified) = truth.value("modified").filter(|_| settled) {
            let time = object.modified().and_then(|time| time.rfc3339()).unwrap_or_default();
            assert_eq!(time, modified, "{name}: {path}");
        }
    }
    // A stream that was compared under one name of its file is done.
    names.retain(|_, id| !done.contains(&catalog.named_object(*id)));
    assert!(
        names.is_empty(),
        "{name}: not in the truth: {:?}",
        names.values().map(|id| catalog.path(*id)).collect::<Vec<_>>()
    );
    assert!(compared > 0, "{name}: nothing was compared");
    assert_eq!(catalog.lost_records, 0, "{name}");
}

#[test]
fn every_file_of_every_volume_is_right_and_whole() {
    for name in VOLUMES {
        check(name, &fixture::all_read(name), State::Whole);
    }
}

#[test]
fn without_a_map_the_same_files_are_unproven() {
    for name in ["ntfs-c4k", "ntfs-compressed", "ntfs-reparse"] {
        check(name, &fixture::unmapped(name), State::Unproven);
    }
}

#[test]
fn folders_lists_agree_with_the_records() {
    let options = SweepOptions { cross_check: true, ..SweepOptions::default() };
    // The hostile one was edited by hand, and its lists were not.
    for name in VOLUMES.iter().filter(|name| **name != "ntfs-hostile") {
        let source = fixture::all_read(name);
        let volume = filesystem::open(&source).expect("in memory").expect("an NTFS volume");
        let swept = volume.sweep(options, &Silent).expect("in memory");
        let found = &swept.catalog.findings;
        assert_eq!(found.count(FindingKind::IndexDisagrees), 0, "{name}: {found:?}");
        assert_eq!(found.count(FindingKind::IndexPartlyRead), 0, "{name}: {found:?}");
    }
}

#[test]
fn link_targets_are_recorded() {
    let (volume, Swept { catalog, .. }) = open(&fixture::all_read("ntfs-reparse"));
    let names = all_names(&catalog);
    let mut compared = 0;
    for truth in fixture::truth("ntfs-reparse").iter().filter(|truth| truth.kind == "link") {
        let target = volume.link_target(&catalog, catalog.named_object(names[&truth.path])).expect("in memory");
        match truth.note.split_once("target=") {
            Some((_, expected)) => {
                let expected = expected.split_once(" created=").map_or(expected, |(target, _)| target);
                // A junction's print name has no `\??\`.
                let same = target.as_deref().is_some_and(|target| expected.ends_with(target));
                assert!(same, "{}: {target:?} and not {expected}", truth.path_text());
                compared += 1;
            }
            None => assert_eq!(target, None, "{}", truth.path_text()),
        }
    }
    assert!(compared >= 8);
}

#[test]
fn the_volume_tells_of_itself() {
    for (name, dirty, hibernated) in [
        ("ntfs-c4k", false, false),
        ("ntfs-dirty", true, false),
        ("ntfs-hibernated", false, true),
        ("ntfs-faststart", false, true),
        ("ntfs-resumed", false, false),
    ] {
        let (_, Swept { facts, .. }) = open(&fixture::all_read(name));
        assert_eq!((facts.dirty, facts.hibernated), (Some(dirty), Some(hibernated)), "{name}");
        assert_eq!(facts.version.as_deref(), Some("3.1"), "{name}");
    }
    for (name, cluster) in [("ntfs-c512", 512), ("ntfs-c64k", 65_536), ("ntfs-c2m", 2 << 20), ("ntfs-rec4k", 4096)] {
        let (_, Swept { facts, .. }) = open(&fixture::all_read(name));
        assert_eq!(facts.cluster_size, cluster, "{name}");
    }
}
