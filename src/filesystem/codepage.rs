//! Code pages: how systems of old wrote the short names of FAT.

use std::fmt;

use oem_cp::code_table::DECODING_TABLE_CP_MAP;

/// A code page by its number, as in 437 (IBM PC) or 850 (Western Europe).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CodePage(u16);

impl Default for CodePage {
    fn default() -> Self {
        Self::IBM_PC
    }
}

impl fmt::Display for CodePage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl CodePage {
    /// 437, what the first PCs had.
    pub const IBM_PC: Self = Self(437);

    /// The page of this number, if it is known.
    #[must_use]
    pub fn new(number: u16) -> Option<Self> {
        DECODING_TABLE_CP_MAP.contains_key(&number).then_some(Self(number))
    }

    /// The numbers that are known, in order.
    #[must_use]
    pub fn known() -> Vec<u16> {
        let mut numbers: Vec<u16> = DECODING_TABLE_CP_MAP.keys().copied().collect();
        numbers.sort_unstable();
        numbers
    }

    /// The text that bytes stand for; what stands for nothing becomes U+FFFD.
    #[must_use]
    pub fn decode(self, bytes: &[u8]) -> String {
        match DECODING_TABLE_CP_MAP.get(&self.0) {
            Some(table) => table.decode_string_lossy(bytes),
            None => String::from_utf8_lossy(bytes).into_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From the tables that IBM published: E5h is a sigma in 437 and an O with tilde in 850.
    #[test]
    fn pages_differ() {
        assert_eq!(CodePage::default().decode(b"A\xe5"), "Aσ");
        assert_eq!(CodePage::new(850).unwrap().decode(b"A\xe5"), "AÕ");
        assert_eq!(CodePage::new(1), None);
        assert!(CodePage::known().contains(&437));
    }
}
