use std::sync::Arc;

use super::*;
use crate::filesystem::fat::structures::Width;
use crate::image::MemoryImage;
use crate::source::Damage;

/// An entry as the specification lays it out.
fn entry(name: &[u8; 11], attributes: u8) -> Vec<u8> {
    let mut bytes = vec![0; 32];
    bytes[..11].copy_from_slice(name);
    bytes[11] = attributes;
    bytes[0x18..0x1a].copy_from_slice(&0x3a6e_u16.to_le_bytes());
    bytes[0x1a] = 3;
    bytes
}

/// The pieces of a long name before its entry.
fn long(name: &str, of: &[u8; 11]) -> Vec<u8> {
    let mut units: Vec<u16> = name.encode_utf16().collect();
    let count = units.len().div_ceil(13);
    if !units.len().is_multiple_of(13) {
        units.push(0);
    }
    units.resize(count * 13, 0xffff);
    let mut bytes = Vec::new();
    for order in (1..=count).rev() {
        let mut piece = vec![0; 32];
        piece[0] = u8::try_from(order).unwrap() | if order == count { 0x40 } else { 0 };
        piece[11] = 0x0f;
        piece[13] = checksum(of);
        let places = [1, 3, 5, 7, 9, 14, 16, 18, 20, 22, 24, 28, 30];
        for (unit, place) in units[(order - 1) * 13..order * 13].iter().zip(places) {
            piece[place..place + 2].copy_from_slice(&unit.to_le_bytes());
        }
        bytes.extend(piece);
    }
    bytes
}

fn read_with(bytes: &[u8], damage: &[Damage], deleted: bool) -> (Listing, Findings) {
    let mut image = bytes.to_vec();
    image.resize(bytes.len().next_multiple_of(512), 0);
    let source = Source::without_map(Arc::new(MemoryImage::new(image))).with_damage(damage);
    let block = Block::read(&source, [(0, source.length())]).unwrap();
    let mut findings = Findings::default();
    let reading = Reading { codepage: CodePage::default(), deleted };
    let listing = read(&source, &block, reading, &mut findings);
    (listing, findings)
}

fn names(listing: &Listing) -> Vec<String> {
    listing.live.iter().map(|named| String::from_utf16(&named.name).unwrap()).collect()
}

const QUICK: &[u8; 11] = b"THEQUI~1FOX";

#[test]
fn long_names_stand_before_their_entry() {
    let bytes = [
        entry(b"CHOIR      ", 0x08),
        long("The quick brown.fox", QUICK),
        entry(QUICK, 0x20),
        long("thirteenchars", b"THIRTE~1   "),
        entry(b"THIRTE~1   ", 0x20),
        entry(b"PLAIN   TXT", 0x20),
    ]
    .concat();
    let (listing, findings) = read_with(&bytes, &[], false);
    assert_eq!(names(&listing), ["The quick brown.fox", "thirteenchars", "PLAIN.TXT"]);
    assert_eq!(listing.live.iter().map(|named| named.offset).collect::<Vec<_>>(), [96, 160, 192]);
    assert!(listing.ended && !listing.unsound && !listing.partly_read && findings.is_empty());
    assert_eq!(listing.label, Some(*b"CHOIR      "));
    assert_eq!(listing.live[0].entry.first_cluster(Width::Fat16), 3);
}

#[test]
fn orphans_are_found_and_spoil_the_list() {
    let sound = long("The quick brown.fox", QUICK);
    for (what, bytes) in [
        ("no entry at all", sound.clone()),
        ("another entry", [sound.clone(), entry(b"OTHER   TXT", 0x20)].concat()),
        ("its first piece is gone", [sound[32..].to_vec(), entry(QUICK, 0x20)].concat()),
        ("its last piece is gone", [sound[..32].to_vec(), entry(QUICK, 0x20)].concat()),
        ("a label", [sound.clone(), entry(b"CHOIR      ", 0x08)].concat()),
        ("the next name", [sound.clone(), sound, entry(QUICK, 0x20)].concat()),
    ] {
        let (listing, findings) = read_with(&bytes, &[], false);
        assert_eq!((findings.count(FindingKind::LongNameOrphaned), listing.unsound), (1, true), "{what}");
    }
}

#[test]
fn what_lies_in_a_hole_is_said_and_the_end_mark_ends() {
    let mut bytes = [long("The quick brown.fox", QUICK), entry(QUICK, 0x20)].concat();
    // The name's end stands in the first sector, its entry in the second.
    let before: Vec<u8> = (0..14).flat_map(|_| entry(b"PLAIN   TXT", 0x20)).collect();
    bytes.splice(0..0, before);
    let (listing, _) = read_with(&bytes, &[Damage::unread(512..1024)], false);
    assert!(listing.partly_read && !listing.ended);
    assert_eq!(listing.only_named, [(512, "The quick brown.fox".encode_utf16().collect())]);
    let (listing, findings) = read_with(&bytes, &[Damage::unread(0..512)], false);
    assert_eq!((names(&listing), listing.partly_read), (vec!["THEQUI~1.FOX".to_string()], true));
    assert_eq!(findings.count(FindingKind::LongNameLost), 0, "that it had one can't be known");
    // Behind the end mark, a hole costs nothing.
    let short = entry(b"PLAIN   TXT", 0x20);
    let mut bytes = short.clone();
    bytes.resize(1024, 0);
    let (listing, _) = read_with(&bytes, &[Damage::unread(512..1024)], false);
    assert!(listing.ended && !listing.partly_read && names(&listing).len() == 1);
    // An entry there does.
    bytes[512..544].copy_from_slice(&short);
    let (listing, findings) = read_with(&bytes, &[], false);
    assert_eq!((listing.unsound, findings.count(FindingKind::FolderListLong)), (true, 1));
}

#[test]
fn a_name_whose_first_pieces_are_lost_is_short() {
    // Two pieces at the end of one sector would be lost with it; the third stands in the next one.
    let name = "A very long name of a song, sung.txt";
    let bytes = [long(name, b"AVERYL~1TXT"), entry(b"AVERYL~1TXT", 0x20)].concat();
    let before: Vec<u8> = (0..14).flat_map(|_| entry(b"PLAIN   TXT", 0x20)).collect();
    let (listing, findings) = read_with(&[before, bytes].concat(), &[Damage::unread(0..512)], false);
    assert_eq!((names(&listing), listing.unsound), (vec!["AVERYL~1.TXT".to_string()], false));
    assert_eq!(findings.count(FindingKind::LongNameLost), 1);
    assert!(listing.live[0].distrust.is_empty());
}

#[test]
fn deleted_entries_get_their_first_letter_from_the_sum() {
    let mut bytes = [long("The quick brown.fox", QUICK), entry(QUICK, 0x20), entry(b"PLAIN   TXT", 0x20)].concat();
    for slot in [0, 32, 64, 96] {
        bytes[slot] = 0xe5;
    }
    let (listing, findings) = read_with(&bytes, &[], true);
    let gone: Vec<String> = listing.deleted.iter().map(|named| String::from_utf16(&named.name).unwrap()).collect();
    assert_eq!(gone, ["The quick brown.fox", "?LAIN.TXT"]);
    assert!(listing.live.is_empty() && findings.is_empty());
    // Without its long name's units there is the short name, whole again.
    bytes[33..43].fill(0);
    bytes[1..11].fill(0);
    let (listing, _) = read_with(&bytes, &[], true);
    assert_eq!(String::from_utf16(&listing.deleted[0].name).unwrap(), "THEQUI~1.FOX");
    let (listing, _) = read_with(&bytes, &[], false);
    assert!(listing.deleted.is_empty());
}

#[test]
fn garbage_is_no_file() {
    let (listing, _) = read_with(&entry(b"\x01\x02\x03      \x04 ", 0xff), &[], false);
    assert!(listing.live.is_empty() && listing.unsound);
    // One of both may be a mistake of some device: the file is shown, and not trusted.
    let (listing, _) = read_with(&entry(b"PLAIN   TXT", 0x60), &[], false);
    assert!(listing.live[0].distrust.contains(Distrust::RecordInconsistent));
    let (listing, _) = read_with(&entry(b"PL:IN   TXT", 0x20), &[], false);
    assert!(listing.live[0].distrust.contains(Distrust::RecordInconsistent));
    // A sound long name vouches for an entry whose own name can't be one.
    let odd = b"T:ST_E~1PFI";
    let (listing, _) = read_with(&[long("test.PFILE", odd), entry(odd, 0x20)].concat(), &[], false);
    assert!(listing.live[0].distrust.is_empty() && !listing.unsound);
}

#[test]
fn dot_entries_stand_first_or_nowhere() {
    let dots = [entry(b".          ", 0x10), entry(b"..         ", 0x10)].concat();
    let (listing, findings) = read_with(&dots, &[], false);
    assert!(listing.dots.iter().all(Option::is_some) && listing.live.is_empty() && findings.is_empty());
    let (listing, findings) = read_with(&[entry(b"PLAIN   TXT", 0x20), dots].concat(), &[], false);
    assert_eq!((listing.live.len(), findings.count(FindingKind::FolderDotsBad), listing.unsound), (1, 2, true));
}
