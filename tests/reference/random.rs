//! Random numbers from a seed that can be given again.

use std::time::SystemTime;

/// SplitMix64 (Steele, Lea, Flood: "Fast splittable pseudorandom number generators", 2014; constants from memory).
pub(crate) struct Random(u64);

impl Random {
    /// With `HANDBACK_SEED` or the clock's seed; which one is printed with the test's name.
    #[expect(clippy::print_stderr, reason = "a failed test can only be run again with its seed")]
    pub(crate) fn announced(test: &str) -> Self {
        let clock = || {
            SystemTime::now()
                .duration_since(SystemTime::UNIX_EPOCH)
                .map_or(0, |time| time.as_secs() ^ u64::from(time.subsec_nanos()))
        };
        let seed = match std::env::var("HANDBACK_SEED") {
            Ok(text) => text.parse().expect("HANDBACK_SEED is a number"),
            Err(_) => clock(),
        };
        eprintln!("{test}: HANDBACK_SEED={seed}");
        Self(seed)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Below `end`, which is not 0.
    pub(crate) fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.next() % u64::try_from(end).expect("64 bits")).expect("below a usize")
    }

    /// From `start` up to and without `end`.
    pub(crate) fn between(&mut self, start: usize, end: usize) -> usize {
        start + self.below(end - start)
    }

    pub(crate) fn pick<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }

    /// Bytes that can't be compressed.
    pub(crate) fn noise(&mut self, length: usize) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(length + 8);
        while bytes.len() < length {
            bytes.extend_from_slice(&self.next().to_le_bytes());
        }
        bytes.truncate(length);
        bytes
    }

    /// Words.
    pub(crate) fn prose(&mut self, length: usize) -> Vec<u8> {
        const WORDS: [&str; 16] = [
            "choir",
            "rehearsal",
            "alto",
            "tenor",
            "hymn",
            "minutes",
            "hall",
            "spring",
            "candle",
            "village",
            "bell",
            "river",
            "score",
            "treasurer",
            "breath",
            "vowel",
        ];
        let mut bytes = Vec::with_capacity(length + 16);
        while bytes.len() < length {
            bytes.extend_from_slice(self.pick(&WORDS).as_bytes());
            bytes.push(if self.below(9) == 0 { b'\n' } else { b' ' });
        }
        bytes.truncate(length);
        bytes
    }

    /// Content of any kind: words, noise, zeros, and all of them in turn.
    pub(crate) fn content(&mut self, length: usize) -> Vec<u8> {
        match self.below(10) {
            0..4 => self.prose(length),
            4..7 => self.noise(length),
            _ => {
                let mut bytes = Vec::with_capacity(length);
                while bytes.len() < length {
                    let piece = (1 + self.below(90_000)).min(length - bytes.len());
                    match self.below(4) {
                        0 => bytes.extend(self.noise(piece)),
                        1 => bytes.resize(bytes.len() + piece, 0),
                        _ => bytes.extend(self.prose(piece)),
                    }
                }
                bytes
            }
        }
    }
}
