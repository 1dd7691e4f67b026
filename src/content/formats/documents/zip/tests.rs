use std::io::Write;

use flate2::Compression;
use flate2::write::DeflateEncoder;

use crate::content::formats::documents::testing::{assert_broken, broken_everywhere, opens, sample, verdict};
use crate::content::formats::{Opens, Strength};

/// A member to be written.
#[derive(Clone)]
struct Part {
    name: &'static str,
    flags: u16,
    method: u16,
    crc: u32,
    size: u32,
    data: Vec<u8>,
}

fn stored(name: &'static str, data: &[u8]) -> Part {
    Part { name, flags: 0, method: 0, crc: crc32fast::hash(data), size: data.len() as u32, data: data.to_vec() }
}

fn deflated(name: &'static str, data: &[u8]) -> Part {
    let mut encoder = DeflateEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(data).unwrap();
    Part { method: 8, data: encoder.finish().unwrap(), ..stored(name, data) }
}

/// The fields that a header and an entry share.
fn shared(part: &Part) -> Vec<u8> {
    let mut bytes = Vec::new();
    for short in [part.flags, part.method, 0, 0] {
        bytes.extend(short.to_le_bytes());
    }
    for long in [part.crc, part.data.len() as u32, part.size] {
        bytes.extend(long.to_le_bytes());
    }
    bytes.extend((part.name.len() as u16).to_le_bytes());
    bytes.extend([0; 2]);
    bytes
}

fn header(part: &Part) -> Vec<u8> {
    [b"PK\x03\x04\x14\0", shared(part).as_slice(), part.name.as_bytes()].concat()
}

fn entry(part: &Part, at: usize) -> Vec<u8> {
    let at = (at as u32).to_le_bytes();
    [b"PK\x01\x02\x14\0\x14\0", shared(part).as_slice(), &[0; 10], &at, part.name.as_bytes()].concat()
}

fn end(count: u16, length: usize, start: usize) -> Vec<u8> {
    let counts = [count.to_le_bytes(), count.to_le_bytes()].concat();
    let places = [(length as u32).to_le_bytes(), (start as u32).to_le_bytes()].concat();
    [b"PK\x05\x06\0\0\0\0", counts.as_slice(), &places, &[0, 0]].concat()
}

/// An archive, and where its list begins.
fn archive(parts: &[Part]) -> (Vec<u8>, usize) {
    let (mut bytes, mut list) = (Vec::new(), Vec::new());
    for part in parts {
        list.extend(entry(part, bytes.len()));
        bytes.extend(header(part));
        bytes.extend(&part.data);
    }
    let start = bytes.len();
    bytes.extend(&list);
    bytes.extend(end(parts.len() as u16, list.len(), start));
    (bytes, start)
}

fn two() -> (Vec<u8>, usize) {
    archive(&[stored("alto.txt", b"hello"), deflated("bass.txt", &[b'x'; 3000])])
}

#[test]
fn a_sound_archive_is_proven_by_its_checksums() {
    let (bytes, _) = two();
    let verdict = verdict("songs.zip", &bytes);
    assert_eq!((verdict.opens, verdict.strength), (Opens::Sound, Some(Strength::Checksum)), "{verdict:?}");
    assert_eq!(opens("empty.zip", &end(0, 0, 0)).0, Opens::Sound);
    // Bytes before and behind, and a comment that looks like an end.
    let behind = [&bytes[..], b"\0\0\0"].concat();
    assert_eq!(opens("songs.zip", &behind).0, Opens::Sound);
    let marked = [b"PK00", &bytes[..]].concat();
    assert_eq!(opens("songs.zip", &marked).0, Opens::Sound);
    let mut comment = bytes.clone();
    let at = comment.len() - 2;
    comment[at] = 30;
    comment.extend([b"PK\x05\x06".as_slice(), &[9; 26]].concat());
    assert_eq!(opens("songs.zip", &comment), (Opens::Sound, String::new()));
}

#[test]
fn no_cut_and_no_change_of_a_members_bytes_is_missed() {
    let (bytes, list) = two();
    for length in 1..bytes.len() {
        assert_eq!(opens("songs.zip", &bytes[..length]).0, Opens::Broken, "{length}");
    }
    // Behind the headers of 30 bytes and 8 letters; of the last byte some bits fill up.
    for at in (38..43).chain(81..list - 1) {
        let mut changed = bytes.clone();
        changed[at] ^= 0x10;
        assert_eq!(opens("songs.zip", &changed).0, Opens::Broken, "{at}");
    }
    for name in ["letter.odt", "songs.epub"] {
        let (cuts, _) = broken_everywhere(name, &sample(name), 5);
        assert_eq!(cuts, 0, "{name}");
    }
}

#[test]
fn what_a_cut_archive_still_has_is_said() {
    let (bytes, list) = two();
    assert_broken("songs.zip", &bytes[..list], "the list at its end is missing; 2 of its files are whole, up to byte");
    assert_broken("songs.zip", &bytes[..50], "one file in it is whole, up to byte 43");
    assert_broken("songs.zip", &bytes[..40], "none of its files was found whole");
    // Sizes behind the data.
    let mut streamed = deflated("alto.txt", &[b'x'; 500]);
    let (crc, size) = (streamed.crc, streamed.size);
    let packed = streamed.data.len() as u32;
    (streamed.flags, streamed.crc, streamed.size) = (8, 0, 0);
    let head = header(&Part { data: Vec::new(), ..streamed.clone() });
    let behind = [b"PK\x07\x08".as_slice(), &crc.to_le_bytes(), &packed.to_le_bytes(), &size.to_le_bytes()].concat();
    let bytes = [head, streamed.data, behind].concat();
    assert_broken("songs.zip", &bytes, &format!("one file in it is whole, up to byte {}", bytes.len()));
}

#[test]
fn more_than_one_broken_member_is_counted() {
    let (mut bytes, list) = two();
    bytes[40] ^= 1;
    assert_broken("songs.zip", &bytes, "alto.txt, a file in it, contradicts its checksum");
    bytes[list - 3] ^= 0xFF;
    assert_broken("songs.zip", &bytes, "2 of the 2 files in it are broken");
}

#[test]
fn bombs_end_soon() {
    let mut zeros = deflated("zeros", &vec![0; 1_000_000]);
    zeros.size = 0xFFFF_FFFE;
    let (bytes, _) = archive(&vec![zeros; 3]);
    // What is promised is counted before anything is unpacked; the first one is not what it promises.
    assert_broken("bomb.zip", &bytes, "contradicts its checksum");
    let mut longer = deflated("zeros", &vec![0; 1_000_000]);
    longer.size = 10;
    assert_broken("bomb.zip", &archive(&[longer]).0, "unpacks to more than it says");
    // 10 GB, as a 64-bit size says it.
    let ten = 10_000_000_000_u64;
    let part = deflated("zeros", &[0; 1000]);
    let extra = [&1_u16.to_le_bytes()[..], &8_u16.to_le_bytes(), &ten.to_le_bytes()].concat();
    let wide = Part { size: u32::MAX, ..part };
    let widen = |mut bytes: Vec<u8>, extra_at: usize| {
        bytes[extra_at] = extra.len() as u8;
        [bytes, extra.clone()].concat()
    };
    let head = widen(header(&wide), 28);
    let start = head.len() + wide.data.len();
    let list = widen(entry(&wide, 0), 30);
    let bytes = [head, wide.data.clone(), list.clone(), end(1, list.len(), start)].concat();
    let (word, why) = opens("bomb.zip", &bytes);
    assert_eq!((word, why.as_str()), (Opens::Unchecked, "it unpacks to more than an honest file holds"));
}

#[test]
fn members_that_share_bytes_are_noticed() {
    let part = stored("a", b"hello");
    let body = [header(&part), part.data.clone()].concat();
    let list = [entry(&part, 0), entry(&part, 0)].concat();
    let bytes = [body.clone(), list.clone(), end(2, list.len(), body.len())].concat();
    assert_broken("twice.zip", &bytes, "has no header");
    let longer = Part { data: vec![b'x'; 60], size: 60, crc: crc32fast::hash(&[b'x'; 60]), ..part };
    let body = [header(&longer), header(&stored("b", b"x")), vec![b'x'; 60]].concat();
    let list = [entry(&longer, 0), entry(&stored("b", b"x"), 31)].concat();
    let bytes = [body.clone(), list.clone(), end(2, list.len(), body.len())].concat();
    assert_broken("overlap.zip", &bytes, "reaches into the next one");
}

#[test]
fn a_header_that_contradicts_the_list_is_noticed() {
    let (bytes, list) = two();
    // In the first header: method, checksum, packed size, size, name.
    for at in [8, 14, 18, 22, 30] {
        let mut changed = bytes.clone();
        changed[at] ^= 1;
        assert_broken("songs.zip", &changed, "alto.txt, a file in it, contra".split("contra").next().unwrap());
    }
    let mut counted = bytes.clone();
    let at = counted.len() - 12;
    counted[at] = 3;
    assert_broken("songs.zip", &counted, "2 files, and 3 are promised");
    let mut lost = bytes;
    lost[list] = 0;
    assert_broken("songs.zip", &lost, "the list");
}

#[test]
fn what_cannot_be_read_is_said() {
    let mut locked = stored("a", b"hello");
    locked.flags = 1;
    assert_eq!(opens("a.zip", &archive(&[locked.clone()]).0).0, Opens::Protected);
    let mut other = stored("b", b"hello");
    other.method = 12;
    let (word, why) = opens("a.zip", &archive(&[other]).0);
    assert!(word == Opens::Unchecked && why.contains("method 12"), "{why}");
    // What is broken beside it counts more.
    let mut wrong = stored("b", b"hello");
    wrong.crc ^= 1;
    assert_eq!(opens("a.zip", &archive(&[locked, wrong]).0).0, Opens::Broken);
}

#[test]
fn a_document_is_more_than_an_archive() {
    let (plain, _) = two();
    for name in ["a.docx", "a.xlsx", "a.pptx", "a.odt", "a.epub", "a.xps", "a.kmz", "a.mscz", "a.pages"] {
        assert_broken(name, &plain, "it is an archive without");
    }
    let document = sample("small.docx");
    assert_eq!(opens("a.docx", &document).0, Opens::Sound);
    assert_eq!(opens("a.zip", &document).0, Opens::Sound);
    let named = |name: &str| (verdict(name, &document).opens, verdict(name, &document).format);
    for name in ["a.xlsx", "a.doc", "a.odt"] {
        assert_eq!(named(name), (Opens::Mislabelled, Some("Word document")), "{name}");
    }
    assert_eq!(named("a.unknown"), (Opens::Sound, Some("Word document")));
    let protected = sample("protected members.xlsx");
    assert_eq!(opens("a.xlsx", &protected).0, Opens::Protected);
    // A table of before 2007 under the new ending.
    let old = verdict("a.xlsx", &sample("voices.xls"));
    assert_eq!((old.opens, old.format), (Opens::Mislabelled, Some("Excel 97 table")));
}

#[test]
fn an_encrypted_open_document_is_protected() {
    let manifest = b"<manifest><file-entry><encryption-data/></file-entry></manifest>";
    let parts = [
        stored("mimetype", b"application/vnd.oasis.opendocument.text"),
        deflated("content.xml", b"noise"),
        deflated("META-INF/manifest.xml", manifest),
    ];
    let (bytes, _) = archive(&parts);
    assert_eq!(opens("a.odt", &bytes).0, Opens::Protected);
    assert_eq!(verdict("a.ods", &bytes).opens, Opens::Mislabelled);
    let parts = [stored("mimetype", b"application/vnd.oasis.opendocument.text"), stored("content.xml", b"x")];
    assert_broken("a.odt", &archive(&parts).0, "without what makes it an OpenDocument text");
}
