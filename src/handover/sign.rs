//! Signatures of the tag manifest, in the form that OpenSSH has for files: `ssh-keygen -Y verify` checks what is made
//! here, and what `ssh-keygen -Y sign` makes is checked here.
//!
//! Sources: OpenSSH, `PROTOCOL.sshsig` (the form), and the manual page ssh-keygen(1), sections "-Y sign" and "ALLOWED
//! SIGNERS". The keys and the cryptography are those of the crate `ssh-key`.

use std::io::Read;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::output;
use crate::error::{Error, Result};

/// The signature's name in a bag; `ssh-keygen -Y sign` gives it the same.
pub(crate) const SIGNATURE: &str = "tagmanifest-sha256.txt.sig";

/// What the signature is for, as OpenSSH calls it: a signature for one purpose is no good for another. `file` is what
/// ssh-keygen(1) names for signing files, so that nobody needs to know a word of ours to check one by hand.
pub const NAMESPACE: &str = "file";

/// Longest file of a key, a signature or a list of signers that is read, in bytes. A key of RSA with 16,384 bits has
/// about 13,000; a list with a thousand signers 150,000.
const LONGEST_FILE: u64 = 1 << 20;

/// The sentence about the signature for people who hold the folder, and the command that checks it.
pub(crate) fn signing_note() -> (String, String) {
    (
        format!(
            "This folder's lists are signed ({SIGNATURE}). Whoever has the workshop's public key in a file \
             \"allowed_signers\" (one line: NAME KEY) can check that with OpenSSH:"
        ),
        format!(
            "ssh-keygen -Y verify -f allowed_signers -I NAME -n {NAMESPACE} -s {SIGNATURE} < tagmanifest-sha256.txt"
        ),
    )
}

/// What a signature is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SignatureState {
    /// It is a good one of the tag manifest, and if a signer was named, theirs.
    Good,
    /// It is no good: the tag manifest is not what was signed, or the signature is not whole.
    Broken,
    /// It is a good one, and of another key than the named signer's.
    OtherSigner,
    /// It can't be checked here.
    NotChecked,
}

/// What checking a signature showed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SignatureReport {
    /// What it is worth.
    pub state: SignatureState,
    /// The fingerprint of its key, as `SHA256:…`; `None` if it can't be read.
    pub key: Option<String>,
    /// Whose key it is, by the list of signers that was named; `None` if nobody says.
    pub signer: Option<String>,
    /// Why it is not good; `None` if it is.
    pub why: Option<String>,
}

fn bounded(path: &Path, action: &'static str) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let failed = |source| Error::Io { action, path: path.to_path_buf(), source };
    output::open(path)
        .and_then(|file| file.take(LONGEST_FILE.saturating_add(1)).read_to_end(&mut bytes))
        .map_err(failed)?;
    match bytes.len() as u64 > LONGEST_FILE {
        true => Err(failed(std::io::Error::other("it is too long"))),
        false => Ok(bytes),
    }
}

/// Checks the signature in a bag, if there is one.
pub(crate) fn check(bag: &Path, signers: Option<&Signers>) -> Result<Option<SignatureReport>> {
    let path = bag.join(SIGNATURE);
    // A link could lead anywhere.
    match std::fs::symlink_metadata(&path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(Error::Io { action: "look at", path, source }),
        Ok(metadata) if !metadata.is_file() => {
            let (state, why) = (SignatureState::Broken, Some("it is no file".to_string()));
            return Ok(Some(SignatureReport { state, key: None, signer: None, why }));
        }
        Ok(_) => {}
    }
    let signature = bounded(&path, "read the signature")?;
    let list = bag.join(super::bag::TAG_MANIFEST);
    let mut signed = Vec::new();
    match output::open(&list).and_then(|mut file| file.read_to_end(&mut signed)) {
        // That it is missing is said elsewhere; nothing is what was signed.
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Err(source) => return Err(Error::Io { action: "read", path: list, source }),
        Ok(_) => {}
    }
    Ok(Some(report(&signature, &signed, signers)))
}

/// Public keys, and whose they are.
#[derive(Debug, Clone)]
pub struct Signers {
    path: PathBuf,
    /// Base64 of the public key, with the names that its line gives.
    keys: Vec<(String, String)>,
    /// Lines that are not understood here.
    passed_over: usize,
}

impl Signers {
    /// Reads a public key (`id_ed25519.pub`) or a list of signers as ssh-keygen(1) has it. A line with an option that
    /// is not known here gives its key no word: whether it holds is for `ssh-keygen` to say.
    ///
    /// # Errors
    /// [`Error::Io`] if it can't be read; [`Error::Usage`] if no key stands in it.
    pub fn read(path: &Path) -> Result<Self> {
        let bytes = bounded(path, "read the signers in")?;
        let text = String::from_utf8_lossy(&bytes);
        let mut signers = Self { path: path.to_path_buf(), keys: Vec::new(), passed_over: 0 };
        for line in text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#')) {
            match signer(line) {
                Some(signer) => signers.keys.push(signer),
                None => signers.passed_over += 1,
            }
        }
        if signers.keys.is_empty() {
            return Err(Error::Usage(format!(
                "no key that can be used stands in `{}`; name a public key such as `id_ed25519.pub`, or a list of allowed \
                 signers as ssh-keygen(1) has it",
                path.display()
            )));
        }
        Ok(signers)
    }

    /// The names of a key, if it is one of these.
    #[cfg(feature = "signing")]
    fn names(&self, key: &str) -> Option<&str> {
        self.keys.iter().find(|(known, _)| known == key).map(|(_, names)| names.as_str())
    }

    /// What is said where a key is none of these.
    #[cfg(feature = "signing")]
    fn stranger(&self) -> String {
        let passed_over = match self.passed_over {
            0 => String::new(),
            1 => "; 1 line there is not read here, `ssh-keygen -Y verify` may know more".to_string(),
            lines => format!("; {lines} lines there are not read here, `ssh-keygen -Y verify` may know more"),
        };
        format!("its key does not stand in `{}`{passed_over}", self.path.display())
    }
}

/// The key of a line, in base64, and whose it is. `NAMES [OPTIONS] TYPE KEY [COMMENT]`, or a public key without what
/// stands before it: then its comment tells.
fn signer(line: &str) -> Option<(String, String)> {
    let words = words(line);
    let is_kind = |word: &&String| ["ssh-", "ecdsa-", "sk-"].iter().any(|start| word.starts_with(start));
    let kind = words.iter().take(3).position(|word| is_kind(&word))?;
    let key = words.get(kind + 1)?.clone();
    let names = match kind {
        0 => words.get(2..).unwrap_or_default().join(" "),
        _ => words.first()?.clone(),
    };
    let options = if kind == 2 { words.get(1)?.as_str() } else { "" };
    let holds = |option: &str| {
        let value =
            option.split_once('=').and_then(|(name, it)| (name.eq_ignore_ascii_case("namespaces")).then_some(it));
        let quoted = value.and_then(|value| value.strip_prefix('"')?.strip_suffix('"'));
        // A quote inside ends the value, and a comma outside of quotes begins another option.
        let spaces = quoted.filter(|it| !it.contains('"')).or(value.filter(|it| !it.contains(['"', ','])));
        spaces.is_some_and(|spaces| spaces.split(',').any(|one| one == NAMESPACE))
    };
    // Several options, a time, an authority: not understood here.
    (options.is_empty() || holds(options)).then_some((key, names))
}

/// The words of a line; blanks between quotes part none.
fn words(line: &str) -> Vec<String> {
    let (mut words, mut word, mut quoted) = (Vec::new(), String::new(), false);
    for character in line.chars() {
        match character {
            ' ' | '\t' if !quoted => words.extend(Some(std::mem::take(&mut word)).filter(|word| !word.is_empty())),
            character => {
                quoted ^= character == '"';
                word.push(character);
            }
        }
    }
    words.extend(Some(word).filter(|word| !word.is_empty()));
    words
}

#[cfg(feature = "signing")]
mod with_keys {
    use std::path::Path;

    use ssh_key::private::KeypairData;
    use ssh_key::public::KeyData;
    use ssh_key::{HashAlg, LineEnding, PrivateKey, PublicKey, SshSig};

    use super::{NAMESPACE, SignatureReport, SignatureState, Signers, bounded};
    use crate::error::{Error, Result};

    /// A secret key that signs.
    #[derive(Debug, Clone)]
    pub struct SigningKey(PrivateKey);

    impl SigningKey {
        /// Reads a secret key as OpenSSH keeps it.
        ///
        /// # Errors
        /// [`Error::Io`] if it can't be read; [`Error::Usage`] if it can't sign here, with what to do instead.
        pub fn read(path: &Path) -> Result<Self> {
            let bytes = bounded(path, "read the signing key")?;
            let shown = path.display();
            let by_hand = format!(
                "`ssh-keygen -Y sign -f {shown} -n {NAMESPACE} tagmanifest-sha256.txt`, typed in the finished folder"
            );
            let key = PrivateKey::from_openssh(&bytes).map_err(|error| {
                let what = match is_other_kind(&error) {
                    true => "a key of a kind that handback does not sign with",
                    false => "no secret key in OpenSSH's form",
                };
                Error::Usage(format!(
                    "`{shown}` is {what}; make one of the kind ssh-ed25519 with `ssh-keygen -t ed25519 -N \"\" -f FILE`, \
                     or sign by hand: {by_hand}"
                ))
            })?;
            if key.is_encrypted() {
                return Err(Error::Usage(format!(
                    "the key in `{shown}` is protected by a passphrase, and nobody is asked for one here; use a key \
                     without, or sign by hand: {by_hand}"
                )));
            }
            match key.key_data() {
                KeypairData::Ed25519(_) => Ok(Self(key)),
                _ => Err(Error::Usage(format!(
                    "the key in `{shown}` is of the kind {}, and handback signs with ssh-ed25519 alone; make one with \
                     `ssh-keygen -t ed25519 -N \"\" -f FILE`, or sign by hand: {by_hand}",
                    key.algorithm()
                ))),
            }
        }

        /// The fingerprint of its public key, as `SHA256:…`.
        #[must_use]
        pub fn fingerprint(&self) -> String {
            self.0.fingerprint(HashAlg::Sha256).to_string()
        }

        /// The signature of a text, with armour.
        pub(crate) fn sign(&self, bytes: &[u8]) -> Result<String> {
            let failed = |error: ssh_key::Error| Error::Io {
                action: "sign",
                path: super::super::bag::TAG_MANIFEST.into(),
                source: std::io::Error::other(error.to_string()),
            };
            let signature = self.0.sign(NAMESPACE, HashAlg::Sha512, bytes).map_err(failed)?;
            signature.to_pem(LineEnding::LF).map_err(failed)
        }
    }

    /// Whether a key or a signature is of a kind that is left out here, and may be sound.
    fn is_other_kind(error: &ssh_key::Error) -> bool {
        matches!(error, ssh_key::Error::AlgorithmUnknown | ssh_key::Error::AlgorithmUnsupported { .. })
    }

    /// Whether a signature has the one form that it can have. The parser takes other versions and lengths that lead past
    /// the end; `ssh-keygen` does not.
    fn is_as_written(parsed: &SshSig, text: &str) -> bool {
        let solid = |text: &str| text.split_whitespace().collect::<String>();
        parsed.version() == SshSig::VERSION
            && parsed.to_pem(LineEnding::LF).is_ok_and(|again| solid(&again) == solid(text))
    }

    /// What a signature of `signed` is worth.
    pub(crate) fn report(signature: &[u8], signed: &[u8], signers: Option<&Signers>) -> SignatureReport {
        let mut report = SignatureReport { state: SignatureState::Broken, key: None, signer: None, why: None };
        let text = String::from_utf8_lossy(signature).replace("\r\n", "\n");
        let parsed = match SshSig::from_pem(text.trim_start()) {
            Ok(parsed) if is_as_written(&parsed, &text) => parsed,
            Err(error) if is_other_kind(&error) => {
                report.state = SignatureState::NotChecked;
                report.why =
                    Some("its key is of a kind that handback does not check; `ssh-keygen -Y verify` does".to_string());
                return report;
            }
            Ok(_) | Err(_) => {
                report.why = Some("it is no whole signature in OpenSSH's form".to_string());
                return report;
            }
        };
        report.key = Some(parsed.public_key().fingerprint(HashAlg::Sha256).to_string());
        let key = PublicKey::from(parsed.public_key().clone());
        if parsed.namespace() != NAMESPACE {
            report.why = Some(format!("it was made for the purpose `{}` and not for files", parsed.namespace()));
            return report;
        }
        if !matches!(key.key_data(), KeyData::Ed25519(_)) {
            report.state = SignatureState::NotChecked;
            report.why = Some(format!(
                "its key is of the kind {}, which handback does not check; `ssh-keygen -Y verify` does",
                key.algorithm()
            ));
            return report;
        }
        if key.verify(NAMESPACE, signed, &parsed).is_err() {
            report.why = Some("the tag manifest is not what was signed".to_string());
            return report;
        }
        report.state = SignatureState::Good;
        if let Some(signers) = signers {
            let line = key.to_openssh().unwrap_or_default();
            match line.split_whitespace().nth(1).and_then(|key| signers.names(key)) {
                Some(names) => report.signer = Some(names.to_string()),
                None => {
                    report.state = SignatureState::OtherSigner;
                    report.why = Some(signers.stranger());
                }
            }
        }
        report
    }
}

#[cfg(not(feature = "signing"))]
mod without_keys {
    use std::path::Path;

    use super::{SignatureReport, SignatureState, Signers};
    use crate::error::{Error, Result};

    /// A secret key that signs: none in this build.
    #[derive(Debug, Clone)]
    pub struct SigningKey(std::convert::Infallible);

    impl SigningKey {
        /// Refuses.
        ///
        /// # Errors
        /// [`Error::Usage`], always.
        pub fn read(path: &Path) -> Result<Self> {
            Err(Error::Usage(format!(
                "this build of handback can't sign (it was made without `signing`); sign by hand: `ssh-keygen -Y sign -f {} \
                 -n {} tagmanifest-sha256.txt`, typed in the finished folder",
                path.display(),
                super::NAMESPACE
            )))
        }

        /// The fingerprint of its public key.
        #[must_use]
        pub fn fingerprint(&self) -> String {
            match self.0 {}
        }

        /// The signature of a text.
        pub(crate) fn sign(&self, _: &[u8]) -> Result<String> {
            match self.0 {}
        }
    }

    /// What a signature is worth: nobody looks.
    pub(crate) fn report(_: &[u8], _: &[u8], signers: Option<&Signers>) -> SignatureReport {
        let list = signers.map(|signers| {
            format!(
                " against `{}` ({} keys, {} other lines)",
                signers.path.display(),
                signers.keys.len(),
                signers.passed_over
            )
        });
        SignatureReport {
            state: SignatureState::NotChecked,
            key: None,
            signer: None,
            why: Some(format!(
                "this build of handback checks no signatures{}; `ssh-keygen -Y verify` does",
                list.unwrap_or_default()
            )),
        }
    }
}

#[cfg(feature = "signing")]
pub use with_keys::SigningKey;
#[cfg(feature = "signing")]
use with_keys::report;
#[cfg(not(feature = "signing"))]
pub use without_keys::SigningKey;
#[cfg(not(feature = "signing"))]
use without_keys::report;

#[cfg(test)]
mod tests;
