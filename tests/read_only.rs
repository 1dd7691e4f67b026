//! The image is never written to: its bytes and its time of change are the same after every command, also after those
//! that fail, and no file appears beside it that nobody asked for.

mod common;

use std::time::SystemTime;

use common::bag::sha256;
use common::{Bench, fixture};

/// An image as it lies there.
fn state(bench: &Bench, name: &str) -> (String, SystemTime, bool) {
    let metadata = std::fs::metadata(bench.path(name)).unwrap();
    let bytes = std::fs::read(bench.path(name)).unwrap();
    #[cfg(unix)]
    assert_eq!(std::os::unix::fs::PermissionsExt::mode(&metadata.permissions()) & 0o777, 0o444, "{name}");
    (sha256(&bytes), metadata.modified().unwrap(), metadata.permissions().readonly())
}

#[test]
fn no_command_touches_an_image() {
    let bench = Bench::new();
    let names = [
        "mbr-logical.img",
        "ntfs-dirty.img",
        "fat16.img",
        "ntfs-hibernated.img",
        "ntfs-compressed-512.img",
        "foreign.img",
    ];
    names.iter().for_each(|name| {
        bench.fixture(name.strip_suffix(".img").unwrap());
    });
    bench.map_beside("mbr-logical", &[512..1024]);
    bench.file("bad.txt", "9\n");
    let before: Vec<_> = names.iter().map(|name| state(&bench, name)).collect();
    assert!(before.iter().all(|(_, _, readonly)| *readonly));
    for name in names {
        let lines = [
            ("layout NAME --drive-size 1TB", vec![0]),
            ("layout NAME --sector-size 4096 --json", vec![0, 1, 3]),
            ("list NAME --recursive", vec![0, 2, 3]),
            ("list NAME /none", vec![2, 3]),
            ("list NAME 1:/ --recursive --json", vec![0, 3]),
            ("survey NAME", vec![0, 3]),
            ("extract NAME 1:/ --to NAME.out", vec![0, 3]),
            ("extract NAME 1:/ --to NAME.out", vec![3]),
            ("compare NAME.out NAME", vec![0, 1, 3]),
            ("compare NAME NAME.out --json", vec![2]),
            ("extract NAME 1:/ --record NAME --to NAME.other", vec![3]),
            ("extract NAME 1:/ --to NAME", vec![3]),
            ("extract NAME 1:/ --streams --no-map --to NAME.streams --json", vec![0, 3]),
            // What stands in some of these files is no picture.
            ("check NAME", vec![0, 1, 3]),
            ("check NAME 1:/ --second-reader --json", vec![0, 1, 3]),
            ("survey NAME --check", vec![0, 1, 3]),
            ("extract NAME 1:/ --dry-run --to NAME.dry", vec![0, 3]),
            ("extract NAME 1:/ --check --no-record --to NAME.checked", vec![0, 1, 3]),
            ("extract NAME 1:/ --second-reader --to NAME.second", vec![0, 3]),
            ("map show NAME", vec![0]),
            ("map picture NAME", vec![0]),
            ("map convert bad.txt --map-form bad-sectors --image NAME --to NAME.csv", vec![0]),
            ("map convert bad.txt --map-form bad-sectors --image NAME --to NAME", vec![2, 3]),
            ("map merge NAME.csv --to NAME", vec![2, 3]),
            ("map find NAME --marker BAD!", vec![0]),
            ("map find NAME --marker 0xFF --to NAME", vec![2, 3]),
            ("map suspect NAME", vec![0, 3]),
            ("map suspect NAME --to NAME", vec![2, 3]),
            ("verify NAME", vec![3]),
            ("demo NAME", vec![3]),
        ];
        for (line, codes) in lines {
            let line = line.replace("NAME", name);
            let outcome = bench.run(&line);
            assert!(
                outcome.code.is_some_and(|code| codes.contains(&code)),
                "{line}: {:?} {}",
                outcome.code,
                outcome.err
            );
        }
        let left: Vec<String> = bench.names().into_iter().filter(|one| one.starts_with(name)).collect();
        assert_eq!(left, [name.to_string(), format!("{name}.csv")], "nothing else appears beside it");
    }
    let after: Vec<_> = names.iter().map(|name| state(&bench, name)).collect();
    assert_eq!(after, before);
}

#[test]
fn nor_a_part_of_a_split_image() {
    let bench = Bench::new();
    let image = fixture::image("ntfs-dirty");
    let (first, second) = image.split_at(image.len() / 2);
    bench.read_only("disk.001", first);
    bench.read_only("disk.002", second);
    let before = (state(&bench, "disk.001"), state(&bench, "disk.002"));
    for line in [
        "layout disk.001",
        "survey disk.001",
        "check disk.001 / --second-reader",
        "extract disk.001 / --to out",
        "list disk.001 /Users",
    ] {
        bench.run(line).code(0);
    }
    for part in ["disk.001", "disk.002", "disk.002/out"] {
        bench.run(&format!("extract disk.001 / --to {part}")).code(3).err_has("it is a part of the image itself");
    }
    assert_eq!((state(&bench, "disk.001"), state(&bench, "disk.002")), before);
    assert_eq!(bench.names(), ["disk.001", "disk.002"]);
}
