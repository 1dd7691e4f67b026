//! The main job: everything on a fresh volume of 2,000 random files comes out, and outside tools say so.

use crate::bag::Bag;
use crate::common::Bench;
use crate::random::Random;
use crate::sealed::{Sealed, hash_of, text};
use crate::tools;
use crate::tree::{self, Amount};

const MIB: u64 = 1 << 20;

#[test]
fn two_thousand_random_files_come_out_and_the_bag_is_valid() {
    let mut random = Random::announced("main_job");
    let bench = Bench::new();
    let (image, mount) = (bench.path("choir.img"), bench.path("mount"));
    let amount = Amount { files: 2000, largest: 700_000, odd: true };
    // Truth: the source files, written through ntfs-3g.
    let truths = tree::ntfs(&image, 600 * MIB, amount, &mut random, &mount);
    assert!(truths.values().filter(|truth| truth.kind == "file").count() >= 2000);
    let image = Sealed::new(&image);

    image.run(&bench, "layout", &[]).code(0).out_has("NTFS");
    image.run(&bench, "survey", &[]).code(0).out_has("Anna");
    image.run(&bench, "map show", &[]).code(0).err_has("map: none");
    let listed = image.run(&bench, "list", &["--recursive", "--json"]).code(0);
    assert_eq!(listed.out.lines().count(), truths.len(), "as many lines as paths");

    let to = bench.path("handover");
    let outcome = image.run(&bench, "extract", &["/", "--to", text(&to), "--streams"]).code(0);
    outcome.err_has("no map speaks for");
    let bag = Bag::at(&to);
    bag.holds_all(&truths);
    for (path, row) in bag.rows() {
        assert_eq!(row["state"], "unproven", "{path}");
        assert!(row["path"].starts_with("data/recovered"), "{path}");
    }
    bag.is_valid();
    bench.run_words(&["verify", text(&to)]).code(0);
    image.check();

    // Truth: `ntfscat` (ntfs-3g), beside the source.
    let rows = bag.rows();
    let compressed: Vec<_> = truths.iter().filter(|(_, truth)| truth.compressed && truth.kind == "file").collect();
    assert!(compressed.len() >= 200, "{} compressed files", compressed.len());
    for (path, truth) in compressed {
        let by_ntfscat = tools::run("ntfscat", &["--force", image.text(), path.as_str()]);
        assert_eq!(hash_of(&by_ntfscat), truth.sha256, "ntfscat and the source, {path}");
        let written = std::fs::read(to.join(&rows[path]["path"])).expect("it was written");
        assert!(written == by_ntfscat, "{path} is not what ntfscat reads");
    }
    image.check();

    // The manifest can fail: one byte in one file is noticed by all of them.
    let victim = rows.values().find(|row| row["kind"] == "file" && row["size"] != "0").expect("a file with bytes");
    let victim = to.join(&victim["path"]);
    let mut bytes = std::fs::read(&victim).expect("it was written");
    bytes[0] ^= 1;
    std::fs::write(&victim, bytes).expect("own copy");
    bench.run_words(&["verify", text(&to)]).code(1);
    assert!(!tools::ask("bagit.py", &["--validate", text(&to)], None).status.success());
}

#[test]
fn a_sparse_file_larger_than_its_volume_comes_out() {
    let mut random = Random::announced("main_job, sparse");
    let bench = Bench::new();
    let path = bench.path("choir.img");
    // Truth: the source file.
    let truths = tree::ntfs_with(&path, 16 * MIB, &bench.path("mount"), |writer| {
        writer.sparse("/larger than its volume.bin", 100_000_001, &[(77_777_777, random.noise(50_000))]);
    });
    let image = Sealed::new(&path);
    let to = bench.path("handover");
    image.run(&bench, "extract", &["/", "--to", text(&to)]).code(0);
    Bag::at(&to).holds_all(&truths);
}
