use super::testing::Maker;
use super::*;
use crate::catalog::{Facts, GapKind, Object, State};

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

#[test]
fn folders_are_found_where_they_were_moved_to_and_counted_once() {
    let mut make = Maker::new();
    let root = make.root;
    let hanna = make.folders(root, "Users/Hanna");
    for (folder, files) in [
        ("OneDrive/Pictures/2009", 3),
        ("OneDrive/Scores", 2),
        ("OneDrive - Choir/Documents", 4),
        ("Documents", 1),
        ("Pictures", 0),
        (".choir", 5),
        ("Recipes", 6),
    ] {
        let at = make.folders(hanna, folder);
        (0..files).for_each(|number| {
            make.file(at, &format!("{number}.jpg"), 10);
        });
    }
    let users = make.folders(root, "Users");
    make.file(users, "stray.txt", 1);
    let otto = make.folders(root, "Dokumente und Einstellungen/Otto");
    for (folder, files) in [("Eigene Dateien", 2), ("Eigene Dateien/Eigene Bilder", 7), ("Lokale Einstellungen", 1)] {
        let at = make.folders(otto, folder);
        (0..files).for_each(|number| {
            make.file(at, &format!("{number}.txt"), 10);
        });
    }
    make.folders(root, "Dokumente und Einstellungen/LocalService");
    let catalog = make.builder.finish(root).unwrap();
    let survey = survey(&catalog);

    let places = |name: &str| -> Vec<(String, Usual, Standing, u64)> {
        let person = survey.people.iter().find(|person| person.name == name).unwrap();
        let place = |one: &Place| {
            let path = one.path.strip_prefix(&person.path).unwrap().to_string();
            (path, one.what, one.standing, one.tally.files.count)
        };
        person.places.iter().map(place).collect()
    };
    let expected = |list: &[(&str, Usual, Standing, u64)]| -> Vec<(String, Usual, Standing, u64)> {
        list.iter().map(|(path, what, standing, files)| (path.to_string(), *what, *standing, *files)).collect()
    };
    assert_eq!(
        places("Hanna"),
        expected(&[
            ("/Documents", Usual::Documents, Standing::Usual, 1),
            ("/Pictures", Usual::Pictures, Standing::Usual, 0),
            ("/OneDrive - Choir/Documents", Usual::Documents, Standing::Moved, 4),
            ("/OneDrive/Pictures", Usual::Pictures, Standing::Moved, 3),
            ("/OneDrive", Usual::Cloud, Standing::Rest, 2),
        ])
    );
    assert_eq!(
        places("Otto"),
        expected(&[
            ("/Eigene Dateien", Usual::Documents, Standing::Usual, 2),
            ("/Eigene Dateien/Eigene Bilder", Usual::Pictures, Standing::Nested, 7),
        ])
    );
    for person in &survey.people {
        let in_places: u64 = person.places.iter().map(|place| place.tally.files.count).sum();
        assert_eq!(in_places + person.rest.files.count + person.programs.files.count, person.tally.files.count);
        let by_kind: u64 = person.kinds.iter().map(|one| one.cost.files.count).sum();
        assert_eq!(by_kind + person.programs.files.count, person.tally.files.count);
    }
    assert_eq!(survey.people.len(), 2, "a service is nobody");
    let others: Vec<(&str, u64)> = survey.other_folders.iter().map(|one| (&*one.path, one.tally.files.count)).collect();
    assert_eq!(others, [("/Users", 1)], "what stands beside the profiles");
    assert_eq!(survey.people[1].programs.files.count, 1);
    // Each file that is somebody's is there once, and programs' are not.
    let own = survey.own_files(&catalog);
    let programs: u64 = survey.people.iter().map(|person| person.programs.files.count).sum();
    assert_eq!(own.len() as u64 + programs, survey.total.files.count);
    assert!(own.iter().all(|name| !catalog.path(*name).contains("/.choir/")));
    let hanna = &survey.people[0];
    assert_eq!((hanna.rest.files.count, hanna.programs.files.count), (6, 5));
    let folders: Vec<&str> = hanna.folders.iter().map(|folder| &*folder.path).collect();
    assert_eq!(folders.len(), 4, "{folders:?}");
}

#[test]
fn people_of_other_systems_and_of_a_former_one() {
    let people = |paths: &[&str]| -> Vec<(String, bool)> {
        let mut make = Maker::new();
        let root = make.root;
        for path in paths {
            let (folder, file) = path.rsplit_once('/').unwrap();
            let at = make.folders(root, folder);
            make.file(at, file, 1);
        }
        let survey = survey(&make.builder.finish(root).unwrap());
        let all = survey.people.iter().map(|person| person.tally.files.count).sum::<u64>()
            + survey
                .other_folders
                .iter()
                .filter(|one| one.path != "/Windows.old")
                .map(|one| one.tally.files.count)
                .sum::<u64>()
            + survey.system.files.count;
        assert_eq!(all, survey.total.files.count, "nothing is left out: {paths:?}");
        survey.people.iter().map(|person| (person.path.clone(), person.former)).collect()
    };
    let expected =
        |list: &[(&str, bool)]| list.iter().map(|(path, former)| (path.to_string(), *former)).collect::<Vec<_>>();
    assert_eq!(
        people(&["etc/passwd", "usr/bin/ls", "home/hanna/Bilder/rose.jpg", "root/.bashrc", "srv/scores/alto.mid"]),
        expected(&[("/home/hanna", false), ("/root", false)])
    );
    // Without a system beside it, `home` is anybody's word.
    assert_eq!(people(&["home/garden/rose.jpg"]), expected(&[]));
    assert_eq!(people(&["home/hanna/.bashrc"]), expected(&[("/home/hanna", false)]));
    assert_eq!(
        people(&["System/x", "Library/y", "Applications/z", "Users/hanna/Movies/m.mov", "Users/Shared/s"]),
        expected(&[("/Users/hanna", false)])
    );
    assert_eq!(
        people(&["Windows/x", "Users/Hanna/NTUSER.DAT", "Windows.old/Users/Otto/Documents/a.doc"]),
        expected(&[("/Users/Hanna", false), ("/Windows.old/Users/Otto", true)])
    );
    assert_eq!(
        people(&["WINDOWS/Profiles/Hanna/Desktop/a.doc", "WINDOWS/SYSTEM/x.dll", "WINDOWS/Desktop/b.doc"]),
        expected(&[("/WINDOWS/Profiles/Hanna", false)])
    );
    // A profile that was copied to a drive of its own.
    assert_eq!(people(&["Hanna old/ntuser.dat", "Hanna old/Desktop/a.doc"]), expected(&[("/Hanna old", false)]));
}

#[test]
fn folders_in_the_root_may_be_somebodys() {
    let volume = |paths: &[&str]| {
        let mut make = Maker::new();
        let root = make.root;
        for path in paths {
            let at = make.folders(root, path);
            make.file(at, "a.jpg", 10);
        }
        survey(&make.builder.finish(root).unwrap())
    };
    let claims = |surveys: &[(u32, &Survey)]| -> Vec<String> {
        let people = |one: &MayBelong| one.people.iter().map(|whose| &*whose.name).collect::<Vec<_>>().join("+");
        elsewhere(surveys)
            .iter()
            .map(|one| format!("{}:{} {:?} {}", one.volume, one.path, one.what, people(one)))
            .collect()
    };
    let one = volume(&["Users/Greta/Desktop"]);
    let two = volume(&["Users/Greta/Desktop", "Users/Al/Desktop"]);
    let data = volume(&["Pictures", "Greta's films", "Al", "Al Dente", "Great", "Links", "Scores"]);
    assert_eq!(claims(&[(1, &one), (2, &data)]), ["2:/Greta's films None Greta", "2:/Pictures Some(Pictures) Greta"]);
    assert_eq!(
        claims(&[(1, &two), (2, &data)]),
        ["2:/Al None Al", "2:/Greta's films None Greta", "2:/Pictures Some(Pictures) Al+Greta"]
    );
    assert!(claims(&[(2, &data)]).is_empty(), "without people nothing is anybody's");
    let many: Vec<String> = (0..=20).map(|number| format!("Users/singer {number}/Desktop")).collect();
    let many = volume(&many.iter().map(String::as_str).collect::<Vec<_>>());
    assert!(claims(&[(1, &many), (2, &data)]).is_empty());
}
