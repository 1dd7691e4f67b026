//! NTFS without its head: both boot sectors gone, the table's first records too, and the mirror of them; what is found
//! again, and what is said of it. Truth: the fixtures' own, and the image's bytes read here.

#![expect(clippy::print_stdout, reason = "the counts are part of what it shows")]

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use common::fixture;
use common::headless::{Seen, Volume, look, open, unread, zeroed};
use handback::catalog::{Distrust, FindingKind, GapKind, Incomplete, ObjectKind, State, Unlocated};
use handback::filesystem::{self, Filesystem, SweepOptions, Swept};
use handback::progress::Silent;
use handback::volumes;

/// Every image of one NTFS volume.
const VOLUMES: [&str; 25] = [
    "ntfs-attrlist",
    "ntfs-c2m",
    "ntfs-c4k",
    "ntfs-c512",
    "ntfs-c64k",
    "ntfs-compressed",
    "ntfs-compressed-1k",
    "ntfs-compressed-512",
    "ntfs-deleted",
    "ntfs-dirty",
    "ntfs-encrypted",
    "ntfs-faststart",
    "ntfs-hibernated",
    "ntfs-hostile",
    "ntfs-mftfrag",
    "ntfs-rec4k",
    "ntfs-recycle",
    "ntfs-reparse",
    "ntfs-resumed",
    "ntfs-sparse",
    "ntfs-streams",
    "ntfs-valid",
    "ntfs-wof-lzx",
    "ntfs-wof-xpress16k",
    "ntfs-wof-xpress4k",
];

/// Opens what is left of a volume both ways, and holds it against the sound one.
fn without(volume: &Volume, gone: &[Range<u64>], what: &str) -> (Seen, Seen) {
    let sound = volume.sound().0;
    let source = unread(volume.bytes.clone(), gone);
    let opened = open(&source).unwrap_or_else(|| panic!("{} is opened without {what}", volume.name));
    assert_eq!(opened.findings().count(FindingKind::HeadRebuilt), 1);
    let (seen, swept) = look(volume.name, opened.as_ref());
    println!(
        "{} without {what}: {} of {} right, {} whole, {} doubtful, {} records lost; {} of {} folders complete",
        volume.name,
        seen.right,
        sound.files,
        seen.whole,
        seen.doubtful,
        seen.lost_records,
        seen.folders_complete,
        sound.folders_complete
    );
    assert_eq!(seen.right, sound.right, "{} without {what}", volume.name);
    assert_eq!(swept.facts.serial, None, "only boot sectors tell it");
    // Where nobody says what was read, nothing is whole, and the rest is the same.
    let source = zeroed(volume.bytes.clone(), gone);
    let (blank, _) = look(volume.name, open(&source).expect("opened").as_ref());
    assert_eq!((blank.right, blank.whole, blank.folders_complete), (seen.right, 0, 0), "{}", volume.name);
    assert_eq!(blank.unproven, seen.whole, "{}", volume.name);
    (seen, sound)
}

/// The only one that is too large to be looked through at once.
const LARGE: &str = "ntfs-c2m";

#[test]
fn both_boot_sectors_are_gone() {
    for name in VOLUMES {
        let volume = Volume::of(name);
        let (seen, sound) = without(&volume, &volume.boots(), "boot sectors");
        if name == LARGE {
            assert_eq!((seen.whole, seen.doubtful, seen.folders_complete), (0, sound.whole, 0), "{name}");
        } else {
            assert_eq!(seen, sound, "{name}");
        }
    }
}

#[test]
fn the_first_records_are_gone_too_and_the_mirror_has_them() {
    for name in VOLUMES {
        let volume = Volume::of(name);
        let (seen, sound) = without(&volume, &volume.gone(&[volume.first_records()]), "first records");
        if name != LARGE {
            assert_eq!(seen, sound, "{name}");
        }
    }
}

#[test]
fn the_mirror_is_gone_as_well() {
    for name in VOLUMES.into_iter().filter(|name| *name != LARGE) {
        let volume = Volume::of(name);
        let gone = volume.gone(&[volume.first_records(), volume.mirror()]);
        let (seen, sound) = without(&volume, &gone, "first records and mirror");
        assert_eq!(seen.folders_complete, 0, "{name}: where the table ends is not known");
        // What is not whole any more is so for want of a list that names it, and of nothing else.
        assert_eq!(seen.whole + seen.doubtful, sound.whole, "{name}");
    }
}

#[test]
fn with_boot_sectors_the_table_is_put_together_too() {
    for name in VOLUMES {
        let volume = Volume::of(name);
        let source = unread(volume.bytes.clone(), &[volume.first_records(), volume.mirror()]);
        let opened = filesystem::open(&source).expect("in memory").expect("it has boot sectors");
        let (seen, _) = look(name, opened.as_ref());
        println!(
            "{name} with boot sectors, without first records and mirror: {} right, {} whole",
            seen.right, seen.whole
        );
        assert_eq!(seen.right, volume.sound().0.right, "{name}");
        assert_eq!(opened.findings().count(FindingKind::TableRebuilt), 1, "{name}");
        assert_eq!(opened.findings().count(FindingKind::HeadRebuilt), 0, "{name}");
    }
}

fn opened(volume: &Volume, holes: &[Range<u64>], with_head: bool) -> Box<dyn Filesystem> {
    let gone = if with_head { holes.to_vec() } else { volume.gone(holes) };
    let source = unread(volume.bytes.clone(), &gone);
    let opened = if with_head { filesystem::open(&source).expect("in memory") } else { open(&source) };
    opened.expect("it is opened")
}

fn states(swept: &Swept) -> BTreeMap<u64, State> {
    let files = swept.catalog.objects().filter(|(_, one)| one.kind == ObjectKind::File);
    files.map(|(_, one)| (one.locator, one.facts.state())).collect()
}

#[test]
fn every_tenth_record_is_lost_and_counted() {
    for name in ["ntfs-c4k", "ntfs-c512", "ntfs-c64k", "ntfs-rec4k", "ntfs-attrlist", "ntfs-streams", "ntfs-recycle"] {
        let volume = Volume::of(name);
        let records = volume.in_use();
        // The first 24 are the filesystem's own; so are, on these volumes, three after them.
        let lost: Vec<_> = records.iter().filter(|(one, _)| *one >= 24 && one % 10 == 0).copied().collect();
        let holes: Vec<Range<u64>> = lost.iter().map(|(one, _)| volume.place(*one)).collect();
        // A file is spoiled by any of its records.
        let spoiled: BTreeSet<u64> = lost.iter().map(|(one, base)| if *base == 0 { *one } else { *base }).collect();
        let (_, sound) = volume.sound();
        for with_head in [true, false] {
            let (seen, swept) = look(name, opened(&volume, &holes, with_head).as_ref());
            let named = swept.catalog.objects().filter(|(_, one)| one.facts.unlocated == Some(Unlocated::RecordLost));
            let named = named.count() as u64;
            println!(
                "{name}: {} of {} records lost, {named} of them named by lists; {} of {} files right",
                lost.len(),
                records.len(),
                seen.right,
                seen.files
            );
            assert_eq!(swept.catalog.lost_records + named, lost.len() as u64, "{name}");
            let after = states(&swept);
            for (record, state) in states(&sound).into_iter().filter(|(record, _)| !spoiled.contains(record)) {
                assert_eq!(after.get(&record), Some(&state), "{name}: record {record}");
            }
        }
    }
}

#[test]
fn all_folders_lists_are_gone() {
    for name in ["ntfs-c4k", "ntfs-c512", "ntfs-c64k", "ntfs-mftfrag", "ntfs-recycle"] {
        let volume = Volume::of(name);
        let mut blocks: Vec<Range<u64>> = Vec::new();
        for sector in 0..volume.bytes.len() as u64 / 512 {
            let at = sector as usize * 512;
            let inside = blocks.last().is_some_and(|last| sector * 512 < last.end);
            if !inside && &volume.bytes[at..at + 4] == b"INDX" {
                blocks.push(sector * 512..(sector + 8) * 512);
            }
        }
        assert!(!blocks.is_empty());
        let (sound, _) = volume.sound();
        for source in [unread(volume.bytes.clone(), &blocks), zeroed(volume.bytes.clone(), &blocks)] {
            let (seen, _) = look(name, filesystem::open(&source).expect("in memory").expect("NTFS").as_ref());
            assert_eq!((seen.right, seen.lost_records), (sound.right, 0), "{name}");
            assert_eq!(seen.whole + seen.unproven, sound.whole, "{name}");
        }
        // Without boot sectors the table and its mirror prove the layout.
        let (seen, _) = look(name, opened(&volume, &blocks, false).as_ref());
        println!("{name} without {} blocks of lists and boot sectors: {} right", blocks.len(), seen.right);
        assert_eq!((seen.right, seen.whole), (sound.right, sound.whole), "{name}");
    }
}

#[test]
fn what_an_attribute_list_names_is_gone() {
    let volume = Volume::of("ntfs-attrlist");
    let records = volume.in_use();
    let bases: BTreeSet<u64> = records.iter().map(|(_, base)| *base).filter(|base| *base >= 24).collect();
    let (_, before) = volume.sound();
    // What is said of a file and its streams: names, words, kinds of gaps.
    let said = |swept: &Swept, base: u64| {
        let mut names = 0;
        let mut words = Vec::new();
        for (id, one) in swept.catalog.objects().filter(|(_, one)| one.locator == base) {
            names += swept.catalog.names_of(id).count();
            words.push((one.facts.state(), one.facts.gaps.iter().collect::<BTreeSet<_>>()));
        }
        (names, words)
    };
    let mut damaged = 0;
    for base in &bases {
        let children = records.iter().filter(|(_, other)| other == base);
        let holes: Vec<Range<u64>> = children.map(|(one, _)| volume.place(*one)).collect();
        for with_head in [true, false] {
            let (_, after) = look(volume.name, opened(&volume, &holes, with_head).as_ref());
            let ((were, _), (are, words)) = (said(&before, *base), said(&after, *base));
            let folders_say = after.catalog.objects().any(|(_, one)| {
                one.incomplete.contains(Incomplete::LostNames) || one.incomplete.contains(Incomplete::LostRecords)
            });
            println!("record {base} without its {} further records: {were} → {are} names, {words:?}", holes.len());
            // A word says it, or folders do; or lists have all names again, and nothing else was there.
            let is_loss = words.iter().any(|(state, _)| state.is_loss());
            assert!(is_loss || folders_say || are == were, "record {base}: {words:?}");
            for (state, gaps) in words.iter().filter(|(state, _)| *state == State::Damaged) {
                assert_eq!(*gaps, BTreeSet::from([GapKind::Unplaced]), "record {base}: {state}");
                damaged += 1;
            }
        }
    }
    assert!(bases.len() > 4 && damaged > 0, "{} files, {damaged} damaged", bases.len());
}

/// What is left of a volume without boot sectors, first records and mirror.
fn put_together(volume: &Volume) -> (Seen, Swept) {
    let gone = volume.gone(&[volume.first_records(), volume.mirror()]);
    look(volume.name, open(&unread(volume.bytes.clone(), &gone)).expect("it is opened").as_ref())
}

#[test]
fn what_is_not_shown_to_be_in_force_is_doubtful() {
    // 33: the halves of a record lie in two clusters.
    for name in ["ntfs-c512", "ntfs-mftfrag"] {
        let (seen, _) = put_together(&Volume::of(name));
        assert_eq!((seen.whole, seen.doubtful), (0, seen.files), "{name}");
    }
    // 34: see `records_of_an_earlier_day_are_not_confirmed`.
    // 35: one file was given another size behind its list's back.
    let (seen, _) = put_together(&Volume::of("ntfs-valid"));
    assert_eq!((seen.whole, seen.doubtful), (seen.files - 1, 1));
    // 36: what goes on in other records.
    let volume = Volume::of("ntfs-streams");
    let several: BTreeSet<u64> = volume.in_use().iter().map(|(_, base)| *base).filter(|base| *base >= 24).collect();
    assert!(!several.is_empty());
    let (_, swept) = put_together(&volume);
    for (id, object) in swept.catalog.objects().filter(|(_, one)| one.kind == ObjectKind::File) {
        let unconfirmed = object.facts.distrust.contains(Distrust::RecordUnconfirmed);
        assert_eq!(unconfirmed, several.contains(&object.locator), "{}", swept.catalog.first_path(id));
    }
}

#[test]
fn a_partition_whose_volume_lost_its_boot_sectors_is_opened() {
    let mut tried = 0;
    for name in ["gpt-128", "gpt-4k", "mbr-primary", "mbr-logical"] {
        let sound = volumes::open(&fixture::all_read(name), Default::default()).expect("in memory");
        let files = |volume: &volumes::Volume| {
            let filesystem = volume.filesystem().expect("it is readable");
            let swept = filesystem.sweep(SweepOptions::default(), &Silent).expect("in memory");
            let seen = swept.catalog.objects().map(|(id, one)| (swept.catalog.first_path(id), one.facts.state()));
            (filesystem.facts().label.clone(), seen.collect::<BTreeMap<_, _>>())
        };
        let ntfs = |volume: &&volumes::Volume| volume.filesystem().is_some_and(|one| one.facts().filesystem == "NTFS");
        for volume in sound.volumes.iter().filter(ntfs) {
            let end = volume.start + volume.filesystem().expect("NTFS").facts().total_bytes;
            let gone = [volume.start..volume.start + 512, end..end + 512];
            let source = unread(fixture::image(name), &gone);
            let disk = volumes::open(&source, Default::default()).expect("in memory");
            assert_eq!(files(disk.volume(volume.number).expect("it is listed")), files(volume), "{name}");
            tried += 1;
        }
    }
    assert!(tried >= 8, "{tried}");
}
