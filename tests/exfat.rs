//! exFAT volumes written by outside tools, read whole: every file with its size, SHA-256 and times, and nothing else.
//!
//! Truth: the source files that the fixture script wrote through exfat-fuse (see `test-images/README.md`).

mod common;

use std::collections::BTreeMap;

use common::fixture::{self, Truth};
use handback::catalog::{Catalog, Completeness, FindingKind, NameId, ObjectId, ObjectKind, State};
use handback::filesystem::{self, ByteRange, Filesystem, SweepOptions, Swept};
use handback::progress::Silent;
use handback::source::Source;
use sha2::{Digest, Sha256};

/// Every bare exFAT volume among the fixtures, with its cluster and sector size.
const VOLUMES: [(&str, u64, u64); 7] = [
    ("exfat-c512", 512, 512),
    ("exfat-c4k", 4096, 512),
    ("exfat-c32k", 32_768, 512),
    ("exfat-c128k", 131_072, 512),
    ("exfat-s4k", 4096, 4096),
    ("exfat-deleted", 4096, 512),
    ("exfat-odd", 4096, 512),
];

fn open(source: &Source, options: SweepOptions) -> (Box<dyn Filesystem>, Swept) {
    let volume = filesystem::open(source).expect("an image in memory").expect("an exFAT volume");
    let swept = volume.sweep(options, &Silent).expect("an image in memory");
    (volume, swept)
}

/// Every name of a catalog by the units of its path.
fn all_names(catalog: &Catalog) -> BTreeMap<Vec<u16>, NameId> {
    let mut all = BTreeMap::new();
    for (id, _) in catalog.objects().filter(|(id, _)| *id != catalog.root()) {
        for name in catalog.names_of(id) {
            let parts = catalog.line(name).into_iter();
            let path = parts.flat_map(|part| [vec![u16::from(b'/')], catalog.name(part).units()].concat()).collect();
            assert!(all.insert(path, name).is_none(), "{} twice", catalog.path(name));
        }
    }
    all
}

fn sha256(volume: &dyn Filesystem, catalog: &Catalog, id: ObjectId) -> (String, handback::content::Outcome) {
    let extents = volume.extents(catalog, id).expect("a placed file");
    let mut hash = Sha256::new();
    let outcome = handback::content::read(volume.source(), &extents, &mut |piece| {
        hash.update(piece);
        Ok(())
    })
    .expect("an image in memory");
    (hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect(), outcome)
}

/// The modification time as the truth and the volume's note of its zone have it.
fn modified(truth: &Truth) -> String {
    let text = truth.value("modified").expect("every line has one");
    if truth.has("zone=unknown") {
        return text.trim_end_matches('Z').to_string();
    }
    let quarters: i64 = truth.value("offset").map_or(0, |quarters| quarters.parse().expect("a number"));
    let time: jiff::Timestamp = text.parse().expect("RFC 3339");
    (time - jiff::SignedDuration::from_mins(15 * quarters)).to_string()
}

fn check(name: &str, source: &Source, best: State) {
    let (volume, Swept { catalog, facts, .. }) = open(source, SweepOptions::default());
    assert_eq!(facts.filesystem, "exFAT");
    assert!(catalog.findings.is_empty() && volume.findings().is_empty(), "{name}: {:?}", catalog.findings);
    // What is in use is explained to the cluster, as nothing is damaged.
    assert_eq!(facts.unexplained_bytes, Some(ByteRange { at_least: 0, at_most: 0 }), "{name}");
    assert!(facts.used_bytes.is_some_and(|used| used.at_least > 0 && used.at_least == used.at_most), "{name}");
    let mut names = all_names(&catalog);
    let mut compared = 0;
    for truth in fixture::truth(name).iter().filter(|truth| !truth.has("deleted")) {
        let path = truth.path_text();
        let name_id = names.remove(&truth.path).unwrap_or_else(|| panic!("{name}: {path} is missing"));
        let id = catalog.named_object(name_id);
        let object = catalog.object(id);
        assert_eq!(object.kind.word(), truth.kind, "{name}: {path}");
        match object.kind {
            ObjectKind::File => {
                assert_eq!(Some(object.size), truth.size, "{name}: {path}");
                assert_eq!(object.facts.state(), best, "{name}: {path} {:?}", object.facts.reasons());
                let (hash, outcome) = sha256(volume.as_ref(), &catalog, id);
                assert!(outcome.gaps.is_empty() && outcome.length == object.size, "{name}: {path} {outcome:?}");
                assert_eq!(Some(hash), truth.sha256, "{name}: {path}");
                compared += 1;
            }
            _ => {
                let complete = if best == State::Whole { Completeness::Complete } else { Completeness::Unproven };
                assert_eq!(object.completeness(), complete, "{name}: {path} {:?}", object.incomplete);
            }
        }
        // Deleting from a folder changes its time after the truth was written.
        if name != "exfat-deleted" || truth.kind == "file" {
            let time = object.modified().and_then(|time| time.rfc3339());
            assert_eq!(time, Some(modified(truth)), "{name}: {path}");
        }
    }
    assert!(
        names.is_empty(),
        "{name}: not in the truth: {:?}",
        names.values().map(|id| catalog.path(*id)).collect::<Vec<_>>()
    );
    assert!(compared >= if name == "exfat-c4k" { 500 } else { 7 }, "{name}: {compared} were compared");
}

#[test]
fn every_file_of_every_volume_is_right_and_whole() {
    for (name, ..) in VOLUMES {
        check(name, &fixture::all_read(name), State::Whole);
    }
}

#[test]
fn without_a_map_the_same_files_are_unproven() {
    for name in ["exfat-c512", "exfat-odd"] {
        check(name, &fixture::unmapped(name), State::Unproven);
    }
}

#[test]
fn the_volume_tells_of_itself() {
    for (name, cluster, sector) in VOLUMES {
        let source = fixture::all_read(name);
        let (_, Swept { facts, .. }) = open(&source, SweepOptions::default());
        assert_eq!((facts.cluster_size, facts.sector_size), (cluster, sector), "{name}");
        assert_eq!((facts.dirty, facts.total_bytes), (Some(false), source.length()), "{name}");
        assert_eq!(facts.version.as_deref(), Some("1.00"), "{name}");
        assert_eq!(facts.serial.as_deref(), Some("1985-0914"), "{name}");
        let label =
            name.strip_prefix("exfat-").filter(|name| ["deleted", "odd"].contains(name)).unwrap_or("Choir 2009");
        assert_eq!(facts.label.as_deref(), Some(label), "{name}");
        let guid = (name == "exfat-odd").then_some("03020100-0504-0706-0809-0A0B0C0D0E0F");
        assert_eq!(facts.guid.as_deref(), guid, "{name}");
    }
}

#[test]
fn deleted_files_come_back_as_doubtful() {
    let source = fixture::all_read("exfat-deleted");
    let (volume, Swept { catalog, claimed, facts, .. }) =
        open(&source, SweepOptions { deleted: true, ..SweepOptions::default() });
    assert_eq!(facts.unexplained_bytes, Some(ByteRange { at_least: 0, at_most: 0 }), "the deleted explain nothing");
    let names = all_names(&catalog);
    let (mut same, mut reused) = (0, 0);
    for truth in fixture::truth("exfat-deleted").iter().filter(|truth| truth.has("deleted")) {
        let path = truth.path_text();
        let Some(name) = names.get(&truth.path) else { panic!("{path} is missing") };
        let id = catalog.named_object(*name);
        let object = catalog.object(id);
        assert_eq!(object.facts.state(), State::Doubtful, "{path}");
        assert_eq!(object.facts.reasons()[0], "deleted", "{path}");
        assert_eq!(Some(object.size), truth.size, "{path}");
        let (hash, _) = sha256(volume.as_ref(), &catalog, id);
        match claimed.contains_key(&id) {
            // Somebody else's bytes by now.
            true => reused += 1,
            false => {
                assert_eq!(Some(hash), truth.sha256, "{path}");
                same += 1;
            }
        }
    }
    assert!(same >= 4 && reused >= 1, "{same} the same, {reused} reused");
    // Without being asked for, none is there.
    let (_, Swept { catalog, .. }) = open(&source, SweepOptions::default());
    assert!(catalog.objects().all(|(_, object)| object.facts.state() == State::Whole));
    assert_eq!(catalog.findings.count(FindingKind::NameLost), 0);
}
