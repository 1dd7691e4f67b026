use super::*;
use crate::catalog::{AddressKind, CatalogBuilder, Facts, GapKind, Object, State};

struct Maker {
    builder: CatalogBuilder,
    root: ObjectId,
}

impl Maker {
    fn new() -> Self {
        let mut builder = CatalogBuilder::new(AddressKind::Record);
        let mut root = Object::new(ObjectKind::Folder, 5);
        root.facts = Facts::SOUND;
        let root = builder.object(root).unwrap();
        Self { builder, root }
    }

    fn add(&mut self, parent: ObjectId, kind: ObjectKind, name: &str, size: u64) -> ObjectId {
        let mut object = Object::new(kind, 30);
        object.facts = Facts::SOUND;
        object.size = size;
        let id = self.builder.object(object).unwrap();
        self.builder.name(parent, id, name.encode_utf16()).unwrap();
        id
    }

    fn folder(&mut self, parent: ObjectId, name: &str) -> ObjectId {
        self.add(parent, ObjectKind::Folder, name, 0)
    }

    fn file(&mut self, parent: ObjectId, name: &str, size: u64) -> ObjectId {
        self.add(parent, ObjectKind::File, name, size)
    }
}

#[test]
fn people_are_told_from_the_systems_clutter() {
    let mut make = Maker::new();
    let root = make.root;
    let users = make.folder(root, "Users");
    let hanna = make.folder(users, "Hanna");
    let pictures = make.folder(hanna, "Pictures");
    let garden = make.folder(pictures, "Garden");
    let rose = make.file(garden, "rose.jpg", 1000);
    make.builder.name(pictures, rose, "the same rose.jpg".encode_utf16()).unwrap();
    let broken = make.file(pictures, "lily.jpg", 500);
    make.builder.object_mut(broken).unwrap().facts.add_gap(GapKind::Unread, 100);
    make.file(hanna, "NTUSER.DAT", 7);
    make.file(hanna, "list.txt", 30);
    let data = make.folder(hanna, "AppData");
    make.file(data, "mail.box", 4000);
    let public = make.folder(users, "Public");
    make.file(public, "shared.txt", 10);
    make.folder(users, "Default");
    let windows = make.folder(root, "WINDOWS");
    make.file(windows, "explorer.exe", 9000);
    make.file(root, "pagefile.sys", 1 << 20);
    make.file(root, "notes.txt", 3);
    let scores = make.folder(root, "Scores 2009");
    make.file(scores, "alto.mid", 800);
    make.folder(root, "Empty");
    let catalog = make.builder.finish(root).unwrap();
    let survey = survey(&catalog);

    assert_eq!(survey.people.len(), 1);
    let person = &survey.people[0];
    assert_eq!((person.name.as_str(), person.path.as_str()), ("Hanna", "/Users/Hanna"));
    assert_eq!(person.folders.len(), 1);
    let folder = &person.folders[0];
    assert_eq!(folder.path, "/Users/Hanna/Pictures");
    assert_eq!((folder.tally.files, folder.tally.file_names), (Count { count: 2, bytes: 1500 }, 3));
    assert_eq!((folder.tally.state(State::Damaged).count, folder.tally.gap_bytes), (1, 100));
    assert_eq!(folder.tally.lost_files(), 1);
    assert_eq!(person.rest.files.bytes, 30);
    assert_eq!(person.programs.files.bytes, 4007);
    let others: Vec<&str> = survey.other_folders.iter().map(|folder| folder.path.as_str()).collect();
    assert_eq!(others, ["/Scores 2009", "/Users/Public"]);
    assert_eq!(survey.root_files.files.bytes, 3);
    assert_eq!(survey.system.files.bytes, 9000 + (1 << 20));
    assert_eq!(survey.total.files.count, 10);
}

#[test]
fn cameras_are_found_wherever_they_stand() {
    let mut make = Maker::new();
    let root = make.root;
    let dcim = make.folder(root, "DCIM");
    let camera = make.folder(dcim, "100CHOIR");
    for name in ["IMG_0001.JPG", "IMG_0001.CR2", "MVI_0002.MOV", "IMG_0005.JPG", "IMG_0005.THM"] {
        make.file(camera, name, 100);
    }
    let phone = make.folder(dcim, "Camera");
    make.file(phone, "rehearsal 20090314.jpg", 70);
    make.file(dcim, "loose_01.png", 5);
    make.folder(dcim, "EMPTY");
    let bin = make.folder(root, "RECYCLED");
    let thrown = make.folder(bin, "101CHOIR");
    make.file(thrown, "IMG_0001.JPG", 1);
    // A copy deep in somebody's folders, and a folder of which only the number is left.
    let copies = make.folder(root, "Card of Hanna");
    let copied = make.folder(copies, "102CHOIR");
    make.file(copied, "DSC00007.JPG", 9);
    let mut lost = Object::new(ObjectKind::File, 77);
    lost.facts = Facts::SOUND;
    let lost = make.builder.object(lost).unwrap();
    make.builder.homeless_name(40, lost, "IMG_0009.JPG".encode_utf16()).unwrap();
    let catalog = make.builder.finish(root).unwrap();
    let cameras = survey(&catalog).cameras;

    let seen: Vec<_> = cameras.iter().map(|one| (&*one.path, one.pictures.count, one.films.count)).collect();
    assert_eq!(
        seen,
        [
            ("/(no folder)/record 40", 1, 0),
            ("/Card of Hanna/102CHOIR", 1, 0),
            ("/DCIM", 1, 0),
            ("/DCIM/100CHOIR", 3, 1),
            ("/DCIM/Camera", 1, 0),
        ]
    );
    let numbers = cameras[3].numbers.as_ref().unwrap();
    assert_eq!((numbers.first, numbers.last, numbers.missing), (1, 5, 2));
    assert_eq!(numbers.gaps, [Gap { first: 3, last: 4 }]);
    assert_eq!(cameras[3].tally.files.count, 5);
    assert!(cameras[4].numbers.is_none());
}

#[test]
fn what_lost_most_stands_first() {
    let mut make = Maker::new();
    let root = make.root;
    let album = make.folder(root, "Album");
    let letters = make.folder(root, "Letters");
    let windows = make.folder(root, "WINDOWS");
    let rose = make.file(album, "rose.jpg", 1000);
    make.builder.object_mut(rose).unwrap().facts.add_gap(GapKind::Unread, 100);
    // A second name costs nothing twice.
    make.builder.name(letters, rose, "rose again.jpg".encode_utf16()).unwrap();
    let lost = make.file(letters, "to the mayor.odt", 700);
    make.builder.object_mut(lost).unwrap().facts.unlocated = Some(crate::catalog::Unlocated::RecordLost);
    let doubtful = make.file(album, "lily.jpg", 5000);
    make.builder.object_mut(doubtful).unwrap().facts.distrust.insert(crate::catalog::Distrust::ClaimedTwice);
    make.file(album, "sound.jpg", 4000);
    let system = make.file(windows, "wallpaper.jpg", 60);
    make.builder.object_mut(system).unwrap().facts.add_gap(GapKind::Unreached, 60);
    make.file(root, "notes.txt", 3);
    let costs = costs(&make.builder.finish(root).unwrap());

    let total =
        Cost { files: Count { count: 6, bytes: 10_763 }, damaged: 2, unlocated: 1, doubtful: 1, lost_bytes: 860 };
    assert_eq!((costs.total, costs.total.lost_files()), (total, 4));
    let kinds: Vec<_> = costs.kinds.iter().map(|one| (one.kind, one.cost.lost_bytes, one.cost.lost_files())).collect();
    let wanted = [(FileKind::Documents, 700, 1), (FileKind::Pictures, 100, 2), (FileKind::System, 60, 1)];
    assert_eq!(kinds, wanted);
    assert_eq!(costs.kinds.iter().map(|one| one.cost.files.count).sum::<u64>(), 6);
    let bytes: u64 = costs.folders.iter().map(|one| one.cost.lost_bytes).sum();
    assert_eq!((bytes, costs.folders_with_losses), (860, 3));
    assert_eq!(costs.folders[0].path, "/Letters");
}
