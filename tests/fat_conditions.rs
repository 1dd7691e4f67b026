//! The conditions of `whole` for FAT (docs/states.md), by their numbers there: each is broken alone, and state and reason
//! of exactly the file that it concerns change.

mod common;

use common::edit::{Words, any, changes, hash, object, open, sweep, words};
use common::fat_edit::FatEdit;
use common::fixture;
use handback::catalog::{Completeness, Facts, FindingKind, Incomplete, Lookup, State};
use handback::filesystem::Swept;
use handback::source::Source;

/// A file of ten clusters and more on each volume, one of one cluster, and a folder.
const LONG: &str = "/size 20000.bin";
const SHORT: &str = "/size 512.bin";
const FOLDER: &str = "/Choir";
const VOLUME: &str = "fat12";

/// Volumes of each width.
const WIDTHS: [(&str, &str); 3] = [("fat12", LONG), ("fat16", "/size 30000.bin"), ("fat32-few", LONG)];

fn said(before: &Words, source: &Source) -> Vec<(String, String)> {
    let changed = changes(before, &words(&sweep(source).catalog));
    changed.into_iter().map(|(path, _, after)| (path, after)).collect()
}

fn only(path: &str, word: &str) -> Vec<(String, String)> {
    vec![(path.to_string(), word.to_string())]
}

fn found(swept: &Swept, kind: FindingKind) -> u64 {
    swept.catalog.findings.count(kind)
}

#[test]
fn condition_1_a_boot_sector_that_can_be_one() {
    // FAT32 has a backup; FAT12 and FAT16 have none, and their layout has to be proven.
    for (name, kind) in [
        ("fat12", FindingKind::HeadRebuilt),
        ("fat16", FindingKind::HeadRebuilt),
        ("fat32-few", FindingKind::BackupBootUsed),
        ("fat32-s4096", FindingKind::BackupBootUsed),
    ] {
        let mut volume = FatEdit::of(name);
        let before = volume.words();
        let unread = volume.with_holes(&[0..512]);
        volume.bytes[..512].fill(0);
        for source in [unread, volume.source()] {
            let opened = any(&source).expect("a volume");
            assert_eq!(opened.findings().count(kind), 1, "{name}");
            assert!(said(&before, &source).is_empty(), "{name}");
        }
    }
}

#[test]
fn condition_2_the_entry_was_read() {
    // A folder of several clusters: the sector with an entry is a hole, the name before it may be known.
    let volume = FatEdit::of(VOLUME);
    let before = volume.words();
    let entry = u64::try_from(volume.named("/Fotos/IMG_0019.JPG")).expect("small");
    let sector = entry / 512 * 512;
    let swept = sweep(&volume.with_holes(&[sector..sector + 512]));
    let after = words(&swept.catalog);
    let gone: Vec<&String> = before.keys().filter(|path| !after.contains_key(*path)).collect();
    assert!(
        gone.iter().any(|path| *path == "/Fotos/IMG_0019.JPG") && gone.iter().all(|path| path.starts_with("/Fotos/"))
    );
    let folder = object(&swept, "/Fotos");
    assert_eq!(folder.completeness(), Completeness::Incomplete);
    assert!(folder.incomplete.contains(Incomplete::ListPartlyRead));
    assert!(matches!(swept.catalog.find("/Fotos/IMG_0019.JPG"), Lookup::Missing { incomplete: true }));
    assert!(swept.facts.unexplained_bytes.expect("the table was read").at_least > 0);
}

#[test]
fn condition_2_a_long_name_whose_entry_lies_in_a_hole_is_known() {
    let mut volume = FatEdit::of(VOLUME);
    let path = "/Names/it's 100% & more (final) [2].txt";
    let entry = volume.named(path);
    // Its entry moves to the first slot of a sector: the pieces of its name stand before it, in another one.
    let folder = volume.chain_of("/Names");
    let at = folder.iter().map(|cluster| volume.offset(*cluster)).find(|at| *at > entry).expect("a later cluster");
    let pieces = volume.bytes[entry - 96..entry].to_vec();
    let own = volume.bytes[entry..entry + 32].to_vec();
    volume.bytes[entry - 96..entry + 32].fill(0xe5);
    volume.bytes[at - 96..at].copy_from_slice(&pieces);
    volume.bytes[at..at + 32].copy_from_slice(&own);
    let hole = u64::try_from(at).expect("small");
    let swept = sweep(&volume.with_holes(&[hole..hole + 512]));
    let named = object(&swept, path);
    assert_eq!((named.facts.state(), named.facts.reasons()), (State::Unlocated, vec!["record-lost"]));
    assert_eq!(named.locator, hole);
}

#[test]
fn condition_3_name_and_attributes_can_be_some() {
    for (offset, value) in [(11, 0x60), (3, 0x02)] {
        let mut volume = FatEdit::of("fat4084");
        let before = volume.words();
        let entry = volume.named("/a.txt");
        let old = std::mem::replace(&mut volume.bytes[entry + offset], value);
        assert_ne!(old, value);
        let swept = sweep(&volume.source());
        let word = |words: &Words| words.values().filter(|word| word.1 == ["record-inconsistent"]).count();
        assert_eq!((word(&before), word(&words(&swept.catalog))), (0, 1));
        assert!(swept.catalog.object(swept.catalog.root()).incomplete.contains(Incomplete::EntriesUnsound));
    }
}

#[test]
fn condition_4_the_long_name_is_the_entrys() {
    let mut volume = FatEdit::of(VOLUME);
    let path = "/Names/thirteenchars";
    let entry = volume.named(path);
    assert_eq!(volume.bytes[entry - 32 + 13], 0xd4, "its checksum, as mtools stored it");
    volume.bytes[entry - 32 + 13] = 0xd5;
    let swept = sweep(&volume.source());
    assert!(matches!(swept.catalog.find(path), Lookup::Missing { incomplete: true }));
    let now = object(&swept, "/Names/THIRTE~1");
    assert_eq!((now.facts.state(), now.facts.reasons()), (State::Doubtful, vec!["name-checksum"]));
    assert_eq!(found(&swept, FindingKind::LongNameOrphaned), 1);
}

#[test]
fn a_long_name_left_behind_by_an_old_system_is_only_a_finding() {
    let mut volume = FatEdit::of(VOLUME);
    let entry = volume.named("/Names/thirteenchars");
    volume.bytes[entry] = 0xe5;
    let swept = sweep(&volume.source());
    assert_eq!(found(&swept, FindingKind::LongNameOrphaned), 1);
    assert_eq!(object(&swept, "/Names").completeness(), Completeness::Complete);
}

#[test]
fn condition_5_it_was_not_deleted() {
    let mut volume = FatEdit::of(VOLUME);
    let entry = volume.named(SHORT);
    for slot in [entry - 32, entry] {
        volume.bytes[slot] = 0xe5;
    }
    let swept = sweep(&volume.source());
    assert_eq!(swept.catalog.find(SHORT), Lookup::Missing { incomplete: false });
    let options = handback::filesystem::SweepOptions { deleted: true, ..Default::default() };
    let swept = common::edit::sweep_for(&volume.source(), options);
    let gone = object(&swept, SHORT);
    assert_eq!((gone.facts.state(), gone.facts.reasons()), (State::Doubtful, vec!["deleted", "contiguous-guess"]));
}

#[test]
fn condition_6_the_first_cluster_exists() {
    let volume = FatEdit::of(VOLUME);
    let before = volume.words();
    let (long, empty) = (volume.named(LONG), volume.named("/size 0.bin"));
    for (entry, path, cluster, word) in [
        (long, LONG, 0, "unlocated: description-lost"),
        (long, LONG, 1, "unlocated: description-lost"),
        (long, LONG, 2849, "unlocated: description-lost"),
        (empty, "/size 0.bin", 2849, "doubtful: record-inconsistent"),
    ] {
        let mut volume = volume.clone();
        volume.set_first(entry, cluster);
        assert_eq!(said(&before, &volume.source()), only(path, word), "{cluster}");
    }
}

#[test]
fn condition_7_it_is_not_encrypted() {
    let mut volume = FatEdit::of(VOLUME);
    let before = volume.words();
    let entry = volume.named(LONG);
    volume.bytes[entry + 12] |= 1;
    assert_eq!(said(&before, &volume.source()), only(LONG, "locked"));
}

#[test]
fn conditions_8_to_13_the_chain() {
    for (name, path) in WIDTHS {
        let volume = FatEdit::of(name);
        let before = volume.words();
        let chain = volume.chain_of(path);
        assert!(chain.len() > 10, "{name}");
        let last = *chain.last().expect("long");
        let most = u32::try_from((volume.bytes.len() - volume.data) / volume.cluster + 2).expect("small");
        let cases = [
            // In the middle: the rest of it can't be placed. At the end: all its bytes are there.
            (chain[4], chain[2], "damaged: unplaced chain-loop", "9 loop"),
            (last, chain[2], "doubtful: chain-loop", "9 loop at the end"),
            (chain[4], 0, "damaged: unplaced clusters-free", "10 free"),
            (last, 0, "doubtful: clusters-free", "10 free at the end"),
            (chain[4], volume.bad(), "damaged: unplaced cluster-bad", "11 bad"),
            (last, volume.bad(), "doubtful: cluster-bad", "11 bad at the end"),
            (chain[4], 1, "damaged: unplaced outside-volume", "12 one"),
            (last, most, "doubtful: outside-volume", "12 past the end"),
            (chain[4], volume.end(), "damaged: unplaced", "13 too short"),
        ];
        for (cluster, value, word, what) in cases {
            let mut volume = volume.clone();
            volume.set(&[0, 1], cluster, value);
            assert_eq!(said(&before, &volume.source()), only(path, word), "{name}: {what}");
        }
        // 8: the link in a hole of both tables.
        let holes = [volume.sector_of(0, chain[4]), volume.sector_of(1, chain[4])];
        let after = words(&sweep(&volume.with_holes(&holes)).catalog);
        assert_eq!(after[path], ("damaged", vec!["unplaced", "chain-partly-read"]), "{name}");
    }
}

#[test]
fn condition_8_the_link_that_ends_a_file_counts_too() {
    let volume = FatEdit::of("fat16");
    let entry = volume.named("/size 1023.bin");
    let first = volume.first(entry);
    let holes = [volume.sector_of(0, first), volume.sector_of(1, first)];
    let after = words(&sweep(&volume.with_holes(&holes)).catalog);
    assert_eq!(after["/size 1023.bin"], ("doubtful", vec!["chain-partly-read"]));
}

#[test]
fn a_longer_chain_is_only_a_finding() {
    let mut volume = FatEdit::of(VOLUME);
    let before = volume.words();
    let entry = volume.named(LONG);
    volume.bytes[entry + 28..entry + 32].copy_from_slice(&1000_u32.to_le_bytes());
    let swept = sweep(&volume.source());
    assert!(changes(&before, &words(&swept.catalog)).is_empty());
    assert_eq!(found(&swept, FindingKind::ChainLong), 1);
    assert_eq!(swept.facts.unexplained_bytes.map(|bytes| bytes.at_most), Some(0), "the rest is explained");
}

#[test]
fn condition_14_the_copy_stands_in_where_it_was_compared() {
    // One table in a hole; the other agrees wherever both were read, and much in use is among that.
    for (name, path) in [("fat16-frag", "/late/piece 0.bin"), ("fat32-few", LONG)] {
        let volume = FatEdit::of(name);
        let before = volume.words();
        let chain = volume.chain_of(path);
        let hole = volume.sector_of(0, chain[4]);
        let source = volume.with_holes(std::slice::from_ref(&hole));
        assert!(said(&before, &source).is_empty(), "{name}: {:?}", said(&before, &source));
        assert_eq!(open(&source).findings().count(FindingKind::AllocationTableUnread), 1, "{name}");
        // The other table differs elsewhere, where both were read.
        let mut stale = volume.clone();
        let far = u32::try_from((stale.bytes.len() - stale.data) / stale.cluster).expect("small") - 20;
        let end = stale.end();
        stale.set(&[1], far, end);
        stale.set(&[0], far, far + 2);
        let after = words(&sweep(&stale.with_holes(&[hole])).catalog);
        assert!(after[path].0 == "doubtful" && after[path].1.contains(&"other-table"), "{name}: {:?}", after[path]);
    }
    // Everything in use has its entry in the sector that is gone: nothing can be compared.
    let volume = FatEdit::of("fat12");
    let chain = volume.chain_of(LONG);
    let after = words(&sweep(&volume.with_holes(&[volume.sector_of(0, chain[4])])).catalog);
    assert_eq!(after[LONG], ("doubtful", vec!["other-table"]));
    // All of the first table gone: nothing can be compared.
    let volume = FatEdit::of("fat16");
    let after = words(&sweep(&volume.with_holes(&[volume.table(0)])).catalog);
    assert_eq!(after["/size 30000.bin"], ("doubtful", vec!["other-table"]));
}

#[test]
fn condition_15_two_tables_that_differ() {
    for (name, path) in WIDTHS {
        let volume = FatEdit::of(name);
        let before = volume.words();
        let chain = volume.chain_of(path);
        // The second table says something else of one link: that something else counts.
        let mut other = volume.clone();
        other.set(&[1], chain[4], chain[6]);
        assert_eq!(said(&before, &other.source()), only(path, "doubtful: tables-differ"), "{name}");
        // It says nothing of one link and the same of the others: it was kept up, and is not any more.
        let mut other = volume.clone();
        other.set(&[1], chain[4], 0);
        assert_eq!(said(&before, &other.source()), only(path, "doubtful: tables-differ"), "{name}");
        // It says nothing of the whole file: a later file than the table.
        let mut other = volume.clone();
        for cluster in &chain {
            other.set(&[1], *cluster, 0);
        }
        assert!(said(&before, &other.source()).is_empty(), "{name}");
        assert_eq!(open(&other.source()).findings().count(FindingKind::AllocationTablesDiffer), 1, "{name}");
    }
}

#[test]
fn a_second_table_that_was_never_kept_up_costs_nothing() {
    for (name, _) in WIDTHS {
        let volume = FatEdit::of(name);
        let before = volume.words();
        // As formatting leaves it, wiped, and never written at all.
        for keep in [true, false] {
            let mut other = volume.clone();
            let table = other.tables[1].clone();
            let root = other.root_cluster;
            let head: Vec<u8> = other.bytes[table.start..table.start + 8].to_vec();
            other.bytes[table.clone()].fill(0);
            if keep {
                other.bytes[table.start..table.start + 2 * other.width / 8]
                    .copy_from_slice(&head[..2 * other.width / 8]);
                if root > 0 {
                    let end = other.end();
                    other.set(&[1], root, end);
                }
            }
            assert!(said(&before, &other.source()).is_empty(), "{name}: {:?}", said(&before, &other.source()));
            assert_eq!(open(&other.source()).findings().count(FindingKind::SecondTableUnused), 1, "{name}");
        }
    }
}

#[test]
fn condition_16_a_chain_that_only_the_other_table_has() {
    for (name, path) in WIDTHS {
        let mut volume = FatEdit::of(name);
        let before = volume.words();
        let chain = volume.chain_of(path);
        volume.set(&[0], chain[4], 0);
        assert_eq!(said(&before, &volume.source()), only(path, "doubtful: other-table"), "{name}");
    }
}

#[test]
fn condition_17_only_one_table_is_kept_up() {
    let mut volume = FatEdit::of("fat32-few");
    let before = volume.words();
    let chain = volume.chain_of(LONG);
    // The second one is active, the first an old one: what it says is not looked at.
    volume.bytes[0x28] = 0x81;
    volume.set(&[0], chain[4], 0);
    let source = volume.source();
    assert!(said(&before, &source).is_empty());
    assert_eq!(open(&source).findings().count(FindingKind::OneTableActive), 1);
    let after = words(&sweep(&volume.with_holes(&[volume.sector_of(1, chain[4])])).catalog);
    assert_eq!(after[LONG].0, "damaged", "the old one says that it ends early");
    volume.set(&[0], chain[4], chain[5]);
    let after = words(&sweep(&volume.with_holes(&[volume.sector_of(1, chain[4])])).catalog);
    assert!(after[LONG].0 == "doubtful" && after[LONG].1.contains(&"other-table"), "{:?}", after[LONG]);
}

#[test]
fn condition_18_the_folder_that_names_it_is_sound() {
    let mut volume = FatEdit::of(VOLUME);
    let before = volume.words();
    let first = volume.chain_of(FOLDER)[0];
    let at = volume.offset(first);
    assert_eq!(&volume.bytes[at..at + 2], b". ");
    volume.set_first(at, first + 1);
    let changed = said(&before, &volume.source());
    let inside: Vec<&String> = before.keys().filter(|path| path.starts_with("/Choir")).collect();
    assert_eq!(changed.len(), inside.len());
    for (path, word) in changed {
        let expected = if path == FOLDER { "incomplete: other-number" } else { "folder-doubtful" };
        assert!(path.starts_with(FOLDER) && word.contains(expected), "{path}: {word}");
    }
}

#[test]
fn condition_19_nobody_else_claims_its_clusters() {
    for (name, path) in WIDTHS {
        let mut volume = FatEdit::of(name);
        let before = volume.words();
        let (chain, other) = (volume.chain_of(path), volume.chain_of("/Names/README"));
        volume.set(&[0, 1], other[0], chain[4]);
        let changed = said(&before, &volume.source());
        let mut expected = only("/Names/README", "doubtful: claimed-twice");
        expected.extend(only(path, "doubtful: claimed-twice"));
        assert_eq!(changed, expected, "{name}");
    }
}

#[test]
fn condition_20_every_byte_was_read() {
    let volume = FatEdit::of(VOLUME);
    let before = volume.words();
    let chain = volume.chain_of(LONG);
    let source = volume.with_holes(&[volume.bytes_of(chain[3])]);
    assert_eq!(said(&before, &source), only(LONG, "damaged: unread"));
    assert_eq!(object(&sweep(&source), LONG).facts.gap_bytes, 512);
}

#[test]
fn condition_21_somebody_vouches_for_every_byte() {
    let swept = sweep(&fixture::unmapped(VOLUME));
    for (_, object) in swept.catalog.objects() {
        assert!(object.facts == Facts { unknown: true, ..Facts::SOUND }, "{:?}", object.facts);
    }
}

#[test]
fn a_second_table_of_an_earlier_day_makes_nothing_wrong() {
    // Each sector of the first table in a hole, in turn, and none.
    let volume = FatEdit::of("fat16-stale");
    let truth = fixture::truth("fat16-stale");
    let sectors = std::iter::once(None).chain(volume.table(0).step_by(512).map(Some));
    let (mut wholes, mut doubtful) = (0, 0);
    for sector in sectors {
        let holes: Vec<_> = sector.map(|start| start..start + 512).into_iter().collect();
        let source = volume.with_holes(&holes);
        let swept = sweep(&source);
        for line in truth.iter().filter(|line| line.kind == "file") {
            let Lookup::Found(id, _) = swept.catalog.find(&line.path_text()) else { continue };
            match swept.catalog.object(id).facts.state() {
                State::Whole => {
                    wholes += 1;
                    assert_eq!(Some(hash(&source, &swept, id).0), line.sha256, "{} {sector:?}", line.path_text());
                }
                State::Doubtful => doubtful += 1,
                _ => {}
            }
        }
    }
    assert!(wholes > 400 && doubtful > 30, "{wholes} whole, {doubtful} doubtful");
}
