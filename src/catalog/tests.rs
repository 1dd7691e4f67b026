use super::*;

fn builder() -> (CatalogBuilder, ObjectId) {
    let mut builder = CatalogBuilder::new(AddressKind::Record);
    let root = builder.object(Object::new(ObjectKind::Folder, 5)).unwrap();
    (builder, root)
}

fn add(builder: &mut CatalogBuilder, kind: ObjectKind, number: u64, parent: ObjectId, name: &str) -> ObjectId {
    let id = builder.object(Object::new(kind, number)).unwrap();
    builder.name(parent, id, name.encode_utf16()).unwrap();
    id
}

fn all_paths(catalog: &Catalog, folder: ObjectId, into: &mut Vec<String>) {
    for name in catalog.children(folder) {
        into.push(catalog.path(name));
        all_paths(catalog, catalog.named_object(name), into);
    }
}

#[test]
fn a_tree_is_walked_and_searched() {
    let (mut builder, root) = builder();
    let users = add(&mut builder, ObjectKind::Folder, 30, root, "Users");
    let file = add(&mut builder, ObjectKind::File, 31, users, "Straße.txt");
    builder.name(root, file, "link.txt".encode_utf16()).unwrap();
    let stream = add(&mut builder, ObjectKind::Stream, 31, file, "Zone");
    let of_root = add(&mut builder, ObjectKind::Stream, 5, root, "note");
    builder.object_mut(of_root).unwrap().owner = Some(root);
    let catalog = builder.finish(root).unwrap();
    let mut paths = Vec::new();
    all_paths(&catalog, catalog.root(), &mut paths);
    assert_eq!(paths, ["/link.txt", "/Users", "/Users/Straße.txt"]);
    assert!(matches!(catalog.find("/users/STRAßE.TXT"), Lookup::Found(id, Some(_)) if id == file));
    assert_eq!(catalog.find("/"), Lookup::Found(root, None));
    assert_eq!(catalog.find("/users/none"), Lookup::Missing { incomplete: false });
    assert_eq!(catalog.names_of(file).count(), 2);
    assert_eq!(catalog.address(stream).as_deref(), Some("record:31:Zone"));
    assert_eq!(catalog.find_address("record:31"), Lookup::Found(file, None));
    assert!(matches!(catalog.find_address("record:31:zone"), Lookup::Found(id, _) if id == stream));
    assert_eq!(catalog.path(catalog.streams(file).next().unwrap()), "/Users/Straße.txt:Zone");
    assert_eq!(catalog.first_path(of_root), "/:note");
    assert_eq!(catalog.find_address("inode:31"), Lookup::Missing { incomplete: false });
}

#[test]
fn names_that_differ_in_case_are_told_apart() {
    let (mut builder, root) = builder();
    let upper = add(&mut builder, ObjectKind::File, 30, root, "A.txt");
    let lower = add(&mut builder, ObjectKind::File, 31, root, "a.txt");
    let catalog = builder.finish(root).unwrap();
    assert!(matches!(catalog.find("/A.txt"), Lookup::Found(id, _) if id == upper));
    assert!(matches!(catalog.find("/a.txt"), Lookup::Found(id, _) if id == lower));
    assert!(matches!(catalog.find("/a.TXT"), Lookup::Ambiguous(names) if names.len() == 2));
}

#[test]
fn loops_and_orphans_stand_under_no_folder() {
    let (mut builder, root) = builder();
    let one = builder.object(Object::new(ObjectKind::Folder, 40)).unwrap();
    let two = add(&mut builder, ObjectKind::Folder, 41, one, "two");
    builder.name(two, one, "one".encode_utf16()).unwrap();
    add(&mut builder, ObjectKind::File, 42, two, "inside.txt");
    let own = builder.object(Object::new(ObjectKind::Folder, 43)).unwrap();
    builder.name(own, own, "self".encode_utf16()).unwrap();
    let orphan = builder.object(Object::new(ObjectKind::File, 44)).unwrap();
    builder.homeless_name(99, orphan, "orphan.txt".encode_utf16()).unwrap();
    let catalog = builder.finish(root).unwrap();
    let mut paths = Vec::new();
    all_paths(&catalog, catalog.root(), &mut paths);
    assert!(paths.contains(&"/(no folder)/record 99/orphan.txt".to_string()), "{paths:?}");
    assert!(paths.contains(&"/(no folder)/record 43/self".to_string()), "{paths:?}");
    assert!(paths.iter().any(|path| path.ends_with("/inside.txt") && path.starts_with("/(no folder)/record 4")));
    assert_eq!(catalog.findings.count(FindingKind::FolderLoop), 2);
    assert_eq!(paths.len(), 9, "{paths:?}");
    let Lookup::Found(house, _) = catalog.find("/(no folder)") else { panic!() };
    assert_eq!(catalog.object(house).completeness(), Completeness::Incomplete);
}

#[test]
fn an_entry_takes_less_than_its_budget() {
    let bytes = size_of::<Object>() + size_of::<NameEntry>() + 2 * size_of::<NameId>();
    assert!(bytes + 40 < 200, "{bytes} bytes and the name");
}

#[test]
fn every_path_leads_back_to_its_file_however_deep() {
    let (mut builder, root) = builder();
    let mut folder = root;
    for number in 100..3_100 {
        folder = add(&mut builder, ObjectKind::Folder, number, folder, "d");
        add(&mut builder, ObjectKind::File, number + 10_000, folder, "file");
    }
    let catalog = builder.finish(root).unwrap();
    assert_eq!(catalog.findings.count(FindingKind::FolderTooDeep), 2);
    let files = catalog.objects().filter(|(_, object)| object.kind == ObjectKind::File);
    let paths: Vec<(ObjectId, String)> = files.map(|(id, _)| (id, catalog.first_path(id))).collect();
    assert_eq!(paths.len(), 3000);
    for (id, path) in paths.iter().step_by(37) {
        assert!(matches!(catalog.find(path), Lookup::Found(found, _) if found == *id));
    }
}

#[test]
fn a_folder_keeps_one_name_and_files_hold_none() {
    let (mut builder, root) = builder();
    let folder = add(&mut builder, ObjectKind::Folder, 30, root, "a");
    builder.name(folder, folder, "again".encode_utf16()).unwrap();
    let file = add(&mut builder, ObjectKind::File, 31, root, "f");
    let inside = add(&mut builder, ObjectKind::File, 32, file, "inside");
    let nameless = builder.object(Object::new(ObjectKind::File, 33)).unwrap();
    let catalog = builder.finish(root).unwrap();
    let mut paths = Vec::new();
    all_paths(&catalog, root, &mut paths);
    assert_eq!(catalog.first_path(inside), "/(no folder)/record 31/inside");
    assert_eq!(catalog.first_path(nameless), "/(no folder)/record 33/(no name)");
    assert_eq!(catalog.findings.count(FindingKind::FolderSecondName), 1);
    assert_eq!(paths.len(), 7, "{paths:?}");
    assert_eq!(catalog.address(catalog.named_object(catalog.children(root).next().unwrap())), None);
}

#[test]
fn what_is_there_is_meant_before_what_was() {
    let (mut builder, root) = builder();
    let gone = add(&mut builder, ObjectKind::File, 30, root, "report.docx");
    let here = add(&mut builder, ObjectKind::File, 31, root, "report.docx");
    builder.object_mut(gone).unwrap().facts = Facts { distrust: Distrust::Deleted.into(), ..Facts::SOUND };
    builder.object_mut(here).unwrap().facts = Facts::SOUND;
    let catalog = builder.finish(root).unwrap();
    for path in ["/report.docx", "/REPORT.docx"] {
        assert!(matches!(catalog.find(path), Lookup::Found(id, _) if id == here), "{path}");
    }
}

#[test]
fn a_dotless_letter_is_another_letter() {
    let (mut builder, root) = builder();
    add(&mut builder, ObjectKind::File, 30, root, "ı.txt");
    let catalog = builder.finish(root).unwrap();
    assert_eq!(catalog.find("/i.txt"), Lookup::Missing { incomplete: false });
    assert!(matches!(catalog.find("/ı.TXT"), Lookup::Found(..)));
}

#[test]
fn nothing_is_whole_or_complete_before_it_was_examined() {
    assert_eq!(Object::new(ObjectKind::File, 1).facts.state(), State::Unlocated);
    assert_eq!(Object::new(ObjectKind::Folder, 1).completeness(), Completeness::Incomplete);
    let (builder, root) = builder();
    let catalog = builder.finish(root).unwrap();
    assert_eq!(catalog.object(ObjectId(999)).facts.state(), State::Unlocated);
}
