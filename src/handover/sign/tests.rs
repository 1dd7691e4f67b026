//! Signers' lists, and signatures that `ssh-keygen` of OpenSSH made.

use super::*;
use crate::testing::write_file;

fn signers(text: &str) -> Result<Signers> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("allowed_signers");
    write_file(&path, text.as_bytes());
    Signers::read(&path)
}

const CHOIR: &str = include_str!("../../../tests/keys/choir.pub");
const OTHER: &str = include_str!("../../../tests/keys/other.pub");

#[test]
fn a_list_of_signers_gives_keys_their_names() {
    let key = CHOIR.split_whitespace().nth(1).unwrap().to_string();
    let only = |text: &str| signers(text).unwrap().keys;
    let kind = "ssh-ed25519";
    assert_eq!(only(CHOIR), [(key.clone(), "choir workshop (test)".to_string())]);
    for line in [
        format!("anna@village {kind} {key}"),
        format!("# mine\r\n\r\nanna@village\t{kind} {key} a comment\r\n"),
        format!("anna@village namespaces=\"git,file\" {kind} {key}"),
        format!("anna@village Namespaces=file {kind} {key}"),
    ] {
        assert_eq!(only(&line), [(key.clone(), "anna@village".to_string())], "{line}");
    }
    let two = only(&format!("anna {kind} {key}\n{OTHER}"));
    assert_eq!((two.len(), two[0].1.as_str()), (2, "anna"));
}

/// What is not understood gives nobody's word.
#[test]
fn a_line_that_is_not_understood_counts_for_nothing() {
    let key = CHOIR.split_whitespace().nth(1).unwrap();
    for line in [
        format!("anna namespaces=\"git\" ssh-ed25519 {key}"),
        format!("anna cert-authority ssh-ed25519 {key}"),
        format!("anna valid-before=\"20200101\" ssh-ed25519 {key}"),
        format!("anna namespaces=\"file\",valid-before=\"20200101\" ssh-ed25519 {key}"),
        format!("anna namespaces=\"file\" valid-before=\"20200101\" ssh-ed25519 {key}"),
        "ssh-ed25519".to_string(),
        "anna".to_string(),
        String::new(),
    ] {
        assert!(matches!(signers(&line), Err(Error::Usage(_))), "{line}");
    }
    let read = signers(&format!("anna cert-authority ssh-ed25519 {key}\n{OTHER}")).unwrap();
    assert_eq!((read.keys.len(), read.passed_over), (1, 1));
    assert!(matches!(Signers::read(Path::new("no/such/list")), Err(Error::Io { .. })));
}

#[cfg(feature = "signing")]
mod with_keys {
    use super::*;

    const SIGNED: &[u8] = include_bytes!("../../../tests/keys/song.txt");
    const SIGNATURE_OF_CHOIR: &[u8] = include_bytes!("../../../tests/keys/choir.sig");

    fn key(name: &str) -> Result<SigningKey> {
        SigningKey::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/keys").join(name))
    }

    #[test]
    fn what_ssh_keygen_signed_is_good_and_comes_out_the_same_here() {
        let report = report(SIGNATURE_OF_CHOIR, SIGNED, None);
        assert_eq!((report.state, report.why), (SignatureState::Good, None));
        let key = key("choir").unwrap();
        assert_eq!(report.key, Some(key.fingerprint()));
        // Signatures of this kind do not depend on chance (RFC 8032, 5.1.6).
        let ours = key.sign(SIGNED).unwrap();
        let lines = |text: &str| text.split_whitespace().collect::<String>();
        assert_eq!(lines(&ours), lines(&String::from_utf8_lossy(SIGNATURE_OF_CHOIR)));
        let carried = ours.replace('\n', "\r\n");
        assert_eq!(super::report(carried.as_bytes(), SIGNED, None).state, SignatureState::Good);
    }

    #[test]
    fn any_changed_byte_is_noticed() {
        for at in 0..SIGNED.len() {
            let mut changed = SIGNED.to_vec();
            changed[at] ^= 1;
            assert_eq!(report(SIGNATURE_OF_CHOIR, &changed, None).state, SignatureState::Broken);
        }
        let body = SIGNATURE_OF_CHOIR.iter().position(|byte| *byte == b'\n').unwrap() + 1;
        for at in (body..SIGNATURE_OF_CHOIR.len() - 32).filter(|at| SIGNATURE_OF_CHOIR[*at] != b'\n') {
            let mut changed = SIGNATURE_OF_CHOIR.to_vec();
            changed[at] = if changed[at] == b'A' { b'B' } else { b'A' };
            let report = report(&changed, SIGNED, None);
            assert_ne!(report.state, SignatureState::Good, "{at}");
        }
        for end in 0..SIGNATURE_OF_CHOIR.len() - 2 {
            assert_eq!(report(&SIGNATURE_OF_CHOIR[..end], SIGNED, None).state, SignatureState::Broken, "{end}");
        }
        assert_eq!(report(b"", SIGNED, None).state, SignatureState::Broken);
        assert_eq!(report(SIGNATURE_OF_CHOIR, b"", None).state, SignatureState::Broken);
    }

    #[test]
    fn whose_it_is_is_asked() {
        let mine = signers(&format!("anna {CHOIR}")).unwrap();
        let good = report(SIGNATURE_OF_CHOIR, SIGNED, Some(&mine));
        assert_eq!((good.state, good.signer.as_deref()), (SignatureState::Good, Some("anna")));
        let other = report(SIGNATURE_OF_CHOIR, SIGNED, Some(&signers(OTHER).unwrap()));
        assert_eq!((other.state, other.signer), (SignatureState::OtherSigner, None));
        assert!(other.why.unwrap().starts_with("its key does not stand in `"));
        assert_eq!(report(SIGNATURE_OF_CHOIR, b"x", Some(&mine)).state, SignatureState::Broken);
    }

    #[test]
    fn other_kinds_and_purposes_are_never_good() {
        for (signature, state, why) in [
            (&include_bytes!("../../../tests/keys/choir-email.sig")[..], SignatureState::Broken, "purpose `email`"),
            (include_bytes!("../../../tests/keys/rsa.sig"), SignatureState::NotChecked, "does not check"),
            (include_bytes!("../../../tests/keys/ecdsa.sig"), SignatureState::NotChecked, "does not check"),
        ] {
            let report = report(signature, SIGNED, None);
            assert_eq!(report.state, state, "{report:?}");
            assert!(report.why.as_ref().unwrap().contains(why), "{report:?}");
        }
    }

    #[test]
    fn keys_that_cannot_sign_say_what_to_do() {
        for (name, why) in [
            ("locked", "protected by a passphrase"),
            ("rsa", "of the kind ssh-rsa"),
            ("ecdsa", "a key of a kind that handback does not sign with"),
            ("choir.pub", "no secret key in OpenSSH's form"),
            ("song.txt", "no secret key in OpenSSH's form"),
        ] {
            let error = key(name).unwrap_err();
            let text = error.to_string();
            assert!(matches!(error, Error::Usage(_)) && text.contains(why), "{name}: {text}");
            assert!(
                text.contains("ssh-keygen -Y sign -f ") && text.contains(" -n file tagmanifest-sha256.txt"),
                "{text}"
            );
        }
        assert!(matches!(key("nobody"), Err(Error::Io { .. })));
    }
}

/// Source: OpenSSH, ssh-keygen(1), "ALLOWED SIGNERS". What restricts a key in a way that isn't read here gives it no
/// word.
#[test]
fn only_a_list_of_namespaces_is_understood() {
    for (options, is_taken) in [
        ("", true),
        ("namespaces=file ", true),
        ("namespaces=\"file,git\" ", true),
        ("namespaces=\"git\" ", false),
        ("namespaces=\"file,git\",valid-before=\"20200101\" ", false),
        ("namespaces=\"file,git\",cert-authority ", false),
        ("namespaces=\"file\",valid-before=\"20200101\" ", false),
        ("namespaces=file,cert-authority ", false),
        ("cert-authority,namespaces=\"file\" ", false),
        ("valid-before=\"20200101\" ", false),
    ] {
        let line = format!("anna@village {options}ssh-ed25519 AAAAC3Nz anna");
        assert_eq!(signer(&line).is_some(), is_taken, "{options}");
    }
}
