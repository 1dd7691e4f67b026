//! `extract --sign` and `verify --signer`. That `ssh-keygen` agrees is shown by the reference suite, and by signatures of
//! its making in the unit tests.

mod common;

use std::path::Path;

use common::Bench;

const KEYS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/keys");

/// The test keys by their names in the bench.
fn bench() -> Bench {
    let bench = Bench::new();
    bench.fixture("gpt-128");
    for name in ["choir", "choir.pub", "other.pub", "rsa", "ecdsa", "locked", "rsa.sig"] {
        bench.file(&format!("key-{name}"), std::fs::read(Path::new(KEYS).join(name)).unwrap());
    }
    bench
}

fn signed() -> Bench {
    let bench = bench();
    bench.run("extract gpt-128.img /Users/Choir --to choir --sign key-choir").code(0);
    bench
}

/// The fingerprint that `ssh-keygen -l -f tests/keys/choir.pub` prints.
const FINGERPRINT: &str = "SHA256:UQfMe+hXcKfVTY4G2K0Vo9DHBwRePyHVQuaL9WB0amA";

#[test]
fn a_signed_handover_says_whose_it_is() {
    let bench = signed();
    bench
        .run("verify choir")
        .code(0)
        .out_has(&format!("Signed by key {FINGERPRINT}: the signature is good; nobody says whose"));
    let good = bench.run("verify choir --signer key-choir.pub").code(0).out_has("All well");
    good.out_has(&format!("Signed by `choir workshop (test)`, key {FINGERPRINT}: the signature is good"));
    let public = bench.text("key-choir.pub");
    bench.file("allowed_signers", format!("# ours\nanna@village namespaces=\"file\" {public}"));
    let value = bench.run("verify choir --signer allowed_signers --json").code(0).json("verify");
    assert_eq!(value["signature"]["state"], "good");
    assert_eq!(
        (&value["signature"]["signer"], &value["signature"]["key"]),
        (&"anna@village".into(), &FINGERPRINT.into())
    );
    let job: serde_json::Value = serde_json::from_str(&bench.text("choir/records/job.json")).unwrap();
    assert_eq!(job["signature"]["key"], FINGERPRINT);
    assert_eq!(
        (&job["signature"]["file"], &job["signature"]["namespace"]),
        (&"tagmanifest-sha256.txt.sig".into(), &"file".into())
    );
    assert!(!bench.text("choir/tagmanifest-sha256.txt").contains(".sig"), "it signs that list and can't stand in it");
    assert!(bench.text("choir/records/log.txt").contains(&format!("signed with the key {FINGERPRINT}")));
}

#[test]
fn another_signer_and_no_signature_are_problems() {
    let bench = signed();
    bench.run("verify choir --signer key-other.pub").code(1).out_has("NOT by who was named").out_lacks("All well");
    bench.remove("choir/tagmanifest-sha256.txt.sig");
    bench.run("verify choir").code(0).out_lacks("igned");
    bench.run("verify choir --signer key-choir.pub").code(1).out_has("the handover is not signed");
    bench.run("verify choir --signer key-choir").code(2).err_has("no key that can be used stands in");
    bench.run("verify choir --signer nothing").code(3);
}

#[test]
fn one_changed_byte_anywhere_is_noticed() {
    let bench = signed();
    for (path, problem) in [
        ("choir/tagmanifest-sha256.txt", "the signature is NO GOOD: the tag manifest is not what was signed"),
        ("choir/tagmanifest-sha256.txt.sig", "the signature is NO GOOD"),
        ("choir/manifest-sha256.txt", "`manifest-sha256.txt` is not what was written"),
        (
            "choir/data/recovered/Users/Choir/letter.txt",
            "`data/recovered/Users/Choir/letter.txt` is not what was written",
        ),
    ] {
        let bytes = std::fs::read(bench.path(path)).unwrap();
        let mut changed = bytes.clone();
        let at = bytes.len() / 2;
        changed[at] = if changed[at] == b'a' { b'b' } else { b'a' };
        bench.file(path, &changed);
        bench.run("verify choir").code(1).out_has(problem).out_lacks("All well");
        bench.file(path, &bytes);
    }
    // Whoever changes a file and all lists with it can't sign them.
    let letter = "choir/data/recovered/Users/Choir/letter.txt";
    let (old, new) = (std::fs::read(bench.path(letter)).unwrap(), b"another letter".to_vec());
    let digest = common::bag::sha256;
    let swap = |list: &str, old: &[u8], new: &[u8]| {
        let text = bench.text(list);
        assert!(text.contains(&digest(old)), "{list}");
        bench.file(list, text.replace(&digest(old), &digest(new)));
    };
    let before = bench.text("choir/manifest-sha256.txt");
    bench.file(letter, &new);
    swap("choir/manifest-sha256.txt", &old, &new);
    swap("choir/tagmanifest-sha256.txt", before.as_bytes(), bench.text("choir/manifest-sha256.txt").as_bytes());
    bench.file("choir/bag-info.txt", bench.text("choir/bag-info.txt"));
    let outcome = bench.run("verify choir").code(1);
    outcome.out_has("has no good signature").out_lacks("letter.txt");
}

#[test]
fn signatures_that_are_not_checked_here_are_never_good() {
    let bench = signed();
    bench.file("choir/tagmanifest-sha256.txt.sig", bench.text("key-rsa.sig"));
    bench.run("verify choir").code(0).out_has("the signature is not checked").out_has("`ssh-keygen -Y verify` does");
    bench.run("verify choir --signer key-choir.pub").code(1).out_has("has no good signature");
}

/// Before anything is copied.
#[test]
fn a_key_that_cannot_sign_stops_it_at_once() {
    let bench = bench();
    for (key, code, why) in [
        ("key-locked", 2, "protected by a passphrase"),
        ("key-rsa", 2, "of the kind ssh-rsa"),
        ("key-ecdsa", 2, "a kind that handback does not sign with"),
        ("key-choir.pub", 2, "no secret key"),
        ("gpt-128.img", 3, "it is too long"),
        ("nothing", 3, "cannot read the signing key `nothing`"),
        (".", 3, "cannot read the signing key `.`"),
    ] {
        let line = format!("extract gpt-128.img /Users/Choir --to choir --sign {key}");
        let outcome = bench.run(&line).code(code).err_has(why);
        assert!(!bench.path("choir").exists(), "{key}: {}", outcome.err);
    }
}

#[cfg(unix)]
#[test]
fn a_key_that_may_not_be_read() {
    use std::os::unix::fs::PermissionsExt;
    let bench = bench();
    std::fs::set_permissions(bench.path("key-choir"), std::fs::Permissions::from_mode(0o000)).unwrap();
    // Root may read everything.
    if std::fs::read(bench.path("key-choir")).is_err() {
        bench.run("extract gpt-128.img / --to choir --sign key-choir").code(3).err_has("cannot read the signing key");
        assert!(!bench.path("choir").exists());
    }
}

#[test]
fn the_record_has_the_signature_too() {
    let bench = signed();
    let record = bench.tree("gpt-128 handback records");
    let signature = bench.text("choir/tagmanifest-sha256.txt.sig").into_bytes();
    assert!(record.iter().any(|(path, bytes)| path.ends_with(".sig") && bytes.as_ref() == Some(&signature)));
}
