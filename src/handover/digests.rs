//! Kinds of digest, and several of one file in one pass over its bytes.

use enumset::{EnumSet, EnumSetType};
use md5::Md5;
use serde::Serialize;
use sha2::{Digest, Sha256, Sha512};

use super::hex;

/// A kind of digest. The order is the one in which they are preferred: where two lists have several in common, the
/// first counts.
#[derive(Debug, EnumSetType, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Algorithm {
    /// SHA-256 (FIPS 180-4), which every handover has.
    Sha256,
    /// SHA-512 (FIPS 180-4).
    Sha512,
    /// BLAKE3, with 32 bytes of output (the BLAKE3 paper, section 2).
    Blake3,
    /// MD5 (RFC 1321): for comparing with old lists. It finds accidents and no intent: two files can be made that have
    /// the same.
    Md5,
}

impl Algorithm {
    /// All of them, the preferred first.
    pub const ALL: [Self; 4] = [Self::Sha256, Self::Sha512, Self::Blake3, Self::Md5];

    /// The word, as in `manifest-sha256.txt`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Sha256 => "sha256",
            Self::Sha512 => "sha512",
            Self::Blake3 => "blake3",
            Self::Md5 => "md5",
        }
    }

    /// The kind that a word means.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|algorithm| algorithm.word() == word)
    }

    /// Hexadecimal digits of a digest.
    pub(crate) fn digits(self) -> usize {
        match self {
            Self::Sha256 | Self::Blake3 => 64,
            Self::Sha512 => 128,
            Self::Md5 => 32,
        }
    }

    /// The list of the payload's digests.
    pub(crate) fn manifest(self) -> &'static str {
        match self {
            Self::Sha256 => "manifest-sha256.txt",
            Self::Sha512 => "manifest-sha512.txt",
            Self::Blake3 => "manifest-blake3.txt",
            Self::Md5 => "manifest-md5.txt",
        }
    }

    /// Whether `text` can be a digest of this kind.
    pub(crate) fn is_digest(self, text: &str) -> bool {
        text.len() == self.digits() && text.bytes().all(|digit| digit.is_ascii_hexdigit())
    }
}

/// The words of a set of kinds, for JSON.
pub(crate) fn words<S: serde::Serializer>(set: &EnumSet<Algorithm>, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(set.iter().map(Algorithm::word))
}

/// Hashes in every kind of a set at once.
#[derive(Default)]
pub(crate) struct Hasher {
    sha256: Option<Sha256>,
    sha512: Option<Sha512>,
    // It has almost two kilobytes.
    blake3: Option<Box<blake3::Hasher>>,
    md5: Option<Md5>,
}

impl Hasher {
    pub(crate) fn new(kinds: EnumSet<Algorithm>) -> Self {
        Self {
            sha256: kinds.contains(Algorithm::Sha256).then(Sha256::new),
            sha512: kinds.contains(Algorithm::Sha512).then(Sha512::new),
            blake3: kinds.contains(Algorithm::Blake3).then(Box::default),
            md5: kinds.contains(Algorithm::Md5).then(Md5::new),
        }
    }

    /// The next bytes.
    pub(crate) fn update(&mut self, bytes: &[u8]) {
        if let Some(hash) = &mut self.sha256 {
            hash.update(bytes);
        }
        if let Some(hash) = &mut self.sha512 {
            hash.update(bytes);
        }
        if let Some(hash) = &mut self.blake3 {
            hash.update(bytes);
        }
        if let Some(hash) = &mut self.md5 {
            hash.update(bytes);
        }
    }

    /// The digests in lower-case hexadecimal, the preferred first.
    pub(crate) fn finish(self) -> Vec<(Algorithm, String)> {
        [
            self.sha256.map(|hash| (Algorithm::Sha256, hex::of(&hash.finalize()))),
            self.sha512.map(|hash| (Algorithm::Sha512, hex::of(&hash.finalize()))),
            self.blake3.map(|hash| (Algorithm::Blake3, hex::of(hash.finalize().as_bytes()))),
            self.md5.map(|hash| (Algorithm::Md5, hex::of(&hash.finalize()))),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "abc": SHA by FIPS 180-4's examples, MD5 by RFC 1321, A.5. BLAKE3 of nothing: by the test vectors that come with
    /// its specification.
    #[test]
    fn published_vectors() {
        let digest = |kinds: EnumSet<Algorithm>, pieces: &[&[u8]]| {
            let mut hasher = Hasher::new(kinds);
            pieces.iter().for_each(|piece| hasher.update(piece));
            hasher.finish()
        };
        assert_eq!(
            digest(Algorithm::Sha256 | Algorithm::Sha512 | Algorithm::Md5, &[b"a", b"bc"]),
            [
                (Algorithm::Sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad".to_string()),
                (
                    Algorithm::Sha512,
                    "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
                     2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
                        .to_string()
                ),
                (Algorithm::Md5, "900150983cd24fb0d6963f7d28e17f72".to_string()),
            ]
        );
        assert_eq!(
            digest(EnumSet::only(Algorithm::Blake3), &[]),
            [(Algorithm::Blake3, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262".to_string())]
        );
        assert_eq!(digest(EnumSet::empty(), &[b"abc"]), []);
    }

    #[test]
    fn words_and_lengths_fit() {
        for algorithm in Algorithm::ALL {
            assert_eq!(Algorithm::from_word(algorithm.word()), Some(algorithm));
            assert_eq!(algorithm.manifest(), format!("manifest-{}.txt", algorithm.word()));
            let mut hasher = Hasher::new(EnumSet::only(algorithm));
            hasher.update(b"la");
            assert!(algorithm.is_digest(&hasher.finish()[0].1), "{algorithm:?}");
            assert!(!algorithm.is_digest("la"));
        }
        assert_eq!(Algorithm::from_word("sha1"), None);
    }
}
