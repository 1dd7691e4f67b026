//! Digests as text.

/// Bytes in lower-case hexadecimal.
pub(crate) fn of(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let mut text = String::with_capacity(bytes.len().saturating_mul(2));
    for byte in bytes {
        text.push(char::from(DIGITS[usize::from(byte >> 4)]));
        text.push(char::from(DIGITS[usize::from(byte & 15)]));
    }
    text
}

/// The 32 bytes that 64 hexadecimal digits stand for.
pub(crate) fn sha256(text: &str) -> Option<[u8; 32]> {
    bytes(text)?.try_into().ok()
}

/// The bytes that hexadecimal digits stand for.
pub(crate) fn bytes(text: &str) -> Option<Vec<u8>> {
    if !text.len().is_multiple_of(2) {
        return None;
    }
    let value = |digit: u8| char::from(digit).to_digit(16);
    let byte = |pair: &[u8]| u8::try_from(value(pair[0])? << 4 | value(pair[1])?).ok();
    text.as_bytes().chunks_exact(2).map(byte).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn digests_come_back() {
        let digest: [u8; 32] = std::array::from_fn(|index| index as u8 * 7);
        assert_eq!(super::sha256(&super::of(&digest)), Some(digest));
        for wrong in ["", "00", &"g".repeat(64), &"é".repeat(32), &"0".repeat(63)] {
            assert_eq!(super::sha256(wrong), None, "{wrong}");
        }
    }
}
