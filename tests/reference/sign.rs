//! Signatures against OpenSSH's `ssh-keygen`, in both directions.

use std::path::Path;

use crate::bag::Bag;
use crate::common::{Bench, fixture};
use crate::sealed::{Sealed, text};
use crate::tools;

const LIST: &str = "tagmanifest-sha256.txt";
const SIGNATURE: &str = "tagmanifest-sha256.txt.sig";

/// A new key without passphrase, and the list of signers that names it `workshop`.
fn key(bench: &Bench, name: &str) -> (String, String) {
    let path = bench.path(name);
    tools::run("ssh-keygen", &["-q", "-t", "ed25519", "-N", "", "-C", "for this test", "-f", text(&path)]);
    let public = bench.text(&format!("{name}.pub"));
    let signers = bench.file(&format!("{name}.signers"), format!("workshop {public}"));
    (text(&path).to_string(), text(&signers).to_string())
}

/// What `ssh-keygen -Y verify` says of a bag's signature.
fn accepts(bag: &Path, signers: &str) -> bool {
    let list = std::fs::read_to_string(bag.join(LIST)).expect("the list is there");
    let signature = bag.join(SIGNATURE);
    let words = ["-Y", "verify", "-f", signers, "-I", "workshop", "-n", "file", "-s", text(&signature)];
    tools::ask("ssh-keygen", &words, Some(&list)).status.success()
}

fn demo(bench: &Bench) -> Sealed {
    let image = Sealed::new(&bench.fixture("demo"));
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    image
}

#[test]
fn ssh_keygen_accepts_and_rejects_after_one_changed_byte() {
    let bench = Bench::new();
    let image = demo(&bench);
    let (secret, signers) = key(&bench, "own");
    let (_, strangers) = key(&bench, "other");
    image.run(&bench, "extract", &["/Users/Choir", "--to", "choir", "--sign", &secret]).code(1);
    let folder = bench.path("choir");
    // A further file in the bag is no fault by its validator.
    Bag::at(&folder).is_valid();
    assert!(accepts(&folder, &signers));
    assert!(!accepts(&folder, &strangers));
    bench.run_words(&["verify", "choir", "--signer", &signers]).code(0).out_has("Signed by `workshop`");
    bench.run_words(&["verify", "choir", "--signer", &strangers]).code(1);
    let list = std::fs::read_to_string(folder.join(LIST)).expect("it is there");
    for (at, changed) in [(0, 'x'), (100, 'x'), (list.len() - 1, 'x')] {
        let mut wrong = list.clone();
        wrong.replace_range(at..=at, &changed.to_string());
        assert_ne!(wrong, list);
        bench.file(&format!("choir/{LIST}"), &wrong);
        assert!(!accepts(&folder, &signers), "byte {at}");
        bench.run_words(&["verify", "choir", "--signer", &signers]).code(1).out_has("NO GOOD");
    }
    bench.file(&format!("choir/{LIST}"), &list);
    assert!(accepts(&folder, &signers));
}

#[test]
fn what_ssh_keygen_signed_is_accepted() {
    let bench = Bench::new();
    let image = demo(&bench);
    let (secret, signers) = key(&bench, "own");
    image.run(&bench, "extract", &["/Users/Choir", "--to", "choir"]).code(1);
    let list = bench.path(&format!("choir/{LIST}"));
    tools::run("ssh-keygen", &["-q", "-Y", "sign", "-f", &secret, "-n", "file", text(&list)]);
    bench.run_words(&["verify", "choir", "--signer", &signers]).code(0).out_has("Signed by `workshop`");
    Bag::at(&bench.path("choir")).is_valid();
    assert!(accepts(&bench.path("choir"), &signers));
    bench.file(&format!("choir/{LIST}"), bench.text(&format!("choir/{LIST}")) + "\n");
    bench.run_words(&["verify", "choir", "--signer", &signers]).code(1);
}

/// Kinds that are not checked here, as `ssh-keygen` makes them: never good, and never called broken.
#[test]
fn other_kinds_are_named() {
    let bench = Bench::new();
    let image = demo(&bench);
    image.run(&bench, "extract", &["/Users/Choir", "--to", "choir"]).code(1);
    for kind in ["rsa", "ecdsa"] {
        let path = bench.path(kind);
        tools::run("ssh-keygen", &["-q", "-t", kind, "-N", "", "-f", text(&path)]);
        let list = bench.path(&format!("choir/{LIST}"));
        tools::run("ssh-keygen", &["-q", "-Y", "sign", "-f", text(&path), "-n", "file", text(&list)]);
        bench.run("verify choir").code(0).out_has("the signature is not checked");
        image.run(&bench, "extract", &["/Users/Choir", "--to", "x", "--sign", text(&path)]).code(2);
        bench.remove(&format!("choir/{SIGNATURE}"));
    }
}
