//! A volume that was made over an older one of another format, with the heads of both in holes. The older one's structures
//! may look perfectly sound, while the newer one's files lie in its clusters: nothing may be called whole.

mod common;

use std::ops::Range;

use common::edit::any;
use common::fixture;
use common::headless::unread;
use handback::catalog::{FindingKind, State};
use handback::filesystem::SweepOptions;
use handback::progress::Silent;
use handback::source::Source;

/// An NTFS volume with the beginning of another one over it.
fn over(old: &str, new: &str, length: usize) -> Vec<u8> {
    let mut bytes = fixture::image(old);
    let new = fixture::image(new);
    bytes[..length].copy_from_slice(&new[..length]);
    bytes
}

/// Files, how many of them are called whole, and whether the layout is said to be doubtful.
fn seen(source: &Source) -> Option<(usize, usize, bool)> {
    let volume = any(source)?;
    let swept = volume.sweep(SweepOptions::default(), &Silent).expect("in memory");
    let states: Vec<State> =
        swept.catalog.objects().filter(|(_, object)| object.size > 0).map(|(_, object)| object.facts.state()).collect();
    let whole = states.iter().filter(|state| **state == State::Whole).count();
    Some((states.len(), whole, volume.findings().count(FindingKind::GeometryDoubtful) > 0))
}

/// The cluster where this volume's file table begins, in bytes: up to there a newer volume leaves all its records.
const TABLE_OF_C64K: usize = 4 * 65_536;

/// Newer volumes over the start of an NTFS volume, and where their boot sectors and the copies of those stand.
fn pairs() -> impl Iterator<Item = (&'static str, Vec<u8>, Range<u64>)> {
    let newer = [("fat16", 0..512), ("exfat-c512", 0..24 * 512), ("exfat-c4k", 0..24 * 512)];
    newer.into_iter().map(|(new, heads)| (new, over("ntfs-c64k", new, TABLE_OF_C64K), heads))
}

#[test]
fn an_older_ntfs_backup_at_the_end_vouches_for_nothing() {
    let all = seen(&unread(fixture::image("ntfs-c64k"), &[0..512])).expect("by its backup");
    assert!(all.0 > 50 && all.1 == all.0 && !all.2, "alone it vouches for everything: {all:?}");
    for (new, bytes, heads) in pairs() {
        let (files, whole, doubtful) = seen(&unread(bytes, &[heads])).expect("by its backup");
        assert_eq!((whole, doubtful), (0, true), "{new}, {files} files");
    }
}

#[test]
fn two_formats_without_heads_vouch_for_nothing() {
    for (new, bytes, heads) in pairs() {
        let length = bytes.len() as u64;
        let (files, whole, doubtful) = seen(&unread(bytes, &[heads, length - 512..length])).expect("by what is left");
        assert_eq!((whole, doubtful), (0, true), "{new}, {files} files");
    }
}

#[test]
fn an_older_exfat_backup_vouches_for_nothing_where_fat32_was_made_over_it() {
    // FAT32 has its boot sectors in sectors 0 to 8 and its first table from sector 32 on; exFAT's backup stands between,
    // in sectors 12 to 23, and making FAT32 leaves it alone. Of a large card, exFAT's own table and root stand so far
    // back that FAT32's tables don't reach them; of this small one they are kept.
    let (old, new) = (fixture::image("exfat-c4k"), fixture::image("fat32"));
    let alone = seen(&unread(old.clone(), &[0..12 * 512])).expect("by its backup");
    assert!(alone.0 > 500 && alone.1 == alone.0 && !alone.2, "alone it vouches for everything: {alone:?}");
    let mut bytes = old;
    // Boot sectors, the first table up to exFAT's, the second table, and the clusters with folders and files.
    for range in [0..12 * 512, 32 * 512..64 * 512, 284_160..640_000] {
        bytes[range.clone()].copy_from_slice(&new[range]);
    }
    let (files, whole, doubtful) = seen(&unread(bytes, &[0..12 * 512])).expect("by what is left");
    assert!(files > 50 && whole == 0 && doubtful, "{files} files, {whole} whole, {doubtful}");
}

#[test]
fn fat32_that_was_only_just_made_is_shown_by_its_two_tables() {
    let (old, new) = (fixture::image("exfat-c4k"), fixture::image("fat32"));
    let mut bytes = old;
    // No folder and no file is there yet.
    for range in [0..12 * 512, 32 * 512..33 * 512, 284_160..284_672] {
        bytes[range.clone()].copy_from_slice(&new[range]);
    }
    let (files, whole, doubtful) = seen(&unread(bytes, &[0..12 * 512])).expect("by the backup");
    assert!(files > 50 && whole == 0 && doubtful, "{files} files, {whole} whole, {doubtful}");
}

/// A drive with one partition of a type, which holds a volume.
fn drive(volume: &[u8], kind: u8) -> Vec<u8> {
    const START: usize = 2048;
    let mut bytes = vec![0; START * 512];
    bytes.extend(volume);
    bytes.resize(bytes.len() + (1 << 20), 0);
    bytes[0x1be + 4] = kind;
    bytes[0x1be + 8..0x1be + 12].copy_from_slice(&(START as u32).to_le_bytes());
    bytes[0x1be + 12..0x1be + 16].copy_from_slice(&(volume.len() as u32 / 512).to_le_bytes());
    bytes[0x1fe..0x200].copy_from_slice(&[0x55, 0xaa]);
    bytes
}

#[test]
fn a_backup_alone_vouches_for_nothing_in_a_partition_of_another_type() {
    // `sfdisk --list-types`: 7 is NTFS and exFAT, 0b FAT32, 83 Linux. What Linux keeps there may lie in a hole, too.
    let first = 1 << 20;
    for (name, boots, own) in [("ntfs-c64k", 512, 0x07), ("fat32", 512, 0x0b), ("exfat-c4k", 12 * 512, 0x07)] {
        let volume = fixture::image(name);
        for (kind, trusted) in [(own, true), (0x83, false)] {
            let source = unread(drive(&volume, kind), &[first..first + boots]);
            let disk = handback::volumes::open(&source, Default::default()).expect("in memory");
            let filesystem = disk.volumes[0].filesystem().expect("by its backup");
            let swept = filesystem.sweep(SweepOptions::default(), &Silent).expect("in memory");
            let files = swept.catalog.objects().filter(|(_, object)| object.size > 0);
            let whole = files.filter(|(_, object)| object.facts.state() == State::Whole).count();
            assert_eq!(whole > 50, trusted, "{name}, type {kind:#x}: {whole} whole");
            assert!(trusted || whole == 0, "{name}: {whole} whole");
        }
    }
}
