use std::sync::Arc;

use super::*;
use crate::sector_map::{DoubtReason, Extent, Numbers};
use crate::testing::write_file;

const LENGTH: u64 = 8192;

/// A folder with an image of zeros and, beside it, a map.
struct Shop {
    folder: tempfile::TempDir,
    image: Arc<dyn Image>,
}

impl Shop {
    fn new(image_name: &str, files: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(image_name);
        write_file(&path, &[0; LENGTH as usize]);
        for (name, text) in files {
            write_file(&folder.path().join(name), text.as_bytes());
        }
        Self { image: crate::image::open(&[&path]).unwrap(), folder }
    }

    fn open(&self, request: &MapRequest) -> Result<OpenedMap> {
        open(self.image.as_ref(), request)
    }

    fn named(&self, name: &str) -> MapRequest {
        MapRequest { file: MapChoice::Named(self.folder.path().join(name)), ..MapRequest::default() }
    }
}

fn own(length: u64, rows: &str) -> String {
    format!("# handback sector map 1\n# image-length: {length}\nstart,length,state\n{rows}")
}

fn columns() -> ColumnImport {
    ColumnImport {
        start: 1,
        extent: Extent::Length(2),
        state: Some(3),
        only_state: ByteState::Unread,
        words: [("fine".to_string(), ByteState::Read), ("gone".to_string(), ByteState::Unread)].into(),
        numbers: Numbers::Decimal,
        unit: 512,
        separator: None,
        comment: None,
        skip: 0,
        rest: None,
    }
}

#[test]
fn a_map_beside_the_image_is_picked_up() {
    let rows = own(LENGTH, "0,4096,read\n4096,512,unread\n4608,3584,read\n");
    for image_name in ["disk.img", "disk.001", "disk"] {
        let shop = Shop::new(image_name, &[("disk.map.csv", &rows)]);
        let opened = shop.open(&MapRequest::default()).unwrap();
        assert_eq!((opened.origin, opened.basis()), (MapOrigin::Beside, Some(Basis::Full)));
        assert_eq!(opened.path, Some(shop.folder.path().join("disk.map.csv")));
        assert_eq!(opened.map.total(ByteState::Unread), 512);
        assert_eq!((opened.doubt.as_ref(), opened.is_asserted()), (None, false));

        let ignored = shop.open(&MapRequest { file: MapChoice::Ignored, ..MapRequest::default() }).unwrap();
        assert_eq!((ignored.origin, ignored.basis()), (MapOrigin::None, None));
        assert_eq!(ignored.map.total(ByteState::Unknown), LENGTH);
    }
}

#[test]
fn no_map_is_nobodys_word() {
    let shop = Shop::new("disk.img", &[("other.map.csv", "")]);
    let opened = shop.open(&MapRequest::default()).unwrap();
    assert_eq!((opened.origin, opened.path, opened.map), (MapOrigin::None, None, SectorMap::none(LENGTH)));
}

#[test]
fn the_user_can_speak_for_the_whole_image_but_not_by_accident() {
    let shop = Shop::new("disk.img", &[]);
    let mut request = MapRequest { rest: Some(ByteState::Read), ..MapRequest::default() };
    assert!(shop.open(&request).unwrap_err().to_string().contains("--no-map"));
    request.file = MapChoice::Ignored;
    let opened = shop.open(&request).unwrap();
    assert!(opened.is_asserted());
    assert_eq!(opened.map.total(ByteState::Read), LENGTH);
}

#[test]
fn a_picked_up_file_that_is_no_map_says_how_to_go_on() {
    let shop = Shop::new("disk.img", &[("disk.map.csv", "town,people\n")]);
    let message = shop.open(&MapRequest::default()).unwrap_err().to_string();
    assert!(message.contains("disk.map.csv") && message.contains("--no-map"), "{message}");
    let shop = Shop::new("disk.img", &[("disk.map.csv", &own(LENGTH, "0,1,good\n"))]);
    let message = shop.open(&MapRequest::default()).unwrap_err().to_string();
    assert!(message.contains("line 4") && message.contains("--no-map"), "{message}");
    // A form that was described for another file is not tried on it.
    let request = MapRequest { form: MapForm::BadSectors { sector: 512 }, ..MapRequest::default() };
    assert!(shop.open(&request).is_err());
}

#[test]
fn a_missing_map_that_was_named_is_an_error() {
    let shop = Shop::new("disk.img", &[]);
    assert!(matches!(shop.open(&shop.named("none.csv")), Err(Error::Io { .. })));
    assert!(matches!(shop.open(&shop.named(".")), Err(Error::Usage(_))));
}

#[test]
fn text_of_windows_editors_is_read_and_other_text_is_named() {
    let text = format!("\u{FEFF}{}", own(LENGTH, "0,8192,read\n").replace('\n', "\r\n"));
    let shop = Shop::new("disk.img", &[("a.csv", &text)]);
    assert_eq!(shop.open(&shop.named("a.csv")).unwrap().map.total(ByteState::Read), LENGTH);
    let utf16: Vec<u8> = "\u{FEFF}12".encode_utf16().flat_map(u16::to_le_bytes).collect();
    write_file(&shop.folder.path().join("b.csv"), &utf16);
    assert!(shop.open(&shop.named("b.csv")).unwrap_err().to_string().contains("UTF-8"));
}

#[test]
fn a_doubted_map_loses_its_good_word_until_it_is_accepted() {
    let shop = Shop::new("disk.img", &[("long.csv", &own(LENGTH + 512, "0,512,unread\n512,8192,read\n"))]);
    let mut request = shop.named("long.csv");
    let doubted = shop.open(&request).unwrap();
    let doubt = doubted.doubt.unwrap();
    assert_eq!(doubt.reasons, [DoubtReason::Length { map: LENGTH + 512, image: LENGTH }]);
    assert!(!doubt.accepted);
    assert_eq!(doubted.map.total(ByteState::Read), 0);
    assert_eq!(doubted.map.count(0..512, ByteState::Unread), 512);

    request.accept = true;
    let accepted = shop.open(&request).unwrap();
    assert!(accepted.doubt.unwrap().accepted);
    assert_eq!(accepted.map.total(ByteState::Read), 8192);
    assert_eq!(accepted.map.fitted(LENGTH).count(LENGTH..LENGTH + 512, ByteState::Unreached), 512);
}

#[test]
fn bytes_that_only_the_image_has_are_unreached_accepted_or_not() {
    let shop = Shop::new("disk.img", &[("short.csv", &own(4096, "0,4096,read\n"))]);
    for accept in [false, true] {
        let opened = shop.open(&MapRequest { accept, ..shop.named("short.csv") }).unwrap();
        assert!(opened.doubt.is_some());
        assert_eq!(opened.map.fitted(LENGTH).count(4096..LENGTH, ByteState::Unreached), 4096);
    }
}

#[test]
fn a_drives_map_is_shifted_onto_a_volume() {
    let rows = own(1 << 20, "0,65536,read\n65536,512,unread\n66048,100000,read\n");
    let shop = Shop::new("volume.img", &[("drive.csv", &rows), ("list", "10 128 4000\n"), ("log", "128 1 gone\n")]);
    let offset = Some(65536);
    let opened = shop.open(&MapRequest { offset, ..shop.named("drive.csv") }).unwrap();
    assert_eq!(opened.doubt, None);
    assert_eq!((opened.map.length(), opened.map.count(0..512, ByteState::Unread)), (LENGTH, 512));
    assert_eq!(opened.map.total(ByteState::Read), LENGTH - 512);

    let form = MapForm::BadSectors { sector: 512 };
    let listed = shop.open(&MapRequest { offset, form, ..shop.named("list") }).unwrap();
    assert_eq!((listed.doubt.as_ref(), listed.map.length()), (None, LENGTH));
    assert_eq!((listed.map.count(0..512, ByteState::Unread), listed.map.total(ByteState::Unread)), (512, 512));

    let form = MapForm::Columns(columns());
    let logged = shop.open(&MapRequest { offset, form, ..shop.named("log") }).unwrap();
    assert_eq!((logged.map.count(0..512, ByteState::Unread), logged.map.length()), (512, LENGTH));

    let beyond = shop.open(&MapRequest { offset: Some(1 << 20), ..shop.named("drive.csv") }).unwrap();
    assert!(beyond.doubt.is_some(), "a shift past the map's end leaves no map");
}

#[test]
fn a_list_that_reaches_past_the_image_is_doubted() {
    // Sector 15 is the image's last.
    let shop = Shop::new("disk.img", &[("list", "3 15\n"), ("long", "3 16\n"), ("log", "0 20 fine\n"), ("bad", "3 x")]);
    let form = MapForm::BadSectors { sector: 512 };
    let rest = Some(ByteState::Read);
    let right = shop.open(&MapRequest { form: form.clone(), rest, ..shop.named("list") }).unwrap();
    assert_eq!((right.doubt.as_ref(), right.is_asserted()), (None, true));
    assert_eq!(right.map.total(ByteState::Read), LENGTH - 1024);

    let long = shop.open(&MapRequest { form: form.clone(), rest, ..shop.named("long") }).unwrap();
    assert_eq!(long.doubt.unwrap().reasons, [DoubtReason::Length { map: LENGTH + 512, image: LENGTH }]);
    assert_eq!(long.map.total(ByteState::Read), 0);
    assert_eq!(long.map.count(0..LENGTH, ByteState::Unread), 512);

    let log = shop.open(&MapRequest { form: MapForm::Columns(columns()), ..shop.named("log") }).unwrap();
    assert_eq!(log.doubt.unwrap().reasons, [DoubtReason::Length { map: 20 * 512, image: LENGTH }]);
    let message = shop.open(&MapRequest { form, ..shop.named("bad") }).unwrap_err().to_string();
    assert!(message.contains("line 1") && message.contains("`x`"), "{message}");
}

#[test]
fn the_users_word_reaches_every_form() {
    let shop = Shop::new("disk.img", &[("own.csv", &own(LENGTH, "0,512,unread\n")), ("log", "0 1 gone\n")]);
    for (name, form) in [("own.csv", MapForm::Own), ("log", MapForm::Columns(columns()))] {
        let opened = shop.open(&MapRequest { form, rest: Some(ByteState::Read), ..shop.named(name) }).unwrap();
        assert!(opened.is_asserted(), "{name}");
        assert_eq!(opened.map.total(ByteState::Read), LENGTH - 512);
    }
}

#[test]
fn a_file_without_an_image_needs_its_length() {
    let shop = Shop::new("disk.img", &[("list", "3\n"), ("own.csv", &own(LENGTH, "0,512,unread\n"))]);
    let list = shop.folder.path().join("list");
    let form = MapForm::BadSectors { sector: 512 };
    assert!(read_file(&list, &form, None, None).unwrap_err().to_string().contains("length"));
    assert_eq!(read_file(&list, &form, None, Some(LENGTH)).unwrap().length(), LENGTH);
    assert!(read_file(&list, &form, None, Some(1024)).is_err(), "sector 3 lies outside");
    let own = shop.folder.path().join("own.csv");
    assert_eq!(read_file(&own, &MapForm::Own, None, None).unwrap().length(), LENGTH);
    assert!(read_file(&own, &MapForm::Own, None, Some(LENGTH + 1)).is_err());
}
