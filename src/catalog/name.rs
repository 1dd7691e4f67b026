//! Names as a filesystem stores them.

use std::borrow::Cow;
use std::fmt::Write as _;

use super::build::too_many;
use crate::error::Result;

/// A name as stored, held as WTF-8: UTF-8 in which a lone UTF-16 surrogate takes the three bytes that the generalised
/// encoding gives it. Every sequence of UTF-16 units has exactly one such form, so nothing is lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name<'a>(&'a [u8]);

impl<'a> Name<'a> {
    pub(crate) fn from_stored(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    /// The name in memory form, for comparison.
    #[must_use]
    pub fn as_bytes(self) -> &'a [u8] {
        self.0
    }

    /// The name as text; what is no text is shown as U+FFFD.
    #[must_use]
    pub fn text(self) -> Cow<'a, str> {
        String::from_utf8_lossy(self.0)
    }

    /// Whether [`Name::text`] holds the whole name.
    #[must_use]
    pub fn is_text(self) -> bool {
        std::str::from_utf8(self.0).is_ok()
    }

    /// The UTF-16 units as stored on disk.
    #[must_use]
    pub fn units(self) -> Vec<u16> {
        let mut units = Vec::with_capacity(self.0.len());
        let mut rest = self.0;
        while !rest.is_empty() {
            let valid = match std::str::from_utf8(rest) {
                Ok(text) => text,
                Err(error) => rest
                    .get(..error.valid_up_to())
                    .and_then(|valid| std::str::from_utf8(valid).ok())
                    .unwrap_or_default(),
            };
            units.extend(valid.encode_utf16());
            rest = rest.get(valid.len()..).unwrap_or_default();
            if let Some(surrogate) = lone_surrogate(rest) {
                units.push(surrogate);
                rest = rest.get(3..).unwrap_or_default();
            } else {
                // Bytes of a filesystem that keeps bytes: one unit each, so that the loop always moves.
                units.extend(rest.first().map(|_| 0xfffd));
                rest = rest.get(1..).unwrap_or_default();
            }
        }
        units
    }

    /// The stored UTF-16LE bytes in hexadecimal, for `name_raw`, where the text can't hold the name.
    #[must_use]
    pub fn raw_hex(self) -> Option<String> {
        if self.is_text() {
            return None;
        }
        let mut hex = String::new();
        for byte in self.units().into_iter().flat_map(u16::to_le_bytes) {
            // Writing to a String can't fail.
            let _ = write!(hex, "{byte:02x}");
        }
        Some(hex)
    }
}

/// The surrogate that the first three bytes stand for.
fn lone_surrogate(bytes: &[u8]) -> Option<u16> {
    match bytes {
        [0xed, second @ 0xa0..=0xbf, third @ 0x80..=0xbf, ..] => {
            Some(0xd000 | (u16::from(second & 0x3f) << 6) | u16::from(third & 0x3f))
        }
        _ => None,
    }
}

/// Where a name's text lies among those of all.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Text {
    start: u32,
    length: u16,
}

impl Text {
    /// The same text in a list in which its own begins at `first`.
    ///
    /// # Errors
    /// [`Error::Limit`](crate::Error::Limit) past 2^32 bytes.
    pub(crate) fn behind(self, first: u32) -> Result<Self> {
        let start = self.start.checked_add(first).ok_or_else(|| too_many("bytes of names"))?;
        Ok(Self { start, ..self })
    }
}

/// The texts of names, one behind the other.
#[derive(Debug, Default)]
pub(crate) struct Texts(Vec<u8>);

impl Texts {
    /// Adds a name stored as UTF-16.
    ///
    /// # Errors
    /// [`Error::Limit`](crate::Error::Limit) past 2^32 bytes.
    pub(crate) fn add(&mut self, units: impl IntoIterator<Item = u16>) -> Result<Text> {
        let start = self.0.len();
        push_units(&mut self.0, units);
        Ok(Text {
            start: u32::try_from(start).map_err(|_| too_many("bytes of names"))?,
            length: u16::try_from(self.0.len().saturating_sub(start)).map_err(|_| too_many("bytes in a name"))?,
        })
    }

    /// Adds all texts of another list, and answers where they begin.
    ///
    /// # Errors
    /// [`Error::Limit`](crate::Error::Limit) past 2^32 bytes.
    pub(crate) fn append(&mut self, other: Self) -> Result<u32> {
        let first = u32::try_from(self.0.len()).map_err(|_| too_many("bytes of names"))?;
        self.0.extend(other.0);
        Ok(first)
    }

    /// One of them.
    pub(crate) fn get(&self, text: Text) -> Name<'_> {
        let start = usize::try_from(text.start).unwrap_or(usize::MAX);
        Name::from_stored(crate::bytes::slice(&self.0, start, usize::from(text.length)).unwrap_or_default())
    }
}

/// The memory form of a name stored as UTF-16, for comparison.
pub(crate) fn stored_name(units: impl IntoIterator<Item = u16>) -> Vec<u8> {
    let mut text = Vec::new();
    push_units(&mut text, units);
    text
}

/// Appends the memory form of a name stored as UTF-16.
fn push_units(text: &mut Vec<u8>, units: impl IntoIterator<Item = u16>) {
    for unit in char::decode_utf16(units) {
        match unit {
            Ok(character) => text.extend_from_slice(character.encode_utf8(&mut [0; 4]).as_bytes()),
            Err(lone) => {
                let [high, low] = lone.unpaired_surrogate().to_be_bytes();
                text.extend_from_slice(&[0xed, 0x80 | ((high & 0x0f) << 2) | (low >> 6), 0x80 | (low & 0x3f)]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn stored(units: &[u16]) -> Vec<u8> {
        stored_name(units.iter().copied())
    }

    #[test]
    fn surrogates_pair_or_stay_alone() {
        assert_eq!(stored(&[0xd83c, 0xdf89]), "🎉".as_bytes());
        let alone = stored(&[0x41, 0xd83c, 0x42]);
        let name = Name::from_stored(&alone);
        assert_eq!((name.text().chars().next(), name.is_text()), (Some('A'), false));
        assert_eq!(name.units(), [0x41, 0xd83c, 0x42]);
        assert_eq!(name.raw_hex().as_deref(), Some("41003cd84200"));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn units_come_back_the_same(units in prop::collection::vec(prop_oneof![any::<u16>(), 0xd800..0xe000_u16], 0..40)) {
            let bytes = stored(&units);
            prop_assert_eq!(Name::from_stored(&bytes).units(), units);
        }
    }
}
