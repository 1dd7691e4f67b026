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
    let catalog = builder.finish(root).unwrap();
    let mut paths = Vec::new();
    all_paths(&catalog, catalog.root(), &mut paths);
    assert_eq!(paths, ["/link.txt", "/Users", "/Users/Straße.txt"]);
    assert!(matches!(catalog.find("/users/STRAßE.TXT"), Lookup::Found(id, Some(_)) if id == file));
    assert_eq!(catalog.find("/"), Lookup::Found(root, None));
    assert_eq!(catalog.find("/users/none"), Lookup::Missing { incomplete: false });
    assert_eq!(catalog.names_of(file).count(), 2);
    assert_eq!(catalog.address(stream), "record:31:Zone");
    assert_eq!(catalog.find_address("record:31"), Lookup::Found(file, None));
    assert!(matches!(catalog.find_address("record:31:zone"), Lookup::Found(id, _) if id == stream));
    assert_eq!(catalog.path(catalog.streams(file).next().unwrap()), "/Users/Straße.txt:Zone");
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
fn a_hundred_thousand_files_in_a_line_of_folders_are_no_trouble() {
    let (mut builder, root) = builder();
    let mut folder = root;
    for number in 0..20_000 {
        folder = add(&mut builder, ObjectKind::Folder, number, folder, "d");
        for name in ["a", "b", "c", "d"] {
            add(&mut builder, ObjectKind::File, number, folder, name);
        }
    }
    let catalog = builder.finish(root).unwrap();
    assert_eq!(catalog.name_count(), 100_001);
    let deepest = catalog.names_of(folder).next().unwrap();
    assert!(catalog.line(deepest).len() <= MAX_DEPTH);
}
