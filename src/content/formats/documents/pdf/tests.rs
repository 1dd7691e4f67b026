use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;

use crate::content::formats::documents::testing::{assert_broken, broken_everywhere, opens, sample, verdict};
use crate::content::formats::{Opens, Strength};

fn zlib(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn stream(entries: &str, data: &[u8]) -> Vec<u8> {
    [format!("<<{entries}>>\nstream\n").as_bytes(), data, b"\nendstream"].concat()
}

fn flate(data: &[u8]) -> Vec<u8> {
    let packed = zlib(data);
    stream(&format!("/Length {}/Filter/FlateDecode", packed.len()), &packed)
}

/// A document of objects from 1 on, with what its trailer says besides.
fn document(objects: &[Vec<u8>], trailer: &str) -> Vec<u8> {
    let mut bytes = b"%PDF-1.7\n".to_vec();
    let mut places = Vec::new();
    for (number, object) in objects.iter().enumerate() {
        places.push(bytes.len());
        bytes.extend(format!("{} 0 obj\n", number + 1).bytes());
        bytes.extend(object);
        bytes.extend(b"\nendobj\n");
    }
    let table = bytes.len();
    bytes.extend(format!("xref\n0 {}\n0000000000 65535 f \n", objects.len() + 1).bytes());
    for place in places {
        bytes.extend(format!("{place:010} 00000 n \n").bytes());
    }
    bytes.extend(format!("trailer\n<</Size {}/Root 1 0 R{trailer}>>\n", objects.len() + 1).bytes());
    bytes.extend(format!("startxref\n{table}\n%%EOF\n").bytes());
    bytes
}

fn root() -> Vec<u8> {
    b"<</Type/Catalog/Pages 2 0 R>>".to_vec()
}

fn plain() -> Vec<u8> {
    document(&[root(), b"<</Type/Pages/Kids[]/Count 0>>".to_vec(), flate(b"a hymn, sung in four voices")], "")
}

#[test]
fn a_sound_document_is_decoded() {
    let verdict = verdict("a.pdf", &plain());
    assert_eq!((verdict.opens, verdict.strength), (Opens::Sound, Some(Strength::Decoded)), "{verdict:?}");
    // Readers bear lines before and blanks behind.
    for (before, behind) in [("", "\n\0\0 \n"), ("mail header\r\n\r\n", "")] {
        let bytes = [before.as_bytes(), &plain(), behind.as_bytes()].concat();
        assert_eq!(opens("a.pdf", &bytes), (Opens::Sound, String::new()), "{before}");
    }
    let jpeg = sample("jpeg-small.jpg");
    let picture = stream(&format!("/Length {}/Filter/DCTDecode", jpeg.len()), &jpeg);
    let with_picture = super::check(&crate::content::formats::Subject::new("", &document(&[root(), picture], ""), &()));
    assert_eq!(with_picture.unwrap(), Strength::Decoded);
    let faulty = [&jpeg[..jpeg.len() / 2], &[0; 100], &jpeg[jpeg.len() / 2 + 100..]].concat();
    let picture = stream(&format!("/Length {}/Filter/DCTDecode", faulty.len()), &faulty);
    assert_eq!(opens("a.pdf", &document(&[root(), picture], "")).0, Opens::Broken);
    let no_picture = stream("/Length 6/Filter/DCTDecode", &[0xFF, 0xD8, 1, 2, 0xFF, 0]);
    assert_broken("a.pdf", &document(&[root(), no_picture], ""), "does not end as one");
}

#[test]
fn a_pdf_in_the_midst_of_something_is_none() {
    assert_eq!(opens("script", b"print('%PDF-1.4')").0, Opens::Unchecked);
    assert_eq!(opens("a.emf", b"\x01\0\0\0%PDF-1.4").0, Opens::Unchecked);
}

#[test]
fn what_is_wrong_is_found() {
    let bytes = plain();
    let text = |from: &[u8], to: &[u8]| {
        assert_eq!(from.len(), to.len());
        let at = bytes.windows(from.len()).position(|window| window == from).unwrap();
        [&bytes[..at], to, &bytes[at + from.len()..]].concat()
    };
    assert_broken("a.pdf", &text(b"2 0 obj", b"7 0 obj"), "the object 2 is not where it should be");
    assert_broken("a.pdf", &text(b"endstream", b"xndstream"), "a stream is not as long as it says");
    assert_broken("a.pdf", &text(b"xref\n0 4", b"xreg\n0 4"), "the table of its objects is not where");
    assert_broken("a.pdf", &text(b"%%EOF", b"%%EOG"), "its end is missing");
    assert_broken("a.pdf", &text(b"/Root", b"/Roof"), "where its pages are");
    assert_broken("a.pdf", &text(b"/Kids[]", b"/Kids[)"), "something stands where a value should");
    let data = bytes.windows(6).position(|window| window == b"stream").unwrap() + 7;
    for at in data..data + 30 {
        let mut changed = bytes.clone();
        changed[at] ^= 4;
        assert_eq!(opens("a.pdf", &changed).0, Opens::Broken, "{at}");
    }
    // An object that no table names may be anything; so may what is free.
    assert_eq!(opens("a.pdf", &text(b"00000 n \ntrailer", b"00000 f \ntrailer")).0, Opens::Sound);
    // A newer part that was cut.
    let more = [&bytes[..], b"9 0 obj\n<<>>\nendobj\n"].concat();
    assert_broken("a.pdf", &more, "something follows its end");
}

#[test]
fn circles_end() {
    let bytes = document(&[root()], "");
    let table = bytes.windows(4).position(|window| window == b"xref").unwrap();
    let circle = document(&[root()], &format!("/Prev {table}"));
    assert_broken("a.pdf", &circle, "its tables lead in a circle");
    // A length that is the stream itself, and one that is nothing.
    let itself = document(&[root(), stream("/Length 2 0 R", b"data")], "");
    assert_eq!(opens("a.pdf", &itself).0, Opens::Sound, "the word for its end tells");
    let nothing = document(&[root(), stream("/Length 9 0 R", b"data")], "");
    assert_eq!(opens("a.pdf", &nothing).0, Opens::Sound);
    let by_reference = document(&[root(), stream("/Length 3 0 R", b"data"), b"4".to_vec()], "");
    assert_eq!(opens("a.pdf", &by_reference).0, Opens::Sound);
    let wrong = document(&[root(), stream("/Length 3 0 R", b"data"), b"4000".to_vec()], "");
    assert_broken("a.pdf", &wrong, "a stream is not as long as it says");
    let deep = document(&[root(), [b"[".repeat(500), b"]".repeat(500)].concat()], "");
    assert_broken("a.pdf", &deep, "without end");
}

#[test]
fn streams_of_objects_hold_what_a_table_says() {
    let sound = |index: u32| {
        let inner = b"7 0 8 8 <</A 1>>(text)";
        let packed = zlib(inner);
        let entries = format!("/Type/ObjStm/N 2/First 8/Length {}/Filter/FlateDecode", packed.len());
        let mut bytes = b"%PDF-1.7\n".to_vec();
        let root_at = bytes.len() as u16;
        bytes.extend([b"1 0 obj\n".as_slice(), &root(), b"\nendobj\n"].concat());
        let stream_at = bytes.len() as u16;
        bytes.extend([b"2 0 obj\n".as_slice(), &stream(&entries, &packed), b"\nendobj\n"].concat());
        let table_at = bytes.len();
        let mut rows = Vec::new();
        for (kind, place, index) in
            [(1, root_at, 0), (1, stream_at, 0), (1, table_at as u16, 0), (2, 2, 0), (2, 2, index as u8)]
        {
            rows.extend([kind, (place >> 8) as u8, place as u8, index]);
        }
        let table = zlib(&rows);
        let entries =
            format!("/Type/XRef/W[1 2 1]/Index[1 3 7 2]/Size 9/Root 1 0 R/Length {}/Filter/FlateDecode", table.len());
        bytes.extend([b"3 0 obj\n".as_slice(), &stream(&entries, &table), b"\nendobj\n"].concat());
        bytes.extend(format!("startxref\n{table_at}\n%%EOF").bytes());
        bytes
    };
    assert_eq!(opens("a.pdf", &sound(1)), (Opens::Sound, String::new()));
    assert_broken("a.pdf", &sound(0), "the object 8 is not in the stream where it should be");
}

#[test]
fn what_is_encrypted_is_protected_if_its_structure_is_sound() {
    let objects =
        [root(), stream("/Length 4/Filter/FlateDecode", b"\x01\x02\x03\x04"), b"<</Filter/Standard>>".to_vec()];
    assert_eq!(opens("a.pdf", &document(&objects, "/Encrypt 3 0 R")).0, Opens::Protected);
    assert_eq!(opens("a.pdf", &document(&objects, "")).0, Opens::Broken);
}

#[test]
fn broken_anywhere_nothing_panics() {
    for (name, step) in [("fpdf.pdf", 11), ("linearized.pdf", 13), ("small objects.pdf", 7)] {
        let bytes = sample(name);
        let (cuts, _) = broken_everywhere(name, &bytes, step);
        assert_eq!(cuts, 0, "{name}");
    }
}
