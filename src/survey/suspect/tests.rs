use super::list::{self, Blank};
use super::*;

fn suspect(address: &str, path: &str, kind: FileKind, stretches: &[(Position, Weight)]) -> Suspect {
    let stretches = stretches.iter().map(|(position, weight)| Stretch {
        start: 4096,
        length: 8192,
        position: *position,
        weight: *weight,
        pieces: vec![
            Piece { file_start: 4096, length: 4096, image_start: 1 << 20, fill: Fill::Zeros },
            Piece { file_start: 8192, length: 4096, image_start: 3 << 20, fill: Fill::FileHole },
        ],
    });
    Suspect {
        volume: 2,
        address: address.into(),
        path: path.into(),
        kind,
        size: 20_000,
        stretches: stretches.collect(),
    }
}

fn some() -> Vec<Suspect> {
    use Position::{All, End, Middle};
    use Weight::{Likely, Possible};
    vec![
        suspect("record:68", "/a.jpg", FileKind::Pictures, &[(Middle, Likely), (End, Possible)]),
        suspect("record:69", "/b, \"c\"\n\u{202e}\\.jpg", FileKind::Pictures, &[(End, Possible)]),
        suspect("record:70:a,b", "/d.bmp", FileKind::Pictures, &[(Middle, Possible)]),
        suspect("record:71", "/e.doc", FileKind::Documents, &[(All, Possible)]),
    ]
}

fn read(text: &str, length: u64) -> crate::Result<list::Listed> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("disk.suspect.csv");
    crate::testing::write_file(&path, text.as_bytes());
    list::read(&path, length)
}

#[test]
fn a_list_comes_back_by_kind() {
    let text = list::to_csv(1 << 30, true, &some());
    assert_eq!(text.lines().count(), 4 + 2 * 5, "{text}");
    assert!(text.contains(r#","/b, ""c""\u{000A}\u{202E}\\.jpg""#), "{text}");
    let listed = read(&text, 1 << 30).unwrap();
    assert!(listed.whole);
    let kinds = &listed.volumes[&2];
    assert_eq!(kinds[&FileKind::Pictures], Blank { files: 3, likely: 1, all_blank: 0, end_blank: 1 });
    assert_eq!(kinds[&FileKind::Documents], Blank { files: 1, likely: 0, all_blank: 1, end_blank: 0 });
    assert!(!read(&list::to_csv(9, false, &[]), 9).unwrap().whole);
}

#[test]
fn what_is_no_list_is_said_with_its_line() {
    let text = list::to_csv(1 << 30, true, &some());
    let error = |text: &str, length| read(text, length).unwrap_err().to_string();
    assert!(error(&text, 1 << 29).contains("line 4: it is not of an image of 536870912 bytes"));
    assert!(error("street,town\n", 1).contains("line 1"));
    assert!(error("", 1).contains("line 1"));
    assert!(error(&text.lines().take(3).collect::<Vec<_>>().join("\n"), 1 << 30).contains("cut short"));
    for wrong in [
        "2,record:1,pictures,likely,middle,zeros,1,2",
        "2,record:1,painting,likely,middle,zeros,1,2,3,/a",
        "2,record:1,pictures,surely,middle,zeros,1,2,3,/a",
        "2,record:1,pictures,likely,middle,zeros,one,2,3,/a",
        "2,record:1,pictures,likely,middle,zeros,1,2,3,\"/a",
        "2,record:1,pictures,likely,middle,zeros,1,2,3,\"/a\"b",
        "99999999999,record:1,pictures,likely,middle,zeros,1,2,3,/a",
    ] {
        assert!(error(&format!("{text}{wrong}\n"), 1 << 30).contains("line 15"), "{wrong}");
    }
}
